"""Rent and commission from dated facts, with their working."""

from __future__ import annotations

from datetime import date, timedelta
from decimal import Decimal
from fractions import Fraction

import pytest
from hypothesis import given
from hypothesis import strategies as st

from coop.core.money import round_half_up
from coop.core.periods import Month, days_within
from coop.leases.domain import DatedRate, NoRateError, commission, month_rent, plain, plain_percent

APRIL = Month(2026, 4)
BOOTH = DatedRate("sqft", Decimal("2.25"), date(2020, 1, 1))
FLAT = DatedRate("flat", Decimal("1500"), date(2020, 1, 1))
DEARER = DatedRate("sqft", Decimal("2.50"), date(2026, 4, 16))


@pytest.mark.parametrize(
    ("rates", "starts", "ends", "cents", "working"),
    [
        # L3: $1,500 a month, in on April 17, 14 of 30 days: HUD Handbook 4350.3 as commonly described.
        ([FLAT], date(2026, 4, 17), None, 70000, "$1500.00 a month × 14/30 days"),
        ([FLAT], date(2026, 1, 1), None, 150000, "$1500.00 a month"),
        ([FLAT], date(2026, 1, 1), date(2026, 4, 1), 5000, "$1500.00 a month × 1/30 days"),
        ([FLAT], date(2026, 5, 1), None, 0, "no days in this month"),
        # 120 sq ft (derived).
        ([BOOTH], date(2026, 1, 1), None, 27000, "120.00 sq ft × $2.25 a month"),
        (
            [BOOTH, DEARER],
            date(2026, 1, 1),
            None,
            28500,
            "120.00 sq ft × $2.25 a month × 15/30 days + 120.00 sq ft × $2.50 a month × 15/30 days",
        ),
        ([DEARER, BOOTH], date(2026, 4, 20), None, 11000, "120.00 sq ft × $2.50 a month × 11/30 days"),
        ([BOOTH, DEARER], date(2026, 1, 1), date(2026, 4, 15), 13500, "120.00 sq ft × $2.25 a month × 15/30 days"),
    ],
)
def test_a_month_s_rent(rates: list[DatedRate], starts: date, ends: date | None, cents: int, working: str) -> None:
    rent = month_rent(APRIL, area_sqft100=12000, rates=rates, starts_on=starts, ends_on=ends)
    assert (rent.amount_cents, rent.working) == (cents, working)


@pytest.mark.parametrize("rates", [[], [DEARER]])
def test_a_day_without_a_rate_is_named(rates: list[DatedRate]) -> None:
    with pytest.raises(NoRateError, match="no rate in force on 2026-04-10"):
        month_rent(APRIL, area_sqft100=12000, rates=rates, starts_on=date(2026, 4, 10), ends_on=None)


PRICES = st.decimals(0, 100, places=6)
AREAS = st.integers(0, 100_000)
MONTHS = st.builds(Month, st.integers(2020, 2030), st.integers(1, 12))


@given(month=MONTHS, price=PRICES, area=AREAS, cut=st.integers(1, 27), data=st.data())
def test_a_month_cut_in_two_under_one_rate_is_the_whole_month(
    month: Month, price: Decimal, area: int, cut: int, data: st.DataObject
) -> None:
    """Two rate rows of one price cut the month: the parts are added before rounding, so nothing is lost at the cut."""
    first = DatedRate("sqft", price, date(2000, 1, 1))
    again = DatedRate("sqft", price, month.first_day + timedelta(days=cut))
    rates = data.draw(st.permutations([first, again]))
    whole = month_rent(month, area_sqft100=area, rates=[first], starts_on=month.first_day, ends_on=None)
    parts = month_rent(month, area_sqft100=area, rates=rates, starts_on=month.first_day, ends_on=None)
    assert parts.amount_cents == whole.amount_cents == round_half_up(Fraction(area, 100) * Fraction(price) * 100)


@given(month=MONTHS, price=PRICES, area=AREAS, cut=st.integers(0, 26))
def test_two_spans_of_a_month_are_off_by_their_rounding_only(month: Month, price: Decimal, area: int, cut: int) -> None:
    at = month.first_day + timedelta(days=cut)
    spans = [(month.first_day, at), (at + timedelta(days=1), month.last_day)]
    rate = DatedRate("sqft", price, date(2000, 1, 1))
    rents = [month_rent(month, area_sqft100=area, rates=[rate], starts_on=a, ends_on=b).amount_cents for a, b in spans]
    exact = [Fraction(area) * Fraction(price) * Fraction(days_within(month, a, b), month.days) for a, b in spans]
    assert sum(exact) == Fraction(area) * Fraction(price)
    assert rents == [round_half_up(part) for part in exact]


@pytest.mark.parametrize(
    ("net", "percent", "cents", "working"),
    [
        # 10% is the trade's commonest (common practice, no source).
        (100_00, Decimal(10), 10_00, "10% of $100.00"),
        (1_25, Decimal(10), 13, "10% of $1.25"),
        (-1_25, Decimal(10), -13, "10% of -$1.25"),
        (333_33, Decimal("12.5"), 41_67, "12.5% of $333.33"),
        (0, Decimal(10), 0, "10% of $0.00"),
        (100_00, Decimal(0), 0, "0% of $100.00"),
    ],
)
def test_commission(net: int, percent: Decimal, cents: int, working: str) -> None:
    made = commission(net, percent)
    assert (made.amount_cents, made.working) == (cents, working)


@given(net=st.integers(-(10**10), 10**10), percent=st.decimals(0, 100, places=6))
def test_commission_given_back_is_the_commission_taken(net: int, percent: Decimal) -> None:
    assert commission(-net, percent).amount_cents == -commission(net, percent).amount_cents


@pytest.mark.parametrize(
    ("value", "text"),
    [("2.25", "2.25"), ("1.125", "1.125"), ("45", "45.00"), ("0", "0.00"), ("2.500000", "2.50"), ("1E+1", "10.00")],
)
def test_prices_as_text(value: str, text: str) -> None:
    assert plain(Decimal(value)) == text


@pytest.mark.parametrize(
    ("value", "text"), [("10", "10"), ("10.000000", "10"), ("12.50", "12.5"), ("0.5", "0.5"), ("100", "100")]
)
def test_percents_as_text(value: str, text: str) -> None:
    assert plain_percent(Decimal(value)) == plain_percent(Fraction(value)) == text


@pytest.mark.parametrize(("value", "text"), [("100/3", "33 1/3"), ("1/3", "1/3"), ("-4/3", "-1 1/3"), ("-1/2", "-0.5")])
def test_percents_no_decimal_is_exact_for(value: str, text: str) -> None:
    assert plain_percent(Fraction(value)) == text
