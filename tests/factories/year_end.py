"""What the house has of surpluses shared and of releases asked for, as rows, for pages that show them."""

from __future__ import annotations

from datetime import date, datetime
from decimal import Decimal

from sqlalchemy import select
from sqlalchemy.orm import Session

from coop.books.rules import set_release_rule
from coop.dealers.models import Dealer
from coop.floor.models import Mall
from coop.payouts.models import Patronage, PatronageShare, Release
from coop.sales.models import TicketLine


def add_year_end(session: Session, now: datetime, mall: Mall, dealer: Dealer, made_by: int) -> None:
    """Surpluses of 2024 and 2025 proposed by one person; two releases asked for by a rule that has ended."""
    for year in (2024, 2025):
        shared = Patronage(
            year=year,
            surplus_cents=100_00,
            cash_percent=Decimal(20),
            on=date(year + 1, 3, 31),
            made_by=made_by,
            made_at=now,
            totals={},
        )
        session.add(shared)
        session.flush()
        whole = {"business_cents": 500_00, "share_cents": 100_00, "cash_cents": 20_00, "retained_cents": 80_00}
        session.add(PatronageShare(patronage_id=shared.id, dealer_id=dealer.id, mall_id=mall.id, **whole))
    rule = set_release_rule(
        session,
        now,
        what="unclaimed sales",
        starts_on=date(2025, 1, 1),
        ends_on=date(2025, 12, 31),
        after_days=1826,
        goes_to="state",
        said_by="an invented law",
    )
    nobodys = select(TicketLine.id).where(TicketLine.credited_on.is_(None)).order_by(TicketLine.id).limit(2)
    for line_id in session.scalars(nobodys).all():
        session.add(
            Release(
                rule_id=rule.id,
                mall_id=mall.id,
                ticket_line_id=line_id,
                amount_cents=18_00,
                asked_by=made_by,
                asked_at=now,
                state="asked",
            )
        )
    session.flush()
