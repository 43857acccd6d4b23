"""What is carried of a balance of turns, and what the rest costs or brings: every figure worked out by hand."""

from __future__ import annotations

from decimal import Decimal

import pytest
from hypothesis import given
from hypothesis import strategies as st

from coop.shifts.domain.carried import Prices, Settled, at_leaving, beyond

PRICES = Prices(Decimal(2), 40_00, 15_00)
"""Two turns are carried; a further one costs $40.00 or brings $15.00."""


@pytest.mark.parametrize("balance", ["-2", "-0.5", "0", "1.25", "2"])
def test_up_to_what_is_carried_nothing_is_charged_or_credited(balance):
    assert beyond(Decimal(balance), PRICES) is None


@pytest.mark.parametrize(
    ("balance", "expected"),
    [
        (
            "3.5",
            Settled("credited", Decimal("-1.5"), -22_50, "1.5 turns beyond 2 turns that are carried, at $15.00 each: $22.50"),
        ),
        ("-3", Settled("charged", Decimal(1), 40_00, "1 turn short of 2 turns that are carried, at $40.00 each: $40.00")),
        # A third of a cent is rounded once: 0.33 turns at $40.00 are $13.20.
        (
            "-2.33",
            Settled("charged", Decimal("0.33"), 13_20, "0.33 turns short of 2 turns that are carried, at $40.00 each: $13.20"),
        ),
    ],
)
def test_what_is_beyond_is_credited_or_charged(balance, expected):
    assert beyond(Decimal(balance), PRICES) == expected


def test_all_is_carried_where_the_rules_say_no_limit_and_nobody_is_charged_without_a_price():
    assert beyond(Decimal(-30), Prices(None, 40_00, 15_00)) is None
    assert beyond(Decimal(30), Prices(None, 40_00, 15_00)) is None
    assert beyond(Decimal(-30), Prices(Decimal(2), None, 0)) is None


def test_whoever_leaves_is_left_with_nothing():
    assert at_leaving(Decimal(0), PRICES) is None
    assert at_leaving(Decimal("-1.5"), PRICES) == Settled(
        "charged", Decimal("1.5"), 60_00, "1.5 turns left owing them, at $40.00 each: $60.00"
    )
    assert at_leaving(Decimal(1), PRICES) == Settled(
        "credited", Decimal(-1), -15_00, "1 turn left with them, at $15.00 each: $15.00"
    )
    let_off = at_leaving(Decimal("-1.5"), Prices(None, None, 0))
    assert let_off == Settled("excused", Decimal("1.5"), 0, "left owing 1.5 turns, which cost nothing by the rules")


HUNDREDTHS = st.integers(-2_000, 2_000).map(lambda n: Decimal(n) / 100)


@given(HUNDREDTHS, st.integers(0, 500), st.integers(0, 100_00), st.integers(0, 100_00))
def test_what_is_left_lies_within_what_is_carried_and_money_has_the_sign_of_its_turns(balance, most, short_cents, over_cents):
    prices = Prices(Decimal(most) / 100, short_cents, over_cents)
    settled = beyond(balance, prices)
    left = balance + (settled.turns if settled else 0)
    assert abs(left) == min(abs(balance), prices.carry_most)
    assert left == 0 or (left > 0) == (balance > 0)
    gone = at_leaving(balance, prices)
    assert balance + (gone.turns if gone else 0) == 0
    for one in (settled, gone):
        assert one is None or (one.cents >= 0 if one.turns > 0 else one.cents <= 0)
