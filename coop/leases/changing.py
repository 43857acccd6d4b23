"""Spaces of a lease changed: grown, shrunk, repriced, shared, given up.

Each change ends a span and begins another. A span that has begun is never rewritten; one that has not may be withdrawn.
"""

from __future__ import annotations

from collections.abc import Sequence
from datetime import date, datetime, timedelta
from decimal import Decimal
from typing import Any

from sqlalchemy import delete, or_, select
from sqlalchemy.orm import Session

from coop.core import audit
from coop.core.audit import AuditLog
from coop.core.clock import local_date
from coop.core.errors import Refusal
from coop.core.templating import day, percent
from coop.floor.models import Mall, Space
from coop.leases.domain.notice import increase_told_by
from coop.leases.domain.rates import rate_on
from coop.leases.holding import code_of, insert_span, lock, require_open_day, require_running, today_at
from coop.leases.models import Lease, LeaseShare, LeaseSpace, LeaseTerm
from coop.leases.pricing import Asked, known_rates, monthly_rent, named
from coop.leases.rules import agree_price, rules_on

_DAY = timedelta(days=1)
_GIVEN_UP = "space given up"


def resize_space(
    session: Session,
    now: datetime,
    held: LeaseSpace,
    *,
    on: date,
    area_sqft100: int | None = None,
    length_in16: int | None = None,
    user_id: int | None = None,
) -> LeaseSpace:
    """A space that grows or shrinks on a day: the span ends the day before and another begins. Both parts are prorated."""
    name = named(held.space)
    if area_sqft100 is None and length_in16 is None:
        raise Refusal(f"{name} keeps its size: write the new area or length.")
    if (area_sqft100 is not None and area_sqft100 <= 0) or (length_in16 is not None and length_in16 <= 0):
        raise Refusal(f"The new size of {name} must be above zero; to end it, give the space up.")
    changes = {"leased_area_sqft100": area_sqft100, "leased_length_in16": length_in16}
    fresh = _begin_anew(session, now, held, on, {key: value for key, value in changes.items() if value is not None})
    _log(session, now, "leased size changed", fresh, user_id)
    return fresh


def reprice_space(
    session: Session,
    now: datetime,
    held: LeaseSpace,
    *,
    on: date,
    per: str | None,
    price: Decimal | None,
    told_on: date,
    user_id: int | None = None,
) -> LeaseSpace:
    """A price of this lease alone from a day on (None: the zone's rate again), told on a day.

    Refuses an increase that was told too late, or that falls into a fixed term.
    """
    lease = session.get_one(Lease, held.lease_id)
    name = named(held.space)
    if (per is None) != (price is None):
        raise Refusal(f"The price agreed for {name} needs an amount and what it is for: sqft, foot or flat.")
    rates = known_rates(session, lease.mall_id)
    before = monthly_rent(held, rates, on).amount_cents
    after = monthly_rent(Asked(held.space, held.leased_area_sqft100, held.leased_length_in16, per, price), rates, on).amount_cents
    if after > before:
        said = increase_refusal(session, lease, on, told_on)
        if said:
            raise Refusal(f"The rent of {name}: {said}")
    fresh = _begin_anew(session, now, held, on, {})
    agree_price(session, fresh, price, per=per or "flat")
    _log(session, now, "price agreed", fresh, user_id)
    return fresh


def increase_refusal(session: Session, lease: Lease, on: date, told_on: date) -> str | None:
    """Why an increase cannot begin on a day when it is told on another, as the rest of a sentence; None when it can."""
    days = rules_on(session, lease.mall_id, told_on).increase_days
    if lease.term_ends_on is not None and on <= lease.term_ends_on:
        return f"the term runs through {day(lease.term_ends_on)} at the rent agreed; it can rise from the day after."
    if told_on > increase_told_by(on, days):
        return (
            f"an increase from {day(on)} takes {days} days of notice, so it is told by {day(increase_told_by(on, days))}; "
            f"told on {day(told_on)} it begins on {day(told_on + days * _DAY)} at the earliest."
        )
    return None


def zone_increase_refusal(
    session: Session, now: datetime, mall: Mall, zone: str, price: Decimal, *, per: str, starts_on: date
) -> str | None:
    """Why a zone's rate may not rise from a day on, as a sentence naming a lease it would hit too early; None when it may.

    Fixed terms keep nothing from a zone's rates unless a price was agreed: so they are named too, with that mend. A lease whose
    rent rises by a term of its own follows the zone's rates no more.
    """
    rates = [rate for rate in known_rates(session, mall.id).get(zone, []) if rate.starts_on <= starts_on]
    if not rates:
        return None
    now_in_force = rate_on(rates, starts_on, zone)
    if now_in_force.per == per and price <= now_in_force.price:
        return None
    today = local_date(now, mall.timezone)
    kept = select(LeaseTerm.lease_id).where(LeaseTerm.kind == "escalation", LeaseTerm.starts_on < starts_on)
    held = session.scalars(
        select(Lease)
        .join(LeaseSpace, LeaseSpace.lease_id == Lease.id)
        .join(Space, Space.id == LeaseSpace.space_id)
        .where(
            Lease.mall_id == mall.id,
            Space.zone == zone,
            Lease.id.not_in(kept),
            LeaseSpace.agreed_price.is_(None),
            LeaseSpace.starts_on <= starts_on,
            or_(LeaseSpace.ends_on.is_(None), LeaseSpace.ends_on >= starts_on),
        )
        .order_by(Lease.id)
    )
    for lease in held.unique():
        said = increase_refusal(session, lease, starts_on, today)
        if said:
            fixed = lease.term_ends_on is not None and starts_on <= lease.term_ends_on
            mend = " Until then, agree its present price on its own page; the rate can rise for the others." if fixed else ""
            return f"The rate of zone {zone} for {code_of(session, lease)}: {said}{mend}"
    return None


def _begin_anew(session: Session, now: datetime, held: LeaseSpace, on: date, changes: dict[str, Any]) -> LeaseSpace:
    """End a span the day before a day and begin its like, with changes; the shares go along."""
    lease = session.get_one(Lease, held.lease_id)
    lock(session, lease, held)
    name = named(held.space)
    require_running(session, lease, on, f"A change of {name}")
    if on < held.starts_on or (held.ends_on is not None and on > held.ends_on):
        through = f" through {day(held.ends_on)}" if held.ends_on else " on"
        raise Refusal(f"{name} is held like this from {day(held.starts_on)}{through}: choose a day among these, not {day(on)}.")
    require_open_day(session, lease.mall_id, on, f"A change of {name}")
    values = {
        column: getattr(held, column)
        for column in (
            "lease_id",
            "space_id",
            "ends_on",
            "leased_area_sqft100",
            "leased_length_in16",
            "agreed_per",
            "agreed_price",
        )
    }
    shares = [(share.lease_id, share.share_percent) for share in held.shares]
    if on == held.starts_on:
        _withdraw(session, now, lease, held)
    else:
        held.ends_on = on - _DAY
        session.flush()
    fresh = LeaseSpace(**(values | {"starts_on": on} | changes))
    fresh.space = session.get_one(Space, values["space_id"])
    insert_span(session, fresh, fresh.space)
    for lease_id, share_percent in shares:
        session.add(LeaseShare(lease_space_id=fresh.id, lease_id=lease_id, share_percent=share_percent))
    session.flush()
    session.refresh(fresh)
    return fresh


# --- sharing ------------------------------------------------------------------------------------------------------------


def share_space(
    session: Session,
    now: datetime,
    held: LeaseSpace,
    shares: Sequence[tuple[Lease, Decimal]],
    *,
    on: date,
    user_id: int | None = None,
) -> LeaseSpace:
    """The rent of a space split among leases from a day on; its own lease at 100 percent ends the sharing.

    Refuses shares that are not 100 percent together, a lease of another mall, one that does not run all those days, and a
    holder without a share.
    """
    name = named(held.space)
    own = session.get_one(Lease, held.lease_id)
    lock(session, *sorted({own, *(lease for lease, _ in shares)}, key=lambda lease: lease.id), held)
    ids = [lease.id for lease, _ in shares]
    for n, (lease, part) in enumerate(shares, start=1):
        code = code_of(session, lease)
        if ids.count(lease.id) > 1:
            raise Refusal(f"Share {n} of {name}: {code} is named twice; give one share to each.")
        if not 0 < part <= 100:
            raise Refusal(f"Share {n} of {name}: {percent(part)} for {code} is not above 0 and up to 100%.")
        if lease.mall_id != own.mall_id:
            raise Refusal(f"Share {n} of {name}: the lease of {code} is of another mall.")
        over = lease.ends_on is not None and (held.ends_on is None or lease.ends_on < held.ends_on)
        if lease.starts_on > on or over or lease.settled_on is not None:
            until = f" through {day(lease.ends_on)}" if lease.ends_on else ""
            raise Refusal(
                f"Share {n} of {name}: the lease of {code} runs from {day(lease.starts_on)}{until}, "
                "not on all days of the share; end the space's span with it, or name another lease."
            )
    total = sum((part for _, part in shares), Decimal(0))
    if total != 100:
        raise Refusal(f"The shares of {name} add up to {percent(total)}, not 100%: change one of them.")
    if own.id not in ids:
        raise Refusal(f"{code_of(session, own)} holds {name} and has no share of it: give it one, or lease it to another.")
    fresh = _begin_anew(session, now, held, on, {})
    session.execute(delete(LeaseShare).where(LeaseShare.lease_space_id == fresh.id))
    for lease, part in shares if len(shares) > 1 else ():
        session.add(LeaseShare(lease_space_id=fresh.id, lease_id=lease.id, share_percent=part))
    session.flush()
    session.refresh(fresh)
    session.expire(fresh, ["shares"])
    _log(session, now, "space shared" if len(shares) > 1 else "sharing ended", fresh, user_id)
    return fresh


def shared_past(session: Session, lease: Lease, last_day: date) -> LeaseSpace | None:
    """A shared span of a lease, its own or another's, that runs on after a day; None when there is none."""
    return session.scalar(
        select(LeaseSpace)
        .join(LeaseShare, LeaseShare.lease_space_id == LeaseSpace.id)
        .where(
            or_(LeaseShare.lease_id == lease.id, LeaseSpace.lease_id == lease.id),
            or_(LeaseSpace.ends_on.is_(None), LeaseSpace.ends_on > last_day),
        )
        .order_by(LeaseSpace.id)
        .limit(1)
    )


# --- giving up ----------------------------------------------------------------------------------------------------------


def give_up_space(session: Session, now: datetime, held: LeaseSpace, *, last_day: date, user_id: int | None = None) -> None:
    """End a span on a day; the lease goes on with its other spaces. Refuses a day outside it and one in a closed month."""
    lease = session.get_one(Lease, held.lease_id)
    lock(session, lease, held)
    name = named(held.space)
    if last_day < held.starts_on:
        raise Refusal(
            f"{name} is held from {day(held.starts_on)}: choose that day or a later one, or withdraw it before it begins."
        )
    if held.ends_on is not None and last_day > held.ends_on:
        raise Refusal(f"{name} ends on {day(held.ends_on)} already: choose that day or an earlier one.")
    require_open_day(session, lease.mall_id, last_day + _DAY, f"{name} given up, empty")
    held.ends_on = last_day
    session.flush()
    _log(session, now, _GIVEN_UP, held, user_id)


def given_up(session: Session, held: LeaseSpace) -> bool:
    """Whether a span ends because its space was given up for that day; the log alone tells it from one ending with its lease."""
    said = select(AuditLog.id).where(
        AuditLog.action == _GIVEN_UP,
        AuditLog.subject_kind == "lease",
        AuditLog.subject_id == str(held.lease_id),
        AuditLog.detail.startswith(f"{held.space.code} from ", autoescape=True),
        AuditLog.detail.contains(f" through {held.ends_on},"),
    )
    return session.scalar(select(said.exists())) or False


def withdraw_span(session: Session, now: datetime, held: LeaseSpace, *, user_id: int | None = None) -> None:
    """Take back a span that has not begun; rent posted for it goes back when rent next posts. Refuses one that has."""
    lease = session.get_one(Lease, held.lease_id)
    lock(session, lease, held)
    _log(session, now, "span withdrawn", held, user_id)
    _withdraw(session, now, lease, held)


def _withdraw(session: Session, now: datetime, lease: Lease, held: LeaseSpace) -> None:
    name = named(held.space)
    if held.starts_on <= today_at(session, now, lease.mall_id):
        raise Refusal(f"{name} is held like this since {day(held.starts_on)}: that stays; make a change from a later day on.")
    session.execute(delete(LeaseShare).where(LeaseShare.lease_space_id == held.id))
    session.expire(held, ["shares"])
    session.delete(held)
    session.flush()
    session.expire(lease, ["spaces"])


def _log(session: Session, now: datetime, action: str, held: LeaseSpace, user_id: int | None) -> None:
    through = f" through {held.ends_on}" if held.ends_on else ""
    price = f", {held.agreed_price} per {held.agreed_per}" if held.agreed_price is not None else ""
    shares = "".join(f", lease {share.lease_id} {share.share_percent}%" for share in held.shares)
    detail = f"{held.space.code} from {held.starts_on}{through}, {held.leased_area_sqft100 / Decimal(100)} sq ft{price}{shares}"
    audit.record(session, now, action, "lease", held.lease_id, user_id=user_id, detail=detail)
