"""Which booths a dealer may lay out, and on which days: those held or shared under a lease."""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import dataclass
from datetime import date, datetime

from sqlalchemy import or_, select
from sqlalchemy.orm import Session, aliased

from coop.core.clock import local_date
from coop.core.errors import Refusal
from coop.core.periods import shown_day
from coop.dealers.models import Dealer
from coop.floor.models import Mall, Space
from coop.leases.models import Lease, LeaseShare, LeaseSpace
from coop.leases.pricing import named


@dataclass(frozen=True)
class HeldBooth:
    """A booth that a dealer holds or shares, with the days it is theirs without a gap."""

    space: Space
    mall: Mall
    dealer: Dealer
    starts_on: date
    ends_on: date | None
    """Last day; None while nobody has ended it."""
    leased_sqft100: int
    today: date
    """At its mall."""

    @property
    def name(self) -> str:
        """`Booth 12`"""
        return named(self.space)

    @property
    def is_coming(self) -> bool:
        return self.starts_on > self.today

    def holds(self, on: date) -> bool:
        return self.starts_on <= on and (self.ends_on is None or on <= self.ends_on)


def held_spans(session: Session, now: datetime, dealer_ids: Collection[int], *, space_id: int | None = None) -> list[HeldBooth]:
    """Every span over which dealers hold or share a booth, past ones too: by mall, code and dealer, then by their start."""
    own = aliased(Lease)
    shares = select(LeaseShare.id).where(LeaseShare.lease_space_id == LeaseSpace.id, LeaseShare.lease_id == Lease.id)
    rows = (
        select(LeaseSpace, Lease, own, Dealer, Space, Mall)
        .join(own, own.id == LeaseSpace.lease_id)
        .join(Lease, or_(Lease.id == LeaseSpace.lease_id, shares.exists()))
        .join(Dealer, Dealer.id == Lease.dealer_id)
        .join(Space, Space.id == LeaseSpace.space_id)
        .join(Mall, Mall.id == Space.mall_id)
        .where(Dealer.id.in_(dealer_ids), Space.kind == "booth")
        .order_by(Mall.code, Space.code, Dealer.code, LeaseSpace.starts_on)
    )
    if space_id is not None:
        rows = rows.where(Space.id == space_id)
    found = []
    for span, lease, holder, dealer, space, mall in session.execute(rows):
        starts_on = max(span.starts_on, lease.starts_on)
        ends_on = min((day for day in (span.ends_on, lease.ends_on, holder.ends_on) if day), default=None)
        if ends_on is None or ends_on >= starts_on:
            today = local_date(now, mall.timezone)
            found.append(HeldBooth(space, mall, dealer, starts_on, ends_on, span.leased_area_sqft100, today))
    return found


def held_booths(session: Session, now: datetime, dealer_ids: Collection[int], *, space_id: int | None = None) -> list[HeldBooth]:
    """The booths of dealers, by mall and code: each once a dealer, as it is held today, or from the first day to come."""
    found: dict[tuple[int, int], HeldBooth] = {}
    for one in held_spans(session, now, dealer_ids, space_id=space_id):
        if one.ends_on is None or one.ends_on >= one.today:
            found.setdefault((one.space.id, one.dealer.id), one)
    return list(found.values())


def require_held(session: Session, now: datetime, dealer_id: int, space: Space) -> HeldBooth:
    """The booth as a dealer holds it. Refuses a booth that the dealer neither holds nor shares from now on."""
    found = held_booths(session, now, [dealer_id], space_id=space.id)
    if not found:
        raise Refusal(f"{named(space)} is not yours today, nor from a coming day: only who holds or shares it may lay it out.")
    return found[0]


def until_words(booth: HeldBooth) -> str:
    """`from Dec 1, 2026`, `until Nov 30, 2026`; empty for a booth held today whose end nobody has said."""
    words = [f"from {shown_day(booth.starts_on)}"] if booth.is_coming else []
    return " ".join([*words, *([f"until {shown_day(booth.ends_on)}"] if booth.ends_on else [])])
