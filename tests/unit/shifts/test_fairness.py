"""Jain's index and the spread.

The figures are worked from the formula in Jain, R., Chiu, D. and Hawe, W. (1984), DEC TR-301.
"""

from __future__ import annotations

from decimal import Decimal
from fractions import Fraction

import pytest
from hypothesis import given
from hypothesis import strategies as st

from coop.shifts.domain.fairness import jain, spread


@pytest.mark.parametrize(
    ("shares", "index"),
    [
        ((10, 20, 30, 40, 50, 60), "0.807692"),
        ((5, 5, 5, 0), "0.75"),
        ((7, 7, 7), "1"),
        ((0, 0, 0, 9), "0.25"),
        ((Decimal("0.5"), Fraction(1, 2)), "1"),
    ],
)
def test_the_index(shares, index):
    assert jain(shares).quantize(Decimal("0.000001")) == Decimal(index)


@given(st.lists(st.integers(0, 50), min_size=1, max_size=12).filter(any), st.integers(1, 9))
def test_the_index_is_between_one_nth_and_one_and_knows_no_unit(shares, unit):
    index = jain(shares)
    assert Decimal(1) / len(shares) - Decimal("1e-20") <= index <= 1
    assert jain([share * unit for share in shares]) == index


@pytest.mark.parametrize("shares", [(), (0, 0), (3, -1)])
def test_evenness_of_nothing_means_nothing(shares):
    with pytest.raises(ValueError, match="not all zero"):
        jain(shares)


@pytest.mark.parametrize(
    ("shares", "expected"), [((), 0), ((4,), 0), ((1, 0, 1), 1), ((2, 0, 1), 2), ((Fraction(1, 2), 2), Fraction(3, 2))]
)
def test_the_spread(shares, expected):
    assert spread(shares) == expected
