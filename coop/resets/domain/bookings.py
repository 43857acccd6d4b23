"""What a reset books of the mall for some of a day against what the neighbours' have: who has it, and when it is free.

Minutes are after midnight, by the mall's clock.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import date
from typing import Literal

from coop.core.periods import shown_day
from coop.core.words import joined
from coop.shifts.domain.hours import Hours, clock_span, hours_words

ConflictKind = Literal["hours", "booth", "dock", "staging", "aisle"]


@dataclass(frozen=True)
class Booking:
    """A reset at work from a minute up to another, with all it takes meanwhile."""

    reset: str
    """Key of the reset: its own bookings never stand in each other's way."""
    who: str
    space: str
    """Code of the booth, as `Booth 12`."""
    day: date
    from_minute: int
    to_minute: int
    dock: bool = False
    staging: frozenset[str] = frozenset()
    """Names of the staging floors it takes."""
    aisle_front: frozenset[str] = frozenset()
    """Booths whose front it blocks: pieces stand in the aisle before them, or cannot be carried past."""

    @property
    def when(self) -> str:
        return f"{self.day:%a}, {shown_day(self.day)}, {clock_span(self.from_minute, self.to_minute)}"


@dataclass(frozen=True)
class Conflict:
    """`other` None: the mall is not open then. `next_free` is the first time at which all that was wanted can be had."""

    kind: ConflictKind
    other: Booking | None
    sentence: str
    next_free: Booking | None


def conflicts_of(wanted: Booking, others: Iterable[Booking], hours: Mapping[date, Hours]) -> tuple[Conflict, ...]:
    """What stands in a booking's way, one thing taken a conflict, the earliest booking first.

    `hours` are the days on which resets may be worked, with the mall's hours: a day that is not there is closed.
    """
    rows = sorted(others, key=lambda one: (one.day, one.from_minute, one.reset))
    against = [(kind, other, what) for other in rows for kind, what in _taken(wanted, other)]
    open_hours = _hours_of(wanted.day, hours)
    is_open = _is_within(wanted, open_hours)
    if is_open and not against:
        return ()
    free = next_free(wanted, rows, hours)
    then = f"the next time all of it is free is {free.when}" if free else _never_words(hours)
    found = []
    if not is_open:
        said = f"{wanted.day:%a}, {shown_day(wanted.day)}"
        is_when = "closed" if open_hours.opens_min is None else f"open only {hours_words(open_hours)}"
        found.append(Conflict("hours", None, f"The mall is {is_when} on {said}: {then}.", free))
    for kind, other, what in against:
        found.append(Conflict(kind, other, f"{what}, {other.when}, for the reset of {other.space} by {other.who}: {then}.", free))
    return tuple(found)


def next_free(wanted: Booking, others: Sequence[Booking], hours: Mapping[date, Hours]) -> Booking | None:
    """The booking moved to the first time, its own or later, at which nothing is in its way. None: in none of these days."""
    length = wanted.to_minute - wanted.from_minute
    for day in sorted(day for day in hours if day >= wanted.day):
        open_hours = hours[day]
        if open_hours.opens_min is None:
            continue
        least = max(open_hours.opens_min, wanted.from_minute if day == wanted.day else 0)
        # What was in the way ends at one of these, or nothing was.
        ends = {other.to_minute for other in others if other.day == day and other.to_minute > least}
        for begin in sorted({least, *ends}):
            moved = replace(wanted, day=day, from_minute=begin, to_minute=begin + length)
            if _is_within(moved, open_hours) and not any(_taken(moved, other) for other in others):
                return moved
    return None


def _taken(wanted: Booking, other: Booking) -> list[tuple[ConflictKind, str]]:
    """What both take at once, as the beginning of a sentence."""
    apart = wanted.to_minute <= other.from_minute or other.to_minute <= wanted.from_minute
    if wanted.reset == other.reset or wanted.day != other.day or apart:
        return []
    found: list[tuple[ConflictKind, str]] = []
    if wanted.space == other.space:
        found.append(("booth", f"{wanted.space} is being worked in"))
    if wanted.dock and other.dock:
        found.append(("dock", "The dock is taken"))
    shared = sorted(wanted.staging & other.staging)
    if shared:
        found.append(("staging", f"Staging floor {joined(shared)} {'is' if len(shared) == 1 else 'are'} taken"))
    fronts = sorted(wanted.aisle_front & other.aisle_front)
    if fronts:
        found.append(("aisle", f"The aisle before {joined(fronts)} is taken"))
    if wanted.space in other.aisle_front - wanted.aisle_front:
        found.append(("aisle", f"The aisle before {wanted.space} is blocked"))
    if other.space in wanted.aisle_front - other.aisle_front:
        found.append(("aisle", f"The aisle before {other.space}, which this would block, is needed"))
    return found


def _hours_of(day: date, hours: Mapping[date, Hours]) -> Hours:
    return hours.get(day, Hours())


def _is_within(one: Booking, open_hours: Hours) -> bool:
    opens, closes = open_hours
    return opens is not None and closes is not None and opens <= one.from_minute and one.to_minute <= closes


def _never_words(hours: Mapping[date, Hours]) -> str:
    return f"it is not free again by {shown_day(max(hours))}" if hours else "no day is set on which resets may be worked"
