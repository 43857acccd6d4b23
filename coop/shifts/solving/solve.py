"""Drafts a rota: one tier after the other, each within its share of the time, each kept by the next."""

from __future__ import annotations

import math
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from decimal import Decimal
from typing import SupportsFloat

from ortools.sat.python import cp_model

from coop.shifts.solving.conflicts import find_conflict, without
from coop.shifts.solving.model import Built, build
from coop.shifts.solving.outcome import Cancelled, Conflict, OnProgress, Outcome, Progress, Stop, TierResult
from coop.shifts.solving.problem import Problem
from coop.shifts.solving.sequences import linear_sum


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
        self.bounds: list[int] = []
        self.milliseconds = [0 for _ in problem.tiers]
        self.stopped = False
        self._used_work = 0

    def run(self) -> bool:
        """Whether the hard rules can be kept."""
        model, goals = self.built.model, self.built.goals
        for turn, choice in self.built.chosen.items():
            if self.problem.last_draft:
                model.add_hint(choice, turn in self.problem.last_draft)
        for tier in range(len(self.problem.tiers)):
            goals.add(tier)
            if tier:
                self._settle(tier)
                model.add(goals.expression(tier - 1) <= self._cost(tier - 1))
            if self.values and (self.stopped or self._cost(tier) == goals.least(tier)):
                self.bounds.append(goals.least(tier))
            elif not self._search_tier(tier):
                return False
            if not self.values and not self.stopped and not self._search_tier(tier, with_all=True):
                return False
            if not self.values:
                return True
        self._settle(len(self.problem.tiers) - 1)
        return True

    def outcome(self, conflicts: tuple[Conflict, ...]) -> Outcome:
        if not self.values:
            return Outcome(frozenset(), (), conflicts, found=False, stopped=self.stopped)
        turns = frozenset(turn for turn, choice in self.built.chosen.items() if self.values[choice.index])
        tiers = tuple(
            # A later tier may have bettered an earlier one that was not proven.
            TierResult(name, self._cost(tier), self.bounds[tier], self.milliseconds[tier])
            for tier, name in enumerate(self.problem.tiers)
        )
        return Outcome(turns, tiers, conflicts, stopped=self.stopped)

    def _cost(self, tier: int) -> int:
        return self.built.goals.cost(tier, self.values)

    def _settle(self, tier: int) -> None:
        """Keep the turns, and bring what is counted from them up to this tier to what they cost: a search leaves it loose."""
        model = self.built.model
        model.clear_hints()  # type: ignore[no-untyped-call]
        for choice in self.built.chosen.values():
            model.add_hint(choice, self.values[choice.index])
        model.minimize(linear_sum(self.built.goals.expression(number) for number in range(tier + 1)))
        # Nothing is left to search: it takes what it takes, whatever time is left.
        solver = cp_model.CpSolver()
        solver.parameters.num_workers = 1
        solver.parameters.fix_variables_to_their_hinted_value = True
        if solver.solve(model) != cp_model.OPTIMAL:
            raise RuntimeError("what a draft costs could not be counted")
        self.values = list(solver.response_proto.solution)
        self._spend(tier, solver)

    def _search_tier(self, tier: int, *, with_all: bool = False) -> bool:
        """Whether the hard rules can be kept. `with_all`: in all the time there is, since without a first draft there is none."""
        model, goals, name = self.built.model, self.built.goals, self.problem.tiers[tier]
        model.minimize(goals.expression(tier))
        if tier:
            # The draft so far is no hint: led by the relaxation alone the search is there in a fraction of the time (measured).
            model.clear_hints()  # type: ignore[no-untyped-call]
        solver = self._solver(tier, with_all=with_all)
        found = _Found(self.progress, name, tier, len(self.problem.tiers)) if self.progress else None
        with self._watched(solver):
            status = solver.solve(model, found)
        self._spend(tier, solver)
        if status == cp_model.INFEASIBLE:
            return False
        if status == cp_model.MODEL_INVALID:
            raise ValueError(f"the solver cannot count with this problem's numbers: {model.validate()}")
        if status in (cp_model.OPTIMAL, cp_model.FEASIBLE):
            before, self.values = self.values, list(solver.response_proto.solution)
            if before and goals.cost(tier, before) < goals.cost(tier, self.values):
                self.values = before
        if self.values:
            known = solver.best_objective_bound
            bound = whole(known) if math.isfinite(known) else goals.least(tier)
            self.bounds.append(max(goals.least(tier), min(self._cost(tier), bound)))
        return True

    def _spend(self, tier: int, solver: cp_model.CpSolver) -> None:
        self.milliseconds[tier] += round(solver.wall_time * 1000)
        self._used_work += round(solver.response_proto.deterministic_time)

    def _solver(self, tier: int, *, with_all: bool) -> cp_model.CpSolver:
        solver, stop = cp_model.CpSolver(), self.stop
        efforts = (1,) if with_all else (self.problem.efforts or (1,) * len(self.problem.tiers))[tier:]
        solver.parameters.num_workers = stop.workers
        solver.parameters.random_seed = stop.seed
        # The linear relaxation finds the bounds here, and the drafts near them: measured on the published instances and on months
        # of malls, one search with the whole of it proves alone, in less time than eight of the usual kinds. It is the one search
        # over everything; what workers are left look for better drafts near the best.
        solver.parameters.linearization_level = 2
        # A large mall's model would be made smaller for longer than it is then searched.
        solver.parameters.cp_model_probing_level = 0
        solver.parameters.max_presolve_iterations = 1
        if stop.workers > 1:
            whole_search = cp_model.SatParameters()
            whole_search.name, whole_search.linearization_level = "whole_relaxation", 2
            solver.parameters.subsolver_params.append(whole_search)
            solver.parameters.subsolvers.append(whole_search.name)
        # What an earlier tier did not need is the later ones'.
        if stop.seconds is not None:
            solver.parameters.max_time_in_seconds = max(
                1, (stop.seconds * 1000 - sum(self.milliseconds)) * efforts[0] // (1000 * sum(efforts))
            )
        if stop.deterministic_limit is not None:
            solver.parameters.max_deterministic_time = max(
                1, (stop.deterministic_limit - self._used_work) * efforts[0] // sum(efforts)
            )
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


def whole(bound: SupportsFloat) -> int:
    """The solver's bound as the whole number that a cost cannot be below; it counts in fractions, and a little off."""
    return math.ceil(round(Decimal(str(bound)), 3))


class _Found(cp_model.CpSolverSolutionCallback):
    """Tells of every better draft."""

    def __init__(self, progress: OnProgress, name: str, number: int, of: int) -> None:
        super().__init__()
        self._progress, self._name, self._number, self._of = progress, name, number, of

    def on_solution_callback(self) -> None:
        value, bound = round(self.objective_value), whole(self.best_objective_bound)
        self._progress(Progress(self._name, self._number + 1, self._of, value, min(bound, value)))
