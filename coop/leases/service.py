"""Leases made."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import date, datetime
from decimal import Decimal

from sqlalchemy import select
from sqlalchemy.orm import Session

from coop.core.errors import Refusal
from coop.dealers.models import Dealer
from coop.floor.models import Mall, Space
from coop.leases.models import Lease, LeaseSpace


def make_lease(
    session: Session,
    now: datetime,
    mall: Mall,
    dealer: Dealer,
    *,
    starts_on: date,
    commission_percent: Decimal,
    spaces: Sequence[Space] = (),
    ends_on: date | None = None,
) -> Lease:
    """A lease on spaces as measured.

    Refuses dates that run backwards, a commission that is no percent, a space of another mall, and one leased in these dates.
    """
    if ends_on is not None and ends_on < starts_on:
        raise Refusal(f"The lease of {dealer.code} ends on {ends_on}, before it starts on {starts_on}.")
    if not 0 <= commission_percent <= 100:
        raise Refusal(f"A commission of {commission_percent} percent for {dealer.code} is not between 0 and 100.")
    elsewhere = [space.code for space in spaces if space.mall_id != mall.id]
    if elsewhere:
        raise Refusal(f"Space {elsewhere[0]} is not in {mall.name}: a lease is of one mall.")
    lease = Lease(
        dealer_id=dealer.id,
        mall_id=mall.id,
        starts_on=starts_on,
        ends_on=ends_on,
        commission_percent=commission_percent,
        created_at=now,
    )
    session.add(lease)
    session.flush()
    for space in spaces:
        held = session.scalar(
            select(LeaseSpace.id).where(
                LeaseSpace.space_id == space.id,
                (LeaseSpace.ends_on.is_(None)) | (LeaseSpace.ends_on >= starts_on),
                LeaseSpace.starts_on <= (ends_on or date.max),
            )
        )
        if held is not None:
            raise Refusal(f"Space {space.code} is leased already in these dates: end that lease first.")
        session.add(
            LeaseSpace(
                lease_id=lease.id,
                space_id=space.id,
                starts_on=starts_on,
                ends_on=ends_on,
                leased_area_sqft100=space.measured_area_sqft100,
            )
        )
    session.flush()
    return lease
