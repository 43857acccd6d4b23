"""Floor of a bay as it is taken over days: where it is free, what somebody has at a time, how long in one bay.

Stretches run along the bay in sixteenths of an inch, the gap beside each piece included; days are both included.
"""

from __future__ import annotations

from bisect import bisect_left, bisect_right
from collections.abc import Collection, Iterable, Sequence
from dataclasses import dataclass
from datetime import date, timedelta

YEAR = timedelta(weeks=52)
_DAY = timedelta(days=1)


@dataclass(frozen=True)
class Taken:
    """What a piece takes of a bay; `key` is the id of its stay, 0 for one that is not made yet."""

    key: int
    from_in16: int
    to_in16: int
    starts_on: date
    ends_on: date

    @property
    def length_in16(self) -> int:
        return self.to_in16 - self.from_in16

    def on(self, day: date) -> bool:
        return self.starts_on <= day <= self.ends_on

    def meets(self, first: date, last: date) -> bool:
        """Whether any of these days is one of its own."""
        return self.starts_on <= last and self.ends_on >= first


def first_free(taken: Iterable[Taken], length_in16: int, bay_in16: int) -> int | None:
    """The leftmost place in a bay that is free for so much of it; None where there is none."""
    along = 0
    for one in sorted(taken, key=lambda one: one.from_in16):
        if one.from_in16 - along >= length_in16:
            break
        along = max(along, one.to_in16)
    return along if along + length_in16 <= bay_in16 else None


def turns_of(taken: Collection[Taken], first: date, last: date) -> list[date]:
    """Of some days, those on which what stands can be more than the day before: the first, and each on which something comes."""
    return sorted({first} | {one.starts_on for one in taken if first < one.starts_on <= last})


def most_at_once(taken: Collection[Taken], first: date, last: date) -> tuple[int, int]:
    """The greatest length, and the greatest number, that stand on any one of these days."""
    days = [[one for one in taken if one.on(day)] for day in turns_of(taken, first, last)]
    return max(sum(one.length_in16 for one in there) for there in days), max(map(len, days))


def fullest(taken: Collection[Taken], first: date, last: date) -> list[tuple[date, tuple[Taken, ...]]]:
    """Days with what stands on them, so few that whatever stands together on any of these days does so on one of them."""
    found: list[tuple[date, tuple[Taken, ...]]] = []
    for day in turns_of(taken, first, last):
        there = tuple(one for one in taken if one.on(day))
        if not any(set(there) <= set(others) for _, others in found):
            found = [(other, others) for other, others in found if not set(others) <= set(there)] + [(day, there)]
    return found


def days_in(taken: Iterable[Taken]) -> set[date]:
    """Every day on which any of these stands."""
    return {one.starts_on + timedelta(days=n) for one in taken for n in range((one.ends_on - one.starts_on).days + 1)}


def most_in_year(days: Collection[date], added: Collection[date]) -> int:
    """Of the 52 weeks that end with any of the added days or have it within, the most days that are in `days` or added."""
    every: Sequence[date] = sorted({*days, *added})
    new = sorted(set(added))
    most = 0
    for number, last in enumerate(every):
        # 52 weeks that end on a day: those after the same day 52 weeks ago.
        begins = bisect_right(every, last - YEAR)
        first_new = bisect_left(new, every[begins])
        if first_new < len(new) and new[first_new] <= last:
            most = max(most, number + 1 - begins)
    return most


def first_again(days: Collection[date], count: int, most: int, after: date) -> date | None:
    """The first day after one from which so many in a row leave no 52 weeks with more than the most; None for more than those."""
    if count > most:
        return None
    begins = after + _DAY
    while most_in_year(days, [begins + n * _DAY for n in range(count)]) > most:
        begins += _DAY
    return begins
