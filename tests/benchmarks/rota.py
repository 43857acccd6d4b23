"""Rotas drafted: the published instances to their proof, a larger one, months of malls of sixty and two hundred members."""

from __future__ import annotations

import time
from collections.abc import Callable
from decimal import Decimal
from pathlib import Path

from coop.shifts.solving.checking import check
from coop.shifts.solving.instances import read_instance
from coop.shifts.solving.outcome import Outcome, Stop
from coop.shifts.solving.problem import Problem
from coop.shifts.solving.solve import solve
from tests.factories.rota_year import by_draft, by_rotation, live_year, make_members
from tests.unit.shifts.making import instance_text, mall_problem

EVEN = Decimal("0.95")
ROSTER = Path(__file__).parents[1] / "reference" / "roster"


def told(outcome: Outcome) -> str:
    """Each tier's cost and its gap."""
    return "; ".join(
        f"{tier.name} {tier.value:,} {'proven' if tier.proven else f'gap {tier.gap_percent}%'}" for tier in outcome.tiers
    )


def bench_rota(row: Callable[[str, str, str], None], *, smoke: bool = False) -> None:
    """Rows of the table: `row(what, figure, note)`. Every draft is checked apart from the solver before its row is written."""
    problems: list[tuple[str, Problem, int]] = [
        (f"published instance {number}", read_instance((ROSTER / f"Instance{number}.txt").read_text(encoding="utf-8")), 60)
        for number in (1, 2, 3, 4, 7)
    ]
    problems += [
        ("an instance of 18 staff, 28 days, 3 shifts", read_instance(instance_text(4, staff=18)), 60),
        ("a mall's month, 60 members, 4 posts", mall_problem(60), 30),
        ("a mall's month, 200 members, three times the posts' people", mall_problem(200, each=3), 60),
    ]
    for what, problem, seconds in problems[:1] if smoke else problems:
        begun, worked = time.perf_counter(), time.process_time()
        outcome = solve(problem, Stop(seconds=seconds))
        took, worked = time.perf_counter() - begun, time.process_time() - worked
        broken = len(check(problem, outcome.turns).broken)
        row(
            what,
            f"{took:.1f} s",
            f"{worked:.1f} s of processor; " + told(outcome) + (f"; {broken} RULES BROKEN" if broken else ""),
        )
    if not smoke:
        _bench_year(row)


def _bench_year(row: Callable[[str, str, str], None]) -> None:
    """Sixty members over twelve months, drafted within twenty seconds a month, against a rotation list in the same run.

    Fails when weekends are not shared evenly enough, a hard rule is broken, or anybody has a second holiday too soon.
    """
    members = make_members(60, seed=1)
    wall = live_year(members, by_rotation(), people=2, seed=1)
    begun = time.perf_counter()
    drafted = live_year(members, by_draft(Stop(seconds=20)), people=2, seed=1)
    row(
        "a year of 60 members drafted month by month",
        f"{time.perf_counter() - begun:.0f} s",
        f"Jain's index of weekends by turns owed {drafted.weekend_index}, of a list on the wall {wall.weekend_index}; "
        f"holidays too soon {drafted.holidays_too_soon} against {wall.holidays_too_soon}; "
        f"{drafted.uncovered} of {drafted.of} uncovered",
    )
    if drafted.weekend_index < EVEN or drafted.broken or drafted.holidays_too_soon:
        raise SystemExit(f"The year's turns are not shared as they should be: {drafted}")
