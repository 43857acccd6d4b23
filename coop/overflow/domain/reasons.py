"""Why a unit has no floor, or not in the bay that was wished: held against the arrangement, the nearest reason that is true.

And what would help: held against it as well, so whoever asks for that would have had it. And why a unit is in the bay it has.
"""

from __future__ import annotations

from collections.abc import Callable, Collection, Iterator
from dataclasses import dataclass, replace
from fractions import Fraction
from functools import cached_property

from coop.core.geometry import IN16_PER_FOOT, IN16_PER_INCH
from coop.overflow.domain.choices import Choice, Taken
from coop.overflow.domain.facts import PeriodFacts, StandingStay, Widened
from coop.overflow.domain.posing import CLOSED as CLOSED_FLOOR
from coop.overflow.domain.posing import SOLD, Posed, PosedUnit, depth_over, due_in, fixed_in, laid_of, nearest, unit_of
from coop.overflow.domain.problem import Fixed, Placed, Problem, Unit
from coop.overflow.domain.walked import UNREACHABLE_FEET

UNFIT, FREE = "unfit", "free"
LENGTH, PIECES, ROTATION = "length", "pieces", "rotation"
CLOSED, UNFETCHED, KEPT, OWN, MOVED = "closed", "unfetched", "kept", "own", "moved"
LESS, LONGER, TAKEN = "less", "longer", "taken"
"""By the rules it may stand in none of the bays.

FREE: there is room, and no limit in the way: the search ended before it came to it.
LENGTH, PIECES, ROTATION: a limit of its dealer's is in the way, in a bay with room where there is one.
No bay has room for long enough in any of the weeks, and the limits are not in the way:
CLOSED: because of what is closed of the bays, alone. KEPT: because of that and of what stays where it stands.
UNFETCHED: as KEPT, and it would have room were something gone that was sold and should have been fetched.
OWN: because of those and the dealer's own other pieces.
MOVED: of others, only pieces that had to move have floor there then.
LESS: all dealers who were given floor there for then have had less of it in the last year for the rent they paid.
LONGER: all have waited longer. TAKEN: neither is true of all of them.
"""

WHEN, TURNED, WEEKS, SHORTER = "when", "turned", "weeks", "shorter"
"""Beginning in another week; with its side to the aisle; for fewer weeks; a piece of no more than a length."""


@dataclass(frozen=True)
class Reason:
    kind: str
    choice: Choice | None = None
    """Of FREE and of the limits: where and when."""
    stay: StandingStay | None = None
    """Of UNFETCHED: what should be gone."""


@dataclass(frozen=True)
class Remedy:
    """With it the unit would have room in a bay from week `start` on, for `weeks`, taking so much of its length, gap included."""

    kind: str
    bay: str
    start: int
    weeks: int
    length_in16: int


@dataclass(frozen=True)
class Narrowed:
    """A bay in which a unit would stand from a week on, had an aisle not to keep more clear from a day on."""

    bay: str
    start: int
    because: Widened


ONLY, NEAREST, NEAR, NEARER, SUITS, ANY = "only", "nearest", "near", "nearer", "suits", "any"
"""Of some bays the only one; nearer than all others; as near as any; not so near as one; its colours suit best; none of these."""


@dataclass(frozen=True)
class Here:
    """Why a unit is in its bay, of those in which it could have had the same weeks.

    `would_do` may take it by the rules; `left` of them have room beside all else that is placed, and its dealer's limits let it
    be there. The kind holds among all that would do, or else among those left.
    """

    kind: str
    would_do: int
    left: int
    among_all: bool = False
    suits: bool = False
    """Of those as near, its colours suit best."""
    nearer: str = ""
    """Of NEARER: the bay that was left too."""


class Held:
    """An arrangement, to hold a unit against it."""

    def __init__(self, posed: Posed, placed: Collection[Placed]) -> None:
        self.posed, self.problem, self.facts = posed, posed.problem, posed.facts
        self.units = {unit.key: unit for unit in posed.problem.units}
        self.placed = {one.unit: one for one in sorted(placed, key=lambda one: one.unit)}
        due = due_in(self.facts)
        self._part = {code: Fraction(dealer.had_inch_weeks, due[code]) for code, dealer in self.facts.dealer.items()}

    def taken(self, problem: Problem, *, but: str) -> Taken:
        """Floor and limits as they are used up by all but one unit."""
        taken = Taken(problem)
        for key, one in self.placed.items():
            if key != but:
                unit = self.units[key]
                place = next(place for place in unit.places if place.bay == one.bay)
                taken.add(Choice(unit, place, one.start), one.from_in16)
        return taken

    def why_not(self, key: str, *, bay: str = "", start: int | None = None) -> Reason:
        """The nearest reason why a unit is not in any bay; or not in one, or not from one week on."""
        unit = self.units.get(key)
        found = (
            [] if unit is None else [one for one in _choices(unit) if bay in ("", one.place.bay) and start in (None, one.start)]
        )
        if unit is None or not found:
            return Reason(UNFIT)
        taken = self.taken(self.problem, but=key)
        roomy = [one for one in found if taken.leftmost(one) is not None]
        for one in roomy:
            if taken.allows(one):
                return Reason(FREE, one)
        allowed = [one for one in found if taken.allows(one)]
        if roomy or not allowed:
            nearest = (roomy or found)[0]
            return Reason(self._limit_against(nearest), nearest)
        stays = Taken(self.problem)
        could = [one for one in allowed if stays.leftmost(one) is not None]
        return Reason(self._who_before(unit, could)) if could else self._what_before(allowed)

    def _limit_against(self, choice: Choice) -> str:
        none = replace(self.problem, most_in16=None, most_pieces=None, weeks_left={})
        one_by_one = {
            LENGTH: replace(none, most_in16=self.problem.most_in16),
            PIECES: replace(none, most_pieces=self.problem.most_pieces),
            ROTATION: replace(none, weeks_left=self.problem.weeks_left),
        }
        but = choice.unit.key
        return next(kind for kind, problem in one_by_one.items() if not self.taken(problem, but=but).allows(choice))

    def _what_before(self, allowed: Collection[Choice]) -> Reason:
        """What has the floor where nothing that is placed is in the way."""
        closed = self._only(lambda one: one.key.startswith(CLOSED_FLOOR))
        if not any(closed.leftmost(one) is not None for one in allowed):
            return Reason(CLOSED)
        fetched = self._only(lambda one: not one.key.startswith(SOLD))
        choice = next((one for one in allowed if fetched.leftmost(one) is not None), None)
        return Reason(KEPT) if choice is None else Reason(UNFETCHED, stay=self._in_way_of(choice))

    def _in_way_of(self, choice: Choice) -> StandingStay:
        """Of what should be gone from a bay, what alone is in the way; or the first."""
        sold = [stay for stay in self.facts.standing if stay.was_due and stay.bay == choice.place.bay]

        def is_alone(stay: StandingStay) -> bool:
            return self._only(lambda one: one.key != f"{SOLD}{stay.key}").leftmost(choice) is not None

        return next(filter(is_alone, sold), sold[0])

    def _only(self, is_there: Callable[[Fixed], bool]) -> Taken:
        """Floor as some of what is fixed takes it."""
        return Taken(replace(self.problem, fixed=tuple(one for one in self.problem.fixed if is_there(one))))

    def _who_before(self, unit: Unit, could: Collection[Choice]) -> str:
        """Who has the floor where it could be but for what is placed."""
        there = [
            other for other in self.placed.values() if other.unit != unit.key and any(self._meets(other, one) for one in could)
        ]
        others = [self.units[one.unit] for one in there if self.units[one.unit].dealer != unit.dealer]
        asked = [one for one in others if not one.is_standing]
        if not asked:
            return MOVED if others else OWN
        if all(self._part[one.dealer] < self._part[unit.dealer] for one in asked):
            return LESS
        return LONGER if all(one.waited_days > unit.waited_days for one in asked) else TAKEN

    def _meets(self, placed: Placed, choice: Choice) -> bool:
        """Whether it is in that bay in some of those weeks."""
        ends = placed.start + self.units[placed.unit].weeks
        return placed.bay == choice.place.bay and placed.start < choice.weeks.stop and choice.weeks.start < ends

    # --- an aisle that is to be wider --------------------------------------------------------------------------------------

    @cached_property
    def _as_cut(self) -> PeriodFacts:
        """The period if no aisle had to keep more clear than when its bays were cut."""
        return replace(self.facts, rooms=tuple(room.as_cut for room in self.facts.rooms))

    @cached_property
    def _problem_as_cut(self) -> Problem:
        return replace(self.problem, fixed=tuple(fixed_in(self._as_cut)))

    def _unit_as_cut(self, key: str) -> tuple[Unit, PosedUnit]:
        posed_unit = self.posed.units[key]
        posed_unit = replace(posed_unit, laid=laid_of(posed_unit, self._as_cut))
        return unit_of(posed_unit, self._as_cut), posed_unit

    def narrowed(self, key: str, *, with_room: bool, bay: str = "", start: int | None = None) -> Narrowed | None:
        """The nearest bay in which a unit would stand but for a width: one with room then, or else, if that may be, any."""
        unit, posed_unit = self._unit_as_cut(key)
        taken = self.taken(self._problem_as_cut, but=key)
        found = [
            (one, because)
            for one in _choices(unit)
            if bay in ("", one.place.bay) and start in (None, one.start) and (because := self._because(one, posed_unit))
        ]
        roomy = (each for each in found if taken.allows(each[0]) and taken.leftmost(each[0]) is not None)
        nearest_one = next(roomy, None if with_room or not found else found[0])
        if nearest_one is None:
            return None
        choice, because = nearest_one
        return Narrowed(choice.place.bay, choice.start, because)

    def _because(self, choice: Choice, posed_unit: PosedUnit) -> Widened | None:
        """The first width that is in the way of a choice: it leaves too little of the depth, or else takes of the length."""
        room = self.facts.bays[choice.place.bay]
        deepest = _deepest(posed_unit, room.bay.code)
        if depth_over(room, choice.start, choice.unit.weeks) < deepest:
            return next((room.widened[week] for week in choice.weeks if room.depth_by_week[week] < deepest), None)
        shut = [each for each in room.closed if each.because and each.first < choice.weeks.stop and choice.start <= each.last]
        return min(shut, key=lambda each: each.first).because if shut else None

    # --- why where it is -----------------------------------------------------------------------------------------------------

    def here(self, key: str) -> Here:
        """Why a unit that is placed is where it is, held against the bays in which it could have had the same weeks."""
        unit, one = self.units[key], self.placed[key]
        taken = self.taken(self.problem, but=key)
        would_do = [choice for choice in _choices(unit) if choice.start == one.start]
        own = next(choice for choice in would_do if choice.place.bay == one.bay)
        left = [each for each in would_do if each == own or (taken.allows(each) and taken.leftmost(each) is not None)]
        others, others_left = ([each for each in among if each != own] for among in (would_do, left))
        count = len(would_do), len(left)
        if not others_left:
            return Here(ONLY, *count, among_all=not others)
        feet = self._feet(own)
        nearer = [each for each in others_left if self._feet(each) < feet]
        if nearer:
            return Here(NEARER, *count, nearer=min(nearer, key=self._feet).place.bay)
        if feet == UNREACHABLE_FEET:
            return Here(SUITS if self._suits(own, others_left) else ANY, *count)
        among_all = all(self._feet(each) >= feet for each in others)
        among = others if among_all else others_left
        if all(self._feet(each) > feet for each in among):
            return Here(NEAREST, *count, among_all=among_all)
        as_near = [each for each in among if self._feet(each) == feet]
        return Here(NEAR, *count, among_all=among_all, suits=self._suits(own, as_near))

    def _feet(self, choice: Choice) -> int:
        near = nearest(self.facts.bays[choice.place.bay], self.facts.dealer[choice.unit.dealer])
        return min(UNREACHABLE_FEET, near[0]) if near else UNREACHABLE_FEET

    def _suits(self, own: Choice, others: Collection[Choice]) -> bool:
        return bool(self.facts.bays[own.place.bay].palette) and all(own.place.tone < each.place.tone for each in others)

    # --- what would help ----------------------------------------------------------------------------------------------------

    def remedy(self, key: str) -> Remedy | None:
        """What changes least and would have given the unit room: another week, a turn; most of its weeks or of its length."""
        fits = key in self.units
        unit, posed_unit = (self.units[key], self.posed.units[key]) if fits else self._unit_as_cut(key)
        taken = self.taken(self.problem, but=key)

        def has_room(choice: Choice) -> bool:
            return taken.allows(choice) and taken.leftmost(choice) is not None

        if moved := self._at_other_times(unit, posed_unit, unit.weeks, has_room):
            return moved
        if turned := next((one for one in self._turned(posed_unit) if has_room(one)), None):
            return _remedy(TURNED, turned)
        fewer = next(
            filter(None, (self._at_other_times(unit, posed_unit, weeks, has_room) for weeks in range(unit.weeks - 1, 0, -1))),
            None,
        )
        may_be_shorter = fits and len(posed_unit.pieces) == 1
        shorter = _shorter(unit, self.facts.rules.gap_in16, has_room) if may_be_shorter else None
        if fewer and (shorter is None or 2 * fewer.weeks >= unit.weeks):
            return fewer
        return shorter

    def _at_other_times(self, unit: Unit, posed_unit: PosedUnit, weeks: int, has_room: Callable[[Choice], bool]) -> Remedy | None:
        """Room for so many weeks, beginning as near to when it was asked for as can be."""
        brief = replace(unit, weeks=weeks)
        starts = range(self.problem.weeks - weeks + 1)
        for start in sorted(starts, key=lambda start: (min(abs(start - asked) for asked in unit.starts), start)):
            for place in unit.places:
                choice = Choice(brief, place, start)
                is_deep = depth_over(self.facts.bays[place.bay], start, weeks) >= _deepest(posed_unit, place.bay)
                if is_deep and has_room(choice):
                    return _remedy(WHEN if weeks == unit.weeks else WEEKS, choice)
        return None

    def _turned(self, posed_unit: PosedUnit) -> Iterator[Choice]:
        """Where a piece that is not to be turned could stand turned, in the weeks it was asked for."""
        if len(posed_unit.pieces) == 1 and not posed_unit.pieces[0].may_turn:
            (piece,) = posed_unit.pieces
            other = replace(posed_unit, pieces=(replace(piece, width_in16=piece.depth_in16, depth_in16=piece.width_in16),))
            yield from _choices(unit_of(replace(other, laid=laid_of(other, self.facts)), self.facts))


def _shorter(unit: Unit, gap_in16: int, has_room: Callable[[Choice], bool]) -> Remedy | None:
    """The longest that would have room in the weeks it was asked for, in whole inches; a foot at least, the gap apart."""
    found: Choice | None = None
    for choice in _choices(unit):
        least = found.place.length_in16 + IN16_PER_INCH if found else IN16_PER_FOOT + gap_in16
        # What has room when it is so long has room when it is shorter: the longest is found by halving.
        inches = range((choice.place.length_in16 - least) // IN16_PER_INCH + 1)
        while inches:
            middle = inches[len(inches) // 2]
            shorter = Choice(unit, replace(choice.place, length_in16=least + middle * IN16_PER_INCH), choice.start)
            if has_room(shorter):
                found, inches = shorter, range(middle + 1, inches.stop)
            else:
                inches = range(inches.start, middle)
    return _remedy(SHORTER, found) if found else None


def _deepest(unit: PosedUnit, bay: str) -> int:
    return max(laid.stand.depth_in16 for laid in (unit.laid or {})[bay])


def _remedy(kind: str, choice: Choice) -> Remedy:
    return Remedy(kind, choice.place.bay, choice.start, choice.unit.weeks, choice.place.length_in16)


def _choices(unit: Unit) -> list[Choice]:
    """Where and when a unit may stand, as near as can be to its dealer's spaces, as soon as can be there."""
    places = sorted(unit.places, key=lambda place: (place.feet, place.bay))
    return [Choice(unit, place, start) for place in places for start in (unit.starts if place.starts is None else place.starts)]
