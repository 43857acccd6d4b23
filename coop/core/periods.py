"""Calendar months, how a monthly price is prorated over days, and how a day is written."""

from __future__ import annotations

import calendar
import re
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import date, datetime, timedelta
from fractions import Fraction
from functools import cache


@dataclass(frozen=True, order=True)
class Month:
    """A calendar month, such as 2010-12."""

    year: int
    month: int

    def __post_init__(self) -> None:
        if not (1 <= self.month <= 12 and 1900 <= self.year <= 9998):
            raise ValueError(f"{self.year}-{self.month} is not a month")

    @classmethod
    def parse(cls, text: str) -> Month:
        """`2010-12`. Raises ValueError with a phrase that completes "'...' "."""
        match = re.fullmatch(r"(\d{4})-(\d{2})", text.strip(), re.ASCII)
        try:
            if match:
                return cls(int(match[1]), int(match[2]))
        except ValueError:
            pass
        raise ValueError("is not a month; write it like 2026-10")

    @classmethod
    def of(cls, day: date) -> Month:
        return cls(day.year, day.month)

    @property
    def first_day(self) -> date:
        return date(self.year, self.month, 1)

    @property
    def last_day(self) -> date:
        return date(self.year, self.month, self.days)

    @property
    def days(self) -> int:
        return _days_of(self.year, self.month)

    @property
    def next(self) -> Month:
        return Month.of(self.last_day + timedelta(days=1))

    @property
    def previous(self) -> Month:
        return Month.of(self.first_day - timedelta(days=1))

    @property
    def name(self) -> str:
        """December 2010"""
        return f"{calendar.month_name[self.month]} {self.year}"

    def __str__(self) -> str:
        return f"{self.year:04d}-{self.month:02d}"

    def __contains__(self, day: date) -> bool:
        return (day.year, day.month) == (self.year, self.month)

    def each_day(self) -> Iterator[date]:
        return (self.first_day + timedelta(days=n) for n in range(self.days))


@cache
def _days_of(year: int, month: int) -> int:
    return calendar.monthrange(year, month)[1]


def days_within(month: Month, starts_on: date, ends_on: date | None) -> int:
    """How many days of the month lie in [starts_on, ends_on], both included; an open end is None."""
    first = max(month.first_day, starts_on)
    last = month.last_day if ends_on is None else min(month.last_day, ends_on)
    return max(0, (last - first).days + 1)


def prorate_actual(month: Month, starts_on: date, ends_on: date | None) -> Fraction:
    """The part of a month's price owed for a span, by actual days: 17-30 April is 14/30.

    Source: proration by the days of the month as HUD Handbook 4350.3 describes it.
    """
    return Fraction(days_within(month, starts_on, ends_on), month.days)


def add_months(day: date, months: int) -> date:
    """The same day so many months later (earlier, when negative); the last day of a month that has no such day.

    2024-02-29 and twelve months is 2025-02-28. Count every anniversary from the first day, not from the one before it.
    """
    years, month = divmod(day.year * 12 + day.month - 1 + months, 12)
    return date(years, month + 1, min(day.day, calendar.monthrange(years, month + 1)[1]))


def thirty_360_us(starts_on: date, ends_on: date) -> int:
    """Days from one day to a later one, the later not counted, when every month has thirty: 30/360 US.

    Source: QuantLib's Thirty360(USA). 2026-02-10 to 2026-03-01 is 21.
    """
    first, last = starts_on.day, ends_on.day
    if _ends_february(starts_on):
        if _ends_february(ends_on):
            last = 30
        first = 30
    if last == 31 and first >= 30:
        last = 30
    return 360 * (ends_on.year - starts_on.year) + 30 * (ends_on.month - starts_on.month) + last - min(first, 30)


def _ends_february(day: date) -> bool:
    return day.month == 2 and day.day == calendar.monthrange(day.year, 2)[1]


_MONTHS = ("Jan", "Feb", "Mar", "Apr", "May", "Jun", "Jul", "Aug", "Sep", "Oct", "Nov", "Dec")


def shown_day(value: date) -> str:
    """A calendar date as people write it in the United States: `Nov 3, 2026`.

    A moment is refused: it must be made a date in its place first.
    """
    if isinstance(value, datetime):
        raise TypeError("a moment is not a date: say in which place (core.clock.local_date)")
    return f"{_MONTHS[value.month - 1]} {value.day}, {value.year}"


_WRITTEN = re.compile(r"\b[0-9]{4}-(?:0[1-9]|1[0-2])-(?:0[1-9]|[12][0-9]|3[01])\b")


def with_days_shown(text: str) -> str:
    """A line of the log with its days as people write them: `until 2026-12-04` as `until Dec 4, 2026`."""
    return _WRITTEN.sub(_shown_match, text)


def _shown_match(found: re.Match[str]) -> str:
    try:
        return shown_day(date.fromisoformat(found[0]))
    except ValueError:
        return found[0]


def shown_days(first: date, last: date) -> str:
    """Days from one to another, as people write them: `Nov 3 to Nov 7, 2026`; a single one as `shown_day` does."""
    if first == last:
        return shown_day(first)
    begins = shown_day(first)
    return f"{begins if first.year != last.year else begins.partition(',')[0]} to {shown_day(last)}"
