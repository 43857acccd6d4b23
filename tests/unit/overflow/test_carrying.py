"""Bays cut anew: where a place lies in another bay, which code a new one has, what is behind it."""

from __future__ import annotations

from math import cos, radians, sin

import pytest
from hypothesis import given
from hypothesis import strategies as st

from coop.floor.domain.plan import Fixture, Plan, PlanSpace, Wall
from coop.floor.domain.walkable import Walkable
from coop.overflow.domain.bay import Bay, as_corners
from coop.overflow.domain.carrying import backed, goes_on_from, place_in, recoded


def bay(x: int, y: int, length: int, depth: int, code: str = "A1-1", aisle: str = "A1", *, turned: int = 0) -> Bay:
    """Its back from x, y to the right, its floor below; turned about 0, 0 by so many degrees."""
    along, across = cos(radians(turned)), sin(radians(turned))
    corners = ((x, y), (x + length, y), (x + length, y + depth), (x, y + depth))
    return Bay(code, aisle, as_corners([(round(a * along - b * across), round(a * across + b * along)) for a, b in corners]))


OLD = bay(1000, 500, 2000, 500)


@pytest.mark.parametrize(
    ("new", "begins"),
    [
        (OLD, 300),
        (bay(1100, 500, 1000, 400), 200),
        (bay(1300, 500, 600, 400), 0),
        (bay(400, 500, 2600, 600), 900),
        (bay(1301, 500, 1000, 400), None),
        (bay(1000, 500, 899, 400), None),
        (bay(1000, 500, 2000, 398), None),
        (bay(1000, 499, 2000, 500), 300),
        (bay(1000, 490, 2000, 510), None),
        (bay(1000, 510, 2000, 490), None),
        (Bay("A1-1", "A1", as_corners([(3000, 500), (1000, 500), (1000, 0), (3000, 0)])), None),
        (Bay("A1-1", "A1", as_corners([(1300, 900), (1300, 300), (1900, 300), (1900, 900)])), None),
    ],
)
def test_a_place_from_300_to_900_and_400_deep_lies_in_another_bay(new: Bay, begins: int | None) -> None:
    """Of bays at the same line that hold it, deep enough; not of one that faces the other way or across."""
    assert place_in(new, OLD, 300, 900, 400) == begins


@given(
    turned=st.integers(0, 359),
    off=st.integers(-300, 300),
    cuts=st.lists(st.integers(0, 2000), min_size=4, max_size=4, unique=True),
    depth=st.integers(100, 500),
)
def test_what_goes_over_keeps_its_length_and_its_order_however_a_bay_is_turned(
    turned: int, off: int, cuts: list[int], depth: int
) -> None:
    old, new = bay(1000, 500, 2000, 500, turned=turned), bay(1000 + off, 500, 2000, 500, turned=turned)
    a, b, c, d = sorted(cuts)
    first, second = place_in(new, old, a, b, depth), place_in(new, old, c, d, depth)
    for begins, from_in16, to_in16 in ((first, a, b), (second, c, d)):
        if begins is not None:
            assert begins >= 0
            assert begins + to_in16 - from_in16 <= new.length_in16
            assert abs(begins - (from_in16 - off)) <= 1
    if first is not None and second is not None:
        assert second - first == c - a
    if turned % 90 == 0:
        assert (first is not None) == (a >= off and b - off <= 2000)


def test_new_bays_have_the_code_of_the_one_they_share_most_floor_with() -> None:
    before = [bay(0, 0, 1000, 500, "A1-1"), bay(1000, 0, 1000, 500, "A1-2"), bay(0, 5000, 1000, 500, "A1-3")]
    new = [bay(0, 0, 400, 500, "A1-4"), bay(500, 0, 1500, 500, "A1-5"), bay(0, 9000, 500, 500, "A1-6")]
    assert [one.code for one in recoded(new, before, ())] == ["A1-1", "A1-2", "A1-6"]


def test_codes_go_to_one_bay_each_and_stay_in_their_aisle() -> None:
    before = [bay(0, 0, 1000, 500, "A1-1"), bay(0, 0, 1000, 500, "A2-1", "A2")]
    new = [bay(0, 0, 400, 500, "A1-4"), bay(400, 0, 600, 500, "A1-5")]
    assert [one.code for one in recoded(new, before, ())] == ["A1-4", "A1-1"]
    kept = [bay(0, 0, 400, 500, "A1-1"), bay(400, 0, 600, 500, "A1-5")]
    assert [one.code for one in recoded(kept, before, {"A1-1"})] == ["A1-1", "A1-5"]


def test_a_bay_goes_on_from_the_one_it_shares_most_floor_with() -> None:
    before = [bay(0, 0, 1000, 500, "A1-1"), bay(1000, 0, 1000, 500, "A1-2")]
    assert goes_on_from(bay(900, 0, 500, 500, "B-1", "B"), before) == before[1]
    assert goes_on_from(bay(2000, 0, 500, 500, "B-1", "B"), before) is None
    assert goes_on_from(bay(0, 0, 500, 500), []) is None


def test_what_is_behind_most_of_a_bay_is_its_backing() -> None:
    room = ((0, 0), (5000, 0), (5000, 5000), (0, 5000))
    plan = Plan(
        room,
        walls=(Wall("W", ((0, 2000), (1000, 2000), (1000, 2050), (0, 2050))),),
        fixtures=(Fixture("F", "other", ((1000, 2000), (2000, 2000), (2000, 2050), (1000, 2050))),),
        spaces=(PlanSpace("12", "booth", ((2000, 1000), (3000, 1000), (3000, 2050), (2000, 2050))),),
    )
    walkable = Walkable(plan)
    for x, expected in ((0, ("wall", "")), (900, ("fixture", "")), (1600, ("booth", "12")), (2000, ("booth", "12"))):
        found = backed(walkable, bay(x, 2050, 1000, 400))
        assert (found.backing, found.before) == expected, x
    found = backed(walkable, bay(0, 0, 1000, 400))
    assert (found.backing, found.before) == ("wall", "")
