"""Which locks and minima contradict each other: the solver's core of assumptions, and of that what cannot be taken out."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import replace

from ortools.sat.python import cp_model

from coop.shifts.solving.model import Built, build
from coop.shifts.solving.outcome import Conflict
from coop.shifts.solving.problem import Minimum, Problem, Turn

LIMIT = 60
"""The solver's own count of work for one question; most are answered before the search begins."""


def find_conflict(problem: Problem, *, seed: int) -> Conflict | None:
    """A smallest contradictory set; None when everything can be held together, or it could not be told in time."""
    built = build(problem, ask_demands=True)
    core = _contradiction(built, built.demands, seed)
    if core is None:
        return None
    for demand in sorted(core, key=str):
        smaller = _contradiction(built, core - {demand}, seed)
        if smaller is not None:
            core = smaller
    return Conflict(
        frozenset(demand for demand in core if isinstance(demand, Turn)),
        frozenset(demand for demand in core if isinstance(demand, Minimum)),
    )


def _contradiction(built: Built, asked: Iterable[Turn | Minimum], seed: int) -> frozenset[Turn | Minimum] | None:
    """A contradictory part of what is asked; None when there is none, or it could not be told in time."""
    literals = {built.demands[demand].index: demand for demand in asked}
    built.model.clear_assumptions()
    built.model.add_assumptions([built.demands[demand] for demand in literals.values()])
    solver = cp_model.CpSolver()
    solver.parameters.num_workers = 1
    solver.parameters.random_seed = seed
    solver.parameters.max_deterministic_time = LIMIT
    if solver.solve(built.model) != cp_model.INFEASIBLE:
        return None
    return frozenset(literals[index] for index in solver.sufficient_assumptions_for_infeasibility())


def without(problem: Problem, conflict: Conflict) -> Problem:
    """The problem without what contradicts itself."""
    freed = {(minimum.person, minimum.of) for minimum in conflict.minima}
    people = tuple(
        replace(
            person,
            limits=replace(
                person.limits,
                least_minutes=0 if (person.id, "minutes") in freed else person.limits.least_minutes,
                least_turns=0 if (person.id, "turns") in freed else person.limits.least_turns,
            ),
        )
        for person in problem.people
    )
    return replace(problem, people=people, locks=problem.locks - conflict.locks)
