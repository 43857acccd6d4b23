"""What may follow what: one person's turns over the days, as constraints."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Sequence

from ortools.sat.python import cp_model

from coop.shifts.solving.problem import DAY_MINUTES, Kind, Limits, Minimum, Person, Problem, Turn

Expr = cp_model.LinearExpr | int
Choices = dict[tuple[int, str], cp_model.IntVar]
"""One person's possible turns by day and kind; what is missing is impossible."""


Demands = dict[Turn | Minimum, cp_model.IntVar]
"""For each lock and minimum the literal under which it holds: made when it is asked which of them contradict each other."""


class PersonDays:
    """One person's days: the choices of each, and whether it is worked (made only when a rule needs it)."""

    def __init__(
        self, model: cp_model.CpModel, problem: Problem, person: Person, choices: Choices, demands: Demands | None = None
    ) -> None:
        self.model, self.problem, self.person, self.choices, self.demands = model, problem, person, choices, demands
        self.by_day: dict[int, list[cp_model.IntVar]] = defaultdict(list)
        for (day, _), choice in choices.items():
            self.by_day[day].append(choice)
        self.known_turns = [(turn.day, problem.kind[turn.kind]) for turn in problem.known if turn.person == person.id]
        self.known_days = {day for day, _ in self.known_turns}
        self._works: dict[int, cp_model.IntVar] = {}
        self._at_most_one = person.limits.turns_a_day == 1

    def works(self, day: int) -> Expr:
        """1 on a day with a turn; a constant where nothing is left to choose."""
        if not 0 <= day < self.problem.days:
            return int(day in self.known_days)
        choices = self.by_day.get(day, [])
        if len(choices) <= 1:
            return choices[0] if choices else 0
        if day not in self._works:
            works = self._works[day] = self.model.new_bool_var(f"works {self.person.id} {day}")
            if self._at_most_one:
                self.model.add(linear_sum(choices) == works)
            else:
                # Those at one time exclude each other: together they are a better bound than each by itself.
                for together in self._at_once(day):
                    self.model.add(linear_sum(together) <= works)
                self.model.add(linear_sum(choices) >= works)
        return self._works[day]

    def _at_once(self, day: int) -> list[list[cp_model.IntVar]]:
        """The choices of a day in sets of which one at most can be made, each choice in one set at least."""
        here = [kind for kind in self.problem.kinds if (day, kind.id) in self.choices]
        timed = [(kind.id, kind.starts, kind.starts + kind.minutes) for kind in here if kind.starts is not None]
        sets = {
            frozenset(kind for kind, begin, end in timed if begin <= moment < end) for moment in {begin for _, begin, _ in timed}
        }
        sets |= {frozenset({kind.id}) for kind in here if kind.starts is None}
        return [[self.choices[day, kind] for kind in sorted(ids)] for ids in sorted(sets, key=sorted)]

    def add_rules(self) -> None:
        self._add_same_day()
        self._add_following_days()
        self._add_runs()
        self._add_weekends()
        self._add_amounts()

    # --- a day and the next ---------------------------------------------------------------------------------------------

    def _add_same_day(self) -> None:
        limit = self.person.limits.turns_a_day
        for day, choices in self.by_day.items():
            if limit == 1:
                self.model.add_at_most_one(choices)
                continue
            if limit is not None and limit < len(choices):
                self.model.add(linear_sum(choices) <= limit)
            for together in self._at_once(day):
                if len(together) > 1:
                    self.model.add_at_most_one(together)

    def _add_following_days(self) -> None:
        limits, kinds = self.person.limits, self.problem.kinds
        barred = {
            (kind.id, days_on): frozenset(later.id for later in kinds if _barred(kind, later, days_on, limits))
            for kind in kinds
            for days_on in (1, 2, 3)
        }
        alike: dict[tuple[int, frozenset[str]], list[str]] = defaultdict(list)
        for (kind_id, days_on), later in barred.items():
            if later:
                alike[days_on, later].append(kind_id)
        for (days_on, later), earlier in alike.items():
            for day in range(self.problem.days - days_on):
                before = [self.choices[day, k] for k in earlier if (day, k) in self.choices]
                after = [self.choices[day + days_on, k] for k in sorted(later) if (day + days_on, k) in self.choices]
                if not before or not after:
                    continue
                if self._at_most_one:
                    self.model.add_at_most_one(before + after)
                else:
                    for one in before:
                        for other in after:
                            self.model.add_at_most_one(one, other)
        for (day, kind_id), choice in self.choices.items():
            kind = self.problem.kind[kind_id]
            for known_day, known in self.known_turns:
                first, second = (known, kind) if known_day < day else (kind, known)
                if _barred(first, second, abs(day - known_day), limits):
                    self.model.add(choice == 0)

    # --- runs, breaks, weekends -----------------------------------------------------------------------------------------

    def _add_runs(self) -> None:
        limits, days = self.person.limits, self.problem.days
        first, last = min(self.known_days | {0}), max(self.known_days | {days - 1})
        if limits.longest_run_days is not None:
            width = limits.longest_run_days + 1
            for begin in range(min(first, 0), last - width + 2):
                if begin < days and begin + width > 0:
                    self.model.add(linear_sum(self.works(day) for day in range(begin, begin + width)) <= width - 1)
        for length in range(1, limits.shortest_run_days):
            for begin in range(1, days - length):
                # Not exactly `length` days worked between two days off.
                inside = linear_sum(self.works(day) for day in range(begin, begin + length))
                self.model.add(inside - self.works(begin - 1) - self.works(begin + length) <= length - 1)
        for length in range(1, limits.shortest_break_days):
            for begin in range(first + 1, last - length + 1):
                if begin < days and begin + length > 0:
                    inside = linear_sum(self.works(day) for day in range(begin, begin + length))
                    self.model.add(self.works(begin - 1) + self.works(begin + length) - inside <= 1)

    def _add_weekends(self) -> None:
        most = self.person.limits.most_weekends
        if most is None:
            return
        worked, known = [], 0
        for number, days in enumerate(self.problem.weekends):
            if not self.known_days.isdisjoint(days):
                known += 1
                continue
            weekend = self.model.new_bool_var(f"weekend {self.person.id} {number}")
            for day in days:
                self.model.add(self.works(day) <= weekend)
            worked.append(weekend)
        self.model.add(linear_sum(worked) <= max(0, most - known))

    # --- how much -------------------------------------------------------------------------------------------------------

    def _add_amounts(self) -> None:
        limits, kind = self.person.limits, self.problem.kind
        minutes = linear_sum(self.choices.values(), [kind[kind_id].minutes for _, kind_id in self.choices])
        count = linear_sum(self.choices.values())
        if limits.most_minutes is not None:
            self.model.add(minutes <= limits.most_minutes)
        if limits.least_minutes:
            self._demand(self.model.add(minutes >= limits.least_minutes), Minimum(self.person.id, "minutes"))
        if limits.most_turns is not None:
            self.model.add(count <= limits.most_turns)
        if limits.least_turns:
            self._demand(self.model.add(count >= limits.least_turns), Minimum(self.person.id, "turns"))
        for kind_id, most in limits.most_by_kind:
            of_kind = [choice for (_, chosen), choice in self.choices.items() if chosen == kind_id]
            if most < len(of_kind):
                self.model.add(linear_sum(of_kind) <= most)
        if limits.turns_a_week is not None:
            for week in self.problem.weeks:
                known = sum(day in week for day, _ in self.known_turns)
                free = [choice for day in week for choice in self.by_day.get(day, [])]
                # What was worked before cannot be undone; it only leaves no room.
                if free:
                    self.model.add(linear_sum(free) <= max(0, limits.turns_a_week - known))

    def _demand(self, constraint: cp_model.Constraint, minimum: Minimum) -> None:
        if self.demands is not None:
            literal = self.demands[minimum] = self.model.new_bool_var(f"demand {minimum}")
            constraint.only_enforce_if(literal)


def linear_sum(terms: Iterable[Expr], weights: Sequence[int] | None = None) -> Expr:
    """The library's own sum: Python's makes an expression of every step. 0 for none."""
    listed = list(terms)
    if not listed:
        return 0
    return cp_model.LinearExpr.sum(listed) if weights is None else cp_model.LinearExpr.weighted_sum(listed, list(weights))


def _barred(first: Kind, second: Kind, days_on: int, limits: Limits) -> bool:
    """Whether one person may not work `second` so many days after `first`."""
    if days_on == 1 and second.id in first.bars_next_day:
        return True
    if first.starts is None or second.starts is None:
        return False
    return days_on * DAY_MINUTES + second.starts - first.starts - first.minutes < limits.rest_minutes
