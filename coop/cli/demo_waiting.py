"""What waits for a word of the demo's office beside the claims, the dispute and the offer: a question and an entry by hand."""

from __future__ import annotations

from datetime import datetime

from sqlalchemy import select
from sqlalchemy.orm import Session

from coop.books.domain.hand import HandLine
from coop.books.journal import enter_journal
from coop.cli.demo_coop import BOOKKEEPER, MALLS, TIMEZONE, dealer_of, mall_of, user_of
from coop.core.clock import local_date
from coop.core.periods import Month
from coop.statements.line_parts import WHOLE
from coop.statements.models import Statement
from coop.statements.questions import ask_question

ASKING = 17
"""Shares her booth's rent, and asks how."""
_LAMPS_CENTS = 130_00


def ask_of_statement(session: Session, now: datetime, month: Month, mail_domain: str) -> None:
    """A dealer asks about her statement of a month."""
    dealer = dealer_of(session, ASKING)
    statement = session.scalars(
        select(Statement).where(Statement.dealer_id == dealer.id, Statement.first_day == month.first_day)
    ).one()
    words = "Could you tell me how my rent and D18's come to the price of the whole booth? I added them up and am not sure."
    ask_question(session, now, statement, WHOLE, words, None, mail_domain)


def enter_by_hand(session: Session, now: datetime) -> None:
    """The bookkeeper puts a part of a bill where it belongs: more than she may without a second person."""
    town = MALLS[0]
    lines = [
        HandLine(f"Expenses:Supplies:{town.code}", _LAMPS_CENTS),
        HandLine(f"Expenses:Utilities:{town.code}", -_LAMPS_CENTS),
    ]
    enter_journal(
        session,
        now,
        key="demo/by-hand",
        mall=mall_of(session, town),
        on=local_date(now, TIMEZONE),
        lines=lines,
        reason="Lamps for the back hall, which came with the electrician's bill and were put under Utilities",
        # On the first morning of a co-op no bill has come yet.
        new_accounts=True,
        user_id=user_of(session, BOOKKEEPER),
    )
