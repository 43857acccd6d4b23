"""The best arrangement of a small booth, proven: every place of every floor piece as a literal, tier by tier.

The way is no part of the model at first. A solution in which a disc does not come to a piece is cut off: of the nodes around what
the disc does come to, one must become free, or the piece stand where it is come to from there. Each cut holds for every valid
arrangement, so a tier's bound is a bound, and a solution that needs no more cuts is the best. All this on the grid, with quarter
turns, and without what hangs or stands on tops.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Callable, Sequence
from typing import Any

import numpy as np
from ortools.sat.python import cp_model

from coop.resets.domain.arranging import TIERS, least_moved
from coop.resets.domain.piece import Arrangement
from coop.resets.solving.ground import Come, Stance
from coop.resets.solving.placing import Key, Placer, State

MOST_PLACES = 8000
"""Up to so many places of all pieces together a booth is small: the model is made in a second or two."""


class Exact:
    def __init__(self, placer: Placer, drafts: Sequence[Arrangement]) -> None:
        self.placer, self.ground, self.judge, self.drafts = placer, placer.ground, placer.judge, drafts
        self.model = cp_model.CpModel()
        self.at: dict[tuple[Key, int, int], Any] = {}
        """A literal for a piece, which of its stances, and which place of that."""
        self.of: dict[Key, list[tuple[Stance, int, Any]]] = {}
        for key, some in placer.costs.items():
            self.of[key] = []
            for number, costs in enumerate(some):
                for n, anchor in enumerate(costs.stance.anchors.tolist()):
                    literal = self.model.new_bool_var("")
                    self.at[key, number, n] = literal
                    self.of[key].append((costs.stance, anchor, literal))
        self._free: dict[int, Any] = {}
        self._add_places()
        self.tiers = self._tiers()
        self.bounds: list[int] = []
        self.best: State = {}

    def run(
        self,
        start: State,
        score: Callable[[State], tuple[int, ...]],
        *,
        seconds: int | None,
        work: int | None,
        seed: int,
        workers: int,
        over: Callable[[Callable[[], None]], bool],
    ) -> tuple[State, list[int]]:
        """The best state found, and a bound for each tier that was reached; the last of them may not be tight.

        `over` is asked before each solving, with what ends it.
        """
        self.best, bounds = dict(start), []
        for tier, expression in enumerate(self.tiers):
            bound = 0
            while True:
                solver = cp_model.CpSolver()
                solver.parameters.num_workers, solver.parameters.random_seed = workers, seed
                if seconds is not None:
                    solver.parameters.max_time_in_seconds = seconds
                if work is not None:
                    solver.parameters.max_deterministic_time = work
                self.model.minimize(expression)
                self._hint(self.best)
                if over(solver.stop_search):
                    break
                status = solver.solve(self.model)
                if seconds is not None:
                    seconds = max(1, seconds - int(solver.wall_time))
                if status not in (cp_model.OPTIMAL, cp_model.FEASIBLE):
                    break
                bound = max(bound, round(solver.best_objective_bound))
                state = self._state(solver)
                kept = self.placer.come_to(state)
                if score(kept) < score(self.best):
                    self.best = kept
                if score(self.best)[tier] <= bound:
                    break
                if status != cp_model.OPTIMAL:
                    break
                self._cut(state)
            bounds.append(bound)
            value = score(self.best)[tier]
            if value > bound:
                break
            self.model.add(expression <= value)
        return self.best, bounds

    def _add_places(self) -> None:
        model = self.model
        cells: dict[int, list[tuple[Key, Any]]] = defaultdict(list)
        zones: dict[int, dict[Key, list[Any]]] = defaultdict(lambda: defaultdict(list))
        for key, places in self.of.items():
            model.add_at_most_one(literal for _, _, literal in places)
            for stance, anchor, literal in places:
                for cell in self._ones(stance.body_at(anchor)):
                    cells[cell].append((key, literal))
                if stance.piece.opens_in16:
                    for cell in self._ones(stance.zone_at_anchor(anchor)):
                        zones[cell][key].append(literal)
        for cell, there in cells.items():
            model.add_at_most_one(literal for _, literal in there)
            for key, opened in zones[cell].items():
                model.add_at_most_one([*opened, *(literal for other, literal in there if other != key)])

    def _ones(self, bits: int) -> list[int]:
        ones: list[int] = np.flatnonzero(self.ground.flags(bits)).tolist()
        return ones

    def _tiers(self) -> list[Any]:
        """The cost of each tier, in the order of TIERS, as `arranging.score` counts it."""
        model, dresser, judge = self.model, self.placer.dresser, self.judge
        placed = {key: sum(literal for *_, literal in places) for key, places in self.of.items()}
        left_out = sum(1 - placed[key] for key in placed)
        sections: dict[str, dict[int, list[Any]]] = defaultdict(lambda: defaultdict(list))
        high: dict[int, list[Any]] = defaultdict(list)
        nooks: list[Any] = []
        forward: list[Any] = []
        hidden: list[list[Any]] = [[] for _ in judge.lanes]
        elsewhere: list[list[Any]] = [[] for _ in self.drafts]
        lengths = dresser.lengths
        for key, some in self.placer.costs.items():
            own: dict[int, list[Any]] = defaultdict(list)
            hides: list[list[Any]] = [[] for _ in judge.lanes]
            for number, costs in enumerate(some):
                for n in range(len(costs.stance.anchors)):
                    literal = self.at[key, number, n]
                    own[int(costs.section[n])].append(literal)
                    if costs.is_high:
                        high[int(costs.section[n])].append(literal)
                    if costs.nook[n]:
                        nooks.append(literal)
                    forward.append(int(costs.forward[n]) * literal)
                    if costs.seen is not None:
                        for lane, out in enumerate(((lengths - costs.seen[:, n]) // 16).tolist()):
                            hides[lane].append(out * literal)
                    for d, moved in enumerate(costs.elsewhere):
                        if moved is not None and moved[n]:
                            elsewhere[d].append(literal)
            grouping = self.placer.pieces[key].grouping
            if grouping:
                for section, literals in own.items():
                    sections[grouping][section].append(sum(literals))
            for lane, outs in enumerate(hides):
                if outs:
                    hidden[lane].append(sum(outs))
        spread: list[Any] = []
        for grouping in {*sections, *dresser.locked_sections}:
            known = dresser.locked_sections.get(grouping, set())
            used = []
            for section, pieces in sections[grouping].items():
                if section in known:
                    continue
                here = model.new_bool_var("")
                for piece in pieces:
                    model.add(piece <= here)
                used.append(here)
            some_placed: Any = 1
            if not known:
                some_placed = model.new_bool_var("")
                model.add(some_placed <= sum(piece for pieces in sections[grouping].values() for piece in pieces))
            spread.append(sum(used) + len(known) - some_placed)
        lacking: list[Any] = []
        for section in set(judge.sections) - dresser.locked_high:
            lacks = model.new_bool_var("")
            model.add(lacks + sum(high[section]) >= 1)
            lacking.append(lacks)
        missing = self._at_least_0(dresser.nooks_wished - dresser.locked_nooks - sum(nooks), dresser.nooks_wished)
        lanes = []
        for lane, pieces in enumerate(hidden):
            most = int(lengths[lane]) // 16
            least = int(lengths[lane] - dresser.locked_seen[lane]) // 16
            out = model.new_int_var(least, most, "")
            for piece in pieces:
                model.add(out >= piece)
            lanes.append(out)
        like = []
        for d, draft in enumerate(self.drafts):
            both = [key for key in placed if key in draft]
            wanted = least_moved(judge.wishes, len(both))
            like.append(self._at_least_0(wanted - sum(elsewhere[d]) - sum(1 - placed[key] for key in both), wanted))
        tiers = [left_out, sum(like), sum(spread), sum(lacking), missing, sum(forward), sum(lanes)]
        assert len(tiers) == len(TIERS)
        return tiers

    def _at_least_0(self, expression: Any, most: int) -> Any:
        short = self.model.new_int_var(0, max(0, most), "")
        self.model.add(short >= expression)
        return short

    def _hint(self, state: State) -> None:
        self.model.clear_hints()  # type: ignore[no-untyped-call]
        for key, places in self.of.items():
            for stance, anchor, literal in places:
                self.model.add_hint(literal, state.get(key) == (stance, anchor))

    def _state(self, solver: cp_model.CpSolver) -> State:
        return {
            key: (stance, anchor)
            for key, places in self.of.items()
            for stance, anchor, literal in places
            if solver.boolean_value(literal)
        }

    # --- the way --------------------------------------------------------------------------------------------------------

    def _cut(self, state: State) -> None:
        """Cut off a solution in which a disc does not come to something."""
        ground, nodes, tall = self.ground, self.ground.nodes, self.ground.tall
        for stance, anchor in state.values():
            nodes &= ~stance.disc_at_anchor(anchor)
            tall |= stance.body_at(anchor) if stance.is_tall else 0
        reached = ground.reached(nodes)
        # What is free beside it would have been come to: these are all taken, by pieces.
        freed = sum(self._freed(node) for node in self._ones(ground.beside(reached) & ground.nodes))
        if not all(asked & reached for asked in ground.asked):
            self.model.add(freed >= 1)
        come, come_over_all = Come(ground, reached, tall), Come(ground, reached, ground.tall)
        for key, (stance, anchor) in state.items():
            if stance.front_at(anchor) & come.to(stance):
                continue
            if stance.front_at(anchor) & come_over_all.to(stance):
                # An arm is barred by something tall: while all that is tall stands so, a way on must open.
                bars = [self._literal(other, at) for other, at in state.items() if other != key and at[0].is_tall]
                self.model.add(self._literal(key, (stance, anchor)) + sum(bars) <= len(bars) + freed)
                continue
            shut = [literal for one, at, literal in self.of[key] if not one.front_at(at) & come_over_all.to(one)]
            self.model.add(sum(shut) <= freed)

    def _literal(self, key: Key, at: tuple[Stance, int]) -> Any:
        return next(literal for stance, anchor, literal in self.of[key] if (stance, anchor) == at)

    def _freed(self, node: int) -> Any:
        """A literal: no piece is nearer to a node than the disc's radius."""
        if node not in self._free:
            free = self._free[node] = self.model.new_bool_var("")
            for places in self.of.values():
                near = [literal for stance, anchor, literal in places if stance.disc_at_anchor(anchor) >> node & 1]
                if near:
                    self.model.add(sum(near) + free <= 1)
        return self._free[node]
