"""What a plan needs of the mall, by hand: dock while it is loaded, floor while something waits, the aisle while pieces move."""

from __future__ import annotations

from typing import Any

import pytest

from coop.floor.models import Space
from coop.resets.booking import Wanted
from coop.resets.place_needs import not_booked, propose_places
from coop.resets.reset_models import Reset

TEN = 600


def reset(*floors: str) -> Reset:
    staging = [{"name": name, "width_in16": 1, "depth_in16": 1} for name in floors]
    return Reset(begins_minute=TEN, ends_minute=1080, staging=staging)


def task(kind: str, begin: int, end: int, move: int | None = None, key: str = "") -> dict[str, Any]:
    return {"kind": kind, "key": key or f"{kind} {move}", "from": begin, "to": end, "move": move}


def move(number: int, key: str, area: str = "") -> dict[str, Any]:
    staged = {"key": key, "area": area, "x_in16": None, "y_in16": None, "turn_deg": 0} if area else None
    return {"number": number, "key": key, "staged": staged}


def value(moves: list[Any], tasks: list[Any], waiting: tuple[Any, ...] = (), **more: Any) -> dict[str, Any]:
    return {"stopped": "", "moves": moves, "waiting": list(waiting), "hours": {"days": [{"tasks": tasks}]}, **more}


def proposed(row: Reset, plan: dict[str, Any] | None) -> list[Wanted]:
    return propose_places(row, Space(code="12"), plan)


@pytest.mark.parametrize("plan", [None, value([], []), {**value([move(1, "a")], []), "stopped": "A knot."}])
def test_without_a_plan_it_is_the_aisle_all_the_time(plan: dict[str, Any] | None) -> None:
    assert proposed(reset(), plan) == [Wanted("aisle", "12", TEN, 1080)]


def test_the_dock_is_taken_while_the_van_is_loaded_and_unloaded() -> None:
    tasks = [
        task("move", 622, 630, 1),
        task("load", 630, 636, 1),
        task("boxes", 640, 644, key="boxes china home"),
        task("boxes", 700, 704, key="boxes china aside"),
        task("unload", 760, 764, 2),
        task("move", 766, 773, 2),
        # Within half an hour of the last: kept over the gap.
        task("unload", 794, 799, 3),
        task("move", 800, 806, 3),
    ]
    plan = value([move(1, "a"), move(2, "b"), move(3, "c")], tasks)
    # By quarters of an hour outwards: 630 to 644, 760 to 799, and moves from 622 to 806.
    assert proposed(reset(), plan) == [
        Wanted("aisle", "12", 615, 810),
        Wanted("dock", "dock", 630, 645),
        Wanted("dock", "dock", 750, 810),
    ]


def test_floor_is_taken_from_the_first_that_waits_to_the_last_that_leaves() -> None:
    tasks = [task("move", 600, 610, 1), task("move", 620, 630, 2), task("move", 650, 660, 3), task("move", 700, 712, 4)]
    moves = [move(1, "a", "Dock"), move(2, "b", "Dock"), move(3, "a"), move(4, "b")]
    assert Wanted("staging", "Dock", 600, 720) in proposed(reset("Dock"), value(moves, tasks))
    # What no move of the day brings back waits until its end; floor for buyers, which nobody asked for, is not booked.
    kept = [move(1, "a", "Dock"), move(2, "b", "the floor for sold pieces"), move(3, "c"), move(4, "d")]
    places = proposed(reset("Dock"), value(kept, tasks))
    assert [one for one in places if one.kind == "staging"] == [Wanted("staging", "Dock", 600, 1080)]


def test_what_waits_from_moves_that_were_done_waits_from_the_beginning() -> None:
    tasks = [task("move", 655, 660, 3)]
    waiting = ({"key": "a", "area": "Dock", "x_in16": None, "y_in16": None, "turn_deg": 0},)
    plan = value([move(3, "a"), move(4, "b")], tasks, waiting)
    assert proposed(reset("Dock"), plan) == [Wanted("staging", "Dock", 600, 660), Wanted("aisle", "12", 645, 660)]


def test_times_stay_within_the_resets_own_hours() -> None:
    row = reset()
    row.begins_minute, row.ends_minute = 605, 1075
    assert proposed(row, value([move(1, "a")], [task("move", 606, 1074, 1)])) == [Wanted("aisle", "12", 605, 1075)]


def test_what_lies_in_no_time_booked_is_named() -> None:
    """The dock from 10:30 to 10:45 and the aisle from 10:15 to 11."""
    plan = value([move(1, "a")], [task("move", 622, 630, 1), task("load", 630, 640, 1), task("move", 640, 655, 1)])
    dock, aisle = Wanted("dock", "dock", 630, 645), Wanted("aisle", "12", 630, 660)
    row, space = reset(), Space(code="12")
    assert proposed(row, plan) == [dock, aisle]
    assert not_booked(row, space, plan, []) == [dock, aisle]
    assert not_booked(row, space, plan, [Wanted("dock", "the one dock", 600, 660), Wanted("aisle", "12", 630, 660)]) == []
    assert not_booked(row, space, plan, [Wanted("dock", "dock", 720, 780), Wanted("aisle", "14", 600, 1080)]) == [dock, aisle]
    halves = [Wanted("aisle", "12", 645, 720), Wanted("aisle", "12", 600, 645), Wanted("dock", "dock", 600, 644)]
    assert not_booked(row, space, plan, halves) == [dock], "two that touch are one; a minute short is short"
    apart = [Wanted("aisle", "12", 600, 640), Wanted("aisle", "12", 641, 720), Wanted("dock", "dock", 630, 645)]
    assert not_booked(row, space, plan, apart) == [aisle]


@pytest.mark.parametrize("plan", [None, value([], []), {**value([move(1, "a")], []), "stopped": "A knot."}])
def test_without_a_plan_nothing_is_missed(plan: dict[str, Any] | None) -> None:
    assert not_booked(reset(), Space(code="12"), plan, []) == []
