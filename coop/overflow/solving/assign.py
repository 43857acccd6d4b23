"""Drafts a period: one tier after the other, each within its share of the time, each kept by the next.

A model of the whole gives each tier's bound. Of a small problem it is exact and proves the best. Of a large one it knows floor by
the sum only, and beside it arrangements are made better part by part: a few bays are cleared and solved for exactly.
"""

from __future__ import annotations

import math
import random
import threading
from collections import defaultdict
from collections.abc import Collection, Sequence
from decimal import Decimal

from ortools.sat.python import cp_model

from coop.overflow.domain.choices import Choice, Standing, open_choices, still_open, tidy
from coop.overflow.domain.counting import costs
from coop.overflow.domain.problem import TIERS, Problem
from coop.overflow.solving.filling import fill
from coop.overflow.solving.model import Model
from coop.overflow.solving.outcome import Outcome
from coop.overflow.solving.part import clear
from coop.overflow.solving.watch import Watch, watched
from coop.shifts.solving.outcome import Cancelled, OnProgress, Progress, Stop, TierResult

MOST_EXACT = 150
"""Up to so many pairs of a unit and a bay, the whole is solved exactly."""
EFFORTS = (4, 8, 3, 3, 3, 3)
"""Shares of the time, by tier."""
PART_WORK = 1000
"""Thousandths of the solver's own count of its work that a part may take."""
LEAST = 20
"""Thousandths that a solver is given, and counted for, at least: so many parts end in time however quick they are."""
FOUND = (cp_model.OPTIMAL, cp_model.FEASIBLE)


def solve(problem: Problem, stop: Stop, *, progress: OnProgress | None = None, cancelled: Cancelled | None = None) -> Outcome:
    """The best arrangement found until the stop; every rule is kept however short the time."""
    with watched(stop.seconds, cancelled) as watch:
        return _Search(problem, stop, progress, watch).run()


def _whole(problem: Problem, choices: Sequence[Choice]) -> Model:
    """Exact when it is small."""
    model = Model(problem, choices)
    if sum(len(units) for units in model.of_bay.values()) <= MOST_EXACT:
        for bay in model.relaxed:
            model.make_exact(bay)
    return model


def _lean(solver: cp_model.CpSolver) -> None:
    """All of the relaxation, and not longer at making the model smaller than at searching it: the best bounds (measured)."""
    solver.parameters.linearization_level = 2
    solver.parameters.cp_model_probing_level = 0
    solver.parameters.max_presolve_iterations = 1


class _Search:
    def __init__(self, problem: Problem, stop: Stop, progress: OnProgress | None, watch: Watch) -> None:
        self.problem, self.stop, self.progress, self.watch = problem, stop, progress, watch
        self.choices = open_choices(problem)
        self.whole = _whole(problem, self.choices)
        for cost in self.whole.costs:
            self.whole.model.minimize(cost)
            if fault := self.whole.model.validate():
                raise ValueError(f"the solver cannot count with this problem's numbers: {fault}")
        # Room for the others is no matter for what stood before.
        self.before = _whole(problem, [choice for choice in self.choices if choice.unit.is_standing])
        self.standing = fill(problem, self.choices)
        self.costs = self._count(self.standing)
        self.bounds = list(self.whole.least)
        self.tier = 0
        self.work = 0
        """Thousandths of the solver's own count."""
        self._prover = cp_model.CpSolver()
        self._chance = random.Random(stop.seed)
        self._lock = threading.Lock()

    def run(self) -> Outcome:
        milliseconds = []
        for self.tier in range(len(TIERS)):
            begun = self.watch.milliseconds
            if not self._is_proven():
                self._search_tier()
            self.whole.model.add(self.whole.costs[self.tier] <= self.costs[self.tier])
            milliseconds.append(self.watch.milliseconds - begun)
        tiers = tuple(
            # A later tier may have bettered an earlier one that was not proven.
            TierResult(name, value, min(value, bound), took)
            for name, value, bound, took in zip(TIERS, self.costs, self.bounds, milliseconds, strict=True)
        )
        placed = sorted(
            (one for _, one in tidy(self.problem, self.standing)), key=lambda one: (one.bay, one.start, one.from_in16)
        )
        return Outcome(tuple(placed), tiers, stopped=self.watch.stopped)

    def _search_tier(self) -> None:
        used = self._used()
        allowed = max(0, self._limit() - used) * EFFORTS[self.tier] // sum(EFFORTS[self.tier :])
        whole = self.whole if self.tier else self.before
        if self.stop.workers == 1 or not whole.relaxed:
            self._prove(whole, used + allowed * (1 if whole.relaxed else 2) // 3, self.stop.workers)
            self._better(used + allowed)
            return
        prover = threading.Thread(target=self._prove, args=(whole, used + allowed, self.stop.workers - 1), name="overflow-bound")
        prover.start()
        self._better(used + allowed)
        if self._is_proven():
            self._prover.stop_search()
        prover.join()

    def _is_proven(self) -> bool:
        return self.costs[self.tier] <= self.bounds[self.tier]

    def _limit(self) -> int:
        limit = self.stop.seconds if self.stop.deterministic_limit is None else self.stop.deterministic_limit
        return 1000 * (limit or 0)

    def _used(self) -> int:
        """Thousandths of what the stop counts: of a second, or of the solver's own count."""
        return self.watch.milliseconds if self.stop.deterministic_limit is None else self.work

    def _count(self, standing: Sequence[Standing]) -> tuple[int, ...]:
        return costs(self.problem, [one for _, one in standing])

    def _take(self, standing: list[Standing]) -> None:
        """Take an arrangement as good as the last, up to this tier: from another as good the way may lead farther."""
        upto, counted = self.tier + 1, self._count(standing)
        with self._lock:
            if counted[:upto] > self.costs[:upto]:
                return
            better = counted[:upto] < self.costs[:upto]
            self.standing, self.costs = standing, counted
        if better:
            self._tell()

    def _tell(self) -> None:
        if self.progress is not None:
            value = self.costs[self.tier]
            self.progress(Progress(TIERS[self.tier], self.tier + 1, len(TIERS), value, min(value, self.bounds[self.tier])))

    # --- the whole ------------------------------------------------------------------------------------------------------

    def _prove(self, whole: Model, until: int, workers: int) -> None:
        """A bound on this tier for every arrangement; and the best itself where what the model finds can be laid."""
        whole.model.minimize(whole.costs[self.tier])
        while not self._is_proven() and not self.watch.over and self._used() < until:
            whole.hint(self.standing)
            solver = self._prover = self._solver(until - self._used(), workers)
            if not whole.relaxed:
                solver.parameters.use_energetic_reasoning_in_no_overlap_2d = True
                solver.parameters.use_timetabling_in_no_overlap_2d = True
            else:
                self._seek_bound(solver)
            solver.best_bound_callback = self._learn
            status = self._run(solver, whole.model)
            if math.isfinite(solver.best_objective_bound):
                self._learn(solver.best_objective_bound)
            crowded = self._lay(whole, list(solver.response_proto.solution)) if status in FOUND else []
            if status != cp_model.OPTIMAL or not crowded:
                return
            for bay in crowded:
                whole.make_exact(bay)

    def _seek_bound(self, solver: cp_model.CpSolver) -> None:
        """As measured: once the costs of earlier tiers are held, making the model smaller is no help to its relaxation."""
        if TIERS[self.tier] in ("standing", "fairness"):
            _lean(solver)
            solver.parameters.use_objective_lb_search = True
        else:
            solver.parameters.linearization_level = 2
            solver.parameters.cp_model_presolve = False
            solver.parameters.add_lp_constraints_lazily = False

    def _learn(self, known: object) -> None:
        """The solver's bound as the whole number that the cost cannot be below; it counts in fractions, and a little off."""
        bound = math.ceil(round(Decimal(str(known)), 3))
        self.bounds[self.tier] = max(self.bounds[self.tier], bound)

    def _lay(self, whole: Model, values: Sequence[int]) -> list[str]:
        """Take what a model found, if every bay has room for it in a row; else the bays that have not."""
        chosen: dict[str, list[Choice]] = defaultdict(list)
        for choice in whole.chosen(values):
            chosen[choice.place.bay].append(choice)
        standing: list[Standing] = []
        crowded = []
        for bay, there in sorted(chosen.items()):
            row = whole.row(there, values) if bay not in whole.relaxed else self._row(bay, there)
            standing += row
            if not row:
                crowded.append(bay)
        if not crowded:
            self._take(fill(self.problem, self.choices, standing))
        return crowded

    def _row(self, bay: str, chosen: Sequence[Choice]) -> list[Standing]:
        """These in a bay, each from its week on; nothing when there is no such row or none was found."""
        model = Model(self.problem, chosen)
        model.make_exact(bay)
        model.model.add_bool_and(model.literals)
        solver = self._solver(PART_WORK, 1)
        return model.row(chosen, list(solver.response_proto.solution)) if self._run(solver, model.model) in FOUND else []

    # --- part by part ---------------------------------------------------------------------------------------------------

    def _better(self, until: int) -> None:
        """Clear a few bays and solve for them exactly, again and again; more of them while they are quickly proven."""
        bays, tenths = sorted(self.whole.of_bay), 30
        while bays and not self._is_proven() and not self.watch.over and self._used() < until:
            proven = self._better_part(self._some(bays, tenths // 10), until)
            tenths = min(tenths + 1, 10 * len(bays)) if proven else max(20, tenths - 5)

    def _some(self, bays: Sequence[str], count: int) -> set[str]:
        """A few of the bays that one unit could stand in, and others if it could not in so many."""
        unit = self._chance.choice(sorted(self.whole.of_unit))
        own = sorted({self.choices[n].place.bay for n in self.whole.of_unit[unit]})
        some = set(self._chance.sample(own, min(count, len(own))))
        return some | set(self._chance.sample(bays, max(0, min(count, len(bays)) - len(some))))

    def _better_part(self, bays: Collection[str], until: int) -> bool:
        """Whether what was found is proven the best for these bays while the others stay as they are."""
        standing = self.standing
        part = clear(self.problem, standing, bays)
        keys = {unit.key for unit in part.units}
        model = Model(part, still_open(part, (one for one in self.choices if one.place.bay in bays and one.unit.key in keys)))
        for bay in model.relaxed:
            model.make_exact(bay)
        cleared = [pair for pair in standing if pair[1].bay in bays]
        now = costs(part, [one for _, one in cleared])
        for before in range(self.tier):
            model.model.add(model.costs[before] <= now[before])
        model.model.minimize(model.costs[self.tier])
        model.hint(cleared)
        solver = self._solver(until - self._used(), 1)
        solver.parameters.max_deterministic_time = PART_WORK / 1000
        _lean(solver)
        status = self._run(solver, model.model)
        if status in FOUND:
            values = list(solver.response_proto.solution)
            self._take([pair for pair in standing if pair[1].bay not in bays] + model.row(model.chosen(values), values))
        return status == cp_model.OPTIMAL

    # --- solvers --------------------------------------------------------------------------------------------------------

    def _solver(self, thousandths: int, workers: int) -> cp_model.CpSolver:
        """Ended by what the stop counts, and by whoever stops it."""
        solver = cp_model.CpSolver()
        solver.parameters.num_workers, solver.parameters.random_seed = workers, self.stop.seed
        if self.stop.deterministic_limit is None:
            solver.parameters.max_time_in_seconds = max(LEAST, thousandths) / 1000
        else:
            solver.parameters.max_deterministic_time = max(LEAST, thousandths) / 1000
        return solver

    def _run(self, solver: cp_model.CpSolver, model: cp_model.CpModel) -> cp_model.CpSolverStatus:
        with self.watch.ending(solver.stop_search):
            status = solver.solve(model)
        self.work += max(LEAST, round(1000 * solver.response_proto.deterministic_time))
        return status
