"""When a mall is open: by weekday, on a public holiday, on a date of its own; and how a time of day is written and read."""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from datetime import date, timedelta
from functools import cache
from typing import Generic, NamedTuple, TypeVar

import holidays

V = TypeVar("V")

DAY_MINUTES = 24 * 60
WEEKDAYS = ("Monday", "Tuesday", "Wednesday", "Thursday", "Friday", "Saturday", "Sunday")
EVERY_DAY = 0b1111111
"""All seven weekdays, bit 0 is Monday."""
_MARKED = re.compile(r" \((?:observed|estimated|substitute)[^)]*\)")
"""What the holiday library adds to the name of a day that is observed on another, or only reckoned."""


class Hours(NamedTuple):
    """From opening to closing, in minutes after midnight by the mall's clock; (None, None) is closed."""

    opens_min: int | None = None
    closes_min: int | None = None


CLOSED = Hours()


@dataclass(frozen=True)
class DayHours:
    """A day of a mall: its hours (None: closed); the public holiday on it, if any; why the hours are not the weekday's."""

    opens_min: int | None
    closes_min: int | None
    holiday: str = ""
    why: str = ""

    @property
    def is_open(self) -> bool:
        return self.opens_min is not None

    @property
    def words(self) -> str:
        """`10 am to 5 pm`, or `closed`."""
        return hours_words(Hours(self.opens_min, self.closes_min))


class Dated(NamedTuple, Generic[V]):
    """Something that holds from a day on, until the next of its kind does."""

    starts_on: date
    value: V


class HolidayHours(NamedTuple):
    """What a mall does on a holiday: `open` as on any such weekday, `short` with these hours, or `closed`."""

    how: str
    hours: Hours = CLOSED


def latest_on(rows: Iterable[Dated[V]], day: date) -> V | None:
    """What holds on a day: of the rows that have begun, the last to begin."""
    begun = [row for row in rows if row.starts_on <= day]
    return max(begun, key=lambda row: row.starts_on).value if begun else None


def day_hours(
    day: date,
    weekly: Mapping[int, Iterable[Dated[Hours]]],
    holiday: str = "",
    choices: Mapping[str, Iterable[Dated[HolidayHours]]] | None = None,
    exceptions: Mapping[date, tuple[Hours, str]] | None = None,
) -> DayHours:
    """A day's hours: a date's own go before a holiday's, those before the weekday's. Without any the mall is closed.

    `weekly` is by weekday (0 is Monday), `choices` by the holiday's name. A holiday nobody chose for is open as the weekday is,
    and is a holiday all the same; so it is where the date has hours of its own.
    """
    if exceptions and day in exceptions:
        hours, why = exceptions[day]
        return DayHours(*hours, holiday, why or "this date has hours of its own")
    choice = latest_on((choices or {}).get(holiday, ()), day) if holiday else None
    if choice is not None and choice.how != "open":
        return DayHours(*(choice.hours if choice.how == "short" else CLOSED), holiday, holiday)
    usual = latest_on(weekly.get(day.weekday(), ()), day)
    if usual is None:
        return DayHours(None, None, holiday, f"no hours are set for {WEEKDAYS[day.weekday()]}s yet")
    return DayHours(*usual, holiday, "" if usual.opens_min is not None else f"closed on {WEEKDAYS[day.weekday()]}s")


# --- public holidays ------------------------------------------------------------------------------------------------------


@cache
def public_holidays(code: str, year: int) -> Mapping[date, str]:
    """The public holidays of `US` or `US-OH` in a year, by day; an observed day has the name of the holiday it is for.

    Two holidays on one day are one name, with `and`. Source: the holidays library. Raises ValueError for a code that it does
    not know, with a sentence.
    """
    if not code:
        return {}
    country, _, part = code.partition("-")
    try:
        found = holidays.country_holidays(country, part or None, years=year, language="en_US")
    except NotImplementedError:
        raise ValueError(
            f"No public holidays are known for {code!r}: write a country such as US, or a country and its part such as US-OH."
        ) from None
    return {
        day: " and ".join(dict.fromkeys(_MARKED.sub("", name) for name in found.get_list(day)))[:80]
        for day in sorted(found)
        if day.year == year
    }


def holidays_between(code: str, first: date, last: date) -> dict[date, str]:
    """The public holidays from one day to another, both included."""
    days: dict[date, str] = {}
    for year in range(first.year, last.year + 1):
        days |= {day: name for day, name in public_holidays(code, year).items() if first <= day <= last}
    return days


# --- written and read ---------------------------------------------------------------------------------------------------


def clock(minutes: int) -> str:
    """Minutes after midnight as people write them: 600 is `10 am`, 1050 `5:30 pm`, 720 `noon`, 1440 `midnight`."""
    minutes %= DAY_MINUTES
    if minutes in (0, DAY_MINUTES // 2):
        return "noon" if minutes else "midnight"
    hour, rest = divmod(minutes, 60)
    return f"{(hour - 1) % 12 + 1}{f':{rest:02d}' if rest else ''} {'am' if hour < 12 else 'pm'}"


def clock_span(from_min: int, to_min: int) -> str:
    """`10 am to 2:30 pm`; what both share is said once: `2 to 6 pm`."""
    begins, ends = clock(from_min), clock(to_min)
    half = begins[-3:]
    return f"{begins.removesuffix(half) if half in (' am', ' pm') and ends.endswith(half) else begins} to {ends}"


def hours_words(hours: Hours) -> str:
    """`10 am to 5:30 pm`, or `closed`."""
    return "closed" if hours.opens_min is None or hours.closes_min is None else clock_span(hours.opens_min, hours.closes_min)


_TIME = re.compile(r"(\d{1,2})(?:[:.](\d{2}))?\s*([ap])?\.?m?\.?", re.ASCII | re.IGNORECASE)


def read_time(text: str) -> int:
    """Minutes after midnight of `10`, `10:30`, `5 pm`, `5:30pm`, `17:30`, `noon`, `midnight`. Raises ValueError, a sentence."""
    text = text.strip().lower()
    named = {"noon": DAY_MINUTES // 2, "midnight": DAY_MINUTES}
    if text in named:
        return named[text]
    match = _TIME.fullmatch(text)
    hour, minute = (int(match[1]), int(match[2] or 0)) if match else (99, 0)
    if match and match[3]:
        hour = hour % 12 + (12 if match[3] == "p" else 0) if 1 <= hour <= 12 else 99
    if minute > 59 or hour * 60 + minute > DAY_MINUTES:
        raise ValueError("This is not a time of day. Write it like 10 am or 17:30.")
    return hour * 60 + minute


def weekday_words(weekdays: int) -> str:
    """`every day`, `Monday to Friday`, `Saturday and Sunday`, `Monday, Wednesday and Friday`; bit 0 is Monday."""
    days = [n for n in range(7) if weekdays >> n & 1]
    if len(days) == 7:
        return "every day"
    if len(days) > 2 and days[-1] - days[0] == len(days) - 1:
        return f"{WEEKDAYS[days[0]]} to {WEEKDAYS[days[-1]]}"
    names = [WEEKDAYS[n] for n in days]
    return names[0] if len(names) == 1 else f"{', '.join(names[:-1])} and {names[-1]}" if names else "no day"


def days_from(first: date, last: date) -> Iterable[date]:
    """Each day from one to another, both included."""
    return (first + timedelta(days=n) for n in range((last - first).days + 1))
