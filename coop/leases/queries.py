"""Reads of leases and charges."""

from __future__ import annotations

from datetime import date
from decimal import Decimal

from sqlalchemy import ColumnElement, and_, func, or_, select
from sqlalchemy.orm import Session, selectinload

from coop.books.models import Entry
from coop.core.periods import Month
from coop.leases.domain import DatedRate
from coop.leases.models import Charge, Lease, LeaseShare, LeaseSpace, RentRate


def leases_in(session: Session, mall_id: int, month: Month, *, dealer_id: int | None = None) -> list[Lease]:
    """Leases of a mall (or of one dealer there) in force on any day of a month, by dealer, then start."""
    rows = (
        select(Lease)
        .where(_in_force(mall_id, month))
        .options(selectinload(Lease.spaces))
        .order_by(Lease.dealer_id, Lease.starts_on, Lease.id)
    )
    return list(session.scalars(rows if dealer_id is None else rows.where(Lease.dealer_id == dealer_id)))


def dealers_in(session: Session, mall_id: int, month: Month) -> set[int]:
    """The dealers with a lease of a mall in force on any day of a month, by id."""
    return set(session.scalars(select(Lease.dealer_id).where(_in_force(mall_id, month)).distinct()))


def _in_force(mall_id: int, month: Month) -> ColumnElement[bool]:
    return and_(
        Lease.mall_id == mall_id,
        Lease.starts_on <= month.last_day,
        (Lease.ends_on.is_(None)) | (Lease.ends_on >= month.first_day),
    )


def held_in(session: Session, mall_id: int, month: Month, dealer_id: int) -> list[tuple[LeaseSpace, Decimal]]:
    """The spans a dealer holds or shares on any day of a month, each with her percent of its rent."""
    leases = {lease.id: lease for lease in leases_in(session, mall_id, month, dealer_id=dealer_id)}
    shared = session.execute(
        select(LeaseSpace, LeaseShare.share_percent)
        .join(LeaseShare, LeaseShare.lease_space_id == LeaseSpace.id)
        .where(LeaseShare.lease_id.in_(leases))
        .order_by(LeaseSpace.id)
    )
    held = [(span, Decimal(100)) for lease in leases.values() for span in lease.spaces if not span.shares]
    held += [(span, percent) for span, percent in shared]
    return [
        (span, percent)
        for span, percent in held
        if span.starts_on <= month.last_day and (span.ends_on or date.max) >= month.first_day
    ]


def first_days(session: Session) -> dict[int, date]:
    """The first day of each mall's leases and charges: mall id -> day."""
    days: dict[int, date] = {}
    for query in (
        select(Lease.mall_id, func.min(Lease.starts_on)).group_by(Lease.mall_id),
        select(Charge.mall_id, func.min(Charge.first_day)).group_by(Charge.mall_id),
    ):
        for mall_id, day in session.execute(query):
            days[mall_id] = min(day, days.get(mall_id, day))
    return days


def latest_leases(session: Session, mall_id: int, on: date) -> dict[int, Lease]:
    """The lease whose rules hold for each dealer on a day, by dealer id: the one that started last (one who left keeps hers)."""
    rows = (
        select(Lease)
        .where(Lease.mall_id == mall_id, Lease.starts_on <= on)
        .options(selectinload(Lease.terms))
        .order_by(Lease.starts_on, Lease.id)
    )
    return {lease.dealer_id: lease for lease in session.scalars(rows)}


def rates_by_zone(session: Session, mall_id: int) -> dict[str, list[DatedRate]]:
    """Every dated rate of a mall, by zone, oldest first."""
    by_zone: dict[str, list[DatedRate]] = {}
    for row in session.scalars(select(RentRate).where(RentRate.mall_id == mall_id).order_by(RentRate.zone, RentRate.starts_on)):
        by_zone.setdefault(row.zone, []).append(DatedRate(row.per, row.price, row.starts_on))
    return by_zone


def charges_of(session: Session, mall_id: int, month: Month, *, dealer_id: int | None = None) -> list[Charge]:
    """Charges that a month states, by dealer: spaces, what is off them, fees, commission last.

    Those for the month itself, and what was posted in it for a month that was closed; one of nothing stands in its own month.
    """
    rows = select(Charge).outerjoin(Entry, Entry.id == Charge.entry_id).where(_is_stated(mall_id, month))
    if dealer_id is not None:
        rows = rows.where(Charge.dealer_id == dealer_id)
    return sorted(session.scalars(rows), key=lambda c: (c.dealer_id, _place(c), c.what, c.first_day, c.change))


def charged_by_kind(session: Session, mall_id: int, month: Month) -> dict[tuple[int, str], int]:
    """What a month states of each dealer's charges by kind, summed in the database: (dealer id, kind) -> cents."""
    rows = session.execute(
        select(Charge.dealer_id, Charge.kind, func.sum(Charge.amount_cents))
        .outerjoin(Entry, Entry.id == Charge.entry_id)
        .where(_is_stated(mall_id, month))
        .group_by(Charge.dealer_id, Charge.kind)
    )
    return {(dealer_id, kind): int(cents) for dealer_id, kind, cents in rows}


def commissions_charged(session: Session, mall_id: int, month: Month) -> dict[int, int]:
    """What a month states of commission, in cents by dealer id."""
    charged = charged_by_kind(session, mall_id, month)
    return {dealer_id: cents for (dealer_id, kind), cents in charged.items() if kind == "commission"}


def _is_stated(mall_id: int, month: Month) -> ColumnElement[bool]:
    """Of charges with their entries, those that a month states."""
    posted_in = Entry.business_date.between(month.first_day, month.last_day)
    return and_(
        Charge.mall_id == mall_id,
        or_(
            and_(Charge.first_day == month.first_day, or_(Charge.entry_id.is_(None), posted_in)),
            and_(Charge.first_day < month.first_day, posted_in),
        ),
    )


def _place(charge: Charge) -> int:
    what = charge.what.partition(":")[0]
    order = ("space", "discount", "turns", "percentage")
    return order.index(what) if what in order else len(order) + (charge.kind == "commission")
