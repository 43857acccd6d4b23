"""Whether a disc gets there, and the narrow stretches it may pass: 2010 ADA Standards 403.5.1.

"The clear width of walking surfaces shall be 36 inches minimum. Exception: the clear width shall be permitted to be reduced to 32
inches minimum for a length of 24 inches maximum provided that reduced width segments are separated by segments that are 48 inches
long minimum and 36 inches wide minimum." Every plan is tried as drawn; those away from a limit are turned as well.
"""

from __future__ import annotations

import math

import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st
from shapely.geometry import LineString, Polygon

from coop.floor.domain.clear_width import Ways, door_core, string_length, widest_disc_between
from coop.floor.domain.plan import Door, Plan, Wall, checked_plan
from coop.floor.domain.reach import reach_from
from coop.floor.domain.walkable import Walkable
from tests.unit.floor.domain.drawing import TURNS, box, hall, outline, things, turned

SIXTEENTH = 1 / 16


def ways_of(plan, width_in16=576):
    return Ways(Walkable(checked_plan(plan)).ground, width_in16)


def connects(plan, width_in16=576):
    """Whether somebody who comes in by the first door gets to the second."""
    ways = ways_of(plan, width_in16)
    reach = reach_from(ways, [door_core(plan.doors[0])])
    return ways.is_reached([door_core(plan.doors[1])], reach.standings, set(reach.places))


# --- 36 inches ----------------------------------------------------------------------------------------------------------


def test_a_hall_of_36_inches_passes_and_a_sixteenth_less_does_not():
    assert connects(hall(36, 300))
    assert not connects(hall(36 - SIXTEENTH, 300))


@pytest.mark.parametrize("gap", [(140, 64, 30, 36), (140, 50, 1, 50)])
def test_a_gap_between_corners_is_judged_to_the_sixteenth(gap):
    """Where only corners face each other too, with arcs to be rounded: above 36 in. there is one place, below there are two."""
    x, y, width, _ = gap
    for apart, places in ((36, 1), (36 - SIXTEENTH, 2)):
        plan = hall(140, 300, box(x, 0, width, y), box(x, y + apart, width, 140 - y - apart))
        assert len(ways_of(plan).places) == places


def test_a_gap_of_offset_corners():
    """Corners (141, 50) and (160, 50 + d): the way between is as wide as they lie apart, 36 in. for d = sqrt(36^2 - 19^2)."""
    d = math.sqrt(36**2 - 19**2)
    for more, places in ((0.1, 1), (-0.1, 2)):
        plan = hall(100, 300, box(140, 0, 1, 50), box(160, 50 + d + more, 1, 50 - d - more))
        assert len(ways_of(plan).places) == places


@pytest.mark.parametrize("degrees", TURNS)
def test_a_turned_hall_passes_within_two_sixteenths(degrees):
    assert connects(turned(hall(36 + 2 * SIXTEENTH, 300), degrees))
    assert not connects(turned(hall(36 - 2 * SIXTEENTH, 300), degrees))


def test_a_wall_that_is_a_sixteenth_out_somewhere_spoils_nothing_elsewhere():
    corners = (0, 0), (300, 0), (300, 36), (200, 36), (200, 36 + SIXTEENTH), (180, 36 + SIXTEENTH), (180, 36), (0, 36)
    assert connects(Plan(outline(*corners), doors=hall(36, 300).doors))


def test_cracks_between_things_side_by_side_are_no_floor():
    plan = hall(100, 300, box(0, 36, 100, 64), box(100 + 2 * SIXTEENTH, 36, 200 - 2 * SIXTEENTH, 64))
    assert ways_of(plan).ground.floor.area == 36 * 300 * 256


# --- 32 inches for 24 ---------------------------------------------------------------------------------------------------


def jaws(hall_width, gap, length, *, at=140):
    """Two blocks that leave a gap in the middle of a hall."""
    side = (hall_width - gap) * 16 // 2 / 16
    sides = (0, side), (side + gap, hall_width - side - gap)
    return tuple(box(at, y, length, depth) for y, depth in sides if depth)


@pytest.mark.parametrize("hall_width", [36, 40, 60, 100])
@pytest.mark.parametrize(
    ("gap", "length", "passes"),
    [
        (32, 24, True),
        (32, 25, False),
        (32 - SIXTEENTH, 24, False),
        (32 - SIXTEENTH, 1, False),
        (35, 24, True),
        (35, 25, False),
        (35 + 15 * SIXTEENTH, 25, False),
        (35 + 15 * SIXTEENTH, 1, True),
    ],
)
def test_a_pinch_in_the_middle(hall_width, gap, length, passes):
    assert connects(hall(hall_width, 300, *jaws(hall_width, gap, length))) is passes


@pytest.mark.parametrize("degrees", TURNS)
@pytest.mark.parametrize(
    ("hall_width", "shapes", "width", "length"),
    [
        (100, jaws(100, 33, 24), 33, 24),
        (100, jaws(100, 33, 30), 33, 30),
        (40, jaws(40, 33, 24), 33, 24),
        # On one side only, in a hall of 36 in.: the chord runs square to the way, not to the far corner.
        (36, (box(140, 33, 24, 3),), 33, 24),
        (48, (box(140, 33, 24, 15),), 33, 24),
        # A thin partition with a door of 34 in.
        (100, jaws(100, 34, 4), 34, 4),
        # Wedges: 32 in. apart at their tips, 34 in. high over 20: the gap is 32 + 3.4 x, below 36 for 1.176 in. either way.
        (100, (outline((130, 0), (150, 34), (170, 0)), outline((130, 100), (170, 100), (150, 66))), 32, 2.353),
        # Sides that slope by 4 in. over 24: the gap falls from 40 to 32 and is below 36 for half of either slope.
        (
            96,
            (
                outline((100, 0), (100, 27.5), (124, 31.5), (148, 27.5), (148, 0)),
                outline((100, 96), (148, 96), (148, 68.5), (124, 64.5), (100, 68.5)),
            ),
            33,
            18,
        ),
    ],
)
def test_a_narrow_stretch_is_as_long_as_it_is(hall_width, shapes, width, length, degrees):
    plan = turned(hall(hall_width, 300, *shapes), degrees)
    (link,) = ways_of(plan).links or [None]
    assert link is not None or width == 32  # what is 32 in. to the sixteenth may be less when turned
    if link is not None:
        assert link.stretch.width == pytest.approx(width * 16, abs=2)
        # A width two sixteenths off lies so much farther along a side that slopes by one in six, on either side.
        assert link.stretch.length == pytest.approx(length * 16, abs=3 if width != 33 or length != 18 else 15)


def post(x, y, radius):
    return outline(*((x + radius * math.cos(k * math.pi / 64), y + radius * math.sin(k * math.pi / 64)) for k in range(128)))


@pytest.mark.parametrize("degrees", TURNS)
def test_round_posts_are_narrow_as_far_as_the_chord_across_is(degrees):
    """Two posts of radius 12, 33 in. apart: 33 + 2 (12 - sqrt(144 - x^2)) is below 36 up to x = sqrt(144 - 10.5^2) = 5.809."""
    fillers = box(149, 0, 2, 12), box(149, 88, 2, 12)
    plan = turned(hall(100, 300, post(150, 21.5, 12), post(150, 78.5, 12), *fillers), degrees)
    (link,) = ways_of(plan).links
    assert link.stretch.width == pytest.approx(33 * 16, abs=2)
    assert link.stretch.length == pytest.approx(2 * 5.809 * 16, abs=8)


def test_a_waist_between_offset_corners_has_no_length():
    plan = hall(100, 300, box(140, 0, 1, 50), box(160, 78, 1, 22))
    (link,) = ways_of(plan).links
    assert link.stretch.width == pytest.approx(16 * math.hypot(19, 28), abs=1)
    assert link.stretch.length < 32


def test_a_long_narrow_bend_is_measured_round_the_corner():
    """A hall of 34 in. that bends in its middle: its two legs and the turn between them are one stretch, far above 24 in."""
    corners = (0, 0), (300, 0), (300, 300), (200, 300), (200, 134), (100, 134), (100, 100), (0, 100)
    plan = Plan(
        outline(*corners),
        doors=(Door("W", outline((0, 0), (0, 100)), True), Door("N", outline((200, 300), (300, 300)), True)),
        fixtures=things(box(134, 0, 166, 100), box(100, 100, 0.5, 34)),
    )
    assert not connects(plan)


def test_a_room_with_corners_has_no_pinch():
    assert ways_of(hall(100, 300, box(100, 0, 30, 40), box(30, 30, 20, 20))).links == []


# --- stretches in a row -------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("hall_width", [36, 60])
@pytest.mark.parametrize(
    ("first", "apart", "second", "passes"),
    [
        (24, 48, 24, True),
        (24, 47, 24, False),
        (4, 48, 4, True),
        (4, 47, 4, False),
        (4, 30, 4, False),
        # Together 22 in.: no longer than one stretch may be, so filling the room between them up would still pass.
        (2, 18, 2, True),
        (2, 21, 2, False),
    ],
)
def test_two_stretches_in_a_row(hall_width, first, apart, second, passes):
    one = jaws(hall_width, 32, first, at=100)
    two = jaws(hall_width, 32, second, at=100 + first + apart)
    assert connects(hall(hall_width, 400, *one, *two)) is passes


def test_stretches_from_either_side_are_apart_along_the_way():
    for apart, passes in ((48, True), (47, False)):
        assert connects(hall(36, 300, box(100, 32, 20, 4), box(120 + apart, 0, 24, 4))) is passes


def test_a_third_stretch_is_measured_from_the_second():
    places = [100, 100 + 24 + 48, 100 + 2 * (24 + 48)]
    assert connects(hall(60, 500, *(shape for at in places for shape in jaws(60, 32, 24, at=at))))
    places[2] -= 1
    assert not connects(hall(60, 500, *(shape for at in places for shape in jaws(60, 32, 24, at=at))))


def partition(at, gap, openings, *, depth=4, width=300):
    """A wall across a hall with openings [(from, to)]."""
    walls, y = [], 0
    for begin, end in openings:
        walls.append(box(at, y, depth, begin - y))
        y = end
    return [*walls, box(at, y, depth, width - y)]


def test_any_of_several_doors_will_do():
    """Two openings in a partition 30 in. thick are too long; a third a foot of whose depth is cut away is not."""
    closed = partition(140, 32, [(40, 74), (200, 234)], depth=30)
    assert not connects(hall(300, 400, *closed))
    opened = [*partition(140, 32, [(40, 74), (120, 154), (200, 234)], depth=18)]
    opened += [box(158, 0, 12, 40), box(158, 74, 12, 26), box(158, 180, 12, 20), box(158, 234, 12, 66)]
    assert connects(hall(300, 400, *opened))


@pytest.mark.parametrize(("y", "passes"), [(100, False), (150, False), (170, True)])
def test_doors_in_two_partitions_are_apart_on_the_slant(y, passes):
    """40 in. apart, the second moved along: its jamb lies 0, 16 and 36 in. farther than the first's, sqrt(40^2 + 36^2) = 53.8."""
    first = partition(100, 32, [(100, 134)])
    second = partition(144, 32, [(y, y + 34)])
    assert connects(hall(300, 300, *first, *second)) is passes


def test_the_string_between_two_stretches_goes_round_what_stands_between():
    """Two lines 40 in. apart with a block 20 by 60 between: 2 sqrt(10^2 + 20^2) + 20 in. round its lower corners."""
    floor = Polygon(box(0, 0, 200, 200)).difference(Polygon(box(90, 80, 20, 60)))
    a, b = LineString(outline((80, 100), (80, 120))), LineString(outline((120, 100), (120, 120)))
    assert string_length(floor, a, b) == pytest.approx((2 * math.hypot(10, 20) + 20) * 16, abs=1)
    assert string_length(Polygon(box(0, 0, 200, 200)), a, b) == pytest.approx(40 * 16)


def test_the_exception_is_for_36_inches_only():
    pinched = hall(100, 300, *jaws(100, 32, 4))
    assert connects(pinched)
    assert not connects(pinched, 44 * 16)
    assert connects(hall(100, 300, *jaws(100, 44, 4)), 44 * 16)


# --- doors and walls ----------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("degrees", TURNS)
@pytest.mark.parametrize("drawn", ["line", "outline"])
@pytest.mark.parametrize(("wide", "passes"), [(33, True), (31, False)])
def test_a_door_opens_its_wall(degrees, drawn, wide, passes):
    across = outline((150, 40), (150, 40 + wide)) if drawn == "line" else box(147, 40, 6, wide)
    plan = Plan(
        box(0, 0, 300, 120),
        walls=(Wall("w", outline((150, 0), (150, 120)), 96),),
        doors=(Door("W", outline((0, 0), (0, 120)), True), Door("E", outline((300, 0), (300, 120)), True), Door("d", across)),
    )
    assert connects(turned(plan, degrees)) is passes


# --- the widest disc ----------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("plan", "widest"),
    [
        (hall(36, 300), 36),
        (hall(100, 300, *jaws(100, 44, 10)), 44),
        (hall(100, 300, *jaws(100, 44, 10), box(200, 0, 1, 57.5)), 42.5),
        (hall(100, 300, box(140, 0, 4, 100)), 0),
        # By the wider of two ways round an island.
        (hall(100, 300, box(140, 30, 20, 20)), 50),
    ],
)
def test_the_widest_disc_between_two_doors(plan, widest):
    assert widest_disc_between(plan, "W", "E") == widest * 16
    for degrees in TURNS:
        assert widest_disc_between(turned(plan, degrees), "W", "E") == pytest.approx(widest * 16, abs=2)


def test_a_further_thing_on_the_floor_narrows_it():
    assert widest_disc_between(hall(100, 300), "W", "E", [box(140, 0, 20, 30)]) == 70 * 16


def test_a_last_stretch_with_nothing_on_its_other_hand_is_as_wide_as_it_is():
    """A thing 44 in. into a hall of 120, before the door: somebody passes beside it, however thick its far end is."""
    thin, thick = box(10, 0, 5, 44), box(10, 0, 9, 5)
    assert connects(hall(120, 220, thin))
    assert connects(hall(120, 220, thin, thick))


@example([(10, 0, 5, 44)], (10, 0, 9, 5))
@settings(max_examples=40, deadline=None)
@given(
    st.lists(
        st.tuples(st.integers(10, 150), st.integers(0, 110), st.integers(5, 60), st.integers(5, 60)), min_size=1, max_size=5
    ),
    st.tuples(st.integers(10, 150), st.integers(0, 110), st.integers(5, 60), st.integers(5, 60)),
)
def test_a_thing_more_never_opens_a_way(rectangles, more):
    before = hall(120, 220, *(box(*r) for r in rectangles))
    after = hall(120, 220, *(box(*r) for r in (*rectangles, more)))
    assert connects(before) or not connects(after)
    assert widest_disc_between(after, "W", "E") <= widest_disc_between(before, "W", "E")
