"""A project's schedule by CP-SAT: the best there is, or the best in the time, with a bound. It loads OR-Tools."""

from __future__ import annotations

import math
from itertools import pairwise

from ortools.sat.python import cp_model

from coop.resets.domain.hours.project import Project, Schedule, first_fit
from coop.resets.domain.hours.schedule import TRIES, find_schedule, lower_bound

WORKERS = 2
SECONDS = 10


def solve_schedule(
    project: Project, *, seed: int = 1, seconds: int = SECONDS, tries: int = TRIES, workers: int = WORKERS
) -> Schedule | None:
    """The schedule that ends earliest. None: not all of it fits before everybody has gone, or none was found in the time.

    Begins with the best of the lists, and searches only when that is not proven. Raises ImpossibleWork and WorkInCircle.
    """
    found = find_schedule(project, seed=seed, tries=tries)
    if found is not None and found.proven:
        return found
    bound = lower_bound(project)
    if bound > project.horizon:
        return None
    model = cp_model.CpModel()
    starts = _starts(model, project, found)
    if starts is None:
        return found
    finish = model.new_int_var(bound, project.horizon if found is None else found.finish, "finish")
    for work in project.works:
        model.add(finish >= starts[work.key] + work.minutes)
        for before in work.after:
            model.add(starts[work.key] >= starts[before] + project.by_key[before].minutes)
    _share(model, project, starts)
    model.minimize(finish)
    for key, at in found.starts.items() if found else ():
        model.add_hint(starts[key], at)
    solver = cp_model.CpSolver()
    solver.parameters.num_workers = workers
    solver.parameters.random_seed = seed
    solver.parameters.max_time_in_seconds = seconds
    status = solver.solve(model)
    if status not in (cp_model.OPTIMAL, cp_model.FEASIBLE):
        return found
    end = round(solver.objective_value)
    known = math.ceil(round(solver.best_objective_bound, 3))
    return Schedule({key: solver.value(at) for key, at in starts.items()}, end, min(end, max(bound, known)))


def _starts(model: cp_model.CpModel, project: Project, found: Schedule | None) -> dict[str, cp_model.IntVar] | None:
    """A variable for each start, over the minutes at which the work would fit were it alone. None: one fits at no such minute."""
    latest = project.horizon if found is None else found.finish
    variables = {}
    for work in project.works:
        spans, begin = [], project.heads[work.key]
        last = latest - project.tails[work.key] - work.minutes
        while begin <= last:
            at = first_fit(project.capacity, work, begin)
            if at is None or at > last:
                break
            end = at
            while end < last and first_fit(project.capacity, work, end + 1) == end + 1:
                end += 1
            spans.append([at, end])
            begin = end + 1
        if not spans:
            return None
        variables[work.key] = model.new_int_var_from_domain(cp_model.Domain.from_intervals(spans), work.key)
    return variables


def _share(model: cp_model.CpModel, project: Project, starts: dict[str, cp_model.IntVar]) -> None:
    """Never more of a resource at once than there is then: what is less than its most is taken by a fixed piece of work."""
    for number, row in enumerate(project.capacity):
        most = int(row.max(initial=0))
        users = [work for work in project.works if work.needs[number] and work.minutes]
        if not users:
            continue
        intervals = [model.new_fixed_size_interval_var(starts[work.key], work.minutes, work.key) for work in users]
        demands = [work.needs[number] for work in users]
        edges = [0, *(minute for minute in range(1, len(row)) if row[minute] != row[minute - 1]), len(row)]
        for begin, end in pairwise(edges):
            if row[begin] < most:
                intervals.append(model.new_fixed_size_interval_var(begin, end - begin, f"less {number} {begin}"))
                demands.append(most - int(row[begin]))
        model.add_cumulative(intervals, demands, most)
