"""The travelling disc: routes by the published rule, rooms worked by hand, and an independent walk over a grid of points."""

from __future__ import annotations

import math
from collections import deque

import numpy as np
import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st

from coop.resets.domain.booth import Booth, Side
from coop.resets.domain.fit.scene import Scene
from coop.resets.domain.fit.ways import Targets, Ways
from coop.resets.domain.piece import Arrangement
from tests.unit.resets.fitting import FOOT, IN, booth, found, kinds, put, the

ROOM = booth()
BEHIND = put("chest", (60, 10), (30, 20, 40))


def rows(width, depth=90):
    """Two rows along the sides that leave a way of so many inches between them, the chest behind it."""
    right, at = 80 - width, 144 - depth / 2
    return [put("left", (20, at), (40, depth, 40)), put("right", (120 - right / 2, at), (right, depth, 40)), BEHIND]


@pytest.mark.parametrize(("width", "told"), [(36, False), (36 - 1 / 8, True), (48, False), (30, True)])
def test_a_route_of_36_in_passes_and_a_narrower_one_does_not(width, told):
    """2010 ADA Standards 403.5.1: the clear width of a route is 36 in. at least."""
    assert ("way narrow" in kinds(ROOM, *rows(width))) is told


@pytest.mark.parametrize("width", [35.875, 33, 30.5, 24, 20.125, 13])
def test_what_is_measured_is_what_lies_between_the_two(width):
    one = the("way narrow", ROOM, *rows(width))
    assert (one.measured_in16, one.required_in16) == (width * IN, 36 * IN)
    assert one.pieces == ("chest", "left", "right")
    left, right = sorted(one.at)
    assert (left[0], right[0]) == (40 * IN, (40 + width) * IN)
    assert 54 * IN <= left[1] <= 144 * IN


def test_the_sentence_names_the_place_and_the_mend():
    said = the("way narrow", ROOM, *rows(30.5)).sentence
    assert said.startswith("The way to Chest narrows to 2' 6 1/2\" between Left and Right; 3' 0\" is asked: ")
    assert said.endswith('move Left and Right 5 1/2" farther apart.')
    said = the("way narrow", ROOM, put("wide", (47, 99), (94, 90, 40)), BEHIND).sentence
    assert said.endswith('between Wide and the right wall; 3\' 0" is asked: move Wide 10" away from the right wall.')


def test_a_way_is_as_wide_as_was_asked_of_the_booth():
    assert kinds(booth(way_in16=30 * IN), *rows(30)) == set()
    assert "way narrow" in kinds(booth(way_in16=44 * IN), *rows(43))


def test_where_nobody_gets_in_at_all_the_piece_is_out_of_reach():
    assert "out of reach" in kinds(ROOM, *rows(11.5))
    assert "out of reach" not in kinds(ROOM, *rows(12.5))


def test_round_a_corner_two_ways_are_measured_each_by_itself():
    """A pinch of 30 in. and behind it one of 24: each is told with what lies behind it."""
    sides = [put(key, (x, 100), (45, 10, 40)) for key, x in (("a", 22.5), ("b", 97.5))]
    inner = [put(key, (x, 62), (48, 8, 40)) for key, x in (("c", 24), ("d", 96))]
    near, far = put("near", (10, 80), (20, 12, 20)), put("far", (60, 5), (20, 10, 30))
    told = {one.measured_in16: set(one.pieces) for one in found(ROOM, *sides, *inner, near, far) if one.kind == "way narrow"}
    assert set(told) == {30 * IN, 24 * IN}
    assert {"a", "b", "near"} <= told[30 * IN]
    assert told[24 * IN] == {"c", "d", "far"}


def test_by_the_wider_of_two_ways():
    island = put("island", (52, 99), (40, 90, 40))  # 32 in. to its left, 48 to its right
    assert kinds(ROOM, island, BEHIND) == set()
    moved = put("island", (65, 99), (40, 90, 40))  # 45 and 35
    assert kinds(ROOM, moved, BEHIND) == set()
    both = put("island", (60, 99), (50, 90, 40))  # 35 and 35
    assert the("way narrow", ROOM, both, BEHIND).measured_in16 == 35 * IN


def test_what_hangs_above_the_headroom_is_in_nobodys_way():
    """2010 ADA Standards 307.4: 80 in. of headroom."""
    for up, told in ((80, False), (79, True)):
        shelf = [put(key, (x, 100), (45, 60, 10), turn, stands="wall", up=up) for key, x, turn in (("l", 30, 270), ("r", 90, 90))]
        assert ("out of reach" in kinds(ROOM, *shelf, BEHIND)) is told


def test_doors_are_come_up_to_and_a_low_piece_before_them_is_in_the_way():
    # Its doors open over 18 in.; a bench before that floor is low enough to reach over, but nobody stands there.
    cabinet = put("cabinet", (60, 9), (40, 18, 70), opens_in16=18 * IN)
    benches = [put(f"bench{n}", (x, 39.5), (40, 5, 18)) for n, x in enumerate((20, 60, 100))]
    assert "out of reach" in kinds(ROOM, cabinet, *benches)
    assert "out of reach" not in kinds(ROOM, put("chest", (60, 9), (40, 18, 70)), *benches)


def test_an_arm_reaches_through_no_wall():
    """A pocket 30 in. wide beside the opening, a thin wall between: a disc of 36 in. stands a foot away, not in the pocket."""
    corners = ((0, 0), (120, 0), (120, 144), (34, 144), (34, 80), (30, 80), (30, 144), (0, 144))
    sides = (*[Side("wall")] * 2, Side("open"), *[Side("wall")] * 5)
    room = Booth(tuple((x * IN, y * IN) for x, y in corners), sides)
    one = the("way narrow", room, put("deep", (15, 134), (20, 18, 20)))
    assert (one.measured_in16, one.pieces) == (30 * IN, ("deep",))
    # Along the left wall the disc's middle is 12 in. from the wing's end, so sqrt(18^2 - 12^2) = 13.42 before it: its edge comes
    # to y = 84.58, and an arm of 24 in. to 108.58.
    assert kinds(room, put("near", (15, 117.5), (20, 18, 20))) == set()
    assert kinds(room, put("near", (15, 117.75), (20, 18, 20))) == {"way narrow"}


def test_a_corner_booth_is_come_into_by_either_side():
    corner = booth(sides=(Side("wall"), Side("open"), Side("open"), Side("wall")))
    barred = put("bar", (60, 130), (120, 20, 70))
    assert kinds(corner, barred, BEHIND) == set()
    assert "out of reach" in kinds(ROOM, barred, BEHIND)


# --- against a grid of points -------------------------------------------------------------------------------------------

CELL = 2.0
HALF_DIAGONAL = CELL * math.sqrt(2) / 2 + 1 / 8
WIDTH, DEPTH, AISLE = 120, 144, 96


def clearances(pieces):
    """Distance in inches from each grid point, of the booth and of the aisle before it, to the nearest piece or wall."""
    x, y = np.meshgrid(np.arange(-40, WIDTH + 41, CELL), np.arange(0, DEPTH + AISLE, CELL), indexing="ij")
    inside = y < DEPTH
    free = np.full(x.shape, np.inf)
    for wall in (0, WIDTH):
        free = np.minimum(free, np.hypot(x - wall, np.maximum(y - DEPTH, 0)))
    free = np.minimum(free, np.hypot(np.maximum(np.maximum(-x, x - WIDTH), 0), y))
    for middle_x, middle_y, width, depth, degrees in pieces:
        cos, sin = math.cos(math.radians(degrees)), math.sin(math.radians(degrees))
        across = np.abs((x - middle_x) * cos + (y - middle_y) * sin) - width / 2
        ahead = np.abs(-(x - middle_x) * sin + (y - middle_y) * cos) - depth / 2
        free = np.minimum(free, np.hypot(np.maximum(across, 0), np.maximum(ahead, 0)))
    return x, y, np.where(inside & ((x < 0) | (x > WIDTH)), 0, free)


def flooded(pieces, target, radius, reach):
    """Whether points of this clearance lead from the far edge of the aisle to within reach of a target's rectangle."""
    x, y, free = clearances(pieces)
    open_ = free >= radius
    middle_x, middle_y, width, depth, degrees = target
    cos, sin = math.cos(math.radians(degrees)), math.sin(math.radians(degrees))
    across = np.abs((x - middle_x) * cos + (y - middle_y) * sin) - width / 2
    ahead = np.abs(-(x - middle_x) * sin + (y - middle_y) * cos) - depth / 2
    goals = open_ & (np.hypot(np.maximum(across, 0), np.maximum(ahead, 0)) <= reach)
    starts = open_ & (y >= DEPTH + AISLE - 2 * CELL)
    todo = deque(map(tuple, np.argwhere(starts)))
    seen = {*todo}
    while todo:
        i, j = todo.popleft()
        if goals[i, j]:
            return True
        for di in (-1, 0, 1):
            for dj in (-1, 0, 1):
                at = (i + di, j + dj)
                if at not in seen and 0 <= at[0] < open_.shape[0] and 0 <= at[1] < open_.shape[1] and open_[at]:
                    seen.add(at)
                    todo.append(at)
    return False


PIECES = st.lists(
    st.tuples(
        st.integers(0, WIDTH),
        st.integers(0, DEPTH),
        st.integers(6, 60),
        st.integers(6, 40),
        st.sampled_from([0, 30, 45, 90, 200]),
    ),
    min_size=1,
    max_size=7,
)


def touched(scene):
    """The first piece, to be touched by the disc itself: without an arm, so that both judge one thing."""
    return Targets(np.array([0]), scene.boxes[[0]], scene.shapes[[0]], np.array([True]))


@settings(max_examples=100, deadline=None)
@given(PIECES, st.sampled_from([24, 30, 36]))
@example([(60, 10, 30, 20, 0), (20, 99, 40, 90, 0), (96, 99, 48, 90, 0)], 36)
@example([(60, 10, 30, 20, 0), (20, 99, 40, 90, 0), (96, 99, 48, 90, 0)], 30)
def test_both_come_to_the_same_pieces(pieces, width):
    """Each judge agrees with the other's answer for a disc larger, or smaller, by half the diagonal of a cell in radius."""
    placed = [put(f"p{n}", (x, y), (w, d, 30), turn) for n, (x, y, w, d, turn) in enumerate(pieces)]
    room = booth(way_in16=36 * IN)
    scene = Scene(room, Arrangement(tuple(placed)))
    target = touched(scene)
    came = bool(Ways(scene).comes_to(target, width * IN)[0])
    radius = width / 2
    if came:
        assert flooded(pieces, pieces[0], radius - HALF_DIAGONAL, radius + HALF_DIAGONAL)
    else:
        assert not flooded(pieces, pieces[0], radius + HALF_DIAGONAL, radius + 1 / 16 - HALF_DIAGONAL)


@settings(max_examples=60, deadline=None)
@given(PIECES)
def test_the_widest_disc_passes_and_one_a_little_wider_does_not(pieces):
    placed = [put(f"p{n}", (x, y), (w, d, 30), turn) for n, (x, y, w, d, turn) in enumerate(pieces)]
    scene = Scene(ROOM, Arrangement(tuple(placed)))
    ways = Ways(scene)
    target = touched(scene)
    if ways.comes_to(target, 36 * IN)[0]:
        return
    (widest,), _ = ways.widest(target)
    if widest:
        # By quarters of an inch, each right to a quarter.
        assert ways.comes_to(target, widest - 4)[0]
        assert not ways.comes_to(target, widest + 8)[0]
    else:
        assert not ways.comes_to(target, 12 * IN)[0]


def test_nothing_taken_away_makes_a_piece_unreachable():
    room = booth(16 * 12, 20 * 12, way_in16=3 * FOOT)
    pieces = [*rows(30), put("more", (150, 60), (30, 20, 40))]
    before = {key for one in found(room, *pieces) if one.kind in ("way narrow", "out of reach") for key in one.pieces}
    for gone in pieces:
        left = [one for one in pieces if one is not gone]
        after = {key for one in found(room, *left) if one.kind in ("way narrow", "out of reach") for key in one.pieces}
        assert after <= before
