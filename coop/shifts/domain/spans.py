"""Whether what a member said about days, weekdays and hours, repeating, covers or touches a stretch of a day."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date, timedelta

from coop.shifts.domain.hours import DAY_MINUTES


@dataclass(frozen=True)
class Said:
    """`kind` on weekdays (bit 0 is Monday) from a day on, every so many weeks, between two times of day."""

    kind: str
    starts_on: date
    ends_on: date | None
    weekdays: int
    every_weeks: int
    from_min: int
    to_min: int

    @property
    def whole_day(self) -> bool:
        return self.from_min == 0 and self.to_min == DAY_MINUTES


def falls_on(said: Said, day: date) -> bool:
    """Whether it is said of a day. Weeks run from Monday to Sunday; the first is the week of its first day."""
    if day < said.starts_on or (said.ends_on is not None and day > said.ends_on) or not said.weekdays >> day.weekday() & 1:
        return False
    return _weeks_between(said.starts_on, day) % said.every_weeks == 0


def _weeks_between(first: date, other: date) -> int:
    return (_monday(other) - _monday(first)).days // 7


def _monday(day: date) -> date:
    return day - timedelta(days=day.weekday())


def touches(said: Said, day: date, from_min: int, to_min: int) -> bool:
    """Whether any moment of a stretch is within it: a `never` from noon on stands in the way of a turn until 1 pm.

    A stretch that goes on past midnight (`to_min` beyond 1440), or began before it, is looked at on the days it lies in.
    """
    return any(
        falls_on(said, on) and said.from_min < to and begins < said.to_min for on, begins, to in _by_day(day, from_min, to_min)
    )


def covers(said: Said, day: date, from_min: int, to_min: int) -> bool:
    """Whether the whole stretch is within it: somebody who could stand in until noon does not for a turn until 1 pm."""
    return all(
        falls_on(said, on) and said.from_min <= begins and to <= said.to_min for on, begins, to in _by_day(day, from_min, to_min)
    )


def _by_day(day: date, from_min: int, to_min: int) -> list[tuple[date, int, int]]:
    parts = []
    for shift in range(from_min // DAY_MINUTES, (to_min - 1) // DAY_MINUTES + 1):
        begin, end = shift * DAY_MINUTES, (shift + 1) * DAY_MINUTES
        parts.append((day + timedelta(days=shift), max(from_min, begin) - begin, min(to_min, end) - begin))
    return parts
