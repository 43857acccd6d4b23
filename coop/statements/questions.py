"""What a dealer asks the manager about a line of her statement, and the one answer to it; both are told by mail."""

from __future__ import annotations

import re
from collections.abc import Sequence
from contextlib import suppress
from dataclasses import dataclass
from datetime import datetime

from sqlalchemy import Select, func, select
from sqlalchemy.orm import Session, undefer

from coop.core import audit
from coop.core.errors import Refusal
from coop.core.mail import queue_mail
from coop.core.periods import Month
from coop.core.templating import render
from coop.dealers.models import Cooperative, Dealer, RoleGrant, UserAccount
from coop.dealers.second_person import require_not_own
from coop.floor.models import Mall
from coop.statements.domain import StatementValue, from_json
from coop.statements.line_pages import line_said, place_of_key
from coop.statements.line_parts import WHOLE
from coop.statements.models import Statement, StatementQuestion

LONGEST_QUESTION, LONGEST_ANSWER = 1000, 2000
MOST_OPEN = 20
"""Questions of one dealer that wait for an answer."""
PAGE = 50
"""Rows of one page of the list."""


@dataclass(frozen=True)
class Asked:
    """A question with the statement and the dealer it is of."""

    question: StatementQuestion
    statement: Statement
    dealer: Dealer

    @property
    def month(self) -> Month:
        return Month.of(self.statement.first_day)

    @property
    def place(self) -> tuple[str, int] | None:
        """Part and number of its line; None for the statement as a whole."""
        section, _, number = self.question.line.partition("/")
        return None if section == WHOLE else (section, int(number or 0))


def ask_question(
    session: Session,
    now: datetime,
    statement: Statement,
    line: str,
    question: str,
    user_id: int | None,
    mail_domain: str,
) -> StatementQuestion:
    """Ask the manager about a line of a statement (`sales/3`, `opening`, `whole`); every manager is written to.

    Refuses no question, one that is too long, a line the statement has not, more than MOST_OPEN that wait, and the same question
    of the same line while it waits.
    """
    text = question.strip()
    if not text:
        raise Refusal("The question is empty: write what you want to know.")
    if len(text) > LONGEST_QUESTION:
        raise Refusal(f"The question has {len(text):,} characters: write it in {LONGEST_QUESTION:,}.")
    value = from_json(statement.value_json)
    if line != WHOLE and place_of_key(value, line) is None:
        raise Refusal(f"Statement {statement.number} has no line {line!r}: open the line and ask there.")
    # Of two at once the second counts what the first asked.
    session.execute(select(Dealer.id).where(Dealer.id == statement.dealer_id).with_for_update(key_share=True))
    waiting = (
        select(StatementQuestion)
        .join(Statement, Statement.id == StatementQuestion.statement_id)
        .where(Statement.dealer_id == statement.dealer_id, StatementQuestion.answered_at.is_(None))
    )
    open_ones = session.scalars(waiting).all()
    if any((one.statement_id, one.line, one.question) == (statement.id, line, text) for one in open_ones):
        raise Refusal("You asked this already, and it waits for its answer.")
    if len(open_ones) >= MOST_OPEN:
        raise Refusal(f"{MOST_OPEN} of your questions wait for an answer: wait for one before you ask another.")
    row = StatementQuestion(
        statement_id=statement.id, line=line, said=line_said(value, line), question=text, asked_by=user_id, asked_at=now
    )
    session.add(row)
    session.flush()
    audit.record(session, now, "question asked", "question", row.id, user_id=user_id, detail=f"{statement.number} {line}")
    for manager_id, email in _managers(session):
        _write(session, now, "question", f"question/{row.id}/{manager_id}", email, row, statement, value, mail_domain)
    return row


def answer_question(
    session: Session, now: datetime, question: StatementQuestion, answer: str, user_id: int | None, mail_domain: str
) -> None:
    """Answer a question, once; its dealer is written to, where there is an address.

    Refuses no answer, one that is too long, a second one, and a manager who answers as to her own statement.
    """
    text = answer.strip()
    if not text:
        raise Refusal("The answer is empty: write what the dealer is to know.")
    if len(text) > LONGEST_ANSWER:
        raise Refusal(f"The answer has {len(text):,} characters: write it in {LONGEST_ANSWER:,}.")
    locked = select(StatementQuestion).where(StatementQuestion.id == question.id).with_for_update()
    question = session.scalars(locked.execution_options(populate_existing=True)).one()
    statement = session.get_one(Statement, question.statement_id, options=[undefer(Statement.value_json)])
    require_not_own(session, user_id, statement.dealer_id, "a question of your own")
    if question.answered_at is not None:
        raise Refusal("This question is answered already: what is asked further is a question of its own.")
    question.answer, question.answered_by, question.answered_at = text, user_id, now
    session.flush()
    audit.record(
        session, now, "question answered", "question", question.id, user_id=user_id, detail=f"{statement.number} {question.line}"
    )
    email = session.get_one(Dealer, statement.dealer_id).member.email
    value = from_json(statement.value_json)
    _write(session, now, "answer", f"answer/{question.id}", email, question, statement, value, mail_domain)


def _managers(session: Session) -> Sequence[tuple[int, str]]:
    rows = session.execute(
        select(UserAccount.id, UserAccount.email)
        .join(RoleGrant, RoleGrant.user_id == UserAccount.id)
        .where(RoleGrant.role == "manager", UserAccount.disabled_at.is_(None))
        .order_by(UserAccount.id)
    )
    return [(user_id, email) for user_id, email in rows]


def _write(
    session: Session,
    now: datetime,
    kind: str,
    key: str,
    recipient: str,
    row: StatementQuestion,
    statement: Statement,
    value: StatementValue,
    mail_domain: str,
) -> None:
    if not recipient:
        return
    values = {
        "row": row,
        "value": value,
        "month": value.month,
        "coop_name": session.get_one(Cooperative, 1).name,
        "mall_name": session.get_one(Mall, statement.mall_id).name,
    }
    # An address that no mail can bear keeps nobody from asking: office and portal show it too.
    with suppress(Refusal):
        queue_mail(
            session,
            now,
            key=key,
            kind=kind,
            recipient=recipient,
            subject=" ".join(render(f"email/{kind}/subject.txt", **values).split())[:200],
            text_body=re.sub(r"\n{3,}", "\n\n", render(f"email/{kind}/body.txt", **values)).strip() + "\n",
            html_body=render(f"email/{kind}/body.html", **values),
            mail_domain=mail_domain,
        )


# --- reading ------------------------------------------------------------------------------------------------------------


def _asked() -> Select[StatementQuestion, Statement, Dealer]:
    return (
        select(StatementQuestion, Statement, Dealer)
        .join(Statement, Statement.id == StatementQuestion.statement_id)
        .join(Dealer, Dealer.id == Statement.dealer_id)
    )


def questions_of(session: Session, statement: Statement, line: str | None = None) -> list[Asked]:
    """What was asked about a statement, or about one of its lines, in its order."""
    rows = _asked().where(StatementQuestion.statement_id == statement.id).order_by(StatementQuestion.id)
    if line is not None:
        rows = rows.where(StatementQuestion.line == line)
    return [Asked(*row) for row in session.execute(rows)]


def questions(session: Session, *, is_open: bool, before_id: int | None = None) -> list[Asked]:
    """A page of questions and one more: open ones, the oldest first; answered ones, the newest first."""
    if is_open:
        rows = _asked().where(StatementQuestion.answered_at.is_(None)).order_by(StatementQuestion.id)
        if before_id is not None:
            rows = rows.where(StatementQuestion.id > before_id)
    else:
        rows = _asked().where(StatementQuestion.answered_at.is_not(None)).order_by(StatementQuestion.id.desc())
        if before_id is not None:
            rows = rows.where(StatementQuestion.id < before_id)
    return [Asked(*row) for row in session.execute(rows.limit(PAGE + 1))]


def question_by_id(session: Session, question_id: int) -> Asked | None:
    row = session.execute(_asked().where(StatementQuestion.id == question_id)).one_or_none()
    return Asked(*row) if row is not None else None


def count_open(session: Session) -> int:
    """How many questions wait for an answer."""
    return int(session.scalar(select(func.count(StatementQuestion.id)).where(StatementQuestion.answered_at.is_(None))) or 0)
