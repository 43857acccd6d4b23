"""Who holds which space, on a day and over days, and what its rent came to: what a floor plan is coloured by."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date
from decimal import Decimal

from sqlalchemy import func, or_, select
from sqlalchemy.orm import Session

from coop.core.errors import Refusal
from coop.dealers.models import Dealer, Member
from coop.floor import queries as floor
from coop.floor.domain.areas import drawn_area_sqft100
from coop.floor.models import Mall, Space
from coop.leases.holding import lock_spaces
from coop.leases.models import Charge, Lease, LeaseShare, LeaseSpace
from coop.leases.pricing import named

WHOLE = Decimal(100)


@dataclass(frozen=True)
class Hold:
    """A space held by a dealer over days. A shared booth has one for each sharer, with her percent of the rent."""

    space_id: int
    lease_id: int
    dealer_id: int
    dealer_code: str
    dealer_name: str
    starts_on: date
    ends_on: date | None
    """Last day: of the held span or of the lease, whichever is earlier; None while nobody has ended it."""
    term_ends_on: date | None
    notice_on: date | None
    leased_sqft100: int
    share_percent: Decimal = WHOLE

    def on(self, day: date) -> bool:
        return self.starts_on <= day and (self.ends_on is None or self.ends_on >= day)


def holds(session: Session, mall_id: int, *, since: date | None = None, space_id: int | None = None) -> list[Hold]:
    """Every held span of a mall's spaces (or of one space) that had not ended before a day, by space, then start."""
    spans = (
        select(LeaseSpace, Lease)
        .join(Lease, Lease.id == LeaseSpace.lease_id)
        .where(Lease.mall_id == mall_id)
        .order_by(LeaseSpace.space_id, LeaseSpace.starts_on, LeaseSpace.id)
    )
    if since is not None:
        spans = spans.where(
            or_(LeaseSpace.ends_on.is_(None), LeaseSpace.ends_on >= since), or_(Lease.ends_on.is_(None), Lease.ends_on >= since)
        )
    if space_id is not None:
        spans = spans.where(LeaseSpace.space_id == space_id)
    found = session.execute(spans).all()
    sharing = {lease.id: lease for lease in _sharing(session, mall_id)}
    names = {
        dealer_id: (code, trade_name or name)
        for dealer_id, code, trade_name, name in session.execute(
            select(Dealer.id, Dealer.code, Dealer.trade_name, Member.name).join(Member, Member.id == Dealer.member_id)
        )
    }
    made = []
    for span, own in found:
        parts: list[tuple[Lease, Decimal]] = [(sharing[share.lease_id], share.share_percent) for share in span.shares]
        for lease, percent in parts or [(own, WHOLE)]:
            code, name = names[lease.dealer_id]
            made.append(
                Hold(
                    space_id=span.space_id,
                    lease_id=lease.id,
                    dealer_id=lease.dealer_id,
                    dealer_code=code,
                    dealer_name=name,
                    starts_on=max(span.starts_on, lease.starts_on),
                    ends_on=min((day for day in (span.ends_on, own.ends_on, lease.ends_on) if day), default=None),
                    term_ends_on=lease.term_ends_on,
                    notice_on=lease.notice_on,
                    leased_sqft100=span.leased_area_sqft100,
                    share_percent=percent,
                )
            )
    return made


def _sharing(session: Session, mall_id: int) -> Sequence[Lease]:
    """Leases that pay a part of a shared booth's rent."""
    return session.scalars(select(Lease).where(Lease.mall_id == mall_id, Lease.id.in_(select(LeaseShare.lease_id)))).all()


def require_free_from(session: Session, space: Space, day: date) -> None:
    """Refuses where somebody holds a space on a day or later: it cannot be taken out of renting from then.

    The space stays locked, so that nobody leases it meanwhile.
    """
    lock_spaces(session, [space])
    held = holds(session, space.mall_id, since=day, space_id=space.id)
    if held:
        raise Refusal(f"Dealer {held[0].dealer_code} holds it then: end that lease first, or choose a day after its last.")


def leased_areas(held: Sequence[Hold], on: date) -> dict[int, int]:
    """The leased area of each space that is held on a day, in hundredths of a square foot, by the space's id."""
    return {hold.space_id: hold.leased_sqft100 for hold in held if hold.on(on)}


def rents_between(session: Session, mall_id: int, first: date, last: date) -> dict[int, int]:
    """The rent charged for each space of a mall in the months from one day to another, in cents by the space's id.

    What the terms of a lease take off or add is not of one space, and is not in it.
    """
    rows = session.execute(
        select(Charge.what, func.sum(Charge.amount_cents))
        .where(Charge.mall_id == mall_id, Charge.first_day >= first, Charge.first_day <= last, Charge.what.startswith("space:"))
        .group_by(Charge.what)
    )
    # A rent is charged by the held span it is of.
    by_span = {int(what.removeprefix("space:")): int(amount) for what, amount in rows}
    spans = session.execute(
        select(LeaseSpace.id, LeaseSpace.space_id).join(Lease, Lease.id == LeaseSpace.lease_id).where(Lease.mall_id == mall_id)
    )
    rents: dict[int, int] = {}
    for span_id, space_id in spans:
        if span_id in by_span:
            rents[space_id] = rents.get(space_id, 0) + by_span[span_id]
    return rents


# --- areas ----------------------------------------------------------------------------------------------------------------


@dataclass(frozen=True)
class AreaNote:
    """A space's areas beside each other, in hundredths of a square foot; None where there is none.

    Shown to both sides: on the office's page of the space and on the dealer's page of her lease.
    """

    name: str
    """`Booth 12`"""
    leased_sqft100: int | None
    drawn_sqft100: int | None
    measured_sqft100: int | None
    measured_on: date | None
    measured_by: str
    drawn_difference_sqft100: int | None
    measured_difference_sqft100: int | None
    beyond: bool
    tolerance: str

    @property
    def alike(self) -> bool:
        return self.leased_sqft100 is not None and self.leased_sqft100 == self.measured_sqft100 == self.drawn_sqft100


def area_note(session: Session, mall: Mall, space: Space, held: Sequence[Hold], today: date) -> AreaNote:
    """The areas of one space on a day, with what lies between the leased one and the others."""
    return area_notes(session, mall, [space], held, today)[0]


def area_notes(session: Session, mall: Mall, spaces: Sequence[Space], held: Sequence[Hold], today: date) -> list[AreaNote]:
    """Those of several spaces, in their order; the number of queries does not grow with them."""
    plan = floor.plan_row(session, mall.id)
    tolerance = f"{plan.tolerance_percent.normalize():f}%" if plan else "2%"
    leased = leased_areas(held, today)
    compared = {areas.space_id: areas for areas in floor.areas_of(session, mall, today, leased)}
    return [_area_note(space, compared.get(space.id), leased.get(space.id), tolerance) for space in spaces]


def _area_note(space: Space, areas: floor.SpaceAreas | None, leased: int | None, tolerance: str) -> AreaNote:
    if areas is not None:
        return AreaNote(
            named(space),
            areas.leased_sqft100,
            areas.drawn_sqft100,
            areas.measured_sqft100,
            areas.measured_on,
            areas.measured_by,
            areas.drawn_difference_sqft100,
            areas.measured_difference_sqft100,
            areas.beyond,
            tolerance,
        )
    drawn = drawn_area_sqft100(floor.as_outline(space.outline_in16)) if space.outline_in16 else None
    measured = space.measured_area_sqft100 if space.measured_on else None
    return AreaNote(named(space), leased, drawn, measured, space.measured_on, space.measured_by, None, None, False, tolerance)
