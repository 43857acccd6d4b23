"""How far it is to walk from a bay to a space: hand-made plans, in inches, and what holds on any."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from math import cos, hypot, radians, sin

import pytest
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st

from coop.floor.domain.plan import Door, Fixture, Plan, PlanSpace, Wall, checked_plan
from coop.overflow.domain.bay import Bay, as_corners
from coop.overflow.domain.walked import UNREACHABLE_FEET, feet_from_bays
from tests.unit.floor.domain.drawing import TURNS, box, in16, outline, turned

FOOT = 12


def bay(x: float, y: float, length: float, depth: float = 24, code: str = "A") -> Bay:
    """At the hall's upper wall (y = 0) or below something: its back along y, its front `depth` further down."""
    return Bay(code, "aisle", as_corners(outline((x, y), (x + length, y), (x + length, y + depth), (x, y + depth))))


def booth(code: str, x: float, y: float, width: float = 96, depth: float = 96, *sides: int, kind: str = "booth") -> PlanSpace:
    return PlanSpace(code, kind, box(x, y, width, depth), sides or None)


def feet(plan: Plan, *bays: Bay) -> dict[str, int]:
    """From one bay."""
    return dict(feet_from_bays(checked_plan(plan), bays or (bay(0, 0, 48),))["A"])


ROOM = box(0, 0, 600, 480)
"""50 by 40 ft."""


def test_straight_down_and_straight_across_an_empty_floor() -> None:
    # The front is at y = 24, x = 0 to 48. Down to 384 it is 30 ft; across, from 48 to 504 at the same height, 38 ft.
    assert feet(Plan(ROOM, spaces=(booth("down", 0, 384), booth("across", 504, 0)))) == {"down": 30, "across": 38}


def test_aslant_across_an_empty_floor() -> None:
    # From (48, 24) to the middle part of the booth's upper or left side: (400, 384) or (384, 400), 506.9 in., 42.2 ft at 45.6°.
    assert feet(Plan(ROOM, spaces=(booth("aslant", 384, 384),)))["aslant"] in (42, 43)


def test_at_23_degrees_a_way_is_told_a_twelfth_too_long_at_most() -> None:
    # To (536, 228), the middle part of a left side of 32 in.: 488 and 204 in., 528.9 in., 44.1 ft, told as 47.7 at most.
    assert 44 <= feet(Plan(ROOM, spaces=(booth("slant", 536, 212, 32, 32),)))["slant"] <= 48


def test_round_the_end_of_a_wall() -> None:
    # A wall 4 in. thick from the top down to y = 384; behind it a booth open to it, on its left side, with 40 in. between. From
    # (48, 24) to (291, 393) are 441.8 in., to (313, 393) 22 in., up to (335, 200) and over to the side 203.2 in.: 55.6 ft.
    wall = Wall("w", box(300, 0, 4, 384))
    plan = Plan(ROOM, walls=(wall,), spaces=(booth("behind", 344, 120, 96, 96, 3),))
    assert 55 <= feet(plan)["behind"] <= 60
    # Without the wall from (48, 24) to (344, 136): 316.5 in., 26.4 ft.
    assert 26 <= feet(replace(plan, walls=()))["behind"] <= 28


def test_a_wall_without_a_door_cannot_be_passed_and_one_with_a_door_can() -> None:
    wall = Wall("w", outline((300, 0), (300, 480)), 2 * 16)
    booths = (booth("near", 199, 200, 100), booth("far", 301, 200, 100))
    plan = Plan(ROOM, walls=(wall,), spaces=booths)
    assert feet(plan) == {"near": feet(Plan(ROOM, spaces=booths[:1]))["near"], "far": UNREACHABLE_FEET}
    # Through a door at the lower end: (48, 24) to (290, 408) is 453.9 in., 20 in. through, up to (317, 296) 113 in.: 48.9 ft.
    passed = feet(replace(plan, doors=(Door("d", outline((300, 400), (300, 440))),)))
    assert 48 <= passed["far"] <= 54
    assert passed["near"] == feet(plan)["near"]


@pytest.mark.parametrize(("gap", "is_passed"), [(17, False), (30, True)])
def test_a_gap_is_passed_by_somebody_18_inches_wide(gap: float, is_passed: bool) -> None:
    rows = (Fixture("1", "other", box(300, 0, 40, 200)), Fixture("2", "other", box(300, 200 + gap, 40, 280 - gap)))
    found = feet(Plan(ROOM, fixtures=rows, spaces=(booth("far", 450, 180),)))["far"]
    assert (found < UNREACHABLE_FEET) == is_passed


def test_customers_come_in_by_the_open_sides_only() -> None:
    by_side = [feet(Plan(ROOM, spaces=(booth("b", 0, 200, 96, 96, side),)))["b"] for side in range(4)]
    # The bay is above it. Side 0 looks up, 176 in. below the front: 14.7 ft. To the middle part of side 1, on the right, it is
    # 198 in. at least, 16.5 ft. To that of side 2, below, by (105, 296): 278 in., and 27 in. back to (80, 296): 25.4 ft.
    assert by_side[0] == 15
    assert by_side[1] in (17, 18)
    assert by_side[2] in (26, 27, 28)
    assert by_side[3] == UNREACHABLE_FEET  # against the hall's side
    assert feet(Plan(ROOM, spaces=(booth("b", 0, 200),)))["b"] == 15


def test_a_side_against_another_booth_or_a_wall_is_no_way_in() -> None:
    # The second is behind the first, reached by its lower side only: beside both stand walls, and the first is 200 in. wide.
    spaces = (booth("front", 200, 100, 200), booth("back", 200, 196, 200))
    walls = (Wall("left", box(196, 196, 4, 96)), Wall("right", box(400, 196, 4, 96)))
    found = feet(Plan(ROOM, walls=walls, spaces=spaces))
    # (48, 24) to (191, 301), 311.7 in., to (216, 301) and up to its middle part at (216, 292): 28.7 ft at least.
    assert 28 <= found["back"] <= 32


def test_a_shelf_in_a_booth_is_as_far_as_the_booth_and_one_on_the_floor_as_far_as_itself() -> None:
    spaces = (
        booth("booth", 300, 300),
        booth("inside", 340, 340, 24, 24, kind="shelf"),
        booth("alone", 300, 24, 48, 12, kind="shelf"),
        PlanSpace("undrawn", "wall"),
    )
    found = feet(Plan(ROOM, spaces=spaces))
    assert found["inside"] == found["booth"]
    assert found["alone"] == 21  # 48 to 300
    assert "undrawn" not in found


def test_each_bay_has_its_own_row() -> None:
    plan = Plan(ROOM, spaces=(booth("1", 0, 384), booth("2", 504, 384)))
    bays = (bay(0, 0, 48), bay(552, 0, 48, code="B"))
    found = feet_from_bays(plan, bays)
    assert found["A"]["1"] == found["B"]["2"] == 30
    assert found["A"]["2"] == found["B"]["1"] > 45
    assert found == {one.code: feet_from_bays(plan, [one])[one.code] for one in bays}


def test_without_bays_or_spaces_there_is_nothing_to_tell() -> None:
    assert feet_from_bays(Plan(ROOM, spaces=(booth("1", 0, 384),)), []) == {}
    assert feet(Plan(ROOM)) == {}


def test_on_a_floor_too_narrow_to_walk_nothing_is_reached() -> None:
    plan = Plan(box(0, 0, 600, 16), spaces=(booth("1", 500, 0, 40, 16),))
    assert feet(plan, bay(0, 0, 48, 8)) == {"1": UNREACHABLE_FEET}


def test_a_plan_of_many_acres_is_walked_on_larger_cells() -> None:
    # A passage of 10 ft, 1,500 ft down and as far across: its square would be 9 million cells of 6 in.
    far, wide = 1500 * FOOT, 10 * FOOT
    passage = outline((0, 0), (wide, 0), (wide, far - wide), (far, far - wide), (far, far), (0, far))
    plan = Plan(passage, spaces=(booth("down", 0, 1000 * FOOT + 24, 48), booth("across", far - 96, far - 108)))
    found = feet(plan)
    assert found["down"] in range(1000, 1004)
    # From (48, 24) straight down, round the corner at (120, 17880), and across to 17904: 1484 and 1482 ft.
    assert found["across"] in range(2960, 2985)


def _turned_bay(one: Bay, degrees: int) -> Bay:
    c, s = cos(radians(degrees)), sin(radians(degrees))
    return replace(one, corners=as_corners([(round(x * c - y * s), round(x * s + y * c)) for x, y in one.corners]))


@pytest.mark.parametrize("degrees", TURNS)
def test_a_turned_plan_is_walked_as_far_within_a_twelfth(degrees: int) -> None:
    wall = Wall("w", box(300, 0, 8, 300))
    spaces = (booth("1", 0, 384), booth("2", 504, 24), booth("3", 200, 192), booth("4", 400, 384))
    plan = Plan(ROOM, walls=(wall,), spaces=spaces)
    straight, here = feet(plan), feet(turned(plan, degrees), _turned_bay(bay(0, 0, 48), degrees))
    for code, expected in straight.items():
        assert expected * 12 / 13 - 1 <= here[code] <= expected * 13 / 12 + 1


def _mirrored(points: Sequence[tuple[int, int]]) -> tuple[tuple[int, int], ...]:
    return tuple((in16(600) - x, y) for x, y in points)


places = st.tuples(st.integers(0, 504), st.integers(40, 384))


@settings(max_examples=25, deadline=None)
@given(st.lists(places, min_size=1, max_size=6), st.integers(0, 552))
def test_never_less_than_the_straight_line_and_the_same_in_a_mirror(corners: list[tuple[int, int]], at: int) -> None:
    drawn: list[PlanSpace] = []
    for n, (x, y) in enumerate(corners):
        each = booth(str(n), x, y)
        if not any(shapely.Polygon(each.outline).intersects(shapely.Polygon(other.outline)) for other in drawn):
            drawn.append(each)
    plan = Plan(ROOM, spaces=tuple(drawn))
    own = bay(at, 0, 48)
    found = feet(plan, own)
    front = shapely.LineString(own.corners[2:])
    for space in drawn:
        straight = front.distance(shapely.Polygon(space.outline)) / in16(FOOT)
        assert found[space.code] >= straight - 0.5

    mirror = replace(plan, spaces=tuple(replace(space, outline=_mirrored(space.outline)) for space in drawn))
    seen = feet(mirror, replace(own, corners=as_corners(_mirrored(own.corners))))
    for code, expected in found.items():
        assert abs(seen[code] - expected) <= 1 + expected / 12


@settings(max_examples=30, deadline=None)
@given(places, st.integers(0, 552))
def test_with_nothing_between_it_is_the_straight_line_and_a_twelfth_at_most(place: tuple[int, int], at: int) -> None:
    x, y = place
    found = feet(Plan(ROOM, spaces=(booth("b", x, max(y, 80)),)), bay(at, 0, 48))["b"]
    # Its upper side is in sight of the front: straight to the nearest place of the side's middle part, 32 in. long of it kept.
    across = max(x + 16 - (at + 48), at - (x + 80), 0)
    straight = hypot(across, max(y, 80) - 24) / FOOT
    assert found <= straight * 13 / 12 + 1
