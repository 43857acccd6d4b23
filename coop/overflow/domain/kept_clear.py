"""The whole mall judged again with everything in it that a draft places, week by week at the widths that hold then.

Bays leave all ways clear however they are filled, so nothing should be found; what is found all the same is taken out.
"""

from __future__ import annotations

from collections.abc import Collection, Iterator, Mapping, Sequence
from datetime import date

from shapely.geometry import LineString, Point, Polygon

from coop.core.periods import shown_day
from coop.floor.domain.finding import Finding
from coop.floor.domain.findings import newly_spoiled
from coop.floor.domain.plan import Outline, Plan
from coop.floor.domain.walkable import Geometry
from coop.overflow.domain.clear import spoiled
from coop.overflow.domain.facts import BayFacts
from coop.overflow.domain.posing import Posed, stays_of
from coop.overflow.domain.problem import Placed

PlanSpan = tuple[date, date, Plan]
"""A plan with the first and the last day it holds on."""


def kept_clear(posed: Posed, placed: Sequence[Placed], plans: Sequence[PlanSpan]) -> tuple[tuple[Placed, ...], tuple[str, ...]]:
    """What of it may stand, and in sentences what was taken out: of what lies nearest to a finding, the last placed."""
    left, taken_out = list(placed), []
    while found := next(_spoiled(posed, left, plans), None):
        finding, day, there = found
        at = _place(finding)
        where = {unit: min(Polygon(outline).distance(at) for outline in outlines) for unit, outlines in there.items()}
        nearest = min(where.values())
        gone = next(one for one in reversed(left) if where.get(one.unit) == nearest)
        left.remove(gone)
        names = ", ".join(piece.name for piece in posed.units[gone.unit].pieces)
        taken_out.append(f"{names} was taken out of bay {gone.bay}, from {shown_day(day)} on: {finding.sentence}")
    return tuple(left), tuple(taken_out)


def _spoiled(
    posed: Posed, placed: Collection[Placed], plans: Sequence[PlanSpan]
) -> Iterator[tuple[Finding, date, Mapping[str, list[Outline]]]]:
    """What the placed spoil that was not so without them, with the day and what stands then, by unit."""
    facts = posed.facts
    outlines: dict[str, list[Outline]] = {}
    for unit in placed:
        bay = facts.bays[unit.bay].bay
        outlines[unit.unit] = [bay.stretch(s.from_in16, s.to_in16, s.depth_in16) for s in stays_of(posed, [unit])]
    for first, last, plan in plans:
        for day, stays, units in _fullest(posed, placed, first, last):
            fixed = {
                f"stay {s.key}": facts.bays[s.bay].bay.stretch(s.from_in16, s.to_in16, s.depth_in16)
                for s in facts.standing
                if s.key in stays and not s.must_move
            }
            there = {unit: outlines[unit] for unit in outlines if unit in units}
            extra = {f"{unit} {n}": outline for unit, each in there.items() for n, outline in enumerate(each)}
            bays = [room.bay for room in facts.rooms if _is_whole(room, facts.week_of(day))]
            for finding in newly_spoiled(spoiled(plan, fixed, bays), spoiled(plan, fixed | extra, bays)):
                yield finding, day, there


def _is_whole(room: BayFacts, week: int) -> bool:
    """Whether all of a bay may be used in a week: then what stands in it is judged as if it were full."""
    closed = any(one.first <= week <= one.last for one in room.closed)
    return room.depth_by_week[week] == room.bay.depth_in16 and not closed


def _fullest(
    posed: Posed, placed: Collection[Placed], first: date, last: date
) -> Iterator[tuple[date, frozenset[str], frozenset[str]]]:
    """Of the weeks that have a day between two, those in which more stands than in any other: its first day, stays, units."""
    facts = posed.facts
    weeks: list[tuple[date, frozenset[str], frozenset[str]]] = []
    for week in range(facts.week_of(first), facts.week_of(last) + 1):
        begins, ends = facts.day_of(week), facts.day_of(week + 1)
        stays = frozenset(s.key for s in facts.standing if not s.must_move and s.starts_on < ends and s.ends_on >= begins)
        units = frozenset(p.unit for p in placed if p.start <= week < p.start + posed.units[p.unit].weeks)
        if units:
            weeks.append((max(begins, first), stays, units))
    seen = set()
    for day, stays, units in weeks:
        fuller = any(stays <= s and units <= u and (stays, units) != (s, u) for _, s, u in weeks)
        if not fuller and (stays, units) not in seen:
            seen.add((stays, units))
            yield day, stays, units


def _place(finding: Finding) -> Geometry:
    if len(finding.at) == 1:
        return Point(finding.at[0])
    return Polygon(finding.at) if finding.closed else LineString(finding.at)
