"""What a rota is judged by, as costs in the model: cover, requests, company, fair shares, changes since the last draft."""

from __future__ import annotations

from collections import defaultdict
from itertools import pairwise

from ortools.sat.python import cp_model

from coop.shifts.solving.problem import Cover, Group, Problem, Request, Target, Together, Turn
from coop.shifts.solving.sequences import Expr, linear_sum

Chosen = dict[Turn, cp_model.IntVar]
"""Every possible turn; what is missing is impossible."""


class Goals:
    """Costs gathered tier by tier: `terms[tier]` are variables with their weights, `fixed[tier]` what is lost already."""

    def __init__(self, model: cp_model.CpModel, problem: Problem, chosen: Chosen) -> None:
        self.model, self.problem, self.chosen = model, problem, chosen
        self.terms: list[list[tuple[cp_model.IntVar, int]]] = [[] for _ in problem.tiers]
        self.fixed = [0 for _ in problem.tiers]
        self.most: dict[int, int] = defaultdict(lambda: 1)
        """The greatest value of a variable by its index, when it is no literal."""
        self._of: dict[tuple[str, int], list[tuple[str, cp_model.IntVar]]] = defaultdict(list)
        self._at: dict[tuple[int, str], list[tuple[str, cp_model.IntVar]]] = defaultdict(list)
        for turn, choice in chosen.items():
            self._of[turn.person, turn.day].append((turn.kind, choice))
            self._at[turn.day, turn.kind].append((turn.person, choice))

    def add(self, tier: int) -> None:
        """Put a tier's costs into the model: when its turn comes, since they only burden the search of those before it."""
        problem = self.problem
        for cover in (cover for cover in problem.covers if cover.tier == tier):
            self._add_cover(cover)
        for request in (request for request in problem.requests if request.tier == tier):
            self._add_request(request)
        for wish in (wish for wish in problem.together if wish.tier == tier):
            self._add_company(wish)
        for target in (target for target in problem.targets if target.tier == tier):
            self._add_target(target, problem.group[target.group])
        if problem.change_tier == tier:
            for turn in sorted(problem.last_draft):
                self._pay_unless(tier, problem.change_weight, self.chosen.get(turn))

    def expression(self, tier: int) -> Expr:
        """The tier's whole cost."""
        terms = self.terms[tier]
        return linear_sum((variable for variable, _ in terms), [weight for _, weight in terms]) + self.fixed[tier]

    def cost(self, tier: int, values: list[int]) -> int:
        """The tier's cost when the variables have these values, by their index."""
        return self.fixed[tier] + sum(weight * values[variable.index] for variable, weight in self.terms[tier])

    def least(self, tier: int) -> int:
        """What the tier costs at least, whatever the rota: every term by itself at its best."""
        return self.fixed[tier] + sum(weight * self.most[variable.index] for variable, weight in self.terms[tier] if weight < 0)

    def _pay(self, tier: int, weight: int, variable: cp_model.IntVar) -> None:
        if weight:
            self.terms[tier].append((variable, weight))

    def _pay_unless(self, tier: int, weight: int, choice: cp_model.IntVar | None) -> None:
        """The weight when the choice is not made; at once when it cannot be."""
        self.fixed[tier] += weight
        if choice is not None:
            self._pay(tier, -weight, choice)

    def _add_cover(self, cover: Cover) -> None:
        people = self.problem.person
        there = [
            choice
            for kind in sorted(cover.kinds)
            for person, choice in self._at.get((cover.day, kind), ())
            if cover.skill is None or cover.skill in people[person].skills_on(cover.day)
        ]
        name = f"{cover.day} {'|'.join(sorted(cover.kinds))} {cover.skill or ''}"
        short = self.model.new_int_var(0, cover.required, f"short {name}")
        self._pay(cover.tier, cover.under, short)
        if cover.over and len(there) > cover.required:
            over = self.model.new_int_var(0, len(there) - cover.required, f"over {name}")
            self._pay(cover.tier, cover.over, over)
            self.model.add(linear_sum(there) + short - over == cover.required)
        else:
            self.model.add(linear_sum(there) + short >= cover.required)

    def _add_request(self, request: Request) -> None:
        choices = [
            choice
            for kind, choice in self._of.get((request.person, request.day), ())
            if request.kinds is None or kind in request.kinds
        ]
        if request.wanted:
            self._pay_unless(request.tier, request.weight, self._any(choices, request.person))
        else:
            happened = self._any(choices, request.person)
            if happened is not None:
                self._pay(request.tier, request.weight, happened)

    def _any(self, choices: list[cp_model.IntVar], person: str) -> cp_model.IntVar | None:
        """A literal that is 1 when one of a person's choices on a day is made; None when there is none."""
        if len(choices) <= 1:
            return choices[0] if choices else None
        one = self.model.new_bool_var(f"any {person}")
        if self.problem.person[person].limits.turns_a_day == 1:
            self.model.add(linear_sum(choices) == one)
        else:
            self.model.add_max_equality(one, choices)
        return one

    def _add_company(self, wish: Together) -> None:
        kinds = self.problem.kind
        for day in range(self.problem.days):
            others = self._of.get((wish.other, day), ())
            for kind_id, choice in self._of.get((wish.person, day), ()):
                if kinds[kind_id].elsewhere:
                    continue
                beside = [
                    other
                    for other_kind, other in others
                    if kinds[kind_id].overlaps(kinds[other_kind]) and not kinds[other_kind].elsewhere
                ]
                alone = self.model.new_bool_var(f"alone {wish.person} {day} {kind_id}") if beside else choice
                if beside:
                    self.model.add(choice - linear_sum(beside) <= alone)
                self._pay(wish.tier, wish.weight, alone)

    def _add_target(self, target: Target, group: Group) -> None:
        counted: list[tuple[cp_model.IntVar, int]] = []
        for day in range(self.problem.days) if group.days is None else sorted(group.days):
            for kind, choice in self._of.get((target.person, day), ()):
                if group.holds(day, kind):
                    counted.append((choice, self.problem.kind[kind].credit if group.by_credit else 1))
        self.fixed[target.tier] += target.cost(0)
        most = sum(weight for _, weight in counted)
        steps: list[cp_model.IntVar] = []
        while (begin := len(steps)) < min(most, len(target.costs) - 1):
            steps.append(self.model.new_bool_var(f"step {target.person} {target.group} {begin}"))
            self._pay(target.tier, target.cost(begin + 1) - target.cost(begin), steps[begin])
        # Each step is at least as dear as the one before: taking them in turn loses nothing, and spares the search the others.
        for earlier, later in pairwise(steps):
            self.model.add_implication(later, earlier)
        if begin < most:
            more = self.model.new_int_var(0, most - begin, f"more {target.person} {target.group}")
            self.most[more.index] = most - begin
            self._pay(target.tier, target.cost(begin + 1) - target.cost(begin), more)
            if steps:
                self.model.add(more == 0).only_enforce_if(~steps[-1])
            steps.append(more)
        self.model.add(linear_sum((c for c, _ in counted), [w for _, w in counted]) == linear_sum(steps))
