"""A reset: made for a day, its plan asked for and worked out in the background, dropped, and done.

The plan is worked out by a job from plain values (`working.py`), without a transaction, and frozen with a hash of what it was
worked out from. A plan made again begins from where the ticks say that things stand (`ticking.py`).
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import date, datetime
from typing import Any

from sqlalchemy import func, select
from sqlalchemy.orm import Session

from coop.core import audit
from coop.core.errors import Refusal
from coop.core.jobs import Job, name_job
from coop.core.periods import shown_day
from coop.dealers.models import Dealer
from coop.floor.models import Mall, Space
from coop.leases.editing import By
from coop.leases.holding import lock, today_at
from coop.resets.holding import held_spans
from coop.resets.models import BoothSet, PieceRow, SetPrice
from coop.resets.reading import pieces_of, set_rows
from coop.resets.reset_models import CarryWay, Reset, ResetBooking, ResetPlan
from coop.resets.sets import let_stand, newest_measure, standing_set, take_down

SUBJECT = "reset"
OPEN = ("planned", "under way")
KIND = "resets.plan"


@dataclass(frozen=True)
class Asked:
    """What a reset is made with: its day by the mall's clock, hands, and the floor on which pieces may wait."""

    on_date: date
    begins_minute: int
    ends_minute: int
    people: int = 2
    helpers: tuple[tuple[int, int, int], ...] = ()
    """From minute, to minute, how many more."""
    staging: tuple[tuple[str, int, int], ...] = ()
    """Name, width and depth in sixteenths of an inch."""
    way_id: int | None = None
    van: dict[str, int] | None = None
    note: str = ""


def make_reset(
    session: Session,
    now: datetime,
    dealer: Dealer,
    space: Space,
    *,
    before: BoothSet | None,
    after: BoothSet | None,
    asked: Asked,
    by: By,
) -> Reset:
    """From one set to another; None is the empty booth. Refuses sets of another booth or measuring, and days that cannot be."""
    lock(session, space, *sorted((one for one in (before, after) if one is not None), key=lambda one: one.id))
    _require_sets(session, dealer, space, before, after)
    if before is None:
        _require_emptied(session, dealer, space)
    _require_asked(session, now, dealer, space, asked)
    row = Reset(
        dealer_id=dealer.id,
        space_id=space.id,
        from_set_id=None if before is None else before.id,
        to_set_id=None if after is None else after.id,
        created_at=now,
        **_values(asked),
    )
    session.add(row)
    session.flush()
    _log(session, now, row, "reset planned", by, _said(session, row))
    ask_plan(session, now, row)
    return row


def change_reset(session: Session, now: datetime, row: Reset, asked: Asked, *, by: By) -> None:
    """Another day, other hands or floor; its plan is worked out again, and what was booked for another time is let go."""
    _hold(session, row)
    _require_open(row)
    space, dealer = session.get_one(Space, row.space_id), session.get_one(Dealer, row.dealer_id)
    _require_asked(session, now, dealer, space, asked, row)
    hours = (asked.begins_minute, asked.ends_minute) if asked.on_date == row.on_date else None
    let_go_bookings(session, row, but_within=hours)
    for name, value in _values(asked).items():
        setattr(row, name, value)
    session.flush()
    _log(session, now, row, audit.changed("reset"), by, _said(session, row))
    ask_plan(session, now, row)


def drop_reset(session: Session, now: datetime, row: Reset, *, by: By) -> None:
    """It will not be: its bookings are free for others. Nothing of the sets is changed."""
    _hold(session, row)
    _require_open(row)
    row.state = "dropped"
    let_go_bookings(session, row)
    _log(session, now, row, "reset dropped", by)
    session.flush()


def take_up_again(session: Session, now: datetime, row: Reset, *, by: By) -> None:
    """What was dropped by mistake; it books anew."""
    _hold(session, row)
    if row.state != "dropped":
        raise Refusal("This reset was not dropped.")
    _require_only_one(session, row.dealer_id, session.get_one(Space, row.space_id), row.on_date, row)
    row.state = "planned"
    session.flush()
    _log(session, now, row, "reset taken up again", by)
    ask_plan(session, now, row)


def finish_reset(session: Session, now: datetime, row: Reset, *, by: By) -> None:
    """The booth stands as the set says: that set is the one that stands, with its prices.

    Its pieces are in the booth, those that left at home; what is sold, held or on layaway waits for its buyer where it was.
    """
    _hold(session, row)
    _require_open(row)
    today = today_at(session, now, session.get_one(Space, row.space_id).mall_id)
    if row.on_date > today:
        raise Refusal(
            f"This reset is on {shown_day(row.on_date)}: it is done on that day or after. Change its day if it was earlier."
        )
    before = (
        [] if row.from_set_id is None else _hold_pieces(session, [put.piece_id for put, _ in set_rows(session, row.from_set_id)])
    )
    bound = {one for one, piece in pieces_of(session, before).items() if piece.bound}
    waiting = [(piece, piece.place) for piece in before if piece.id in bound]
    if row.to_set_id is not None:
        after = session.get_one(BoothSet, row.to_set_id)
        lock(session, after)
        if after.state != "stands":
            let_stand(session, now, after, version=after.version, anyway=True, user_id=by.user_id)
        _reprice(session, after)
    elif row.from_set_id is not None:
        take_down(session, now, session.get_one(BoothSet, row.from_set_id), user_id=by.user_id)
    for piece, place in waiting:
        session.refresh(piece)
        piece.place = place
    row.state, row.done_at = "done", now
    _log(session, now, row, "reset done", by)
    session.flush()


def _reprice(session: Session, after: BoothSet) -> None:
    prices = {one.piece_id: one.price_cents for one in session.scalars(select(SetPrice).where(SetPrice.set_id == after.id))}
    for piece in _hold_pieces(session, prices):
        piece.price_cents = prices[piece.id]


def _hold_pieces(session: Session, ids: Iterable[int]) -> Sequence[PieceRow]:
    """Hold pieces and read them anew, in one order whoever asks."""
    wanted = select(PieceRow).where(PieceRow.id.in_(list(ids))).order_by(PieceRow.id)
    return session.scalars(wanted.with_for_update(key_share=True).execution_options(populate_existing=True)).all()


# --- its plan ---------------------------------------------------------------------------------------------------------------


def ask_plan(session: Session, now: datetime, row: Reset) -> None:
    """Name the job that works its plan out. One that waits or is under way already sees what is asked now, or is asked again."""
    number = (session.scalar(select(func.max(ResetPlan.number)).where(ResetPlan.reset_id == row.id)) or 0) + 1
    waiting = session.scalar(select(func.count()).where(Job.group_key == group_of(row))) or 0
    key = f"{KIND}:{row.id}:{number}:{waiting}"
    name_job(session, now, KIND, {"reset_id": row.id}, queue="rota", key=key, group_key=group_of(row))


def plan_again(session: Session, now: datetime, row: Reset, *, by: By) -> None:
    """Ask for a plan of things as they are now: pieces, sets or the booth have changed, or what stands is not where it was to."""
    _hold(session, row)
    _require_open(row)
    sets = [None if one is None else session.get_one(BoothSet, one) for one in (row.from_set_id, row.to_set_id)]
    _require_measuring(session, session.get_one(Space, row.space_id), *sets)
    ask_plan(session, now, row)
    _log(session, now, row, "plan asked for", by)


def group_of(row: Reset) -> str:
    return f"reset:{row.id}"


def newest_plan(session: Session, row: Reset) -> ResetPlan | None:
    return session.scalar(select(ResetPlan).where(ResetPlan.reset_id == row.id).order_by(ResetPlan.number.desc()).limit(1))


def plan_to_tick(session: Session, row: Reset) -> ResetPlan | None:
    """Its newest plan; where that was stopped, the last one that has moves."""
    plans = plans_of(session, row)
    return next(
        (plan for plan in reversed(plans) if plan.value["moves"] or not plan.value["stopped"]), plans[-1] if plans else None
    )


def plans_of(session: Session, row: Reset) -> Sequence[ResetPlan]:
    """All its plans, the first first."""
    return session.scalars(select(ResetPlan).where(ResetPlan.reset_id == row.id).order_by(ResetPlan.number)).all()


def keep_plan(session: Session, now: datetime, row: Reset, value: dict[str, Any], made_of: str) -> ResetPlan:
    """Freeze a plan as the next of its reset. Holds the reset's row, so that numbers follow each other."""
    lock(session, row)
    last = newest_plan(session, row)
    plan = ResetPlan(reset_id=row.id, number=1 if last is None else last.number + 1, value=value, made_of=made_of, made_at=now)
    session.add(plan)
    session.flush()
    return plan


def let_go_bookings(session: Session, row: Reset, *, but_within: tuple[int, int] | None = None) -> None:
    """What is booked for it is free again, but what lies within these minutes of its day."""
    for booked in session.scalars(select(ResetBooking).where(ResetBooking.reset_id == row.id)):
        if but_within is None or booked.from_minute < but_within[0] or booked.to_minute > but_within[1]:
            session.delete(booked)
    session.flush()


def _hold(session: Session, row: Reset) -> None:
    """Hold a reset, and the booth before it: of two resets made for one day the second sees the first."""
    lock(session, session.get_one(Space, row.space_id), row)


# --- what is refused ----------------------------------------------------------------------------------------------------------


def _require_sets(session: Session, dealer: Dealer, space: Space, before: BoothSet | None, after: BoothSet | None) -> None:
    if before is None and after is None:
        raise Refusal("A reset is from one set to another: choose the set that is to stand.")
    if before is not None and after is not None and before.id == after.id:
        raise Refusal(f"{after.name!r} is chosen for before and after: choose the set that is to stand, or copy it first.")
    for one in (before, after):
        if one is not None and (one.dealer_id != dealer.id or one.space_id != space.id):
            raise Refusal(f"{one.name!r} is not a set of this booth: choose one of {space.code}.")
    _require_measuring(session, space, before, after)


def _require_emptied(session: Session, dealer: Dealer, space: Space) -> None:
    """The booth is empty now, or a reset is planned that changes what stands in it."""
    stands = standing_set(session, dealer.id, space.id)
    if stands is None:
        return
    if session.scalar(select(Reset.id).where(Reset.from_set_id == stands.id, Reset.state.in_(OPEN)).limit(1)) is None:
        raise Refusal(
            f"{stands.name!r} stands in booth {space.code}: choose it as what stands before, or plan to empty it first."
        )


def _require_measuring(session: Session, space: Space, *sets: BoothSet | None) -> None:
    newest = newest_measure(session, space.id)
    for one in sets:
        if one is not None and newest is not None and one.measure_id != newest.id:
            raise Refusal(
                f"{one.name!r} was laid out before booth {space.code} was measured again on {shown_day(newest.measured_on)}: "
                "open it and lay it over the new measuring first."
            )


def _require_asked(session: Session, now: datetime, dealer: Dealer, space: Space, asked: Asked, row: Reset | None = None) -> None:
    today = today_at(session, now, space.mall_id)
    if asked.on_date < today:
        raise Refusal(f"The day {shown_day(asked.on_date)} is past: choose today or a day to come.")
    spans = held_spans(session, now, [dealer.id], space_id=space.id)
    if not any(span.holds(asked.on_date) for span in spans):
        first = min((span.starts_on for span in spans if span.starts_on > asked.on_date), default=None)
        mend = (
            "choose a day within the lease"
            if first is None
            else f"your lease of it begins on {shown_day(first)}; choose that day or later"
        )
        raise Refusal(f"Booth {space.code} is not yours on {shown_day(asked.on_date)}: {mend}.")
    if asked.begins_minute >= asked.ends_minute:
        raise Refusal("The reset ends before it begins: write the earlier time first.")
    if asked.people < 1:
        raise Refusal("At least one person works on a reset: write how many.")
    if asked.way_id is not None:
        # Held, so that nobody takes it away before this reset is there to be seen.
        kept = select(CarryWay.id).where(CarryWay.id == asked.way_id).with_for_update(read=True, key_share=True)
        if session.scalar(kept) is None:
            raise Refusal("The way to the van was taken away: choose another one.")
    _require_only_one(session, dealer.id, space, asked.on_date, row)


def _require_only_one(session: Session, dealer_id: int, space: Space, on: date, row: Reset | None) -> None:
    same_day = select(Reset.id).where(
        Reset.dealer_id == dealer_id, Reset.space_id == space.id, Reset.on_date == on, Reset.state.in_(OPEN)
    )
    if row is not None:
        same_day = same_day.where(Reset.id != row.id)
    if session.scalar(same_day.limit(1)) is not None:
        raise Refusal(
            f"Booth {space.code} has a reset planned on {shown_day(on)} already: change or drop that one, or choose another day."
        )


def _require_open(row: Reset) -> None:
    if row.state == "done":
        raise Refusal("This reset is done: make another for what comes next.")
    if row.state == "dropped":
        raise Refusal("This reset was dropped: take it up again first.")


# --- rows and words -----------------------------------------------------------------------------------------------------------


def _values(asked: Asked) -> dict[str, Any]:
    return {
        "on_date": asked.on_date,
        "begins_minute": asked.begins_minute,
        "ends_minute": asked.ends_minute,
        "people": asked.people,
        "helpers": [{"from_minute": a, "to_minute": b, "people": n} for a, b, n in asked.helpers],
        "staging": [{"name": name, "width_in16": width, "depth_in16": depth} for name, width, depth in asked.staging],
        "way_id": asked.way_id,
        "van": asked.van,
        "note": asked.note,
    }


def helpers_of(row: Reset) -> tuple[tuple[int, int, int], ...]:
    """As `Asked.helpers` has them."""
    return tuple((one["from_minute"], one["to_minute"], one["people"]) for one in row.helpers)


def _said(session: Session, row: Reset) -> str:
    space = session.get_one(Space, row.space_id)
    return f"{session.get_one(Mall, space.mall_id).code} {space.code} on {row.on_date}"


def _log(session: Session, now: datetime, row: Reset, action: str, by: By, detail: str = "") -> None:
    audit.record(session, now, action, SUBJECT, row.id, user_id=by.user_id, request_id=by.request_id, detail=detail)
