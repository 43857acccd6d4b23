"""What lent floor costs: worked by hand, and what holds however a stay is cut."""

from __future__ import annotations

from datetime import date, timedelta
from fractions import Fraction

import pytest
from hypothesis import given
from hypothesis import strategies as st

from coop.core.periods import Month
from coop.overflow.domain.fees import FREE, KINDS, Fee, FeeRule, expected_fee, months_of

FOOT, INCH = 192, 16
BY_FOOT, BY_PIECE = FeeRule("foot-week", 150), FeeRule("piece-week", 500)
MONDAY = date(2026, 3, 2)
MARCH = Month(2026, 3)

rules = st.builds(FeeRule, st.sampled_from(KINDS), st.integers(0, 5_000))
lengths = st.integers(1, 30 * FOOT)
spans = st.integers(1, 400)
days = st.dates(date(2024, 1, 1), date(2028, 12, 31))


def in_march(rule: FeeRule, length: int, count: int, *, free_days: int = 0) -> Fee:
    """So many days from Monday the 2nd on."""
    return months_of(lambda day: rule, length, MONDAY, MONDAY + timedelta(days=count - 1), MARCH, free_days=free_days)


def months_between(first: date, last: date) -> list[Month]:
    months = [Month.of(first)]
    while last not in months[-1]:
        months.append(months[-1].next)
    return months


def exact(rule: FeeRule, length: int, count: int) -> Fraction:
    """Cents of so many days that are not free."""
    feet = {"free": Fraction(0), "foot-week": Fraction(length, FOOT), "piece-week": Fraction(1)}[rule.kind]
    return rule.cents * feet * count / 7


@pytest.mark.parametrize(
    ("rule", "length", "count", "cents", "working"),
    [
        # 4.5 ft × 17/7 weeks × 150 = 1639.28...
        (BY_FOOT, 4 * FOOT + 6 * INCH, 17, 1639, "4' 6\" × 2 weeks 3 days × $1.50 a foot-week"),
        (BY_FOOT, 4 * FOOT + 6 * INCH, 14, 1350, "4' 6\" × 2 weeks × $1.50 a foot-week"),
        (BY_FOOT, FOOT, 1, 21, "1' 0\" × 1 day × $1.50 a foot-week"),  # 21.43
        (BY_FOOT, 7, 7, 5, '7/16" × 1 week × $1.50 a foot-week'),  # 5.47
        (FeeRule("foot-week", 7), FOOT // 2, 1, 1, '6" × 1 day × $0.07 a foot-week'),  # 0.5, a half goes up
        (FeeRule("foot-week", 7), FOOT // 2 - 1, 1, 0, '5 15/16" × 1 day × $0.07 a foot-week'),
        (BY_PIECE, 9 * FOOT, 10, 714, "1 week 3 days × $5.00 a piece-week"),  # 714.28...
        (BY_PIECE, 1, 10, 714, "1 week 3 days × $5.00 a piece-week"),
        (FeeRule("free", 99), 9 * FOOT, 10, 0, "1 week 3 days free"),
    ],
)
def test_a_fee_by_hand(rule: FeeRule, length: int, count: int, cents: int, working: str) -> None:
    assert in_march(rule, length, count) == Fee(cents, working)


@pytest.mark.parametrize(
    ("count", "cents", "working"),
    [
        (3, 0, "3 days free"),
        (7, 0, "1 week free"),
        (8, 71, "1 week free + 1 day × $5.00 a piece-week"),
        (14, 500, "1 week free + 1 week × $5.00 a piece-week"),
    ],
)
def test_a_sold_piece_waits_some_days_for_nothing(count: int, cents: int, working: str) -> None:
    assert in_march(BY_PIECE, FOOT, count, free_days=7) == Fee(cents, working)


def test_free_days_are_counted_from_the_stays_first_day_into_the_next_month() -> None:
    starts, ends = date(2026, 3, 29), date(2026, 4, 11)
    march, april = (months_of(lambda day: BY_PIECE, FOOT, starts, ends, Month(2026, n), free_days=7) for n in (3, 4))
    assert march == Fee(0, "3 days free")
    assert april == Fee(500, "4 days free + 1 week × $5.00 a piece-week")


def test_each_day_of_a_month_goes_by_its_own_rule() -> None:
    def rule_on(day: date) -> FeeRule:
        return FeeRule("foot-week", 200) if day >= date(2026, 3, 15) else BY_FOOT

    # 5 ft: 14 days at 1.50 are 15.00, 17 at 2.00 are 24.2857.
    words = "5' 0\" × 2 weeks × $1.50 a foot-week + 5' 0\" × 2 weeks 3 days × $2.00 a foot-week"
    assert months_of(rule_on, 5 * FOOT, date(2026, 1, 9), date(2026, 4, 30), MARCH) == Fee(3929, words)


def test_a_sum_of_two_rules_is_rounded_once() -> None:
    def rule_on(day: date) -> FeeRule:
        return FeeRule("piece-week", 3 if day == MONDAY else 4)

    assert in_march(rule_on(MONDAY), FOOT, 1).cents == 0  # 3/7
    assert months_of(rule_on, FOOT, MONDAY, MONDAY + timedelta(days=1), MARCH).cents == 1  # 3/7 + 4/7


def test_a_month_without_a_day_of_the_stay_costs_nothing() -> None:
    assert months_of(lambda day: BY_FOOT, FOOT, MONDAY, MONDAY, Month(2026, 4)) == Fee(0, "no days")


def test_another_kind_of_fee_is_refused() -> None:
    with pytest.raises(ValueError, match="'foot-month': choose free, foot-week or piece-week"):
        FeeRule("foot-month", 1)


def test_what_whole_weeks_would_bring() -> None:
    assert expected_fee(BY_FOOT, 4 * FOOT + 6 * INCH, 3) == 2025
    assert expected_fee(BY_PIECE, 4 * FOOT, 3) == 1500
    assert expected_fee(FREE, 4 * FOOT, 3) == 0


@given(rules, lengths, st.integers(1, 52))
def test_whole_weeks_bring_the_nearest_cent(rule: FeeRule, length: int, weeks: int) -> None:
    owed = exact(rule, length, 7 * weeks)
    assert owed - Fraction(1, 2) < expected_fee(rule, length, weeks) <= owed + Fraction(1, 2)


@given(rules, lengths, st.integers(1, 4))
def test_whole_weeks_within_a_month_bring_what_they_cost(rule: FeeRule, length: int, weeks: int) -> None:
    assert expected_fee(rule, length, weeks) == in_march(rule, length, 7 * weeks).cents


@given(rules, lengths, days, spans, st.integers(0, 40))
def test_each_month_of_a_stay_is_exact_to_half_a_cent(
    rule: FeeRule, length: int, first: date, count: int, free_days: int
) -> None:
    stay = [first + timedelta(days=n) for n in range(count)]
    for month in months_between(first, stay[-1]):
        owed = exact(rule, length, sum(day in month for day in stay[free_days:]))
        cents = months_of(lambda day: rule, length, first, stay[-1], month, free_days=free_days).cents
        assert owed - Fraction(1, 2) < cents <= owed + Fraction(1, 2)


@given(rules, lengths, lengths, days, spans, spans)
def test_more_days_or_more_length_never_cost_less(
    rule: FeeRule, length: int, more: int, first: date, count: int, longer: int
) -> None:
    last = first + timedelta(days=count - 1)
    for month in months_between(first, last):
        cents = months_of(lambda day: rule, length, first, last, month).cents
        assert cents <= months_of(lambda day: rule, length, first, last + timedelta(days=longer), month).cents
        assert cents <= months_of(lambda day: rule, length + more, first, last, month).cents


@given(rules, lengths, days, spans, spans)
def test_a_stay_cut_in_two_costs_the_same_within_a_cent(rule: FeeRule, length: int, first: date, one: int, two: int) -> None:
    cut = first + timedelta(days=one)
    last, month = cut + timedelta(days=two - 1), Month.of(cut)
    parts = ((first, cut - timedelta(days=1)), (cut, last))
    cents = sum(months_of(lambda day: rule, length, *part, month).cents for part in parts)
    assert abs(cents - months_of(lambda day: rule, length, first, last, month).cents) <= 1
