"""Everything wrong with a plan, each with its place: `judge_plan`; and what further things on the floor would spoil:
`clear_after`.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import replace

from coop.floor.domain.aisles import aisle_findings
from coop.floor.domain.clear_width import Ways
from coop.floor.domain.finding import CAUTION, Finding
from coop.floor.domain.overlaps import overlap_findings
from coop.floor.domain.plan import Outline, Plan
from coop.floor.domain.reach import reach_findings
from coop.floor.domain.turning import counter_findings, passing_findings, turn_findings
from coop.floor.domain.walkable import Walkable

__all__ = ["CAUTION", "Finding", "clear_after", "judge_plan"]


def judge_plan(plan: Plan) -> list[Finding]:
    """Every finding of a checked plan, what stands wrong first, then ways, aisles, turns, passing spaces and counters."""
    walkable = Walkable(plan)
    return [*overlap_findings(walkable), *_ways_findings(walkable), *counter_findings(walkable)]


def clear_after(plan: Plan, extra: Iterable[Outline], required_in16: int | None = None) -> list[Finding]:
    """What further things standing on the floor would spoil: findings about ways, exits, aisles and turns that come with them.

    `required_in16` is the clear width to keep where that is more than the plan's. An empty list means all is still
    clear. A finding that was there before counts again when the things make it worse.
    """
    if required_in16 is not None:
        plan = replace(plan, required_clear_in16=max(required_in16, plan.required_clear_in16))
    before = {(f.kind, f.parts): f.measured_in16 for f in _ways_findings(Walkable(plan))}
    spoiled = []
    for found in _ways_findings(Walkable(plan, tuple(extra))):
        key = (found.kind, found.parts)
        was, now = before.get(key), found.measured_in16
        if key not in before or (now is not None and was is not None and now < was):
            spoiled.append(found)
    return spoiled


def _ways_findings(walkable: Walkable) -> list[Finding]:
    ways = Ways(walkable.ground, walkable.plan.required_clear_in16)
    return [
        *reach_findings(walkable, ways),
        *aisle_findings(walkable),
        *turn_findings(walkable),
        *passing_findings(walkable),
    ]
