"""Of the books, what people do by hand: an entry that waits with its paper, and a rule of the state that is over."""

from __future__ import annotations

from datetime import date, datetime

from sqlalchemy.orm import Session

from coop.books.domain.hand import HandLine
from coop.books.journal import Paper, enter_journal
from coop.books.rules import set_release_rule
from coop.floor.models import Mall

BILL = b"%PDF-1.7\n% the roofer's bill, as a test has it\n%%EOF\n"


def add_by_hand(session: Session, now: datetime, mall: Mall, bookkeeper: int) -> int:
    """Journal entry 1, of the roofer's bill, which waits for a second person; its id."""
    made = enter_journal(
        session,
        now,
        key="the roofer's bill".ljust(32, "."),
        mall=mall,
        on=date(2026, 11, 2),
        lines=[HandLine("Expenses:Roof:MAIN", 640_00), HandLine("Assets:Bank", -640_00)],
        reason="Slates put back after the storm, bill 118",
        document=Paper(BILL),
        new_accounts=True,
        user_id=bookkeeper,
    )
    set_release_rule(
        session,
        now,
        what="stale payouts",
        starts_on=date(2020, 1, 1),
        ends_on=date(2020, 12, 31),
        after_days=365,
        goes_to="state",
        said_by="Elder Unclaimed Property Act, section 12",
        user_id=bookkeeper,
    )
    return made.id
