"""Where and when each unit may stand by itself, and what is taken already: of bays, and of dealers' limits. Needs no solver."""

from __future__ import annotations

from collections import Counter, defaultdict
from collections.abc import Iterable
from dataclasses import dataclass

from coop.overflow.domain.problem import Place, Placed, Problem, Unit


@dataclass(frozen=True)
class Choice:
    """A unit in one of its places from a week on."""

    unit: Unit
    place: Place
    start: int

    @property
    def weeks(self) -> range:
        return range(self.start, self.start + self.unit.weeks)

    def placed(self, from_in16: int) -> Placed:
        place = self.place
        return Placed(self.unit.key, place.bay, from_in16, from_in16 + place.length_in16, self.start, place.turned)


Standing = tuple[Choice, Placed]


class Taken:
    """Floor and limits as they are used up: by what is fixed at first, then by what is added."""

    def __init__(self, problem: Problem) -> None:
        self.problem = problem
        self.lengths = {room.bay: room.length_in16 for room in problem.rooms}
        self.stretches: dict[str, list[tuple[int, int, range]]] = defaultdict(list)
        """By bay: from where to where, in which weeks."""
        self.in16: Counter[tuple[str, int]] = Counter()
        """By dealer and week."""
        self.pieces: Counter[tuple[str, int]] = Counter()
        self.weeks: dict[tuple[str, str], set[int]] = defaultdict(set)
        """By dealer and bay: weeks in which anything of the dealer stands there."""
        for one in problem.fixed:
            weeks = range(max(0, one.first), min(one.last + 1, problem.weeks))
            self._add(one.dealer, one.bay, one.from_in16, one.to_in16, weeks, one.pieces)

    def add(self, choice: Choice, from_in16: int) -> None:
        unit, place = choice.unit, choice.place
        self._add(unit.dealer, place.bay, from_in16, from_in16 + place.length_in16, choice.weeks, unit.pieces)

    def _add(self, dealer: str, bay: str, from_in16: int, to_in16: int, weeks: range, pieces: int) -> None:
        self.stretches[bay].append((from_in16, to_in16, weeks))
        for week in weeks:
            self.in16[dealer, week] += to_in16 - from_in16
            self.pieces[dealer, week] += pieces
        self.weeks[dealer, bay].update(weeks)

    def leftmost(self, choice: Choice) -> int | None:
        """Where along its bay it can begin, nearest to the bay's beginning; None when it cannot."""
        at, weeks = 0, choice.weeks
        for from_in16, to_in16, theirs in sorted(self.stretches[choice.place.bay], key=lambda stretch: stretch[:2]):
            if theirs.start < weeks.stop and weeks.start < theirs.stop:
                if from_in16 - at >= choice.place.length_in16:
                    break
                at = max(at, to_in16)
        return at if at + choice.place.length_in16 <= self.lengths[choice.place.bay] else None

    def allows(self, choice: Choice) -> bool:
        """Whether its dealer's limits leave room for it."""
        unit, bay, problem = choice.unit, choice.place.bay, self.problem
        for week in choice.weeks:
            if problem.most_in16 is not None and self.in16[unit.dealer, week] + choice.place.length_in16 > problem.most_in16:
                return False
            if problem.most_pieces is not None and self.pieces[unit.dealer, week] + unit.pieces > problem.most_pieces:
                return False
        stands = self.weeks[unit.dealer, bay]
        left = problem.weeks_left.get((unit.dealer, bay))
        return left is None or len(stands.union(choice.weeks)) <= max(left, len(stands))

    def free_in16(self, bay: str, week: int) -> int:
        """Length of a bay that nothing stands on in a week."""
        free = at = 0
        length = self.lengths[bay]
        for from_in16, to_in16, weeks in sorted(self.stretches[bay], key=lambda stretch: stretch[:2]):
            if week in weeks:
                free += max(0, min(from_in16, length) - at)
                at = max(at, to_in16)
        return free + max(0, length - at)


def open_choices(problem: Problem) -> list[Choice]:
    """Every place and beginning that what is fixed and the limits leave to a unit, if it were alone."""
    bays = {room.bay for room in problem.rooms}
    asked = [
        Choice(unit, place, start)
        for unit in problem.units
        for place in unit.places
        if place.bay in bays
        for start in sorted(set(unit.starts) if place.starts is None else set(unit.starts) & set(place.starts))
        if 0 <= start <= problem.weeks - unit.weeks
    ]
    return still_open(problem, asked)


def still_open(problem: Problem, among: Iterable[Choice]) -> list[Choice]:
    taken = Taken(problem)
    return [choice for choice in among if taken.allows(choice) and taken.leftmost(choice) is not None]


def by_unit(choices: Iterable[Choice]) -> dict[str, list[Choice]]:
    listed: dict[str, list[Choice]] = defaultdict(list)
    for choice in choices:
        listed[choice.unit.key].append(choice)
    return listed


def tidy(problem: Problem, standing: Iterable[Standing]) -> list[Standing]:
    """Moved along its bay towards the beginning, each as far as what is before it lets it; no stay and no bay changes.

    From the beginning on: what was moved left leaves its neighbours' places free, so everything finds one.
    """
    taken, moved = Taken(problem), []
    for choice, one in sorted(standing, key=lambda pair: (pair[1].bay, pair[1].from_in16, pair[1].start, pair[1].unit)):
        along = taken.leftmost(choice)
        along = one.from_in16 if along is None else along
        taken.add(choice, along)
        moved.append((choice, choice.placed(along)))
    return moved
