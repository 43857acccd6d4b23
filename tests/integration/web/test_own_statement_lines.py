"""A dealer's lines and questions on her pages, the manager's answers on the office's; nobody else's are there."""

from __future__ import annotations

import html

import pytest
from sqlalchemy import select

from coop.core.db import transaction
from coop.core.outbox import Outbox
from coop.dealers.models import Dealer, UserAccount
from coop.statements.models import StatementQuestion
from tests.integration.web.conftest import Web, send
from tests.integration.web.test_office import count_queries

OWN, OTHER = "/portal/statements/MAIN.D01.2026-10", "/portal/statements/MAIN.D02.2026-10"
ASKED = "Why is commission taken on the oak washstand, which came back?"


def asked(web: Web) -> list[StatementQuestion]:
    with transaction(web.sessions) as session:
        return list(session.scalars(select(StatementQuestion).order_by(StatementQuestion.id)))


def test_anothers_line_and_one_there_is_not_are_not_found(web: Web) -> None:
    client = web.browser("dealer")
    missing = [f"{OTHER}/lines/sales/0", f"{OTHER}/questions", f"{OWN}/lines/sales/40", f"{OWN}/lines/nothing/0"]
    missing += [f"{OWN}/lines/opening/1", f"{OWN}/lines/sales/-1", "/portal/statements/MAIN.D99.2026-10/lines/sales/0"]
    for address in missing:
        assert client.get(address).status_code == 404, address
    for address in (f"{OTHER}/lines/sales/0", f"{OTHER}/questions", f"{OWN}/lines/sales/40"):
        assert send(client, address, question="Why?").status_code == 404, address
    assert len(asked(web)) == 1
    office = web.browser("auditor")
    assert office.get("/office/statements/MAIN.D01.2026-10/lines/sales/40").status_code == 404
    assert office.get("/office/letters/questions/999").status_code == 404


def test_what_the_till_does_not_know_is_shown_as_stated_and_said(web: Web) -> None:
    """The house's statement tells of sales that its till has not."""
    page = html.unescape(web.browser("dealer").get(f"{OWN}/lines/sales/3").text)
    assert "Cane-seat side chair" in page
    assert "10% on request over $20.00" in page
    assert "The till's record of this line is not what was stated." in page


def test_a_question_goes_from_the_line_to_the_manager_and_back(web: Web) -> None:
    ida, manager = web.browser("dealer"), web.browser("manager")
    answer = send(ida, f"{OWN}/lines/charges/0", question="  Is this for <b>all</b> of October?\r\nI came late. ")
    assert answer.headers["Location"] == f"{OWN}/lines/charges/0#questions"
    page = ida.get(f"{OWN}/lines/charges/0").text
    assert "Is this for &lt;b&gt;all&lt;/b&gt; of October?" in page
    assert ASKED not in page
    made = asked(web)[-1]
    assert (made.line, made.said) == ("charges/0", "Rent, Booth 12: \N{MINUS SIGN}270.00")
    assert "2 questions, 0 answered" in ida.get("/portal/statements").text
    assert "Questions to the manager (2)" in ida.get(OWN).text

    listed = manager.get("/office/letters/questions/").text
    assert listed.index(ASKED) < listed.index("Is this for")
    assert 'Questions <span class="figures">2</span>' in manager.get("/office/letters").text
    answered = send(manager, f"/office/letters/questions/{made.id}", answer="Yes, for all of it.")
    assert answered.headers["Location"] == "/office/letters/questions/"
    assert "Yes, for all of it." in ida.get(f"{OWN}/lines/charges/0").text
    assert "Yes, for all of it." in ida.get(f"{OWN}/questions").text
    assert "Yes, for all of it." in manager.get("/office/statements/MAIN.D01.2026-10/lines/charges/0").text
    twice = send(manager, f"/office/letters/questions/{made.id}", answer="No.")
    assert twice.status_code == 422
    assert "answered already" in twice.text
    with transaction(web.sessions) as session:
        kinds = session.scalars(select(Outbox.kind).where(Outbox.kind.in_(("question", "answer"))).order_by(Outbox.id)).all()
    assert kinds == ["question", "answer"]


@pytest.mark.parametrize(("question", "sentence"), [("", "Write what you want to know."), ("x" * 1001, "Write it in 1,000")])
@pytest.mark.parametrize("address", [f"{OWN}/lines/year/0", f"{OWN}/questions"])
def test_a_question_that_cannot_be_asked_keeps_its_words(web: Web, address: str, question: str, sentence: str) -> None:
    answer = send(web.browser("dealer"), address, question=question)
    assert answer.status_code == 422
    assert sentence in answer.text
    assert question in answer.text
    assert len(asked(web)) == 1


def test_a_manager_who_is_that_dealer_is_told_that_another_answers(web: Web) -> None:
    with transaction(web.sessions) as session:
        manager = session.get_one(UserAccount, web.house.users["manager"])
        manager.member_id = session.scalars(select(Dealer).where(Dealer.code == "D01")).one().member_id
    client, address = web.browser("manager"), f"/office/letters/questions/{web.house.question}"
    page = client.get(address).text
    assert "another manager answers it" in page
    assert "<textarea" not in page
    refused = send(client, address, answer="To myself.")
    assert refused.status_code == 422
    assert asked(web)[0].answer == ""


def test_readers_read_and_do_not_answer(web: Web) -> None:
    page = web.browser("bookkeeper").get(f"/office/letters/questions/{web.house.question}").text
    assert ASKED in page
    assert "<textarea" not in page
    assert "It waits for the manager" in page


@pytest.mark.parametrize("line", ["charges/1", "tax/0", "sales/2", "closing/0"])
def test_a_lines_page_asks_no_more_of_the_database_when_more_is_asked(web: Web, line: str) -> None:
    def ask(first: int, many: int) -> None:
        with transaction(web.sessions) as session:
            of = session.scalars(select(StatementQuestion.statement_id).limit(1)).one()
            for n in range(first, first + many):
                row = {"statement_id": of, "line": line, "said": "x", "question": f"Question {n}?"}
                session.add(StatementQuestion(**row, asked_at=web.clock.at))

    ask(0, 1)
    before = count_queries(web, "dealer", f"{OWN}/lines/{line}")
    ask(1, 15)
    assert count_queries(web, "dealer", f"{OWN}/lines/{line}") == before
