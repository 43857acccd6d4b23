"""Drafts a rota: one tier after the other, each within its share of the time, each kept by the next."""

from __future__ import annotations

import math
import threading
from collections.abc import Iterator
from contextlib import contextmanager

from ortools.sat.python import cp_model

from coop.shifts.solving.conflicts import find_conflict, without
from coop.shifts.solving.model import Built, build
from coop.shifts.solving.outcome import Cancelled, Conflict, OnProgress, Outcome, Progress, Stop, TierResult
from coop.shifts.solving.problem import Problem


class ImpossibleProblem(Exception):
    """No rota keeps the hard rules even without locks and minima: the known turns break one by themselves."""


def solve(problem: Problem, stop: Stop, *, progress: OnProgress | None = None, cancelled: Cancelled | None = None) -> Outcome:
    """The best draft found until the stop. Locks and minima that contradict each other are left out and named.

    Raises ImpossibleProblem.
    """
    conflicts: list[Conflict] = []
    while True:
        search = _Search(problem, build(problem), stop, progress, cancelled)
        if search.run():
            return search.outcome(tuple(conflicts))
        conflict = find_conflict(problem, seed=stop.seed)
        if conflict is None or not (conflict.locks or conflict.minima):
            raise ImpossibleProblem("The known turns before and after these days break a rule. Mend them first.")
        conflicts.append(conflict)
        problem = without(problem, conflict)


class _Search:
    """One model, searched tier by tier."""

    def __init__(
        self, problem: Problem, built: Built, stop: Stop, progress: OnProgress | None, cancelled: Cancelled | None
    ) -> None:
        self.problem, self.built, self.stop = problem, built, stop
        self.progress, self.cancelled = progress, cancelled
        self.values: list[int] = []
        """The best rota so far: a value for every variable of the model."""
        self.tiers: list[TierResult] = []
        self.stopped = False
        self._used_milliseconds = 0
        self._used_work = 0

    def run(self) -> bool:
        """Whether the hard rules can be kept."""
        for tier in range(len(self.problem.tiers)):
            if self.values and (self.stopped or self._cost(tier) == self.built.goals.least(tier)):
                self.tiers.append(TierResult(self.problem.tiers[tier], self._cost(tier), self.built.goals.least(tier), 0))
            elif not self._search_tier(tier):
                return False
            if not self.values:
                return True
            self.built.model.add(self.built.goals.expression(tier) <= self._cost(tier))
        return True

    def outcome(self, conflicts: tuple[Conflict, ...]) -> Outcome:
        turns = frozenset(turn for turn, choice in self.built.chosen.items() if self.values and self.values[choice.index])
        return Outcome(turns, tuple(self.tiers), conflicts, found=bool(self.values), stopped=self.stopped)

    def _cost(self, tier: int) -> int:
        goals = self.built.goals
        return goals.fixed[tier] + sum(weight * self.values[variable.index] for variable, weight in goals.terms[tier])

    def _search_tier(self, tier: int) -> bool:
        model, name = self.built.model, self.problem.tiers[tier]
        model.minimize(self.built.goals.expression(tier))
        if self.values:
            model.clear_hints()  # type: ignore[no-untyped-call]
            for index, value in enumerate(self.values):
                model.add_hint(model.get_int_var_from_proto_index(index), value)
        solver = self._solver(tier)
        found = _Found(self.progress, name, tier, len(self.problem.tiers)) if self.progress else None
        with self._watched(solver):
            status = solver.solve(model, found)
        self._used_milliseconds += round(solver.wall_time * 1000)
        self._used_work += round(solver.response_proto.deterministic_time)
        if status == cp_model.INFEASIBLE:
            return False
        if status in (cp_model.OPTIMAL, cp_model.FEASIBLE):
            self.values = list(solver.response_proto.solution)
        if self.values:
            value = self._cost(tier)
            bound = max(self.built.goals.least(tier), min(value, math.ceil(round(solver.best_objective_bound, 3))))
            self.tiers.append(
                TierResult(name, value, value if status == cp_model.OPTIMAL else bound, round(solver.wall_time * 1000))
            )
        return True

    def _solver(self, tier: int) -> cp_model.CpSolver:
        solver, stop, left = cp_model.CpSolver(), self.stop, len(self.problem.tiers) - tier
        solver.parameters.num_workers = stop.workers
        solver.parameters.random_seed = stop.seed
        # What an earlier tier did not need is the later ones'.
        if stop.seconds is not None:
            solver.parameters.max_time_in_seconds = max(1, (stop.seconds * 1000 - self._used_milliseconds) // (1000 * left))
        if stop.deterministic_limit is not None:
            solver.parameters.max_deterministic_time = max(1, (stop.deterministic_limit - self._used_work) // left)
        return solver

    @contextmanager
    def _watched(self, solver: cp_model.CpSolver) -> Iterator[None]:
        """Ask once a second whether to stop, while the search runs."""
        cancelled = self.cancelled
        if cancelled is None:
            yield
            return
        over = threading.Event()

        def watch() -> None:
            while not over.wait(timeout=1):
                if self.stopped or cancelled():
                    self.stopped = True
                    solver.stop_search()

        watcher = threading.Thread(target=watch, name="rota-watch", daemon=True)
        watcher.start()
        try:
            yield
        finally:
            over.set()
            watcher.join()


class _Found(cp_model.CpSolverSolutionCallback):
    """Tells of every better draft."""

    def __init__(self, progress: OnProgress, name: str, number: int, of: int) -> None:
        super().__init__()
        self._progress, self._name, self._number, self._of = progress, name, number, of

    def on_solution_callback(self) -> None:
        value, bound = round(self.objective_value), math.ceil(round(self.best_objective_bound, 3))
        self._progress(Progress(self._name, self._number + 1, self._of, value, min(bound, value)))
