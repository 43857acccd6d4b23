"""A period as a CP-SAT model: a literal for each place and beginning of each unit, what floor there is, and the tiers' costs.

A bay's floor is a sum of lengths for each week, which asks less than a row of things in it: who keeps the one may break the
other. `make_exact` adds the row itself to a bay. So what the model proves holds for every arrangement, exact or not.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Sequence

from ortools.sat.python import cp_model

from coop.overflow.domain.choices import Choice, Standing, Taken
from coop.overflow.domain.counting import most_feet, most_tone, nothing_days, waiting_days
from coop.overflow.domain.problem import TIERS, Problem

Expr = cp_model.LinearExprT


class Model:
    def __init__(self, problem: Problem, choices: Sequence[Choice]) -> None:
        self.problem, self.choices, self.taken = problem, choices, Taken(problem)
        self.model = cp_model.CpModel()
        self.literals = [self.model.new_bool_var(f"{c.unit.key} {c.place.bay} {c.start}") for c in choices]
        self.of_unit: dict[str, list[int]] = defaultdict(list)
        """Which choices are a unit's, by their number."""
        self.of_bay: dict[str, dict[str, list[int]]] = defaultdict(lambda: defaultdict(list))
        """By bay and unit."""
        for n, choice in enumerate(choices):
            self.of_unit[choice.unit.key].append(n)
            self.of_bay[choice.place.bay][choice.unit.key].append(n)
        self._exact: set[str] = set()
        self._along: dict[str, cp_model.IntVar] = {}
        self._begins: dict[str, cp_model.IntVar] = {}
        for numbers in self.of_unit.values():
            self.model.add_at_most_one(self.literals[n] for n in numbers)
        self._add_floor()
        self._add_limits()
        self._add_weeks_left()
        self.least = [0 for _ in TIERS]
        """Below what no tier's cost can be, whatever else is placed."""
        self.costs = self._costs()

    @property
    def relaxed(self) -> list[str]:
        """Bays that are not exact."""
        return [bay for bay in self.of_bay if bay not in self._exact]

    def make_exact(self, bay: str) -> None:
        """What stands in a bay stands beside each other, wherever along it each has its place."""
        self._exact.add(bay)
        model, length = self.model, self.taken.lengths[bay]
        across, down = [], []
        for key, numbers in self.of_bay[bay].items():
            first = self.choices[numbers[0]]
            here = model.new_bool_var(f"{key} in {bay}")
            model.add(_sum(self.literals[n] for n in numbers) == here)
            along, size = self._from(key), first.place.length_in16
            model.add(along <= length - size).only_enforce_if(here)
            across.append(model.new_optional_fixed_size_interval_var(along, size, here, ""))
            down.append(model.new_optional_fixed_size_interval_var(self._start(key), first.unit.weeks, here, ""))
        for from_in16, to_in16, weeks in self.taken.stretches[bay]:
            if weeks and to_in16 > from_in16:
                across.append(model.new_fixed_size_interval_var(from_in16, to_in16 - from_in16, ""))
                down.append(model.new_fixed_size_interval_var(weeks.start, len(weeks), ""))
        model.add_no_overlap_2d(across, down)

    def _from(self, key: str) -> cp_model.IntVar:
        """Where along whatever bay it stands in."""
        if key not in self._along:
            far = max(
                self.taken.lengths[self.choices[n].place.bay] - self.choices[n].place.length_in16 for n in self.of_unit[key]
            )
            self._along[key] = self.model.new_int_var(0, far, f"{key} from")
        return self._along[key]

    def _start(self, key: str) -> cp_model.IntVar:
        if key not in self._begins:
            numbers = self.of_unit[key]
            starts = sorted({self.choices[n].start for n in numbers})
            start = self._begins[key] = self.model.new_int_var_from_domain(cp_model.Domain.from_values(starts), f"{key} start")
            later = _sum((self.literals[n] for n in numbers), [self.choices[n].start - starts[0] for n in numbers])
            self.model.add(later == start - starts[0])
        return self._begins[key]

    def hint(self, standing: Iterable[Standing]) -> None:
        model = self.model
        model.clear_hints()  # type: ignore[no-untyped-call]
        at = {one.unit: one for _, one in standing}
        for n, choice in enumerate(self.choices):
            one = at.get(choice.unit.key)
            model.add_hint(self.literals[n], one is not None and (one.bay, one.start) == (choice.place.bay, choice.start))
        for key, along in self._along.items():
            if key in at:
                model.add_hint(along, at[key].from_in16)

    def chosen(self, values: Sequence[int]) -> list[Choice]:
        return [choice for choice, literal in zip(self.choices, self.literals, strict=True) if values[literal.index]]

    def row(self, choices: Iterable[Choice], values: Sequence[int]) -> list[Standing]:
        """Choices in exact bays, each where along its bay a solution has it."""
        return [(choice, choice.placed(values[self._along[choice.unit.key].index])) for choice in choices]

    # --- rules ----------------------------------------------------------------------------------------------------------

    def _add_floor(self) -> None:
        rows: dict[tuple[str, int], list[int]] = defaultdict(list)
        for n, choice in enumerate(self.choices):
            for week in choice.weeks:
                rows[choice.place.bay, week].append(n)
        for (bay, week), numbers in rows.items():
            lengths = [self.choices[n].place.length_in16 for n in numbers]
            free = self.taken.free_in16(bay, week)
            self._keep_within(numbers, lengths, free)

    def _add_limits(self) -> None:
        problem, rows = self.problem, self._by_dealer_and_week()
        for (dealer, week), numbers in rows.items():
            if problem.most_in16 is not None:
                lengths = [self.choices[n].place.length_in16 for n in numbers]
                self._keep_within(numbers, lengths, problem.most_in16 - self.taken.in16[dealer, week])
            if problem.most_pieces is not None:
                pieces = [self.choices[n].unit.pieces for n in numbers]
                self._keep_within(numbers, pieces, problem.most_pieces - self.taken.pieces[dealer, week])

    def _by_dealer_and_week(self) -> dict[tuple[str, int], list[int]]:
        rows: dict[tuple[str, int], list[int]] = defaultdict(list)
        for n, choice in enumerate(self.choices):
            for week in choice.weeks:
                rows[choice.unit.dealer, week].append(n)
        return rows

    def _keep_within(self, numbers: Sequence[int], sizes: Sequence[int], most: int) -> None:
        largest: dict[str, int] = defaultdict(int)
        for n, size in zip(numbers, sizes, strict=True):
            key = self.choices[n].unit.key
            largest[key] = max(largest[key], size)
        if sum(largest.values()) > most:
            self.model.add(_sum((self.literals[n] for n in numbers), sizes) <= most)

    def _add_weeks_left(self) -> None:
        """A literal for each week in which a dealer has anything in a bay that it may not always be in."""
        of: dict[tuple[str, str], dict[int, list[int]]] = defaultdict(lambda: defaultdict(list))
        for n, choice in enumerate(self.choices):
            at = choice.unit.dealer, choice.place.bay
            if at in self.problem.weeks_left:
                for week in choice.weeks:
                    of[at][week].append(n)
        for at, weeks in of.items():
            known, left = self.taken.weeks[at], self.problem.weeks_left[at]
            new = {week: numbers for week, numbers in weeks.items() if week not in known}
            if len(new) <= left - len(known):
                continue
            there = []
            for numbers in new.values():
                stands = self.model.new_bool_var("")
                for n in numbers:
                    self.model.add_implication(self.literals[n], stands)
                there.append(stands)
            self.model.add(_sum(there) <= max(0, left - len(known)))

    # --- costs ----------------------------------------------------------------------------------------------------------

    def _costs(self) -> tuple[Expr, ...]:
        """As `domain.counting` counts them."""
        problem = self.problem
        counted: dict[str, list[Expr]] = {tier: [] for tier in TIERS}
        counted["fairness"] = [self._fairness()]
        for unit in problem.units:
            numbers = self.of_unit.get(unit.key, [])
            nothing: dict[str, int] = {
                "standing": unit.floor if unit.is_standing else 0,
                "waiting": nothing_days(problem, unit),
                "distance": most_feet(unit),
                "tones": most_tone(unit),
                "money": unit.cents,
            }
            for tier, most in nothing.items():
                less = [self._cost(tier, self.choices[n]) - most for n in numbers]
                self.least[TIERS.index(tier)] += most + min([0, *less])
                counted[tier].append(_sum((self.literals[n] for n in numbers), less) + most)
        return tuple(_sum(counted[tier]) for tier in TIERS)

    @staticmethod
    def _cost(tier: str, choice: Choice) -> int:
        if tier == "waiting":
            return waiting_days(choice.unit, choice.start)
        return {"distance": choice.place.feet, "tones": choice.place.tone}.get(tier, 0)

    def _fairness(self) -> Expr:
        """Worths fall from step to step, so that the steps fill in their order by themselves."""
        of: dict[str, list[int]] = defaultdict(list)
        for n, choice in enumerate(self.choices):
            of[choice.unit.dealer].append(n)
        terms: list[Expr] = []
        for share in self.problem.shares:
            asked = sum(unit.floor for unit in self.problem.units if unit.dealer == share.dealer)
            steps = [self.model.new_int_var(0, min(width, asked), f"{share.dealer} step") for width, _ in share.steps]
            numbers = of.get(share.dealer, [])
            floor = [self.choices[n].unit.floor for n in numbers]
            self.model.add(_sum(steps) <= _sum((self.literals[n] for n in numbers), floor))
            most = sum({self.choices[n].unit.key: self.choices[n].unit.floor for n in numbers}.values())
            self.least[TIERS.index("fairness")] += share.worth(asked) - share.worth(most)
            terms.append(share.worth(asked) - _sum(steps, [each for _, each in share.steps]))
        return _sum(terms)


def _sum(terms: Iterable[Expr], weights: Sequence[int] | None = None) -> Expr:
    """The library's own sum: Python's makes an expression of every step."""
    listed = list(terms)
    if not listed:
        return 0
    return cp_model.LinearExpr.sum(listed) if weights is None else cp_model.LinearExpr.weighted_sum(listed, list(weights))
