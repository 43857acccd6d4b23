"""Every printed order, replayed move by move by a simulator of its own: no footprint meets a wall, a post or another piece."""

from __future__ import annotations

from dataclasses import replace

import pytest
from hypothesis import HealthCheck, assume, given, settings
from hypothesis import strategies as st

from coop.resets.domain.booth import rectangle_booth
from coop.resets.domain.order.ground import StagingArea, ground_before
from coop.resets.domain.order.moves import Knot, Order, Pose
from coop.resets.domain.order.plan import plan_order, replan, safe_stops
from coop.resets.domain.piece import Arrangement, Piece, Placed
from tests.unit.resets.random_booths import random_reset
from tests.unit.resets.simulator import Collision, ends_as_wanted, replay


@settings(max_examples=8, deadline=None, suppress_health_check=[HealthCheck.too_slow])
@given(st.integers(0, 10**9))
def test_no_order_of_a_random_booth_meets_anything(seed: int) -> None:
    ground, before, after = random_reset(seed)
    order = plan_order(ground, before, after)
    assume(isinstance(order, Order))
    assert isinstance(order, Order)
    assert ends_as_wanted(order, replay(order))
    assert order.bound <= order.staged
    assert order.proven == (order.bound == order.staged)


def test_nor_of_a_booth_that_was_hard_once() -> None:
    order = plan_order(*random_reset(14))
    assert isinstance(order, Order)
    assert ends_as_wanted(order, replay(order))


def test_a_knot_for_want_of_staging_floor_is_loosened_by_more_of_it() -> None:
    ground, before, after = random_reset(249)
    knot = plan_order(ground, before, after)
    assert isinstance(knot, Knot)
    assert "staging floor does not hold" in knot.sentence
    order = plan_order(replace(ground, staging=(*ground.staging, StagingArea("yard"))), before, after)
    assert isinstance(order, Order)
    assert ends_as_wanted(order, replay(order))
    assert {move.to for move in order.moves} >= {"bay", "yard"}


@settings(max_examples=4, deadline=None, suppress_health_check=[HealthCheck.too_slow])
@given(st.integers(0, 10**9), st.integers(0, 30))
def test_the_rest_of_an_order_replanned_from_any_move_meets_nothing_either(seed: int, count: int) -> None:
    ground, before, after = random_reset(seed)
    order = plan_order(ground, before, after)
    assume(isinstance(order, Order))
    assert isinstance(order, Order)
    done = {move.number for move in order.moves[:count]}
    rest = replan(order, done)
    # What was done can be gone on with, so the rest has an order too.
    assert isinstance(rest, Order)
    assert ends_as_wanted(rest, replay(rest))
    assert [move.number for move in rest.moves][:1] in ([], [len(done) + 1])
    assert set(safe_stops(rest)) <= {0, *(move.number for move in rest.moves)}


# The simulator itself: it must be able to say no.


def swap() -> Order:
    booth = rectangle_booth(120 * 16, 96 * 16)
    a, b = (Piece(key, f"Dresser {key}", 30 * 16, 20 * 16, 480) for key in "ab")
    before = Arrangement((Placed(a, 480, 320), Placed(b, 1280, 320)))
    after = Arrangement((Placed(b, 480, 320), Placed(a, 1280, 320)))
    order = plan_order(ground_before(booth, staging=(StagingArea("bay", capacity=1),)), before, after)
    assert isinstance(order, Order)
    return order


def test_the_simulator_takes_the_order_it_is_given() -> None:
    assert ends_as_wanted(swap(), replay(swap()))


def test_the_simulator_finds_two_moves_in_the_wrong_order() -> None:
    order = swap()
    with pytest.raises(Collision):
        replay(replace(order, moves=(order.moves[1], order.moves[0], order.moves[2])))


def test_the_simulator_finds_a_way_through_a_wall() -> None:
    order = swap()
    first = order.moves[0]
    through = (first.path[0], Pose(first.path[0].x_in16, -900, 0))
    with pytest.raises(Collision):
        replay(replace(order, moves=(replace(first, path=through), *order.moves[1:])))


def test_the_simulator_finds_a_way_through_the_side_of_the_booth_into_the_aisle() -> None:
    booth = rectangle_booth(120 * 16, 96 * 16, open_sides=("front", "left"))
    closed = rectangle_booth(120 * 16, 96 * 16)
    stool = Piece("s", "Stool", 12 * 16, 12 * 16, 300)
    order = plan_order(ground_before(booth), Arrangement((Placed(stool, 200, 800),)), Arrangement())
    assert isinstance(order, Order)
    sideways = (Pose(200, 800, 0), Pose(-350, 800, 0))
    bent = replace(order, moves=(replace(order.moves[0], path=sideways),))
    replay(bent)
    with pytest.raises(Collision):
        replay(replace(bent, ground=replace(order.ground, booth=closed)))


def test_the_simulator_finds_a_turn_that_sweeps_a_neighbour() -> None:
    order = swap()
    first = order.moves[0]
    # Pushed against its neighbour it touches it; turned there, its corners go through.
    beside = Pose(800, 320, 0)
    back = (first.path[0], beside, *first.path)
    replay(replace(order, moves=(replace(first, path=back), *order.moves[1:])))
    turned = (first.path[0], beside, Pose(800, 320, 180), *first.path)
    with pytest.raises(Collision):
        replay(replace(order, moves=(replace(first, path=turned), *order.moves[1:])))
