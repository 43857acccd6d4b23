"""Rounding and sharing of money, against values nobody here made."""

from __future__ import annotations

from decimal import ROUND_HALF_UP, Decimal
from fractions import Fraction

import apportionment.methods
import pytest
from hypothesis import assume, given
from hypothesis import strategies as st

from coop.core.money import (
    allocate,
    cents,
    exact,
    format_cents,
    format_decimal,
    format_dollars,
    parse_cents,
    parse_decimal,
    plain_cents,
    round_half_up,
    round_to_sum,
)

AMOUNTS = st.integers(-(10**12), 10**12)
WEIGHTS = st.lists(st.integers(0, 10**9), min_size=1, max_size=12).filter(any)
SHARES = st.lists(st.fractions(min_value=-1000, max_value=1000, max_denominator=1000), max_size=12)


@pytest.mark.parametrize(
    ("total", "weights", "parts"),
    [
        # M1: largest remainder with the quota of Hare; PyPI `apportionment` gives the same.
        (10, [47000, 16000, 15900, 12000, 6000, 3100], [5, 2, 1, 1, 1, 0]),
        # M2: as the tests of public money libraries have it.
        (100, [1, 1, 1], [34, 33, 33]),
        (5, [70, 30], [4, 1]),
        # Derived: ties go to the earlier, nothing is shared by nothing, signs turn over.
        (2, [1, 1, 1, 1], [1, 1, 0, 0]),
        (-100, [1, 1, 1], [-34, -33, -33]),
        (0, [3, 4], [0, 0]),
        (0, [], []),
        (0, [0, 0], [0, 0]),
        (7, [Decimal("0.5"), Fraction(1, 2)], [4, 3]),
        (10, [3, -1], [15, -5]),
    ],
)
def test_allocate(total: int, weights: list[int], parts: list[int]) -> None:
    assert allocate(total, weights) == parts


@pytest.mark.parametrize("weights", [[], [0, 0], [5, -5]])
def test_something_cannot_be_shared_by_nothing(weights: list[int]) -> None:
    with pytest.raises(ValueError, match="nothing to share by"):
        allocate(1, weights)


@given(total=AMOUNTS, weights=WEIGHTS)
def test_shares_sum_to_the_total_and_stand_within_one_of_their_exact_share(total: int, weights: list[int]) -> None:
    parts = allocate(total, weights)
    assert sum(parts) == total
    for part, weight in zip(parts, weights, strict=True):
        assert abs(part - Fraction(total * weight, sum(weights))) < 1


@given(total=AMOUNTS, weights=WEIGHTS)
def test_sharing_a_debt_is_minus_sharing_the_money(total: int, weights: list[int]) -> None:
    assert allocate(-total, weights) == [-part for part in allocate(total, weights)]


@given(seats=st.integers(1, 500), votes=st.lists(st.integers(1, 10**6), min_size=1, max_size=12))
def test_allocation_is_the_apportionment_library_s(seats: int, votes: list[int]) -> None:
    # At a tie for the last seat the library has a rule of its own, which can pass a larger remainder over: compare without.
    remainders = sorted((Fraction(seats * v, sum(votes)) % 1 for v in votes), reverse=True)
    left = int(sum(remainders))
    assume(left == 0 or left == len(votes) or remainders[left - 1] != remainders[left])
    theirs = apportionment.methods.largest_remainder(votes, seats, fractions=True)
    assert allocate(seats, votes) == theirs


@given(shares=SHARES)
def test_round_to_sum_sums_to_the_rounded_sum_each_within_one(shares: list[Fraction]) -> None:
    parts = round_to_sum(shares)
    assert sum(parts) == round_half_up(sum(shares, Fraction(0)))
    assert all(abs(part - share) < 1 for part, share in zip(parts, shares, strict=True))
    assert round_to_sum([-share for share in shares]) == [-part for part in parts]


@pytest.mark.parametrize(
    ("dollars", "expected"),
    # M3: Python's decimal, ROUND_HALF_UP.
    [("0.125", 13), ("1.005", 101), ("-0.125", -13), ("0.004999", 0), ("2.675", 268)],
)
def test_cents_half_up(dollars: str, expected: int) -> None:
    assert cents(Decimal(dollars)) == expected


@given(st.decimals(min_value=-(10**9), max_value=10**9, places=6))
def test_round_half_up_is_decimal_s(value: Decimal) -> None:
    assert round_half_up(value) == int(value.to_integral_value(ROUND_HALF_UP))


@pytest.mark.parametrize("value", [0.5, True, "1", None])
def test_what_may_have_lost_a_cent_is_not_money(value: object) -> None:
    with pytest.raises(TypeError, match=r"not (float|bool|str|NoneType)"):
        exact(value)  # type: ignore[arg-type]


@pytest.mark.parametrize(
    ("amount", "plain", "file", "dollars"),
    [
        (1234567, "12,345.67", "12345.67", "$12,345.67"),
        (-5, "-0.05", "-0.05", "-$0.05"),
        (0, "0.00", "0.00", "$0.00"),
        (-123456, "-1,234.56", "-1234.56", "-$1,234.56"),
    ],
)
def test_amounts_as_text(amount: int, plain: str, file: str, dollars: str) -> None:
    assert (format_cents(amount), plain_cents(amount), format_dollars(amount)) == (plain, file, dollars)


@given(AMOUNTS)
def test_an_amount_survives_being_written(amount: int) -> None:
    assert parse_cents(format_cents(amount)) == parse_cents(format_dollars(amount)) == amount


@pytest.mark.parametrize(
    ("text", "value"),
    [
        ("1,234.50", "1234.50"),
        ("-3", "-3"),
        (".5", "0.5"),
        ("$ 12", "12"),
        ("-$3", "-3"),
        ("$-3", "-3"),
        ("+7", "7"),
        (" 0 ", "0"),
    ],
)
def test_numbers_as_people_write_them(text: str, value: str) -> None:
    assert parse_decimal(text) == Decimal(value)


@pytest.mark.parametrize(
    "text", ["", "-", "$", ".", "1,23", "1$2", "3$", "$$3", "1e3", "٣", "12.", "1 2", "--1", "nan", "1,2345"]
)
def test_what_is_no_amount(text: str) -> None:
    with pytest.raises(ValueError, match="is not an amount"):
        parse_decimal(text)


@pytest.mark.parametrize(("text", "reason"), [("1.005", "parts of a cent"), ("9" * 19, "too large")])
def test_amounts_that_no_cent_holds(text: str, reason: str) -> None:
    with pytest.raises(ValueError, match=reason):
        parse_cents(text)


@pytest.mark.parametrize(
    ("value", "text"),
    [
        ("7.900000", "7.9"),
        ("10", "10"),
        ("1E+1", "10"),
        ("2.00", "2"),
        ("0.00", "0"),
        ("-0.00", "0"),
        ("100", "100"),
        ("-0.50", "-0.5"),
        ("100.010", "100.01"),
    ],
)
def test_a_number_is_written_without_idle_zeros(value: str, text: str) -> None:
    assert format_decimal(Decimal(value)) == text
