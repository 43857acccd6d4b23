"""Ways for one piece: round a corner against the published formula, out of rows that touch, through openings, held otherwise."""

from __future__ import annotations

import pytest

from coop.floor.domain.corner import longest_ladder, longest_turning
from coop.resets.domain.booth import Booth, Side, rectangle_booth
from coop.resets.domain.order.boxes import Spot
from coop.resets.domain.order.ground import Ground, Handling, ground_before
from coop.resets.domain.order.reach import Out, Reach, To
from coop.resets.domain.piece import CarriedSize, Piece

INCH = 16
EXACT = Handling(clearance_in16=0, fine_step_in16=8, fine_turn_deg=2)


def halls(hall_a: int, hall_b: int, length: int) -> Ground:
    """A one-way hall down, then a right-angled corner into another one to the right."""
    long = round(length * 1.15)
    booth = Booth(((0, 0), (hall_a, 0), (hall_a, long), (0, long)), (Side("wall"), Side("wall"), Side("open"), Side("wall")))
    second = ((0, long), (hall_a + long, long), (hall_a + long, long + hall_b), (0, long + hall_b))
    past = hall_a + round(length * 0.52)
    end = ((past, long), (hall_a + long, long), (hall_a + long, long + hall_b), (past, long + hall_b))
    return Ground(booth, (second,), (end,))


def goes_round(hall_a: int, hall_b: int, width: int, length: int) -> bool:
    ground = halls(hall_a, hall_b, length)
    piece = Piece("p", "Plank", width, length, 480)
    start = Spot("p", hall_a // 2, round(length * 0.56), 0, width, length)
    return Reach(ground, EXACT).way(piece, start, Out(), frozenset(), 2) is not None


# MathWorld, "Moving Ladder Problem": (a^(2/3) + b^(2/3))^(3/2); the narrower hall is drawn 16 in. wide.
@pytest.mark.parametrize(
    ("hall_a", "hall_b", "published"), [(1, 1, 2.8284), (2, 4, 8.3239), (8, 27, 46.8722)], ids=["1-1", "2-4", "8-27"]
)
def test_the_longest_ladder_round_a_corner_is_the_published_one(hall_a: int, hall_b: int, published: float) -> None:
    unit = 16 * INCH / hall_a
    a, b = round(hall_a * unit), round(hall_b * unit)
    assert longest_ladder(a, b) == pytest.approx(published * unit, rel=1e-4)
    # A ladder has no width; this one is half an inch, the thinnest the grid tells from none, and half-inch steps and turns of two
    # degrees cost as much as another inch. A longer one never passes.
    assert goes_round(a, b, 8, round(published * unit * 0.9))
    assert longest_turning(a, b, 24) > published * unit * 0.85
    assert not goes_round(a, b, 8, round(published * unit * 1.005))


def test_the_longest_piece_18_wide_round_halls_of_36_is_65_823() -> None:
    """Derived from the same touching argument: see coop/floor/domain/corner.py."""
    published = 65.823 * INCH
    assert goes_round(36 * INCH, 36 * INCH, 18 * INCH, round(published * 0.95))
    assert not goes_round(36 * INCH, 36 * INCH, 18 * INCH, round(published * 1.005))


# Rows that touch, openings, and how a piece is held.


def box(key: str, x: float, y: float, wide: float = 30, deep: float = 20, turn: int = 0) -> Spot:
    return Spot(key, round(x * INCH), round(y * INCH), turn, round(wide * INCH), round(deep * INCH))


def piece_of(spot: Spot, carried: tuple[CarriedSize, ...] = ()) -> Piece:
    return Piece(spot.key, f"Stand {spot.key}", spot.width_in16, spot.depth_in16, 480, carried=carried)


def test_a_piece_wedged_in_a_row_along_the_wall_is_pulled_straight_out() -> None:
    """It touches the wall and both neighbours; nobody can turn it there, and need not."""
    ground = ground_before(rectangle_booth(120 * INCH, 96 * INCH), aisle_in16=44 * INCH)
    left, wedged, right = box("l", 30, 10), box("w", 60, 10), box("r", 90, 10)
    way = Reach(ground, Handling()).way(piece_of(wedged), wedged, Out(), frozenset([left, right]), 0)
    assert way is not None
    first = way.poses[1]
    assert (first.x_in16, first.turn_deg) == (wedged.x_in16, 0)
    assert first.y_in16 > wedged.y_in16 + 20 * INCH - INCH


def test_a_piece_walled_in_all_round_has_no_way_and_the_bars_are_named() -> None:
    ground = ground_before(rectangle_booth(120 * INCH, 96 * INCH), aisle_in16=44 * INCH)
    wedged = box("w", 60, 10)
    bars = [box("l", 30, 10), box("r", 90, 10), box("f", 60, 35, 90, 20)]
    reach = Reach(ground, Handling())
    standing = frozenset(bars)
    assert reach.way(piece_of(wedged), wedged, Out(), standing, 2) is None
    assert reach.way(piece_of(wedged), wedged, Out(), standing - {bars[2]}, 2) is not None
    assert bars[2] in reach.barred_by(piece_of(wedged), wedged, Out(), standing, 1)


@pytest.mark.parametrize(("gap", "passes"), [(20.0, False), (20.9, False), (22.1, True), (24.0, True)])
def test_a_gap_must_be_a_hand_wider_than_the_piece(gap: float, passes: bool) -> None:
    """20 in. wide: not through less than 21 in. (a hand's clearance), for certain through 22 (one step of the fine grid more)."""
    ground = ground_before(rectangle_booth(100 * INCH, 96 * INCH), aisle_in16=44 * INCH)
    stool = box("s", 50, 20, 20, 20)
    side = (100 - gap) / 2
    bars = frozenset([box("l", side / 2, 70, side, 10), box("r", 100 - side / 2, 70, side, 10)])
    assert (Reach(ground, Handling()).way(piece_of(stool), stool, Out(), bars, 2) is not None) is passes


def test_a_long_piece_turns_to_get_through_a_narrow_opening() -> None:
    booth = Booth(
        tuple((x * INCH, y * INCH) for x, y in ((0, 0), (120, 0), (120, 96), (76, 96), (44, 96), (0, 96))),
        (Side("wall"), Side("wall"), Side("wall"), Side("open"), Side("wall"), Side("wall")),
    )
    ground = ground_before(booth, aisle_in16=60 * INCH)
    bench = box("b", 60, 20, 48, 16)
    reach = Reach(ground, Handling())
    assert reach.way(piece_of(bench), bench, Out(), frozenset(), 0) is None
    way = reach.way(piece_of(bench), bench, Out(), frozenset(), 1)
    assert way is not None
    assert {pose.turn_deg for pose in way.poses} > {0}


def test_upright_is_tried_first_and_what_does_not_pass_upright_goes_on_its_end() -> None:
    booth = Booth(
        tuple((x * INCH, y * INCH) for x, y in ((0, 0), (120, 0), (120, 96), (76, 96), (44, 96), (0, 96))),
        (Side("wall"), Side("wall"), Side("wall"), Side("open"), Side("wall"), Side("wall")),
    )
    ground = ground_before(booth, aisle_in16=60 * INCH)
    table = box("t", 60, 30, 40, 36)
    on_end = CarriedSize("on end", 36 * INCH, 28 * INCH, 40 * INCH)
    reach = Reach(ground, Handling())
    assert reach.way(piece_of(table), table, Out(), frozenset(), 2) is None
    way = reach.way(piece_of(box("u", 60, 30, 40, 36), (on_end,)), table, Out(), frozenset(), 1)
    assert way is not None
    assert way.poses[-1].how == "on end"
    narrow = box("n", 60, 30, 26, 26)
    upright = reach.way(piece_of(narrow, (on_end,)), narrow, Out(), frozenset(), 1)
    assert upright is not None
    assert {pose.how for pose in upright.poses} == {"upright"}


def test_a_piece_that_is_to_face_the_other_way_is_turned_by_half() -> None:
    ground = ground_before(rectangle_booth(120 * INCH, 96 * INCH), aisle_in16=44 * INCH)
    here, there = box("b", 40, 40), box("b", 80, 40, turn=180)
    way = Reach(ground, Handling()).way(piece_of(here), here, To(there), frozenset(), 1)
    assert way is not None
    assert way.poses[-1].turn_deg % 360 == 180
