"""Dock, staging floor and aisle taken for a reset, against what the neighbours' resets have taken."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import date, datetime, timedelta

from sqlalchemy import select
from sqlalchemy.orm import Session

from coop.core import audit
from coop.core.errors import Refusal
from coop.dealers.models import Dealer
from coop.floor.models import Mall, Space
from coop.leases.editing import By
from coop.leases.holding import lock
from coop.leases.pricing import SPACE_NAMES, named
from coop.resets.domain.bookings import Booking, conflicts_of
from coop.resets.planning import OPEN, SUBJECT
from coop.resets.reset_models import Reset, ResetBooking
from coop.shifts.domain.hours import DAY_MINUTES, Hours
from coop.shifts.hours import calendar_between, hours_are_set

DOCK = "dock"
LOOKED_AHEAD_DAYS = 60
"""So far ahead the next free time is looked for."""


@dataclass(frozen=True)
class Wanted:
    """A place for some of the day, in minutes: the dock, a staging floor by its name, the aisle before a booth by its code."""

    kind: str
    place: str
    from_minute: int
    to_minute: int


def book_places(session: Session, now: datetime, row: Reset, wanted: Sequence[Wanted], *, by: By) -> None:
    """Take places for a reset on its day, in place of what it had. Refuses what a neighbour has, with the next free time."""
    space = session.get_one(Space, row.space_id)
    mall = session.get_one(Mall, space.mall_id)
    lock(session, mall, row)
    if row.state not in OPEN:
        raise Refusal("This reset is over, or was dropped: nothing is booked for it.")
    _require_once(wanted)
    others = bookings_of(session, mall, row.on_date, row.on_date + timedelta(days=LOOKED_AHEAD_DAYS), besides=row)
    hours = resets_hours(session, mall, row.on_date)
    for one in wanted:
        if one.from_minute >= one.to_minute:
            raise Refusal(f"{_said(one)} is booked to before it begins: write the earlier time first.")
        found = conflicts_of(_booking(session, row, space, one), others, hours)
        if found:
            raise Refusal(found[0].sentence)
    for old in session.scalars(select(ResetBooking).where(ResetBooking.reset_id == row.id)):
        session.delete(old)
    session.flush()
    for one in wanted:
        session.add(
            ResetBooking(
                reset_id=row.id,
                mall_id=mall.id,
                kind=one.kind,
                place=one.place,
                on_date=row.on_date,
                from_minute=one.from_minute,
                to_minute=one.to_minute,
            )
        )
    session.flush()
    detail = ", ".join(_said(one) for one in wanted) or "nothing"
    audit.record(session, now, "places booked", SUBJECT, row.id, user_id=by.user_id, request_id=by.request_id, detail=detail)


def _require_once(wanted: Sequence[Wanted]) -> None:
    """One place for two times that share minutes is one booking, written twice."""
    for n, one in enumerate(wanted):
        for other in wanted[:n]:
            apart = one.to_minute <= other.from_minute or other.to_minute <= one.from_minute
            if (one.kind, one.place) == (other.kind, other.place) and not apart:
                raise Refusal(f"{_said(one)} is written twice for times that run into each other: join them to one.")


def _said(one: Wanted) -> str:
    """`The aisle before Booth 12`"""
    return place_words(one.kind, one.place)


def place_words(kind: str, place: str) -> str:
    return {"dock": "The dock", "staging": f"Staging floor {place}", "aisle": f"The aisle before {_front(place)}"}[kind]


def taken_words(one: Booking) -> str:
    """What of the mall a booking takes: `The dock`."""
    fronts = [f"The aisle before {name}" for name in sorted(one.aisle_front)]
    return "; ".join([*(["The dock"] if one.dock else []), *(f"Staging floor {name}" for name in sorted(one.staging)), *fronts])


def _front(code: str) -> str:
    """A booth's name by its code, as `named` says it."""
    return f"{SPACE_NAMES['booth']} {code}"


def places_of(session: Session, row: Reset) -> Sequence[ResetBooking]:
    rows = select(ResetBooking).where(ResetBooking.reset_id == row.id)
    return session.scalars(rows.order_by(ResetBooking.from_minute, ResetBooking.kind, ResetBooking.place)).all()


def bookings_of(session: Session, mall: Mall, first: date, last: date, *, besides: Reset | None = None) -> list[Booking]:
    """What resets have taken at a mall between two days, both included: each place by itself, and the booths at work."""
    rows = session.execute(
        select(ResetBooking, Reset, Space, Dealer)
        .join(Reset, Reset.id == ResetBooking.reset_id)
        .join(Space, Space.id == Reset.space_id)
        .join(Dealer, Dealer.id == Reset.dealer_id)
        .where(ResetBooking.mall_id == mall.id, ResetBooking.on_date.between(first, last))
        .order_by(ResetBooking.on_date, ResetBooking.from_minute, ResetBooking.id)
    )
    found = []
    for booked, reset, space, dealer in rows:
        if besides is not None and reset.id == besides.id:
            continue
        one = Wanted(booked.kind, booked.place, booked.from_minute, booked.to_minute)
        found.append(_of(one, str(reset.id), dealer.code, named(space), booked.on_date))
    return found


def _booking(session: Session, row: Reset, space: Space, one: Wanted) -> Booking:
    return _of(one, str(row.id), session.get_one(Dealer, row.dealer_id).code, named(space), row.on_date)


def _of(one: Wanted, reset: str, who: str, space: str, on: date) -> Booking:
    return Booking(
        reset,
        who,
        space,
        on,
        one.from_minute,
        one.to_minute,
        dock=one.kind == "dock",
        staging=frozenset([one.place]) if one.kind == "staging" else frozenset(),
        aisle_front=frozenset([_front(one.place)]) if one.kind == "aisle" else frozenset(),
    )


def resets_hours(session: Session, mall: Mall, first: date) -> dict[date, Hours]:
    """When resets may be worked, from a day on: while the mall is open; at any time where nobody has set its hours."""
    last = first + timedelta(days=LOOKED_AHEAD_DAYS)
    if not hours_are_set(session, mall.id):
        return {first + timedelta(days=n): Hours(0, DAY_MINUTES) for n in range(LOOKED_AHEAD_DAYS + 1)}
    return {day: Hours(hours.opens_min, hours.closes_min) for day, hours in calendar_between(session, mall, first, last).items()}


def closed_days(session: Session, mall: Mall, days: Iterable[date]) -> set[date]:
    """Of days in a row, those on which the mall is closed; none where nobody has set its hours."""
    wanted = sorted(days)
    if not wanted or not hours_are_set(session, mall.id):
        return set()
    return {day for day, hours in calendar_between(session, mall, wanted[0], wanted[-1]).items() if not hours.is_open}
