"""The order of a reset: swaps and rings, what stays, stacks, buyers' pieces, knots, stops for the night, planning again."""

from __future__ import annotations

import pytest

from coop.core.errors import Refusal
from coop.resets.domain.booth import Booth, Side, rectangle_booth
from coop.resets.domain.order.bound import least_stagings
from coop.resets.domain.order.ground import Ground, StagingArea, ground_before
from coop.resets.domain.order.moves import Knot, Order
from coop.resets.domain.order.plan import plan_order, replan, safe_stops
from coop.resets.domain.piece import Arrangement, CarriedSize, Piece, Placed
from tests.unit.resets.simulator import ends_as_wanted, replay

INCH = 16
BAY = StagingArea("bay 4", capacity=1)


def piece(key: str, wide: int = 30, deep: int = 20, **more: object) -> Piece:
    return Piece(key, f"Stand {key}", wide * INCH, deep * INCH, 30 * INCH, **more)  # type: ignore[arg-type]


def at(one: Piece, x: int, y: int, turn: int = 0, on: str | None = None, up: int = 0) -> Placed:
    return Placed(one, x * INCH, y * INCH, turn, on, up * INCH)


def ground(*staging: StagingArea, wide: int = 120, deep: int = 96) -> Ground:
    return ground_before(rectangle_booth(wide * INCH, deep * INCH), aisle_in16=44 * INCH, staging=staging)


def sets(before: list[Placed], after: list[Placed]) -> tuple[Arrangement, Arrangement]:
    return Arrangement(tuple(before)), Arrangement(tuple(after))


def ordered(where: Ground, before: list[Placed], after: list[Placed], **more: object) -> Order:
    found = plan_order(where, *sets(before, after), **more)  # type: ignore[arg-type]
    assert isinstance(found, Order), found
    assert ends_as_wanted(found, replay(found))
    return found


def kinds(order: Order) -> list[tuple[str, str]]:
    return [(move.kind, move.key) for move in order.moves]


A, B, C = piece("a"), piece("b"), piece("c")


# J5: rearrangement planning (Han, Stiffler, Krontiris, Bekris, Yu 2018): a move a piece, and one more for each ring to break.
def test_two_that_swap_take_three_moves_with_room_for_one() -> None:
    order = ordered(ground(BAY), [at(A, 30, 20), at(B, 80, 20)], [at(B, 30, 20), at(A, 80, 20)])
    assert [move.kind for move in order.moves] == ["stage", "shift", "in"]
    assert (order.staged, order.bound, order.proven) == (1, 1, True)


def test_a_ring_of_three_takes_four_moves() -> None:
    order = ordered(ground(BAY), [at(A, 20, 12), at(B, 60, 12), at(C, 100, 12)], [at(B, 20, 12), at(C, 60, 12), at(A, 100, 12)])
    assert [move.kind for move in order.moves] == ["stage", "shift", "shift", "in"]
    assert (order.staged, order.proven) == (1, True)


def test_two_swaps_with_room_for_one_put_the_first_back_before_the_second() -> None:
    before = [at(A, 20, 12), at(B, 60, 12), at(C, 20, 60), at(piece("d"), 60, 60)]
    after = [at(B, 20, 12), at(A, 60, 12), at(piece("d"), 20, 60), at(C, 60, 60)]
    order = ordered(ground(BAY), before, after)
    assert (order.staged, order.proven, len(order.moves)) == (2, True, 6)


def test_a_swap_without_staging_floor_is_a_knot_of_the_two_that_says_what_room_mends_it() -> None:
    bystander = at(C, 100, 70)
    found = plan_order(ground(), *sets([at(A, 30, 20), at(B, 80, 20), bystander], [at(B, 30, 20), at(A, 80, 20), bystander]))
    assert isinstance(found, Knot)
    assert found.pieces == ("a", "b")
    assert "Stand a and Stand b" in found.sentence
    assert "room for 1" in found.sentence


def test_pieces_with_another_place_and_nothing_in_between_move_straight() -> None:
    order = ordered(ground(), [at(A, 30, 20)], [at(A, 80, 60, 90)])
    assert kinds(order) == [("shift", "a")]
    assert order.moves[0].path[-1].turn_deg % 360 == 90


def test_a_new_piece_goes_in_deep_before_another_shifts_in_front_of_it() -> None:
    """Who comes need not come last: here it could not. A stand along the left wall makes a corridor 36 in. wide."""
    beside = at(piece("s", 60, 20), 46, 31, 90)
    order = ordered(ground(BAY), [beside, at(A, 90, 60)], [beside, at(B, 18, 12), at(A, 18, 45)])
    assert kinds(order) == [("in", "b"), ("shift", "a")]


def test_what_leaves_goes_in_the_order_in_which_it_can_and_what_comes_fills_from_the_back() -> None:
    hall = ground(wide=36)
    order = ordered(hall, [at(A, 18, 12), at(B, 18, 60)], [at(C, 18, 12), at(piece("d"), 18, 60)])
    assert kinds(order) == [("out", "b"), ("out", "a"), ("in", "c"), ("in", "d")]


def test_what_stays_is_not_moved_unless_it_bars_and_then_goes_by_staging_and_back() -> None:
    hall = ground(BAY, wide=36)
    stays = at(B, 18, 60)
    order = ordered(hall, [at(A, 18, 12), stays], [stays, at(C, 18, 12)])
    assert kinds(order) == [("stage", "b"), ("out", "a"), ("in", "c"), ("in", "b")]
    assert (order.staged, order.proven) == (1, True)
    free = ordered(ground(BAY), [at(A, 18, 12), at(B, 90, 60)], [at(B, 90, 60)])
    assert kinds(free) == [("out", "a")]


def test_a_piece_that_may_not_be_moved_and_bars_is_named_in_the_knot() -> None:
    hall = ground(BAY, wide=36)
    found = plan_order(hall, *sets([at(A, 18, 12), at(B, 18, 60)], [at(B, 18, 60)]), fixed=frozenset("b"))
    assert isinstance(found, Knot)
    assert found.pieces == ("a", "b")
    assert "may not be moved" in found.sentence


def narrow() -> Ground:
    """A booth that opens by 32 in. only."""
    outline = tuple((x * INCH, y * INCH) for x, y in ((0, 0), (120, 0), (120, 96), (76, 96), (44, 96), (0, 96)))
    sides = (Side("wall"), Side("wall"), Side("wall"), Side("open"), Side("wall"), Side("wall"))
    return ground_before(Booth(outline, sides), aisle_in16=60 * INCH)


def test_an_opening_narrower_than_a_piece_in_every_direction_is_a_knot_of_one_with_its_mend() -> None:
    found = plan_order(narrow(), *sets([at(piece("w", 40, 36), 60, 30), at(A, 20, 60)], []))
    assert isinstance(found, Knot)
    assert found.pieces == ("w",)
    assert "Stand w" in found.sentence
    assert "take its legs or doors off" in found.sentence


def test_and_with_its_size_on_end_it_goes_and_the_move_says_so() -> None:
    table = piece("w", 40, 36, carried=(CarriedSize("on end", 36 * INCH, 28 * INCH, 40 * INCH),))
    order = ordered(narrow(), [at(table, 60, 30)], [])
    assert [move.how for move in order.moves] == ["on end"]
    assert "on its end" in order.moves[0].sentence
    back = ordered(narrow(), [], [at(table, 60, 30)])
    assert back.moves[0].path[-1].how == "upright"


def test_carried_higher_than_the_booth_allows_it_does_not_go() -> None:
    table = piece("w", 40, 36, carried=(CarriedSize("on end", 36 * INCH, 28 * INCH, 90 * INCH),))
    low = narrow()
    booth = Booth(low.booth.outline, low.booth.sides, height_limit_in16=84 * INCH)
    assert isinstance(plan_order(ground_before(booth, aisle_in16=960), *sets([at(table, 60, 30)], [])), Knot)


# Stacks, hooks, table tops.

LAMP = piece("lamp", 8, 8, stands="table")
CLOCK = piece("clock", 6, 6, stands="table")
MIRROR = piece("mirror", 24, 2, stands="wall")


def test_what_stands_on_a_piece_comes_off_first_and_goes_on_last() -> None:
    before = [at(A, 30, 20), at(LAMP, 30, 20, on="a"), at(CLOCK, 30, 20, on="lamp")]
    after = [at(A, 90, 60), at(LAMP, 90, 60, on="a"), at(CLOCK, 90, 60, on="lamp"), at(B, 30, 20)]
    order = ordered(ground(BAY), before, after)
    assert kinds(order) == [
        ("stage", "clock"),
        ("stage", "lamp"),
        ("shift", "a"),
        ("in", "b"),
        ("in", "lamp"),
        ("in", "clock"),
    ]
    assert order.moves[2].after == ("clock", "lamp")
    assert order.moves[0].how == "by hand"
    assert order.moves[0].path == ()
    assert order.staged == 0


def test_what_hangs_goes_home_first_and_is_hung_before_pieces_come_in() -> None:
    before = [at(A, 30, 20), at(MIRROR, 30, 2, up=50)]
    other = piece("sign", 20, 1, stands="wall")
    order = ordered(ground(), before, [at(B, 30, 20), at(other, 30, 2, up=50)])
    assert kinds(order) == [("out", "mirror"), ("out", "a"), ("in", "sign"), ("in", "b")]


def test_what_nobody_would_reach_over_the_others_is_put_on_while_its_place_is_open() -> None:
    deep = ground(wide=40, deep=140)
    after = [at(A, 20, 10), at(LAMP, 20, 10, on="a"), at(piece("b", 38, 40), 20, 50), at(piece("c", 38, 40), 20, 95)]
    order = ordered(deep, [], after)
    assert kinds(order) == [("in", "a"), ("in", "lamp"), ("in", "b"), ("in", "c")]


def test_two_lamps_that_change_tables_by_hand() -> None:
    other = piece("other", 8, 8, stands="table")
    tables = [at(A, 30, 20), at(B, 90, 20)]
    order = ordered(
        ground(),
        [*tables, at(LAMP, 30, 20, on="a"), at(other, 90, 20, on="b")],
        [*tables, at(LAMP, 90, 20, on="b"), at(other, 30, 20, on="a")],
    )
    assert len(order.moves) == 3
    assert {move.how for move in order.moves} == {"by hand"}


def test_a_chair_stacked_on_a_table_comes_down_and_is_to_stand_on_the_floor() -> None:
    chair = piece("chair", 18, 18)
    order = ordered(ground(BAY), [at(A, 30, 20), at(chair, 30, 20, on="a")], [at(A, 30, 20), at(chair, 90, 60)])
    assert kinds(order) == [("stage", "chair"), ("in", "chair")]
    assert [move.how for move in order.moves] == ["by hand", "upright"]


def test_a_chair_on_the_floor_is_to_stand_on_a_table() -> None:
    chair = piece("chair", 18, 18)
    order = ordered(ground(BAY), [at(A, 30, 20), at(chair, 90, 60)], [at(A, 30, 20), at(chair, 30, 20, on="a")])
    assert kinds(order) == [("stage", "chair"), ("in", "chair")]


# Pieces with a buyer.


def test_a_sold_piece_is_not_sent_home() -> None:
    sold = piece("s", bound="sold")
    with pytest.raises(Refusal, match="Stand s is sold and may not go home"):
        plan_order(ground(BAY), *sets([at(sold, 30, 20)], []))


def test_with_hold_floor_it_waits_there_for_its_buyer() -> None:
    sold = piece("s", bound="on layaway")
    order = ordered(ground(BAY, StagingArea("hold room", hold=True)), [at(sold, 30, 20)], [])
    assert [(move.kind, move.to) for move in order.moves] == [("out", "hold room")]
    assert "on layaway and does not go home" in order.moves[0].sentence


# What cannot be asked.


@pytest.mark.parametrize(
    ("before", "after", "told"),
    [
        ([at(A, 30, 20), at(B, 40, 20)], [], "Stand a and Stand b cover the same floor"),
        ([at(A, 5, 20)], [], "Stand a stands through a wall"),
        ([], [at(LAMP, 30, 20, on="x")], "Stand lamp stands on a piece that is not in it"),
        ([at(LAMP, 30, 20, on="clock"), at(CLOCK, 30, 20, on="lamp")], [], "stands on itself"),
    ],
)
def test_sets_that_cannot_stand_are_refused_by_name(before: list[Placed], after: list[Placed], told: str) -> None:
    with pytest.raises(Refusal, match=told):
        plan_order(ground(), *sets(before, after))


def test_a_booth_without_an_open_side_is_refused() -> None:
    closed = rectangle_booth(1920, 1536, open_sides=())
    with pytest.raises(Refusal, match="no open side"):
        plan_order(Ground(closed), *sets([], []))


# Stopping and going on.


def test_one_stops_for_the_night_only_with_the_walkway_clear_and_no_stack_half_done() -> None:
    walkway = StagingArea("aisle floor", capacity=2, walkway=True)
    order = ordered(ground(walkway), [at(A, 30, 20), at(B, 80, 20)], [at(B, 30, 20), at(A, 80, 20)])
    assert safe_stops(order) == (0, 3)
    stacked = ordered(
        ground(BAY),
        [at(A, 30, 20), at(LAMP, 24, 20, on="a"), at(CLOCK, 36, 20, on="a")],
        [at(B, 30, 60)],
    )
    assert [move.key for move in stacked.moves[:2]] == ["clock", "lamp"]
    assert 1 not in safe_stops(stacked)
    assert {0, 2, len(stacked.moves)} <= set(safe_stops(stacked))


def test_planning_again_goes_on_from_what_is_done_with_the_next_number() -> None:
    order = ordered(ground(BAY), [at(A, 30, 20), at(B, 80, 20)], [at(B, 30, 20), at(A, 80, 20)])
    rest = replan(order, {1})
    assert isinstance(rest, Order)
    assert [(move.number, move.kind, move.key, move.from_) for move in rest.moves] == [
        (2, "shift", order.moves[1].key, "booth"),
        (3, "in", order.moves[0].key, "bay 4"),
    ]
    assert ends_as_wanted(rest, replay(rest))
    assert replan(order, {1, 2, 3}).moves == ()  # type: ignore[union-attr]


def test_planning_again_from_where_a_piece_was_put_instead() -> None:
    order = ordered(ground(), [at(A, 30, 20)], [at(A, 80, 60)])
    rest = replan(order, {1}, now={"a": at(A, 80, 40)})
    assert isinstance(rest, Order)
    assert kinds(rest) == [("shift", "a")]


def test_selling_a_tag_meanwhile_changes_the_rest() -> None:
    order = ordered(ground(StagingArea("hold room", hold=True)), [at(A, 30, 20), at(B, 80, 20)], [at(B, 80, 20)])
    sold = Placed(piece("b", bound="sold"), 80 * INCH, 20 * INCH)
    rest = replan(order, {1}, now={"b": sold}, after=Arrangement())
    assert isinstance(rest, Order)
    assert [(move.key, move.to) for move in rest.moves] == [("b", "hold room")]


# The bound by itself (feedback vertex sets worked by hand).
@pytest.mark.parametrize(
    ("demands", "least"),
    [
        ({"a": "b", "b": "a"}, 1),
        ({"a": "b", "b": "c", "c": "a"}, 1),
        ({"a": "b", "b": "a", "c": "d", "d": "c"}, 2),
        ({"a": "bc", "b": "ac", "c": "ab"}, 2),
        ({"a": "b", "b": "ac", "c": "b"}, 1),
        ({"a": "b", "b": "c", "c": ""}, 0),
    ],
)
def test_the_fewest_pieces_that_break_every_ring(demands: dict[str, str], least: int) -> None:
    bound = least_stagings({key: frozenset(others) for key, others in demands.items()}, frozenset(demands))
    assert bound.least == least == len(bound.break_rings)
