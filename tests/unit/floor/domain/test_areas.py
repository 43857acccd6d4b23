"""Drawn areas are exact, and a difference beyond the tolerance is seen."""

from __future__ import annotations

from decimal import Decimal

import pytest
from hypothesis import given
from hypothesis import strategies as st

from coop.floor.domain.areas import area_difference, drawn_area_sqft100, twice_area

FOOT = 192


@pytest.mark.parametrize(
    ("outline", "twice"),
    [
        # Rosetta Code, "Shoelace formula for polygonal area": 30; and its twin in the other direction.
        (((3, 4), (5, 11), (12, 8), (9, 5), (5, 6)), 60),
        (((5, 6), (9, 5), (12, 8), (5, 11), (3, 4)), 60),
        # 2.5, half a unit that whole arithmetic must keep.
        (((2, 1), (2, 3), (1, 2), (0, 0)), 5),
        ((), 0),
    ],
)
def test_the_shoelace_formula(outline, twice):
    assert twice_area(outline) == twice


@pytest.mark.parametrize(
    ("outline", "sqft100"),
    [
        (((0, 0), (10 * FOOT, 0), (10 * FOOT, 8 * FOOT), (0, 8 * FOOT)), 8000),
        # An L: 12 by 10 ft less 4 by 6 ft.
        (tuple((x * FOOT, y * FOOT) for x, y in ((0, 0), (12, 0), (12, 4), (8, 4), (8, 10), (0, 10))), 9600),
        # A hundredth of a square foot is 368.64 square sixteenths; half of it is 184.32.
        (((0, 0), (184, 0), (184, 1), (0, 1)), 0),
        (((0, 0), (185, 0), (185, 1), (0, 1)), 1),
        # 4608 square sixteenths are exactly 12.5 hundredths: half-up.
        (((0, 0), (96, 0), (96, 48), (0, 48)), 13),
        ((), 0),
    ],
)
def test_hundredths_of_a_square_foot_half_up(outline, sqft100):
    assert drawn_area_sqft100(outline) == sqft100


@given(st.integers(-(10**6), 10**6), st.integers(-(10**6), 10**6), st.integers(1, 10**6), st.integers(1, 10**6))
def test_an_area_is_the_same_wherever_it_lies(x, y, width, depth):
    outline = ((x, y), (x + width, y), (x + width, y + depth), (x, y + depth))
    assert twice_area(outline) == 2 * width * depth == twice_area(outline[::-1])


@pytest.mark.parametrize(
    ("drawn", "leased", "tolerance", "difference", "beyond"),
    [
        (10200, 10000, "2", 200, False),
        (10201, 10000, "2", 201, True),
        (9800, 10000, "2", -200, False),
        (9799, 10000, "2", -201, True),
        (10000, 10000, "0", 0, False),
        (10001, 10000, "0", 1, True),
        (10050, 10000, "0.5", 50, False),
        (10051, 10000, "0.5", 51, True),
        (0, 0, "5", 0, False),
        (1, 0, "5", 1, True),
    ],
)
def test_a_difference_and_its_tolerance(drawn, leased, tolerance, difference, beyond):
    told = area_difference(drawn, leased, Decimal(tolerance))
    assert (told.difference_sqft100, told.beyond) == (difference, beyond)


@pytest.mark.parametrize(("drawn", "leased", "tolerance"), [(-1, 0, "1"), (0, -1, "1"), (0, 0, "-1")])
def test_nothing_is_below_zero(drawn, leased, tolerance):
    with pytest.raises(ValueError, match="zero or more"):
        area_difference(drawn, leased, Decimal(tolerance))
