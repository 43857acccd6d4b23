"""The travelling disc: routes by the published rule, rooms worked by hand, and an independent walk over a grid of points."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st

from coop.resets.domain.booth import Booth, Side
from coop.resets.domain.fit.scene import Scene
from coop.resets.domain.fit.ways import Targets, Ways
from coop.resets.domain.piece import Arrangement
from tests.unit.raster import leads
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


def test_a_post_stands_in_the_way():
    post = tuple((x * IN, y * IN) for x, y in ((60, 90), (66, 90), (66, 96), (60, 96)))
    one = the("way narrow", booth(posts=(post,)), *rows(48))
    assert one.measured_in16 == 22 * IN
    assert one.sentence.endswith("between Right and the post; 3' 0\" is asked: move Right 1' 2\" away from the post.")


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


def test_of_doors_that_cannot_open_nothing_more_is_told():
    cabinet = put("cabinet", (60, 9), (40, 18, 70), opens_in16=18 * IN)
    assert kinds(ROOM, cabinet, put("chest", (60, 30), (60, 23, 30))) == {"cannot open"}


def test_what_overhangs_narrows_the_way():
    left, right, behind = rows(40)
    left = put("left", (20, 99), (40, 90, 40), carries_oz=999)
    for over, told in ((4, False), (4.125, True)):
        board = put("board", (30 + over, 100), (20, 10, 5), on="left", weight_oz=1)
        assert ("way narrow" in kinds(ROOM, left, right, behind, board)) is told


def test_a_picture_out_of_reach_is_only_told():
    stage = put("stage", (60, 20), (120, 40, 30))
    one = the("out of reach", ROOM, stage, put("picture", (60, 0.5), (20, 1, 20), stands="wall", up=50))
    assert not one.stops
    assert the("out of reach", ROOM, put("row", (60, 29), (119, 18, 35)), put("a", (60, 10), (20, 20, 60))).stops


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

# Corners in inches, which sides are open, and posts by their middle and side. Every open side lies at the front, y = 144.
BOOTHS = {
    "plain": (((0, 0), (120, 0), (120, 144), (0, 144)), {2}, []),
    "ell": (((0, 0), (60, 0), (60, 50), (120, 50), (120, 144), (0, 144)), {4}, [(66, 100, 8)]),
    "two bays": (((0, 0), (50, 0), (50, 60), (64, 60), (64, 0), (120, 0), (120, 144), (0, 144)), {6}, []),
    "doorway": (((0, 0), (120, 0), (120, 144), (74, 144), (34, 144), (0, 144)), {3}, [(100, 60, 6)]),
}


def outside(x, y, piece):
    """Distance in inches from points to a turned rectangle, 0 within."""
    middle_x, middle_y, width, depth, degrees = piece
    cos, sin = math.cos(math.radians(degrees)), math.sin(math.radians(degrees))
    across = np.abs((x - middle_x) * cos + (y - middle_y) * sin) - width / 2
    ahead = np.abs(-(x - middle_x) * sin + (y - middle_y) * cos) - depth / 2
    return np.hypot(np.maximum(across, 0), np.maximum(ahead, 0))


def clearances(where, pieces):
    """Distance in inches from each grid point, of the booth and of the aisle before it, to the nearest piece, post or wall."""
    corners, opens, posts = BOOTHS[where]
    x, y = np.meshgrid(np.arange(-39, WIDTH + 40, CELL), np.arange(1, DEPTH + AISLE, CELL), indexing="ij")
    inside, free = np.zeros(x.shape, dtype=bool), np.full(x.shape, np.inf)
    for n, (x0, y0) in enumerate(corners):
        x1, y1 = corners[(n + 1) % len(corners)]
        if y0 != y1:  # a ray to the right crosses it
            inside ^= ((y0 > y) != (y1 > y)) & (x < x0 + (y - y0) / (y1 - y0) * (x1 - x0))
        if n not in opens:
            share = np.clip(((x - x0) * (x1 - x0) + (y - y0) * (y1 - y0)) / ((x1 - x0) ** 2 + (y1 - y0) ** 2), 0, 1)
            free = np.minimum(free, np.hypot(x - x0 - share * (x1 - x0), y - y0 - share * (y1 - y0)))
    for piece in [*pieces, *((px, py, side, side, 0) for px, py, side in posts)]:
        free = np.minimum(free, outside(x, y, piece))
    return x, y, np.where(inside | (y > DEPTH), free, 0)


def flooded(where, pieces, radius, reach):
    """Whether points of this clearance lead from the far edge of the aisle to within reach of the first piece."""
    x, y, free = clearances(where, pieces)
    open_ = free >= radius
    goals = open_ & (outside(x, y, pieces[0]) <= reach)
    return leads(open_, open_ & (y >= DEPTH + AISLE - 2 * CELL), goals)


def laid(where, way):
    corners, opens, posts = BOOTHS[where]
    sides = tuple(Side("open" if n in opens else "wall") for n in range(len(corners)))
    squares = [
        [(x - s / 2, y - s / 2), (x + s / 2, y - s / 2), (x + s / 2, y + s / 2), (x - s / 2, y + s / 2)] for x, y, s in posts
    ]
    whole = [tuple((round(x * IN), round(y * IN)) for x, y in outline) for outline in (corners, *squares)]
    return Booth(whole[0], sides, tuple(whole[1:]), way_in16=way * IN)


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


@settings(max_examples=80, deadline=None)
@given(st.sampled_from(sorted(BOOTHS)), PIECES, st.sampled_from([24, 30, 36]))
@example("plain", [(60, 10, 30, 20, 0), (20, 99, 40, 90, 0), (96, 99, 48, 90, 0)], 36)
@example("plain", [(60, 10, 30, 20, 0), (20, 99, 40, 90, 0), (96, 99, 48, 90, 0)], 30)
@example("two bays", [(25, 10, 30, 20, 0)], 36)
@example("doorway", [(60, 10, 30, 20, 0)], 36)
def test_both_come_to_the_same_pieces(where, pieces, width):
    """Each judge agrees with the other's answer for a disc larger, or smaller, by half the diagonal of a cell in radius."""
    placed = [put(f"p{n}", (x, y), (w, d, 30), turn) for n, (x, y, w, d, turn) in enumerate(pieces)]
    scene = Scene(laid(where, 36), Arrangement(tuple(placed)))
    radius = width / 2
    if Ways(scene).comes_to(touched(scene), width * IN)[0]:
        assert flooded(where, pieces, radius - HALF_DIAGONAL, radius + HALF_DIAGONAL)
    else:
        assert not flooded(where, pieces, radius + HALF_DIAGONAL, radius - HALF_DIAGONAL)


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
