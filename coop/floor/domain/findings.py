"""Everything wrong with a plan, each with its place: `judge_plan`; and what further things on the floor would spoil:
`clear_after`.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import replace

from shapely.geometry import LineString, Point

from coop.floor.domain.aisles import aisle_findings
from coop.floor.domain.clear_width import Ways
from coop.floor.domain.finding import CAUTION, Finding
from coop.floor.domain.overlaps import overlap_findings
from coop.floor.domain.plan import LEAST_CLEAR_IN16, Outline, Plan
from coop.floor.domain.reach import reach_findings
from coop.floor.domain.turning import PASSING_IN16, counter_findings, passing_findings, turn_findings
from coop.floor.domain.walkable import Geometry, Walkable

__all__ = ["CAUTION", "Finding", "clear_after", "judge_plan", "newly_spoiled", "ways_findings"]


def judge_plan(plan: Plan) -> list[Finding]:
    """Every finding of a checked plan, what stands wrong first, then ways, aisles, turns, passing spaces and counters."""
    walkable = Walkable(plan)
    return [*overlap_findings(walkable), *_judge_ways(walkable), *counter_findings(walkable)]


def clear_after(plan: Plan, extra: Iterable[Outline], required_in16: int | None = None) -> list[Finding]:
    """What further things standing on the floor would spoil: findings about ways, exits, aisles and turns that come with them.

    `required_in16` is the clear width to keep where that is more than the plan's. An empty list means all is still
    clear. A finding that was there before counts again when the things make it worse.
    """
    if required_in16 is not None:
        plan = replace(plan, required_clear_in16=max(required_in16, plan.required_clear_in16))
    return newly_spoiled(ways_findings(plan), ways_findings(plan, extra))


def ways_findings(plan: Plan, extra: Iterable[Outline] = ()) -> list[Finding]:
    """What is wrong with ways, exits, aisles, turns and passing spaces, further things standing on the floor."""
    return _judge_ways(Walkable(plan, tuple(extra)))


def newly_spoiled(before: Sequence[Finding], after: Sequence[Finding]) -> list[Finding]:
    """Those of `after` that were not there before, or were less bad."""
    return [found for found in after if not any(_is_same(was, found) and not _is_worse(was, found) for was in before)]


def _is_same(was: Finding, found: Finding) -> bool:
    """Of the same parts; of what names none, and of the ends of a row, at about the same place."""
    if (was.kind, was.parts) != (found.kind, found.parts):
        return False
    return bool(found.parts and found.kind != "turn_tight") or _place(was).distance(_place(found)) < LEAST_CLEAR_IN16


def _is_worse(was: Finding, now: Finding) -> bool:
    if was.measured_in16 is None or now.measured_in16 is None:
        return False
    if now.kind == "no_passing_space":
        # Going about what stands beside it makes a way some inches longer: only a place to pass that is gone counts.
        return now.measured_in16 > was.measured_in16 + PASSING_IN16
    return now.measured_in16 < was.measured_in16


def _place(found: Finding) -> Geometry:
    return LineString(found.at) if len(found.at) > 1 else Point(found.at[0])


def _judge_ways(walkable: Walkable) -> list[Finding]:
    ways = Ways(walkable.ground, walkable.plan.required_clear_in16)
    return [
        *reach_findings(walkable, ways),
        *aisle_findings(walkable),
        *turn_findings(walkable),
        *passing_findings(walkable),
    ]
