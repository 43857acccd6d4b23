"""Months, and the part of a month a span covers."""

from __future__ import annotations

import calendar
from datetime import date, timedelta
from fractions import Fraction

import pytest
from hypothesis import given
from hypothesis import strategies as st

from coop.core.periods import Month, days_within, prorate_actual, shown_days

MONTHS = st.builds(Month, st.integers(1900, 9998), st.integers(1, 12))
DAYS = st.dates(date(2000, 1, 1), date(2040, 12, 31))


@pytest.mark.parametrize(
    ("text", "days", "name", "before", "after"),
    [
        ("2010-12", 31, "December 2010", "2010-11", "2011-01"),
        ("2026-01", 31, "January 2026", "2025-12", "2026-02"),
        ("2026-02", 28, "February 2026", "2026-01", "2026-03"),
        # The Gregorian rule: every fourth year, not the hundredth, but the four hundredth.
        ("2024-02", 29, "February 2024", "2024-01", "2024-03"),
        ("2000-02", 29, "February 2000", "2000-01", "2000-03"),
        ("2100-02", 28, "February 2100", "2100-01", "2100-03"),
    ],
)
def test_a_month(text: str, days: int, name: str, before: str, after: str) -> None:
    month = Month.parse(text)
    assert (month.days, month.name, str(month.previous), str(month.next), str(month)) == (days, name, before, after, text)
    each = list(month.each_day())
    assert (each[0], each[-1], len(each), month.last_day.day) == (month.first_day, month.last_day, days, days)


@pytest.mark.parametrize(
    "text", ["", "2026", "2026-13", "2026-00", "2026-1", "26-01", "2026/01", "1899-12", "9999-01", "2026-01-01", "٢٠٢٦-01"]
)
def test_what_is_no_month(text: str) -> None:
    with pytest.raises(ValueError, match="is not a month; write it like"):
        Month.parse(text)


@given(MONTHS)
def test_months_follow_each_other_day_by_day(month: Month) -> None:
    assert month.days == calendar.monthrange(month.year, month.month)[1]
    assert Month.parse(str(month)) == month
    if month < Month(9998, 12):
        assert month.next.first_day == month.last_day + timedelta(days=1)
        assert month.next.previous == month
        assert month < month.next


@given(DAYS)
def test_every_day_is_in_its_own_month_only(day: date) -> None:
    month = Month.of(day)
    assert day in month
    assert day not in month.next
    assert day not in month.previous


@pytest.mark.parametrize(
    ("month", "starts", "ends", "days"),
    [
        # L3: in on April 17 is 14 of 30 days, as HUD Handbook 4350.3 describes proration.
        ("2026-04", date(2026, 4, 17), None, 14),
        ("2026-04", date(2026, 4, 30), None, 1),
        ("2026-04", date(2026, 4, 1), date(2026, 4, 1), 1),
        ("2026-04", date(2025, 1, 1), date(2027, 1, 1), 30),
        ("2026-04", date(2026, 5, 1), None, 0),
        ("2026-04", date(2026, 1, 1), date(2026, 3, 31), 0),
        ("2026-04", date(2026, 4, 20), date(2026, 4, 10), 0),
        ("2024-02", date(2024, 2, 10), None, 20),
    ],
)
def test_days_of_a_span_within_a_month(month: str, starts: date, ends: date | None, days: int) -> None:
    assert days_within(Month.parse(month), starts, ends) == days
    assert prorate_actual(Month.parse(month), starts, ends) == Fraction(days, Month.parse(month).days)


@given(starts=DAYS, length=st.integers(0, 400), cut=st.integers(0, 400))
def test_a_span_cut_in_two_covers_the_same_days(starts: date, length: int, cut: int) -> None:
    ends, at = starts + timedelta(days=length), starts + timedelta(days=min(cut, length))
    month = Month.of(at)
    parts = days_within(month, starts, at) + days_within(month, at + timedelta(days=1), ends)
    assert parts == days_within(month, starts, ends)


@given(starts=DAYS, length=st.integers(0, 400))
def test_the_days_of_all_months_are_the_days_of_the_span(starts: date, length: int) -> None:
    ends = starts + timedelta(days=length)
    months, month = 0, Month.of(starts)
    while month.first_day <= ends:
        months += days_within(month, starts, ends)
        month = month.next
    assert months == length + 1


@pytest.mark.parametrize(
    ("first", "last", "said"),
    [
        (date(2026, 10, 3), date(2026, 10, 3), "Oct 3, 2026"),
        (date(2026, 10, 30), date(2026, 11, 2), "Oct 30 to Nov 2, 2026"),
        (date(2026, 12, 30), date(2027, 1, 2), "Dec 30, 2026 to Jan 2, 2027"),
    ],
)
def test_days_are_said_with_their_year_once_unless_there_are_two(first: date, last: date, said: str) -> None:
    assert shown_days(first, last) == said
