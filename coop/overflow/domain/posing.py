"""A period of overflow as the solver's problem, and back: facts in, a `Problem` out; what is placed in, stays out.

Stays end with the period at the latest: floor beyond it is for the next draft to give, as is fair then (what is moved keeps what
it was given beyond it, where its new place is free then: whoever publishes sees to that). So what is asked is cut:
a request for longer than what is left of the period gets that much of it, and no more weeks in a row than the rotation lets
anybody stay in a bay. A request that the period's end alone would cut short, and that may as well begin in the next, waits.
What was asked for an earlier day may begin with the period, or so many weeks later as it was flexible.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Collection, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import date, timedelta

from coop.core.geometry import IN16_PER_INCH
from coop.overflow.domain.bay import Bay, as_corners
from coop.overflow.domain.colour import tone_between
from coop.overflow.domain.facts import AskedFor, BayFacts, DealerFacts, PeriodFacts, StandingStay
from coop.overflow.domain.fairness import due_of, steps_of
from coop.overflow.domain.fitting import Stand, may_stand
from coop.overflow.domain.piece import AskedPiece
from coop.overflow.domain.problem import Fixed, Place, Placed, Problem, Room, Share, Unit

CLOSED, SOLD = "closed ", "sold "
"""What the key of fixed floor begins with where it is closed, and where something sold stands that should have been fetched."""


@dataclass(frozen=True)
class Laid:
    """A piece within its unit in a bay: so far along from where the unit begins, without the gap beside it."""

    piece: str
    offset_in16: int
    stand: Stand


@dataclass(frozen=True)
class PosedUnit:
    """What is placed as one, and whose it is: a request's pieces, or the piece of a stay that must move."""

    key: str
    dealer: str
    pieces: tuple[AskedPiece, ...]
    starts: tuple[int, ...]
    weeks: int
    request: AskedFor | None = None
    stay: StandingStay | None = None
    laid: Mapping[str, tuple[Laid, ...]] | None = None
    """By bay, how its pieces would stand there; None when there is no bay for it, and it is no unit of the problem."""


@dataclass(frozen=True)
class Posed:
    facts: PeriodFacts
    problem: Problem
    units: Mapping[str, PosedUnit]
    later: tuple[str, ...]
    """Requests that are not of this period yet: they get no answer."""


@dataclass(frozen=True)
class NewStay:
    """A piece's floor as the answer gives it. `request` is empty where the piece had floor and is moved: then `stay` is that."""

    piece: str
    request: str
    stay: str
    dealer: str
    bay: str
    from_in16: int
    to_in16: int
    depth_in16: int
    turned: bool
    starts_on: date
    ends_on: date


def pose(facts: PeriodFacts) -> Posed:
    """Every request that may begin in the period, and every stay that must move, where it fits by the rules.

    Limits and rotation are the problem's to keep: they hold for what stands and what is placed together. A wished bay is as near
    as can be, and every other at least a foot away: so of two places that are equal in all before distance, the wished one wins.
    """
    asked = {one.key: time for one in facts.asked if (time := _time_of(one, facts)) is not None}
    units = [*_moving(facts), *(unit for one in facts.asked if one.key in asked for unit in _asked_units(one, *asked[one.key]))]
    posed = {unit.key: replace(unit, laid=laid_of(unit, facts) or None) for unit in units}
    found = tuple(unit_of(unit, facts) for unit in posed.values() if unit.laid)
    fixed = tuple(fixed_in(facts))
    problem = Problem(
        weeks=facts.weeks,
        rooms=tuple(Room(room.bay.code, room.bay.length_in16) for room in facts.rooms),
        units=found,
        fixed=fixed,
        shares=tuple(_shares(facts, found, fixed)),
        most_in16=facts.most_in16,
        most_pieces=facts.most_pieces,
        weeks_left=_weeks_left(facts, found),
    )
    return Posed(facts, problem, posed, tuple(one.key for one in facts.asked if one.key not in asked))


def stays_of(posed: Posed, placed: Collection[Placed]) -> tuple[NewStay, ...]:
    """The floor that every piece of what is placed gets, with its days; by unit as posed, its pieces in their order."""
    at = {one.unit: one for one in placed}
    return tuple(stay for unit in posed.units.values() if unit.key in at for stay in _stays(posed.facts, unit, at[unit.key]))


def _stays(facts: PeriodFacts, unit: PosedUnit, one: Placed) -> Iterator[NewStay]:
    begins, ends = days_of(facts, unit, one.start)
    for laid in (unit.laid or {})[one.bay]:
        begin = one.from_in16 + laid.offset_in16
        yield NewStay(
            piece=laid.piece,
            request=unit.request.key if unit.request else "",
            stay=unit.stay.key if unit.stay else "",
            dealer=unit.dealer,
            bay=one.bay,
            from_in16=begin,
            to_in16=begin + laid.stand.length_in16,
            depth_in16=laid.stand.depth_in16,
            turned=laid.stand.turned,
            starts_on=begins,
            ends_on=ends,
        )


def days_of(facts: PeriodFacts, unit: PosedUnit, start: int) -> tuple[date, date]:
    """First and last day of a unit that begins in a week; of what is moved, the days within those that it had."""
    begins, ends = facts.day_of(start), facts.day_of(start + unit.weeks) - timedelta(days=1)
    return (max(begins, unit.stay.starts_on), min(ends, unit.stay.ends_on)) if unit.stay else (begins, ends)


# --- units ----------------------------------------------------------------------------------------------------------------


def _time_of(asked: AskedFor, facts: PeriodFacts) -> tuple[int, tuple[int, ...]] | None:
    """For how many weeks, and the weeks it may begin in; None when it is not of this period."""
    first = max(0, -(-(asked.not_before - facts.first_day).days // 7))
    last = first + asked.flexible_weeks
    most = min(asked.weeks, facts.weeks, facts.rotation_weeks or asked.weeks)
    left = facts.weeks - first
    if left < 1 or (left < most and last >= facts.weeks):
        return None
    weeks = min(most, left)
    return weeks, tuple(range(first, min(last, facts.weeks - weeks) + 1))


def _asked_units(asked: AskedFor, weeks: int, starts: tuple[int, ...]) -> Iterator[PosedUnit]:
    if asked.together:
        yield PosedUnit(f"request {asked.key}", asked.dealer, asked.pieces, starts, weeks, asked)
    else:
        for piece in asked.pieces:
            yield PosedUnit(f"request {asked.key} piece {piece.key}", asked.dealer, (piece,), starts, weeks, asked)


def _moving(facts: PeriodFacts) -> Iterator[PosedUnit]:
    for stay in facts.standing:
        weeks = _weeks_of(stay, facts)
        if stay.must_move and weeks:
            yield PosedUnit(f"stay {stay.key}", stay.dealer, (stay.piece,), (weeks.start,), len(weeks), stay=stay)


def _weeks_of(stay: StandingStay, facts: PeriodFacts) -> range:
    """The weeks of the period that a stay covers, if only for a day."""
    return range(max(0, facts.week_of(stay.starts_on)), min(facts.weeks - 1, facts.week_of(stay.ends_on)) + 1)


def unit_of(unit: PosedUnit, facts: PeriodFacts) -> Unit:
    """As the solver knows it: its places are where it is laid."""
    request = unit.request
    return Unit(
        key=unit.key,
        dealer=unit.dealer,
        weeks=unit.weeks,
        starts=unit.starts,
        places=tuple(_place(unit, facts.bays[bay], laid, facts) for bay, laid in (unit.laid or {}).items()),
        pieces=len(unit.pieces),
        waited_days=max(0, (facts.first_day - request.asked_on).days) if request else 0,
        cents=sum(request.cents.get(piece.key, 0) for piece in unit.pieces) if request else 0,
        is_standing=unit.stay is not None,
    )


# --- places ---------------------------------------------------------------------------------------------------------------


def laid_of(unit: PosedUnit, facts: PeriodFacts) -> dict[str, tuple[Laid, ...]]:
    """By bay, how a unit's pieces would stand in it side by side: all of them or none.

    Where a bay may be used less deeply in some weeks than in others, they stand as the least depth asks that lets them stand at
    all: so they may begin in the most weeks.
    """
    found = {}
    for room in sorted(facts.rooms, key=lambda room: room.bay.code):
        for depth in sorted({depth for start in unit.starts if (depth := depth_over(room, start, unit.weeks))}):
            laid = _laid(unit.pieces, room.bay, facts, facts.dealer[unit.dealer], depth)
            if laid is not None:
                found[room.bay.code] = laid
                break
    return found


def _laid(
    pieces: Sequence[AskedPiece], bay: Bay, facts: PeriodFacts, dealer: DealerFacts, depth_in16: int
) -> tuple[Laid, ...] | None:
    laid, along = [], 0
    for piece in pieces:
        stand = may_stand(piece, bay, facts.rules, holds_before=bay.before in dealer.spaces, depth_in16=depth_in16)
        if not isinstance(stand, Stand):
            return None
        laid.append(Laid(piece.key, along, stand))
        along += stand.length_in16 + facts.rules.gap_in16
    return tuple(laid) if along <= bay.length_in16 else None


def depth_over(room: BayFacts, start: int, weeks: int) -> int:
    """How deep a bay may be used in each of some weeks from one on; 0 when in one of them it is not lent."""
    return min(room.depth_by_week[start : start + weeks])


def shallower(room: BayFacts, depth_in16: int) -> Bay:
    """The bay as deep as it may be used."""
    bay = room.bay
    return bay if depth_in16 == bay.depth_in16 else replace(bay, corners=as_corners(bay.stretch(0, bay.length_in16, depth_in16)))


def length_of(laid: Sequence[Laid], facts: PeriodFacts) -> int:
    """Along the bay, the gap beside each piece included."""
    return sum(one.stand.length_in16 + facts.rules.gap_in16 for one in laid)


def _place(unit: PosedUnit, room: BayFacts, laid: Sequence[Laid], facts: PeriodFacts) -> Place:
    deepest = max(one.stand.depth_in16 for one in laid)
    starts = tuple(start for start in unit.starts if depth_over(room, start, unit.weeks) >= deepest)
    tones = [tone_between(piece.colour, room.palette) for piece in unit.pieces]
    near, wished = nearest(room, facts.dealer[unit.dealer]), unit.request.wished_bay if unit.request else ""
    return Place(
        bay=room.bay.code,
        length_in16=length_of(laid, facts),
        turned=any(one.stand.turned for one in laid),
        feet=0 if wished == room.bay.code else max(near[0] if near else 0, 1 if wished else 0),
        tone=sum(tones) // len(tones),
        starts=None if starts == unit.starts else starts,
    )


def nearest(room: BayFacts, dealer: DealerFacts) -> tuple[int, str] | None:
    """Feet to walk from a bay to the nearest of a dealer's spaces, and its code; None where that is not known."""
    return min(((feet, code) for code, feet in room.feet_to.items() if code in dealer.spaces), default=None)


# --- what stays, and what is due ------------------------------------------------------------------------------------------


def fixed_in(facts: PeriodFacts) -> Iterator[Fixed]:
    """What stays where it is, with the gap beside it, and what is closed. Where two cover the same floor in a week, as when one
    goes and the other comes, the earlier has it and the later what is left: nothing fixed overlaps anything fixed.
    What was sold and should be gone is in the way, and counts for nobody's limits.

    In the week in which a piece moves it counts for its dealer's limits once: where it goes to, not where it leaves.
    """
    gap = facts.rules.gap_in16
    covered = [
        (f"{SOLD}{stay.key}", "", stay.bay, stay.from_in16, stay.to_in16 + gap, _weeks_of(stay, facts), 0)
        if stay.was_due
        else (f"stay {stay.key}", stay.dealer, stay.bay, stay.from_in16, stay.to_in16 + gap, _weeks_of(stay, facts), 1)
        for stay in sorted(facts.standing, key=lambda stay: (stay.starts_on, stay.key))
        if not stay.must_move
    ]
    covered += [
        (f"{CLOSED}{room.bay.code}", "", room.bay.code, each.from_in16, each.to_in16, range(each.first, each.last + 1), 0)
        for room in facts.rooms
        for each in room.closed
    ]
    moves = {(f"stay {stay.key}", facts.week_of(stay.starts_on)) for stay in facts.standing if stay.must_move}
    taken: dict[tuple[str, int], list[tuple[int, int]]] = defaultdict(list)
    for key, dealer, bay, begins, ends, weeks_of, pieces in covered:
        runs: list[tuple[tuple[bool, tuple[tuple[int, int], ...]], list[int]]] = []
        for week in weeks_of:
            left = tuple(_less(begins, ends, taken[bay, week]))
            taken[bay, week] += left
            run = (key, week) in moves, left
            if runs and runs[-1][0] == run:
                runs[-1][1].append(week)
            else:
                runs.append((run, [week]))
        for (goes, left), weeks in runs:
            for number, (from_in16, to_in16) in enumerate(left):
                who, count = ("", 0) if goes else (dealer, pieces * int(number == 0))
                yield Fixed(key, who, bay, from_in16, to_in16, weeks[0], weeks[-1], pieces=count)


def _less(from_in16: int, to_in16: int, taken: Iterable[tuple[int, int]]) -> Iterator[tuple[int, int]]:
    """What is left of a stretch when others are taken."""
    for begins, ends in sorted(taken):
        if begins > from_in16 and from_in16 < to_in16:
            yield from_in16, min(begins, to_in16)
        from_in16 = max(from_in16, ends)
    if from_in16 < to_in16:
        yield from_in16, to_in16


def _weeks_left(facts: PeriodFacts, units: Sequence[Unit]) -> dict[tuple[str, str], int]:
    """Of any 52 weeks that end in the period, none has more than the rotation lets when the 52 before and all of it have not."""
    if facts.rotation_weeks is None:
        return {}
    pairs = sorted({(unit.dealer, place.bay) for unit in units for place in unit.places})
    left = {(who, bay): max(0, facts.rotation_weeks - facts.dealer[who].weeks_had.get(bay, 0)) for who, bay in pairs}
    return {pair: weeks for pair, weeks in left.items() if weeks < facts.weeks}


def due_in(facts: PeriodFacts) -> dict[str, int]:
    """Inch-weeks of a year due to each dealer, of all bays of the mall."""
    floor_in = sum(room.bay.length_in16 for room in facts.rooms) // IN16_PER_INCH
    return due_of({code: dealer.rent_cents for code, dealer in facts.dealer.items()}, floor_in)


def _shares(facts: PeriodFacts, units: Sequence[Unit], fixed: Sequence[Fixed]) -> Iterator[Share]:
    asked: dict[str, int] = defaultdict(int)
    stays: dict[str, int] = defaultdict(int)
    for unit in units:
        asked[unit.dealer] += unit.floor
    for one in fixed:
        stays[one.dealer] += -((one.from_in16 - one.to_in16) // IN16_PER_INCH) * (one.last - one.first + 1)
    due = due_in(facts)
    for dealer, floor in sorted(asked.items()):
        yield Share(dealer, steps_of(due[dealer], facts.dealer[dealer].had_inch_weeks + stays[dealer], floor))
