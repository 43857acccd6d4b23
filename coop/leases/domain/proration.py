"""The part of a month's price that is owed for a span of its days, by the method the lease names.

Every method counts from the first of the month, and a span is what has been counted by its end less what had been counted before
it began. So however a month is cut, its parts add up to exactly one month, and a full month is one month whatever its length.

- `actual`: days of the month. 17-30 April is 14/30.
- `thirty`: a 30-day month, counted as 30/360 US. The 31st costs nothing, and the last day of February stands for the days up to
  the thirtieth: 10-28 February 2026 is 21/30, as QuantLib's Thirty360(USA) counts from 2026-02-10 to 2026-03-01.
- `year365`: a day is 12/365 of a month's price, and 365/12 is no whole number of days. So the last day of the month takes what is
  left of the month: 17/365 in April, 5/365 in a month of 31 days, 41/365 in a February of 28.
  So one who leaves on April 16 pays 16 days, and one who comes on April 17 pays the month less those 16.
"""

from __future__ import annotations

from datetime import date, timedelta
from fractions import Fraction

from coop.core.periods import Month, days_within, prorate_actual, thirty_360_us
from coop.leases.domain.figures import TermsError

ACTUAL, THIRTY, YEAR365 = METHODS = ("actual", "thirty", "year365")


def part_of_month(month: Month, starts_on: date, ends_on: date | None, method: str = ACTUAL) -> Fraction:
    """The part of one month's price owed for [starts_on, ends_on], both included, an open end None; between 0 and 1.

    Raises TermsError for an unknown method and for dates that run backwards.
    """
    _check(starts_on, ends_on, method)
    if not days_within(month, starts_on, ends_on):
        return Fraction(0)
    if method == ACTUAL:
        return prorate_actual(month, starts_on, ends_on)
    before = max(month.first_day, starts_on)
    after = month.last_day if ends_on is None else min(month.last_day, ends_on)
    counted = _thirty_before if method == THIRTY else _year_before
    return counted(month, after + timedelta(days=1)) - counted(month, before)


def part_in_words(month: Month, starts_on: date, ends_on: date | None, method: str = ACTUAL) -> str:
    """The part as the dealer reads it: `14/30 days`, `12/365 × 16 days`; empty for the whole month."""
    part = part_of_month(month, starts_on, ends_on, method)
    if part == 1:
        return ""
    days = days_within(month, starts_on, ends_on)
    if method == ACTUAL:
        return f"{days}/{month.days} days"
    if method == THIRTY:
        return f"{part * 30}/30 days"
    if not days or part == Fraction(12 * days, 365):
        return f"12/365 × {days} days"
    # The span holds the month's last day: it is the month less the days before it.
    return f"(1 - 12/365 × {month.days - days} days)"


def _thirty_before(month: Month, day: date) -> Fraction:
    return Fraction(thirty_360_us(month.first_day, day), 30)


def _year_before(month: Month, day: date) -> Fraction:
    if day > month.last_day:
        return Fraction(1)
    return Fraction(12 * (day - month.first_day).days, 365)


def _check(starts_on: date, ends_on: date | None, method: str) -> None:
    if method not in METHODS:
        raise TermsError(f"The proration is {method!r}: choose actual, thirty or year365.")
    if ends_on is not None and ends_on < starts_on:
        raise TermsError(f"The span ends on {ends_on}, before it starts on {starts_on}: turn the dates round.")
