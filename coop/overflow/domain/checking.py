"""Judges an arrangement by itself, without the solver: every rule of the problem that it breaks, each in a sentence.

Written apart from the model and by other means, so that each checks the other: floor is looked at week by week.
"""

from __future__ import annotations

from collections import Counter, defaultdict
from collections.abc import Collection, Iterator

from coop.overflow.domain.problem import Fixed, Placed, Problem, Unit


def broken(problem: Problem, placed: Collection[Placed]) -> list[str]:
    """What is wrong with it, empty when nothing is. What fixed things break by themselves is no fault of what is placed."""
    units = {unit.key: unit for unit in problem.units}
    faults = [f"{key} is placed {times} times" for key, times in Counter(one.unit for one in placed).items() if times > 1]
    known = []
    for one in placed:
        if one.unit in units:
            known.append(one)
            faults += _alone(problem, units[one.unit], one)
        else:
            faults.append(f"{one.unit} is no unit of the problem")
    stands = [(one, units[one.unit]) for one in known]
    for week in range(problem.weeks):
        now = [(one, unit) for one, unit in stands if one.start <= week < one.start + unit.weeks]
        fixed = [one for one in problem.fixed if one.first <= week <= one.last]
        faults += _overlaps(week, now, fixed)
        faults += _beyond_limits(problem, week, now, fixed)
    faults += _too_long_in_a_bay(problem, stands)
    return faults


def _alone(problem: Problem, unit: Unit, one: Placed) -> Iterator[str]:
    """What is wrong with it whatever else stands where."""
    lengths = {room.bay: room.length_in16 for room in problem.rooms}
    places = [place for place in unit.places if place.bay == one.bay]
    if one.bay not in lengths:
        yield f"{one.unit} is in {one.bay}, which is no bay of the problem"
    elif one.from_in16 < 0 or one.to_in16 > lengths[one.bay]:
        yield f"{one.unit} is beyond the end of {one.bay}"
    if one.start not in unit.starts:
        yield f"{one.unit} may not begin in week {one.start}"
    if one.start < 0 or one.start + unit.weeks > problem.weeks:
        yield f"{one.unit} is not within the period"
    if not places:
        yield f"{one.unit} has no place in {one.bay}"
    for place in places:
        if one.to_in16 - one.from_in16 != place.length_in16:
            yield f"{one.unit} is not as long in {one.bay} as its place"
        if one.turned != place.turned:
            yield f"{one.unit} is not turned in {one.bay} as its place says"
        if place.starts is not None and one.start not in place.starts and one.start in unit.starts:
            yield f"{one.unit} may not begin in {one.bay} in week {one.start}"


def _overlaps(week: int, now: list[tuple[Placed, Unit]], fixed: list[Fixed]) -> Iterator[str]:
    """What begins along a bay before what reaches farthest ends, one of them placed."""
    rows: dict[str, list[tuple[int, int, str, bool]]] = defaultdict(list)
    for one, _ in now:
        rows[one.bay].append((one.from_in16, one.to_in16, one.unit, True))
    for stays in fixed:
        rows[stays.bay].append((stays.from_in16, stays.to_in16, stays.key, False))
    for bay, row in sorted(rows.items()):
        row.sort()
        farthest = row[0]
        for stretch in row[1:]:
            if stretch[0] < farthest[1] and (stretch[3] or farthest[3]):
                yield f"{farthest[2]} and {stretch[2]} are in the same place of {bay} in week {week}"
            if stretch[1] > farthest[1]:
                farthest = stretch


def _beyond_limits(problem: Problem, week: int, now: list[tuple[Placed, Unit]], fixed: list[Fixed]) -> Iterator[str]:
    """Dealers who have more than they may, as far as something placed is part of it."""
    for dealer in sorted({unit.dealer for _, unit in now}):
        in16 = sum(one.to_in16 - one.from_in16 for one, unit in now if unit.dealer == dealer)
        pieces = sum(unit.pieces for _, unit in now if unit.dealer == dealer)
        in16 += sum(stays.to_in16 - stays.from_in16 for stays in fixed if stays.dealer == dealer)
        pieces += sum(stays.pieces for stays in fixed if stays.dealer == dealer)
        if problem.most_in16 is not None and in16 > problem.most_in16:
            yield f"{dealer} has more length than may be in week {week}"
        if problem.most_pieces is not None and pieces > problem.most_pieces:
            yield f"{dealer} has more pieces than may be in week {week}"


def _too_long_in_a_bay(problem: Problem, stands: list[tuple[Placed, Unit]]) -> Iterator[str]:
    """Dealers whose things are in a bay in more weeks than are left to them there, as far as something placed adds a week."""
    for (dealer, bay), left in sorted(problem.weeks_left.items()):
        fixed = {
            week
            for stays in problem.fixed
            if (stays.dealer, stays.bay) == (dealer, bay)
            for week in range(max(stays.first, 0), min(stays.last, problem.weeks - 1) + 1)
        }
        placed = {
            week
            for one, unit in stands
            if (unit.dealer, one.bay) == (dealer, bay)
            for week in range(one.start, one.start + unit.weeks)
        }
        if len(fixed | placed) > max(left, len(fixed)):
            yield f"{dealer} is in {bay} for more weeks than are left"
