"""What was sold for a dealer over a year: pieces of every price, a discount, a return, an unclaimed item granted to her."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, date, datetime
from decimal import Decimal

from sqlalchemy import select
from sqlalchemy.orm import Session

from coop.dealers.models import Dealer
from coop.floor.models import Mall
from coop.sales.claims import grant_claim
from coop.sales.domain import LineIn, TenderIn, TicketIn
from coop.sales.models import Claim
from coop.sales.service import take_tickets


def piece(
    dealer: Dealer, cents: int, description: str = "Pressed glass bowl", *, position: int = 1, off_cents: int = 0
) -> LineIn:
    """One piece at a price, less a booth sale's discount."""
    return LineIn(
        position=position,
        dealer_id=dealer.id,
        tag=f"{dealer.code}-{cents}",
        description=description,
        quantity=1 if cents > 0 else -1,
        unit_price=abs(Decimal(cents) / 100),
        tag_cents=cents,
        discount_cents=off_cents,
        discount_reason="booth" if off_cents else "",
    )


def sold(number: str, on: date, *lines: LineIn, buyer: str = "") -> TicketIn:
    """A ticket of a day, at noon in Chicago; of what is below zero, a return."""
    return TicketIn(
        key=f"own:{number}",
        number=number,
        source="desk-1",
        kind="sale" if lines[0].quantity > 0 else "return",
        sold_at=datetime(on.year, on.month, on.day, 18, tzinfo=UTC),
        lines=lines,
        tenders=(TenderIn("cash"),),
        taxed=False,
        buyer_key=buyer,
    )


def add_own_year(session: Session, now: datetime, mall: Mall, dealer: Dealer) -> None:
    """For a dealer of the house on 3 November 2026, beside its two sales of 125.00 and 42.50 in November.

    A year ago 80.00 on the 2nd and 500.00 on the 20th; on the 2nd of October 60.00, on the 30th a chair at 90.00 less 9.00, whose
    buyer brings it back on the 3rd of November; that day 7.50; and her claim of 24.00 is granted.
    """
    chair = piece(dealer, 90_00, "Ladder-back chair", off_cents=9_00)
    back = piece(dealer, -90_00, "Ladder-back chair", off_cents=-9_00)
    tickets = [
        sold("801", date(2025, 11, 2), piece(dealer, 80_00)),
        sold("802", date(2025, 11, 20), piece(dealer, 500_00, "Walnut secretary")),
        sold("803", date(2026, 10, 2), piece(dealer, 60_00, "Quilt, wedding ring")),
        sold("804", date(2026, 10, 30), _tagged(chair), buyer="b1"),
        sold("805", date(2026, 11, 3), piece(dealer, 7_50, "Thimble, brass")),
        sold("806", date(2026, 11, 3), _tagged(back), buyer="b1"),
    ]
    take_tickets(session, now, mall, tickets)
    grant_claim(session, now, session.scalars(select(Claim).where(Claim.dealer_id == dealer.id)).one())


def _tagged(line: LineIn) -> LineIn:
    """A return is tied to its sale by the tag."""
    return replace(line, tag="CHAIR")


def add_many(session: Session, now: datetime, mall: Mall, dealer: Dealer, count: int) -> None:
    """So many pieces of November's first two days, two a ticket."""
    tickets = [
        sold(f"9{n:04d}", date(2026, 11, 1 + n % 2), *(piece(dealer, 1_00 + n, position=at) for at in (1, 2)))
        for n in range(count // 2)
    ]
    take_tickets(session, now, mall, tickets)
