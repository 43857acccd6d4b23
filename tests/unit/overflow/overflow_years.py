"""Years of an invented hall's overflow, drafted period after period; and the same requests, first come first served."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, replace
from datetime import date, timedelta

import numpy as np

from coop.core.geometry import IN16_PER_INCH
from coop.overflow.domain.bay import Bay
from coop.overflow.domain.checking import broken
from coop.overflow.domain.choices import Taken, by_unit, open_choices
from coop.overflow.domain.facts import WEEK, AskedFor, BayFacts, DealerFacts, PeriodFacts
from coop.overflow.domain.fairness import YEAR_WEEKS, SharedOut, due_of, shared_out
from coop.overflow.domain.piece import AskedPiece
from coop.overflow.domain.posing import NewStay, pose, stays_of
from coop.overflow.domain.problem import Placed, Problem
from coop.overflow.solving.assign import solve
from coop.shifts.solving.outcome import Stop

FIRST_DAY = date(2026, 1, 5)
PERIOD_WEEKS = 8
WITHDRAWN_AFTER = timedelta(weeks=20)
"""Who got nothing for so long asks no more for that piece."""
ROTATION_WEEKS = 12
MOST_IN16 = 96 * IN16_PER_INCH
_RENTS = (12_000, 24_000, 36_000, 60_000)
"""Cents a year, and all of it paid in the year before: the same for all years."""

Give = Callable[[Problem], Sequence[Placed]]


@dataclass(frozen=True)
class Hall:
    rooms: tuple[BayFacts, ...]
    dealers: tuple[DealerFacts, ...]
    asked: tuple[AskedFor, ...]
    """Over all the years, by the day they came."""


@dataclass(frozen=True)
class Lived:
    """How the years went."""

    stays: tuple[NewStay, ...]
    shared: SharedOut
    without: tuple[str, ...]
    """Dealers who asked in three or more periods and never got anything."""
    longest_in_a_bay: int
    """The most weeks of any 52 that a dealer was in one bay."""
    broken: int
    """Rules that the drafts break, by the checker."""


def make_hall(*, bays: int, dealers: int, periods: int, seed: int) -> Hall:
    """Bays of 5 to 8 ft; dealers of four rents, who ask for about what is due to them, and every third for three times that.

    Pieces are 3 to 5 ft wide and stay 4 to 8 weeks, beginning up to 2 weeks later than asked.
    """
    chance = np.random.default_rng(seed)
    codes = [f"D{number:02d}" for number in range(1, dealers + 1)]
    rooms = tuple(
        BayFacts(_bay(f"B{number}", int(chance.integers(60, 97))), (24 * IN16_PER_INCH,) * PERIOD_WEEKS, (), _feet(chance, codes))
        for number in range(1, bays + 1)
    )
    known = tuple(DealerFacts(code, {code: "booth"}, _RENTS[number % len(_RENTS)]) for number, code in enumerate(codes))
    inches = sum(room.bay.length_in16 for room in rooms) // IN16_PER_INCH
    due = due_of({dealer.code: dealer.rent_cents for dealer in known}, inches)
    asked = [
        one
        for number, code in enumerate(codes)
        for one in _asked(chance, code, due[code] * (3 if number % 3 == 0 else 1), periods)
    ]
    return Hall(rooms, known, tuple(sorted(asked, key=lambda one: (one.asked_on, one.key))))


def _bay(code: str, inches: int) -> Bay:
    long, deep = inches * IN16_PER_INCH, 24 * IN16_PER_INCH
    return Bay(code, "A1", ((0, 0), (long, 0), (long, deep), (0, deep)))


def _feet(chance: np.random.Generator, codes: Iterable[str]) -> dict[str, int]:
    return {code: int(chance.integers(0, 120)) for code in codes}


def _asked(chance: np.random.Generator, dealer: str, floor: int, periods: int) -> Iterable[AskedFor]:
    """What a dealer asks for who wants so many inch-weeks a year."""
    each = 48 * 6  # inches and weeks of a request, on average
    days = periods * PERIOD_WEEKS * 7
    often = floor / each * days / (YEAR_WEEKS * 7)
    for number in range(int(chance.poisson(often))):
        on = FIRST_DAY + timedelta(days=int(chance.integers(-28, days - 28)))
        piece = AskedPiece("p", "Piece", int(chance.integers(36, 61)) * IN16_PER_INCH, 20 * IN16_PER_INCH, 36 * IN16_PER_INCH)
        yield AskedFor(
            key=f"{dealer}-{number}",
            dealer=dealer,
            pieces=(piece,),
            asked_on=on,
            not_before=on + timedelta(days=int(chance.integers(7, 28))),
            weeks=int(chance.integers(4, 9)),
            flexible_weeks=int(chance.integers(0, 3)),
        )


def live(hall: Hall, give: Give, *, periods: int) -> Lived:
    """Period after period: what is open is posed and given floor; what gets none goes on waiting."""
    stays: list[NewStay] = []
    faults = 0
    for number in range(periods):
        first_day = FIRST_DAY + number * PERIOD_WEEKS * WEEK
        granted = {stay.request for stay in stays}
        posed = pose(_facts(hall, first_day, stays, granted))
        placed = give(posed.problem)
        faults += len(broken(posed.problem, placed))
        stays += stays_of(posed, placed)
    return Lived(
        stays=tuple(stays),
        shared=shared_out(_had(hall, stays), _due(hall, periods)),
        without=_without(hall, stays),
        longest_in_a_bay=_longest(stays),
        broken=faults,
    )


def _facts(hall: Hall, first_day: date, stays: Sequence[NewStay], granted: set[str]) -> PeriodFacts:
    asked = tuple(
        one for one in hall.asked if one.asked_on < first_day <= one.asked_on + WITHDRAWN_AFTER and one.key not in granted
    )
    year = [stay for stay in stays if stay.ends_on >= first_day - YEAR_WEEKS * WEEK]
    had, weeks = _had(hall, year), _weeks(year)
    dealers = tuple(
        replace(
            dealer,
            had_inch_weeks=had.get(dealer.code, 0),
            weeks_had={bay: len(there) for (who, bay), there in weeks.items() if who == dealer.code},
        )
        for dealer in hall.dealers
    )
    return PeriodFacts(first_day, PERIOD_WEEKS, hall.rooms, asked, dealers, most_in16=MOST_IN16, rotation_weeks=ROTATION_WEEKS)


def _had(hall: Hall, stays: Iterable[NewStay]) -> dict[str, int]:
    had: dict[str, int] = defaultdict(int)
    for stay in stays:
        had[stay.dealer] += (stay.to_in16 - stay.from_in16) // IN16_PER_INCH * (((stay.ends_on - stay.starts_on).days + 1) // 7)
    return had


def _weeks(stays: Iterable[NewStay]) -> dict[tuple[str, str], set[int]]:
    """By dealer and bay, the weeks in which anything stood there, counted from the first day."""
    weeks: dict[tuple[str, str], set[int]] = defaultdict(set)
    for stay in stays:
        first = (stay.starts_on - FIRST_DAY).days // 7
        weeks[stay.dealer, stay.bay].update(range(first, (stay.ends_on - FIRST_DAY).days // 7 + 1))
    return weeks


def _due(hall: Hall, periods: int) -> dict[str, int]:
    inches = sum(room.bay.length_in16 for room in hall.rooms) // IN16_PER_INCH
    year = due_of({dealer.code: dealer.rent_cents for dealer in hall.dealers}, inches)
    return {code: due * periods * PERIOD_WEEKS // YEAR_WEEKS for code, due in year.items()}


def _without(hall: Hall, stays: Iterable[NewStay]) -> tuple[str, ...]:
    asked: dict[str, set[int]] = defaultdict(set)
    for one in hall.asked:
        asked[one.dealer].add((one.asked_on - FIRST_DAY).days // (7 * PERIOD_WEEKS))
    got = {stay.dealer for stay in stays}
    return tuple(code for code, times in sorted(asked.items()) if len(times) >= 3 and code not in got)


def _longest(stays: Iterable[NewStay]) -> int:
    return max(
        (sum(1 for week in there if last - YEAR_WEEKS < week <= last) for there in _weeks(stays).values() for last in there),
        default=0,
    )


def by_draft(stop: Stop) -> Give:
    return lambda problem: solve(problem, stop).placed


def first_come(problem: Problem) -> Sequence[Placed]:
    """Whoever waits longest takes the first place there is, as soon and as near as can be, by the same limits."""
    taken, placed = Taken(problem), []
    choices = by_unit(open_choices(problem))
    for unit in sorted(problem.units, key=lambda unit: (-unit.waited_days, unit.key)):
        for choice in sorted(choices[unit.key], key=lambda one: (one.start, one.place.feet, one.place.bay)):
            along = taken.leftmost(choice)
            if along is not None and taken.allows(choice):
                taken.add(choice, along)
                placed.append(choice.placed(along))
                break
    return placed
