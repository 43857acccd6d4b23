"""Rotas drafted: the published instances to their proof, a larger one, months of malls of sixty and two hundred members."""

from __future__ import annotations

import time
from collections.abc import Callable
from pathlib import Path

from coop.shifts.solving.checking import check
from coop.shifts.solving.instances import read_instance
from coop.shifts.solving.outcome import Outcome, Stop
from coop.shifts.solving.problem import Problem
from coop.shifts.solving.solve import solve
from tests.unit.shifts.making import instance_text, mall_problem

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
        for number in (1, 2, 3)
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
