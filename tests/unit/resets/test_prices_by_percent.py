"""Prices by a percent, by hand: to the whole dollar, a half up, a dollar at least."""

from __future__ import annotations

from decimal import Decimal

import pytest
from hypothesis import given
from hypothesis import strategies as st

from coop.resets.set_prices import by_percent


@pytest.mark.parametrize(
    ("cents", "percent", "then"),
    [
        (245_00, "-10", 221_00),  # 220.50
        (89_50, "-10", 81_00),  # 80.55
        (89_50, "10", 98_00),  # 98.45
        (100_00, "0.5", 101_00),  # 100.50
        (99_99, "0", 100_00),
        (12_49, "0", 12_00),
        (25, "10", 1_00),
        (10_00, "-99.999999", 1_00),
        (30_00, "33.333333", 40_00),  # 39.9999999
    ],
)
def test_by_hand(cents: int, percent: str, then: int) -> None:
    assert by_percent(cents, Decimal(percent)) == then


@given(st.integers(1, 10**8), st.decimals(-99, 900, places=3))
def test_it_is_a_whole_dollar_no_further_off_than_half_of_one(cents: int, percent: Decimal) -> None:
    then = by_percent(cents, percent)
    exact = Decimal(cents) * (100 + percent) / 100
    assert then % 100 == 0
    assert then >= 100
    assert abs(then - exact) <= 50 or (then == 100 and exact < 50)
