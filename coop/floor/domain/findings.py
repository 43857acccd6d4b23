"""Everything wrong with a plan, each with its place: `judge_plan`; and what further things on the floor would spoil:
`clear_after`.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import replace

from coop.floor.domain.aisles import aisle_findings
from coop.floor.domain.clear_width import Ways
from coop.floor.domain.finding import CAUTION, Finding
from coop.floor.domain.overlaps import overlap_findings
from coop.floor.domain.plan import Outline, Plan
from coop.floor.domain.reach import reach_findings
from coop.floor.domain.turning import counter_findings, passing_findings, turn_findings
from coop.floor.domain.walkable import Walkable

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
    measured = {(f.kind, f.parts): f.measured_in16 for f in before}
    spoiled = []
    for found in after:
        key = (found.kind, found.parts)
        was, now = measured.get(key), found.measured_in16
        if key not in measured or (now is not None and was is not None and now < was):
            spoiled.append(found)
    return spoiled


def _judge_ways(walkable: Walkable) -> list[Finding]:
    ways = Ways(walkable.ground, walkable.plan.required_clear_in16)
    return [
        *reach_findings(walkable, ways),
        *aisle_findings(walkable),
        *turn_findings(walkable),
        *passing_findings(walkable),
    ]
