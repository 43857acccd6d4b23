"""The part of a month by each method, and that parts make the whole."""

from __future__ import annotations

from datetime import date, timedelta
from fractions import Fraction

import pytest
from hypothesis import given
from hypothesis import strategies as st

from coop.core.periods import Month, add_months, thirty_360_us
from coop.leases.domain.figures import TermsError
from coop.leases.domain.proration import METHODS, part_in_words, part_of_month

MONTHS = st.builds(Month, st.integers(2020, 2030), st.integers(1, 12))


@pytest.mark.parametrize(
    ("begin", "end", "days"),
    [
        # Each by QuantLib 1.44, Thirty360(USA).dayCount (run). The first is L4: 19 actual days.
        (date(2026, 2, 10), date(2026, 3, 1), 21),
        (date(2026, 2, 1), date(2026, 2, 28), 27),
        (date(2026, 2, 28), date(2026, 3, 1), 1),
        (date(2024, 2, 28), date(2024, 3, 1), 3),
        (date(2024, 2, 29), date(2024, 3, 1), 1),
        (date(2026, 1, 1), date(2026, 1, 31), 30),
        (date(2026, 1, 1), date(2026, 2, 1), 30),
        (date(2026, 1, 30), date(2026, 1, 31), 0),
        (date(2026, 1, 31), date(2026, 2, 1), 1),
        (date(2026, 1, 31), date(2026, 2, 28), 28),
        (date(2026, 1, 31), date(2026, 3, 31), 60),
        (date(2024, 2, 29), date(2025, 2, 28), 360),
        (date(2026, 4, 17), date(2026, 5, 1), 14),
        (date(2026, 2, 28), date(2026, 3, 31), 30),
        (date(2025, 11, 30), date(2026, 1, 31), 60),
        (date(2026, 3, 15), date(2026, 3, 31), 16),
        (date(2026, 4, 17), date(2027, 4, 17), 360),
    ],
)
def test_days_by_30_360_us(begin: date, end: date, days: int) -> None:
    assert thirty_360_us(begin, end) == days


def test_actual_days_between_the_same_dates() -> None:
    # L4, the other half: QuantLib Actual365Fixed counts 19 (run).
    assert part_of_month(Month(2026, 2), date(2026, 2, 10), date(2026, 2, 28), "actual") == Fraction(19, 28)


@pytest.mark.parametrize(
    ("day", "months", "then"),
    [
        (date(2026, 1, 31), 1, date(2026, 2, 28)),
        (date(2024, 2, 29), 12, date(2025, 2, 28)),
        (date(2024, 2, 29), 48, date(2028, 2, 29)),
        (date(2026, 3, 31), -1, date(2026, 2, 28)),
        (date(2026, 1, 15), -1, date(2025, 12, 15)),
        (date(2026, 12, 1), 1, date(2027, 1, 1)),
    ],
)
def test_months_later(day: date, months: int, then: date) -> None:
    assert add_months(day, months) == then


@pytest.mark.parametrize(
    ("method", "begin", "end", "part", "words"),
    [
        # L3: in on April 17; proration by the days of the month as HUD Handbook 4350.3 describes it (secondary).
        ("actual", date(2026, 4, 17), None, Fraction(14, 30), "14/30 days"),
        ("thirty", date(2026, 4, 17), None, Fraction(14, 30), "14/30 days"),
        # L4 as a span of February: 10 through 28. 30/360 US by QuantLib (run).
        ("thirty", date(2026, 2, 10), date(2026, 2, 28), Fraction(21, 30), "21/30 days"),
        ("thirty", date(2026, 2, 1), date(2026, 2, 9), Fraction(9, 30), "9/30 days"),
        # The 31st costs nothing, February's last day stands for the rest (derived from the rule).
        ("thirty", date(2026, 1, 31), None, Fraction(0), "0/30 days"),
        ("thirty", date(2026, 2, 28), None, Fraction(3, 30), "3/30 days"),
        ("thirty", date(2024, 2, 29), None, Fraction(2, 30), "2/30 days"),
        # A year's price over 365 (common practice, no source); the month's last day takes what is left (decided here).
        ("year365", date(2026, 4, 1), date(2026, 4, 16), Fraction(192, 365), "12/365 × 16 days"),
        ("year365", date(2026, 4, 17), None, Fraction(173, 365), "(1 - 12/365 × 16 days)"),
        ("year365", date(2026, 1, 31), None, Fraction(5, 365), "(1 - 12/365 × 30 days)"),
        ("year365", date(2026, 4, 3), date(2026, 4, 4), Fraction(24, 365), "12/365 × 2 days"),
        ("actual", date(2026, 1, 1), date(2026, 12, 31), Fraction(1), ""),
        ("thirty", date(2026, 1, 1), None, Fraction(1), ""),
        ("year365", date(2026, 1, 1), None, Fraction(1), ""),
    ],
)
def test_a_part_of_a_month(method: str, begin: date, end: date | None, part: Fraction, words: str) -> None:
    month = Month.of(begin)
    assert (part_of_month(month, begin, end, method), part_in_words(month, begin, end, method)) == (part, words)


@pytest.mark.parametrize("method", METHODS)
def test_a_span_outside_the_month_is_nothing(method: str) -> None:
    assert part_of_month(Month(2026, 4), date(2026, 5, 1), None, method) == 0
    assert part_of_month(Month(2026, 4), date(2026, 1, 1), date(2026, 3, 31), method) == 0


@given(month=MONTHS, method=st.sampled_from(METHODS), data=st.data())
def test_however_a_month_is_cut_its_parts_are_one_month(month: Month, method: str, data: st.DataObject) -> None:
    cuts = data.draw(st.sets(st.integers(2, month.days), max_size=month.days))
    begins = [1, *sorted(cuts)]
    ends = [*(b - 1 for b in begins[1:]), month.days]
    days = [(month.first_day + timedelta(a - 1), month.first_day + timedelta(b - 1)) for a, b in zip(begins, ends, strict=True)]
    parts = [part_of_month(month, a, b, method) for a, b in days]
    assert sum(parts) == 1
    assert all(0 <= part <= 1 for part in parts)


@pytest.mark.parametrize(
    ("begin", "end", "method", "said"),
    [
        (
            date(2026, 4, 2),
            date(2026, 4, 1),
            "actual",
            "ends on 2026-04-01, before it starts on 2026-04-02: turn the dates round",
        ),
        (date(2026, 4, 1), None, "weekly", "proration is 'weekly': choose actual, thirty or year365"),
    ],
)
def test_bad_terms_are_named(begin: date, end: date | None, method: str, said: str) -> None:
    with pytest.raises(TermsError, match=said):
        part_of_month(Month(2026, 4), begin, end, method)
