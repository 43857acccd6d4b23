"""What was sold, for the pages of the books: the lines behind an entry, and lines sought by words. One query each."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date

from sqlalchemy import Select, func, or_, select
from sqlalchemy.orm import Session

from coop.books.models import Entry
from coop.core.periods import add_months
from coop.dealers.models import Dealer
from coop.floor.models import Mall
from coop.sales.models import Ticket, TicketLine

MONTHS_BACK = 13
"""How far back lines are sought: the words of what was sold stand in no index."""
MOST_SOLD = 20
"""Lines that a search shows."""
_FEWEST_LETTERS = 3


@dataclass(frozen=True)
class SoldLine:
    """One line of a ticket."""

    entry_id: int | None
    on: date
    mall: str
    ticket: str
    dealer: str
    """Her code; empty: unclaimed."""
    description: str
    price_cents: int
    """Below zero: brought back."""


def _lines() -> Select[int | None, date, str, str, str, str, int]:
    return (
        select(
            Ticket.entry_id,
            TicketLine.posting_date,
            Mall.code,
            Ticket.number,
            func.coalesce(Dealer.code, ""),
            TicketLine.description,
            TicketLine.price_cents,
        )
        .join(Ticket, Ticket.id == TicketLine.ticket_id)
        .join(Mall, Mall.id == TicketLine.mall_id)
        .outerjoin(Dealer, Dealer.id == TicketLine.dealer_id)
    )


def sold_by(session: Session, entry: Entry) -> Sequence[SoldLine]:
    """The lines of the ticket that made an entry; nothing for an entry of another kind."""
    if entry.source_kind != "ticket":
        return ()
    rows = _lines().where(Ticket.key == entry.source_id).order_by(TicketLine.position)
    return [SoldLine(*row) for row in session.execute(rows)]


def sold_like(session: Session, words: str, today: date) -> Sequence[SoldLine]:
    """Lines of the last months whose description or tag has these words, the newest first; MOST_SOLD and one more at most."""
    if len(words) < _FEWEST_LETTERS:
        return ()
    lowered = words.lower()
    rows = (
        _lines()
        .where(
            TicketLine.posting_date >= add_months(today, -MONTHS_BACK),
            or_(
                func.lower(TicketLine.description).contains(lowered, autoescape=True),
                func.lower(TicketLine.tag).contains(lowered, autoescape=True),
            ),
        )
        .order_by(TicketLine.id.desc())
        .limit(MOST_SOLD + 1)
    )
    return [SoldLine(*row) for row in session.execute(rows)]
