"""What a dealer asks about a line of her statement: once, within limits, answered once by somebody else than herself, by mail."""

from __future__ import annotations

from collections.abc import Hashable
from dataclasses import dataclass
from datetime import datetime

import pytest
from sqlalchemy import Engine, select

from coop.core.db import Sessions, transaction
from coop.core.errors import Refusal
from coop.core.outbox import Outbox
from coop.dealers.models import Dealer, RoleGrant, UserAccount
from coop.statements.line_pages import line_said, lines_of, place_of_key
from coop.statements.line_parts import SECTIONS
from coop.statements.models import Statement, StatementQuestion
from coop.statements.questions import MOST_OPEN, answer_question, ask_question, count_open, questions, questions_of
from tests.databases import fill
from tests.factories.house import House, build_house
from tests.factories.statements import SAMPLES

NUMBER = "MAIN.D01.2026-10"


@dataclass
class Asking:
    sessions: Sessions
    house: House
    now: datetime

    def ask(self, session, line: str = "charges/0", question: str = "Why so much?", who: str = "dealer") -> StatementQuestion:
        number = NUMBER if who == "dealer" else "MAIN.D02.2026-10"
        statement = session.scalars(select(Statement).where(Statement.number == number)).one()
        return ask_question(session, self.now, statement, line, question, self.house.users[who], "example.org")

    def answer(self, session, row: StatementQuestion, answer: str = "By your lease.", who: str = "manager") -> None:
        answer_question(session, self.now, row, answer, self.house.users[who], "example.org")


@pytest.fixture
def begins_with(now: datetime) -> Hashable:
    return "house", now


@pytest.fixture
def asking(sessions: Sessions, engine: Engine, now: datetime) -> Asking:
    return Asking(sessions, fill(engine, ("house", now), lambda session: build_house(session, now)), now)


def mails(session, kind: str) -> list[Outbox]:
    return list(session.scalars(select(Outbox).where(Outbox.kind == kind).order_by(Outbox.id)))


def test_a_question_is_kept_with_its_line_mailed_to_managers_and_answered_once(asking: Asking) -> None:
    with transaction(asking.sessions) as session:
        # A second manager is told too; one who is shut out is not.
        for email, gone in (("second@example.org", None), ("gone@example.org", asking.now)):
            user = UserAccount(email=email, password_hash="x", disabled_at=gone, created_at=asking.now)
            user.grants = [RoleGrant(role="manager")]
            session.add(user)
        session.flush()
        row = asking.ask(session)
        assert row.said == "Rent, Booth 12: \N{MINUS SIGN}270.00"
        assert [mail.recipient for mail in mails(session, "question")] == ["manager@example.org", "second@example.org"]
        sent = mails(session, "question")[0]
        assert "Why so much?" in sent.text_body
        assert "Rent, Booth 12: -270.00" in sent.text_body
        statement = session.scalars(select(Statement).where(Statement.number == NUMBER)).one()
        assert [one.question.id for one in questions_of(session, statement, "charges/0")] == [row.id]
        assert questions_of(session, statement, "charges/3") == []

        asking.answer(session, row)
        (mail,) = mails(session, "answer")
        assert mail.recipient == "ida@example.org"
        assert mail.text_body.startswith("By your lease.")
        assert (row.answer, row.answered_by) == ("By your lease.", asking.house.users["manager"])
        with pytest.raises(Refusal, match="answered already"):
            asking.answer(session, row, "Something else.")
        assert len(mails(session, "answer")) == 1
        # What is asked further of the same line is a question of its own.
        again = asking.ask(session)
        assert again.id != row.id
        assert [one.question.id for one in questions(session, is_open=True)] == [asking.house.question, again.id]
        assert [one.question.id for one in questions(session, is_open=False)] == [row.id]


@pytest.mark.parametrize(
    ("line", "question", "sentence"),
    [
        ("charges/0", "  ", "The question is empty"),
        ("charges/0", "x" * 1001, "1,001 characters"),
        ("charges/99", "Why?", "has no line 'charges/99'"),
        ("charges", "Why?", "has no line"),
        ("opening/0", "Why?", "has no line"),
        ("sales/-1", "Why?", "has no line"),
        ("sales/00", "Why?", "has no line"),
        ("nothing/0", "Why?", "has no line"),
        ("charges/1", "Why is commission taken on the oak washstand, which came back?", "You asked this already"),
    ],
)
def test_what_cannot_be_asked(asking: Asking, line: str, question: str, sentence: str) -> None:
    with transaction(asking.sessions) as session:
        before = count_open(session)
        with pytest.raises(Refusal, match=sentence):
            asking.ask(session, line, question)
        assert count_open(session) == before
        assert mails(session, "question") == []


def test_twenty_questions_of_a_dealer_may_wait_at_a_time(asking: Asking) -> None:
    with transaction(asking.sessions) as session:
        for n in range(MOST_OPEN - 1):  # one waits in the house
            last = asking.ask(session, "whole", f"Question {n}?")
        with pytest.raises(Refusal, match="20 of your questions wait"):
            asking.ask(session, "opening", "One more?")
        # They are hers alone, and an answer makes room.
        asking.ask(session, "opening", "Mine?", who="other dealer")
        asking.answer(session, last)
        asking.ask(session, "opening", "One more?")
        assert count_open(session) == MOST_OPEN + 1


@pytest.mark.parametrize("answer", ["", "x" * 2001])
def test_what_is_no_answer(asking: Asking, answer: str) -> None:
    with transaction(asking.sessions) as session:
        row = asking.ask(session)
        with pytest.raises(Refusal):
            asking.answer(session, row, answer)
        assert row.answered_at is None


def test_a_manager_does_not_answer_herself(asking: Asking) -> None:
    with transaction(asking.sessions) as session:
        ida = session.scalars(select(Dealer).where(Dealer.code == "D01")).one()
        manager = session.get_one(UserAccount, asking.house.users["manager"])
        manager.member_id = ida.member_id
        session.flush()
        row = asking.ask(session)
        with pytest.raises(Refusal, match="You cannot decide on a question of your own"):
            asking.answer(session, row)
        asking.answer(session, asking.ask(session, who="other dealer"))


def test_a_dealer_without_an_address_reads_the_answer_in_the_portal(asking: Asking) -> None:
    with transaction(asking.sessions) as session:
        session.scalars(select(Dealer).where(Dealer.code == "D01")).one().member.email = ""
        row = asking.ask(session)
        asking.answer(session, row)
        assert mails(session, "answer") == []
        assert row.answer == "By your lease."


@pytest.mark.parametrize("make", SAMPLES.values(), ids=SAMPLES.keys())
def test_every_line_is_said_in_words_that_fit(make) -> None:
    value = make()
    for section in SECTIONS:
        for n in range(len(lines_of(value, section))):
            key = section if section in ("opening", "closing") else f"{section}/{n}"
            assert place_of_key(value, key) == (section, n)
            assert 0 < len(line_said(value, key)) <= 200
    assert len(line_said(value, "whole")) <= 200
    with pytest.raises(LookupError):
        line_said(value, "sales/9999")
