"""Below what no arrangement of a booth too large for the proof can come: which section each piece stands in, and no more.

Every arrangement says of each floor piece in which section its middle is and whether it makes a nook; what that costs at least
is known from its places one by one. Of what stands in the way of what, only areas are kept. So the best choice of sections is a
bound of every arrangement, given what the tiers before came to, and it is found in a moment.
"""

from __future__ import annotations

import math
from collections import defaultdict
from collections.abc import Sequence
from typing import Any

from ortools.sat.python import cp_model

from coop.resets.domain.arranging import TIERS
from coop.resets.solving.placing import Key
from coop.resets.solving.search import Search

WORK = 1
"""The solver's own count of work for one tier; most take a hundredth of it."""

TINY = 1 / 1000
"""The solver counts bounds in fractions, and a little off."""


def bounds_of(search: Search, come_to: Sequence[int], least: Sequence[int]) -> list[int]:
    """A bound for each tier, given that those before are no worse than `come_to`; never below what is known already."""
    model = cp_model.CpModel()
    bounds = list(least)
    for tier, expression in enumerate(_tiers(search, model)):
        if expression is None:
            continue
        solver = cp_model.CpSolver()
        solver.parameters.num_workers, solver.parameters.max_deterministic_time = 1, WORK
        model.minimize(expression)
        if solver.solve(model) not in (cp_model.OPTIMAL, cp_model.FEASIBLE):
            break
        bounds[tier] = max(bounds[tier], math.ceil(solver.best_objective_bound - TINY))
        model.add(expression <= come_to[tier])
    return bounds


def _tiers(search: Search, model: cp_model.CpModel) -> list[Any]:
    """The tiers as the choice of sections costs them at least; None for those it says nothing of."""
    placer, judge, dresser = search.placer, search.judge, search.dresser
    stands: dict[Key, list[Any]] = defaultdict(list)
    here: dict[int, list[tuple[Key, Any]]] = defaultdict(list)
    high: dict[int, list[Any]] = defaultdict(list)
    nooks: list[Any] = []
    forward: list[Any] = []
    for key, some in placer.costs.items():
        cheapest: dict[tuple[int, bool], int] = {}
        for costs in some:
            for section, nook, cost in zip(costs.section.tolist(), costs.nook.tolist(), costs.forward.tolist(), strict=True):
                cheapest[section, nook] = min(cost, cheapest.get((section, nook), cost))
        for (section, nook), cost in cheapest.items():
            literal = model.new_bool_var("")
            stands[key].append(literal)
            here[section].append((key, literal))
            forward.append(cost * literal)
            if nook:
                nooks.append(literal)
            if some[0].is_high:
                high[section].append(literal)
        model.add_at_most_one(stands[key])
    _keep_to_area(search, model, here)
    spread: list[Any] = []
    for grouping in {piece.grouping for piece in placer.pieces.values() if piece.grouping}:
        known = dresser.locked_sections.get(grouping, set())
        used = []
        for section, pieces in here.items():
            own = [literal for key, literal in pieces if placer.pieces[key].grouping == grouping]
            if own and section not in known:
                used.append(model.new_bool_var(""))
                model.add_max_equality(used[-1], own)
        some_placed: Any = 1
        if not known:
            some_placed = model.new_bool_var("")
            model.add(some_placed <= sum(used))
        spread.append(sum(used) + len(known) - some_placed)
    raised = len(dresser.tables) + len(dresser.hung)
    crowned = []
    for section in set(judge.sections) - dresser.locked_high:
        crowned.append(model.new_bool_var(""))
        model.add(crowned[-1] <= sum(high[section]))
    open_sections = len(set(judge.sections) - dresser.locked_high)
    lacking, missing = model.new_int_var(0, open_sections, ""), model.new_int_var(0, max(0, dresser.nooks_wished), "")
    model.add(lacking >= open_sections - sum(crowned) - raised)
    model.add(missing >= dresser.nooks_wished - dresser.locked_nooks - sum(nooks))
    left_out = len(stands) - sum(literal for literals in stands.values() for literal in literals)
    tiers = [left_out, None, sum(spread), lacking, missing, sum(forward), None]
    assert len(tiers) == len(TIERS)
    return tiers


def _keep_to_area(search: Search, model: cp_model.CpModel, here: dict[int, list[tuple[Key, Any]]]) -> None:
    """Pieces take no more cells than there are, in the whole booth and within half a piece of each section."""
    ground, judge, cells = search.ground, search.judge, search.cells
    free = ground.flags(ground.body)
    model.add(sum(cells[key] * literal for pieces in here.values() for key, literal in pieces) <= int(free.sum()))
    x, y = ground.x + ground.g // 2, ground.y + ground.g // 2
    for section, pieces in here.items():
        row, column = divmod(section, judge.columns)
        sizes = [(search.placer.pieces[key].width_in16, search.placer.pieces[key].depth_in16) for key, _ in pieces]
        out = max(map(max, sizes)) // 2 + 2 * ground.g
        left, right = (judge.left + judge.width * (column + n) // judge.columns for n in (0, 1))
        top, bottom = (judge.top + judge.depth * (row + n) // judge.rows for n in (0, 1))
        near = (x >= left - out) & (x <= right + out) & (y >= top - out) & (y <= bottom + out)
        model.add(sum(cells[key] * literal for key, literal in pieces) <= int((near & free).sum()))
