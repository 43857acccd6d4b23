"""What the house has of sales that are nobody's yet, with a claim, and of gift certificates."""

from __future__ import annotations

from datetime import UTC, date, datetime
from decimal import Decimal

from sqlalchemy import select
from sqlalchemy.orm import Session

from coop.dealers.models import Dealer
from coop.floor.models import Mall
from coop.sales.claims import ask_claim
from coop.sales.domain import LineIn, TenderIn, TicketIn
from coop.sales.gifts import sell_certificate
from coop.sales.models import TicketLine
from coop.sales.service import take_tickets


def add_unclaimed(session: Session, now: datetime, mall: Mall, dealer: Dealer) -> int:
    """Ticket 590 of 21 October: an inkwell that the dealer asks for and a bowl, both nobody's; certificate 1001 pays $20.00.

    The id of the inkwell's line.
    """
    sell_certificate(session, now, mall, amount_cents=50_00, tender="cash", on=date(2026, 10, 12), key="the house's certificate")
    lines = tuple(
        LineIn(position, None, "", what, 1, Decimal(cents) / 100, cents)
        for position, (what, cents) in enumerate((("Cobalt inkwell", 24_00), ("Pressed glass bowl", 18_00)), start=1)
    )
    ticket = TicketIn(
        key="test:590",
        number="590",
        source="desk-1",
        kind="sale",
        sold_at=datetime(2026, 10, 21, 18, tzinfo=UTC),
        lines=lines,
        tenders=(TenderIn("gift", 20_00, gift="1001"), TenderIn("cash")),
        taxed=False,
    )
    (ticket_id,) = take_tickets(session, now, mall, [ticket])
    line = session.scalars(select(TicketLine).where(TicketLine.ticket_id == ticket_id, TicketLine.position == 1)).one()
    ask_claim(session, now, line, dealer, words="It stood on my washstand")
    return line.id
