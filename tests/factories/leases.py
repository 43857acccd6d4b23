"""Spaces, rates and leases of an invented mall."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import date, datetime
from decimal import Decimal

from sqlalchemy.orm import Session

from coop.core.geometry import IN16_PER_FOOT
from coop.dealers.models import Dealer
from coop.floor.models import Mall, Space
from coop.floor.service import add_space
from coop.leases import agreements, rules
from coop.leases.models import Lease, RentRate

LONG_AGO = date(2020, 1, 1)


def make_space(
    session: Session,
    now: datetime,
    mall: Mall,
    code: str = "12",
    *,
    kind: str = "booth",
    zone: str = "front",
    feet: tuple[int, int] = (10, 12),
) -> Space:
    """A space of so many feet by so many; 120 sq ft unless told."""
    width, depth = (side * IN16_PER_FOOT for side in feet)
    return add_space(session, now, mall, code, kind=kind, zone=zone, width_in16=width, depth_in16=depth)


def make_rate(
    session: Session, mall: Mall, price: str = "2.25", *, zone: str = "front", per: str = "sqft", starts_on: date = LONG_AGO
) -> RentRate:
    return rules.set_rate(session, mall, zone, Decimal(price), per=per, starts_on=starts_on)


def make_lease(
    session: Session,
    now: datetime,
    mall: Mall,
    dealer: Dealer,
    spaces: Sequence[Space] = (),
    *,
    starts_on: date = LONG_AGO,
    ends_on: date | None = None,
    percent: str = "10",
) -> Lease:
    return agreements.make_lease(
        session, now, mall, dealer, starts_on=starts_on, ends_on=ends_on, commission_percent=Decimal(percent), spaces=spaces
    )
