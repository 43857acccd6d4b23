"""The way from the aisle to the van as a mall has it measured: kept as JSON, read as legs, set by whoever measured it."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import MISSING, asdict, fields
from datetime import datetime
from typing import Any

from sqlalchemy import select
from sqlalchemy.orm import Session

from coop.core import audit
from coop.core.errors import Refusal
from coop.core.geometry import format_length
from coop.floor.models import Mall
from coop.leases.holding import lock
from coop.resets.domain.way import Aisle, Corner, Door, Elevator, Leg, Steps, Way
from coop.resets.domain.weight import format_weight
from coop.resets.naming import one_line
from coop.resets.reset_models import CarryWay, Reset, StagingFloor

LEGS: Mapping[str, type[Leg]] = {"aisle": Aisle, "door": Door, "corner": Corner, "steps": Steps, "elevator": Elevator}
KIND_WORDS: Mapping[str, str] = {
    "aisle": "an aisle",
    "door": "a door",
    "corner": "a corner",
    "steps": "steps",
    "elevator": "an elevator",
}
MEASURE_WORDS: Mapping[str, str] = {
    "width_in16": "Width",
    "height_in16": "Height",
    "hall_a_in16": "Width of the hall before it",
    "hall_b_in16": "Width of the hall after it",
    "count": "Number of steps",
    "headroom_in16": "Headroom",
    "rise_in16": "Rise of a step",
    "run_in16": "Depth of a step",
    "door_width_in16": "Width of its door",
    "door_height_in16": "Height of its door",
    "depth_in16": "Depth",
    "limit_oz": "It may carry",
}
SUBJECT, FLOOR_SUBJECT = "way to the van", "staging floor"


def way_of(row: CarryWay) -> Way:
    return Way(tuple(_leg(value) for value in row.legs))


def _leg(value: Mapping[str, Any]) -> Leg:
    return LEGS[value["kind"]](**{name: held for name, held in value.items() if name != "kind"})


def leg_value(leg: Leg) -> dict[str, Any]:
    kind = next(name for name, of in LEGS.items() if isinstance(leg, of))
    return {"kind": kind, **asdict(leg)}


def needed_names(kind: str) -> tuple[str, ...]:
    """The measures a kind of leg cannot be without."""
    return tuple(one.name for one in fields(LEGS[kind]) if one.default is MISSING and one.name != "name")


def measure_names(kind: str) -> tuple[str, ...]:
    """All measures of a kind of leg, in the order they are asked for."""
    return tuple(one.name for one in fields(LEGS[kind]) if one.name != "name")


def ways_of(session: Session, mall_id: int) -> Sequence[CarryWay]:
    return session.scalars(select(CarryWay).where(CarryWay.mall_id == mall_id).order_by(CarryWay.name)).all()


def floors_of(session: Session, mall_id: int) -> Sequence[StagingFloor]:
    return session.scalars(select(StagingFloor).where(StagingFloor.mall_id == mall_id).order_by(StagingFloor.name)).all()


def set_way(
    session: Session,
    now: datetime,
    mall: Mall,
    name: str,
    legs: Sequence[Leg],
    *,
    row: CarryWay | None = None,
    version: int | None = None,
    user_id: int,
) -> CarryWay:
    """A way as it was measured, or measured again. Refuses one without a name, of a name there is, or without a leg.

    `version` is the one it was opened with: a way that was measured again since is told.
    """
    lock(session, mall, *([] if row is None else [row]))
    if row is not None and version is not None and row.version != version:
        raise Refusal(f"{row.name} was measured again after you opened it: open it anew, and write yours over that.")
    called = one_line(name)
    if not called:
        raise Refusal("The way has no name: call it by where it ends, like Back dock.")
    if not legs:
        raise Refusal(f"{called} has no legs: measure its doors, corners, steps and elevator, from the aisle outwards.")
    for other in ways_of(session, mall.id):
        if other is not row and other.name.casefold() == called.casefold():
            raise Refusal(f"There is a way called {other.name} already: give this one another name, or change that one.")
    for leg in legs:
        _require_measured(leg)
    values = [leg_value(leg) for leg in legs]
    if row is None:
        row = CarryWay(mall_id=mall.id, name=called, legs=values, changed_at=now)
        session.add(row)
    else:
        row.name, row.legs, row.changed_at = called, values, now
    session.flush()
    audit.record(session, now, "way measured", SUBJECT, f"{mall.code} {called}", user_id=user_id)
    return row


def _require_measured(leg: Leg) -> None:
    """A leg has a name, and no measure of nothing."""
    value = leg_value(leg)
    if not one_line(leg.name):
        raise Refusal(f"A leg of the way, {KIND_WORDS[value['kind']]}, has no name: call it by where it is.")
    for measure in measure_names(value["kind"]):
        if value[measure] is not None and value[measure] <= 0:
            raise Refusal(f"{leg.name} has a {MEASURE_WORDS[measure].lower()} of nothing: write it, or leave it empty.")


def leg_words(leg: Leg) -> str:
    """`a door, width 3' 0", height 6' 8"`: what was measured of it."""
    value = leg_value(leg)
    kind = KIND_WORDS[value["kind"]]
    if (count := value.pop("count", None)) is not None:
        kind = f"{count} {'step' if count == 1 else 'steps'}"
    said = [
        f"{MEASURE_WORDS[one].lower()} {measure_words(one, value[one])}"
        for one in measure_names(value["kind"])
        if value.get(one) is not None
    ]
    return ", ".join([kind, *said])


def measure_words(measure: str, value: int) -> str:
    if measure == "limit_oz":
        return format_weight(value)
    return format_length(value)


def drop_way(session: Session, now: datetime, mall: Mall, row: CarryWay, *, user_id: int) -> None:
    """Refuses one that a reset goes by."""
    lock(session, mall, row)
    # More than `lock` holds: whoever plans a reset by it at this moment is waited for.
    session.refresh(row, with_for_update=True)
    if session.scalar(select(Reset.id).where(Reset.way_id == row.id).limit(1)) is not None:
        raise Refusal(f"A reset goes by {row.name}, so it is kept: measure it again where it has changed.")
    session.delete(row)
    session.flush()
    audit.record(session, now, "way taken away", SUBJECT, f"{mall.code} {row.name}", user_id=user_id)


def set_floor(
    session: Session, now: datetime, mall: Mall, name: str, width_in16: int, depth_in16: int, *, note: str = "", user_id: int
) -> StagingFloor:
    """Floor on which pieces may wait: new, or of a name there is, measured again."""
    lock(session, mall)
    called = one_line(name)
    if not called:
        raise Refusal("The floor has no name: call it by where it is, like By the dock.")
    if width_in16 <= 0 or depth_in16 <= 0:
        raise Refusal(f"{called} has no size: write its width and depth.")
    row = next((one for one in floors_of(session, mall.id) if one.name.casefold() == called.casefold()), None)
    if row is None:
        row = StagingFloor(mall_id=mall.id, name=called, width_in16=width_in16, depth_in16=depth_in16, note=note)
        session.add(row)
    else:
        row.width_in16, row.depth_in16, row.note = width_in16, depth_in16, note
    session.flush()
    audit.record(session, now, "staging floor measured", FLOOR_SUBJECT, f"{mall.code} {row.name}", user_id=user_id)
    return row


def drop_floor(session: Session, now: datetime, mall: Mall, row: StagingFloor, *, user_id: int) -> None:
    """Resets that were planned with it keep its figures; it is not offered any more."""
    lock(session, mall, row)
    session.delete(row)
    session.flush()
    audit.record(session, now, "staging floor taken away", FLOOR_SUBJECT, f"{mall.code} {row.name}", user_id=user_id)
