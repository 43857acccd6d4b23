"""A rota to draft, as a value: days, people, kinds of turn, hard rules, and what is wished for, each with its weight and tier.

Everything is an integer or a name. Days count from 0; a day outside 0..days-1 stands only in `known` turns, weeks and weekends.
A rule that is broken here is a fault of whoever made the problem: ValueError, naming the thing.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from functools import cached_property
from itertools import pairwise
from typing import NamedTuple

DAY_MINUTES = 24 * 60


class Turn(NamedTuple):
    """One person on one kind of turn on one day."""

    person: str
    day: int
    kind: str


class Minimum(NamedTuple):
    """What a person must at least be given: of `minutes` or of `turns`."""

    person: str
    of: str


def _need(truth: bool, sentence: str) -> None:
    if not truth:
        raise ValueError(sentence)


def _whole(what: str, *values: int | None) -> None:
    _need(all(value is None or value >= 0 for value in values), f"{what}: a number is below zero")


@dataclass(frozen=True)
class Kind:
    """A kind of turn. `starts` is minutes after midnight; without it two turns are at the same time only if they are one kind.

    `bars_next_day` names kinds that its person may not work on the day after. `days` are those on which it is worked (None: all).
    `needs` are skills everybody on it must have. `credit` is what it counts in groups that go by credit. One that is `elsewhere`
    counts for its person's limits and rest, and is no company for anybody here.
    """

    id: str
    minutes: int
    starts: int | None = None
    post: str = ""
    bars_next_day: frozenset[str] = frozenset()
    days: frozenset[int] | None = None
    needs: frozenset[str] = frozenset()
    credit: int = 1
    elsewhere: bool = False

    def __post_init__(self) -> None:
        _whole(f"kind {self.id}", self.credit)
        _need(1 <= self.minutes <= DAY_MINUTES, f"kind {self.id} is not between a minute and a day long")
        _need(self.starts is None or 0 <= self.starts < DAY_MINUTES, f"kind {self.id} starts outside the day")

    def runs_on(self, day: int) -> bool:
        return self.days is None or day in self.days

    def overlaps(self, other: Kind) -> bool:
        """Whether both are worked at some moment of one day."""
        if self.id == other.id:
            return True
        if self.starts is None or other.starts is None:
            return False
        return self.starts < other.starts + other.minutes and other.starts < self.starts + self.minutes


@dataclass(frozen=True)
class Limits:
    """What a person may be given. None or the default is no limit, except one turn a day.

    Turns in a row are days in a row with a turn. A run that touches the first or the last day is taken to go on outside when its
    shortness is judged. `rest_minutes` lie between turns of different days. Weeks and weekends count the known turns within them.
    """

    turns_a_day: int | None = 1
    turns_a_week: int | None = None
    least_turns: int = 0
    most_turns: int | None = None
    most_by_kind: tuple[tuple[str, int], ...] = ()
    least_minutes: int = 0
    most_minutes: int | None = None
    longest_run_days: int | None = None
    shortest_run_days: int = 1
    shortest_break_days: int = 1
    most_weekends: int | None = None
    rest_minutes: int = 0

    def __post_init__(self) -> None:
        _whole("limits", self.turns_a_day, self.turns_a_week, self.least_turns, self.most_turns, self.least_minutes)
        _whole("limits", self.most_minutes, self.longest_run_days, self.most_weekends, self.rest_minutes)
        _whole("limits", *(most for _, most in self.most_by_kind))
        _need(self.shortest_run_days >= 1 and self.shortest_break_days >= 1, "limits: a run or a break is at least one day")
        _need(self.rest_minutes <= 2 * DAY_MINUTES, "limits: rest between turns is at most two days")
        _need(
            self.longest_run_days is None or self.shortest_run_days <= self.longest_run_days,
            "limits: the shortest run is longer than the longest",
        )


@dataclass(frozen=True)
class Person:
    """Somebody who can be given turns. Skills are words the problem chooses: `key`, `trained`, `trainee`."""

    id: str
    limits: Limits = Limits()
    skills: frozenset[str] = frozenset()
    skills_by_day: Mapping[int, frozenset[str]] = field(default_factory=dict)
    """On days on which the skills are others."""

    def skills_on(self, day: int) -> frozenset[str]:
        return self.skills_by_day.get(day, self.skills)


@dataclass(frozen=True)
class Cover:
    """On a day, `required` people (with `skill`, if it is named) on any of these kinds: each one short or over costs."""

    day: int
    kinds: frozenset[str]
    required: int
    under: int
    over: int = 0
    skill: str | None = None
    tier: int = 0
    name: str = ""

    def __post_init__(self) -> None:
        _whole(f"cover of day {self.day}", self.required, self.under, self.over)
        _need(bool(self.kinds), f"cover of day {self.day} names no kind")


@dataclass(frozen=True)
class Request:
    """A person would like (or not) a turn of these kinds (None: any) on a day; not to have it so costs the weight once."""

    person: str
    day: int
    kinds: frozenset[str] | None
    wanted: bool
    weight: int
    tier: int = 0

    def __post_init__(self) -> None:
        _whole(f"request of {self.person}", self.weight)


@dataclass(frozen=True)
class Forbidden:
    """A person never works these kinds (None: any) on a day, for a reason a person can read: `never`, `elsewhere`, `day off`."""

    person: str
    day: int
    kinds: frozenset[str] | None = None
    reason: str = "day off"


@dataclass(frozen=True)
class Apart:
    """Two people who are never on turns at the same time, on these days (None: on all)."""

    one: str
    other: str
    days: frozenset[int] | None = None

    def __post_init__(self) -> None:
        _need(self.one != self.other, f"{self.one} cannot be apart from the same person")

    def holds_on(self, day: int) -> bool:
        return self.days is None or day in self.days


@dataclass(frozen=True)
class Together:
    """A person who would like the other on a turn at the same time: each turn without costs the weight."""

    person: str
    other: str
    weight: int
    tier: int = 0

    def __post_init__(self) -> None:
        _whole(f"wish of {self.person}", self.weight)
        _need(self.person != self.other, f"{self.person} cannot ask for the same person")


@dataclass(frozen=True)
class Beside:
    """Whoever has `skill` works only while somebody else with `by` does, every moment of the turn (at the same post, if so)."""

    skill: str
    by: str
    same_post: bool = False


@dataclass(frozen=True)
class Group:
    """The turns that a target counts: these days and kinds (None: all); one each, or by the kind's credit."""

    id: str
    days: frozenset[int] | None = None
    kinds: frozenset[str] | None = None
    by_credit: bool = False

    def holds(self, day: int, kind: str) -> bool:
        return (self.days is None or day in self.days) and (self.kinds is None or kind in self.kinds)


@dataclass(frozen=True)
class Target:
    """How many turns of a group a person should have: `costs[n]` is the price of n of them.

    Costs are convex (each further step costs at least as much as the one before); beyond the last one the last step repeats.
    """

    person: str
    group: str
    costs: tuple[int, ...]
    tier: int = 0

    def __post_init__(self) -> None:
        steps = [after - before for before, after in pairwise(self.costs)]
        _need(len(self.costs) >= 2, f"target of {self.person}, {self.group}: at least two costs are needed")
        _need(min(self.costs) >= 0, f"target of {self.person}, {self.group}: a cost is below zero")
        _need(steps == sorted(steps), f"target of {self.person}, {self.group}: the costs are not convex")
        # Otherwise ever more turns beyond the table would cost less and less, and at last less than nothing.
        _need(steps[-1] >= 0, f"target of {self.person}, {self.group}: the last step may not be downhill")

    def cost(self, count: int) -> int:
        last = len(self.costs) - 1
        return (
            self.costs[count] if count <= last else self.costs[last] + (count - last) * (self.costs[last] - self.costs[last - 1])
        )


def squared_costs(*, start: int, aim: int, unit: int, steps: int, weight: int = 1) -> tuple[int, ...]:
    """Costs of 0..`steps` more turns when `start` is had and `aim` is due, in parts of which a turn has `unit`: squared distance.

    The least of them is taken off all, so that as near as whole turns can come costs nothing. Rises beyond the aim, whatever
    `steps` is: the table is made longer when it must be.
    """
    enough = max(steps, 1, -(-(aim - start) // unit) + 1)
    costs = [weight * (start + count * unit - aim) ** 2 for count in range(enough + 1)]
    return tuple(cost - min(costs) for cost in costs)


@dataclass(frozen=True)
class Problem:
    """A whole rota to draft. Tiers are named from the first: nothing of what an earlier one reached is given up for a later.

    `known` are turns outside the days drafted (before, after), which count for rest, runs, weeks and weekends. `locks` are turns
    that must be. `last_draft` is where the search begins; each of its turns not kept costs `change_weight` in `change_tier`.
    """

    days: int
    people: tuple[Person, ...]
    kinds: tuple[Kind, ...]
    covers: tuple[Cover, ...] = ()
    requests: tuple[Request, ...] = ()
    forbidden: tuple[Forbidden, ...] = ()
    locks: frozenset[Turn] = frozenset()
    known: frozenset[Turn] = frozenset()
    apart: tuple[Apart, ...] = ()
    together: tuple[Together, ...] = ()
    beside: tuple[Beside, ...] = ()
    groups: tuple[Group, ...] = ()
    targets: tuple[Target, ...] = ()
    weeks: tuple[tuple[int, ...], ...] = ()
    weekends: tuple[tuple[int, ...], ...] = ()
    last_draft: frozenset[Turn] = frozenset()
    change_weight: int = 0
    change_tier: int = 0
    tiers: tuple[str, ...] = field(default=("cost",))
    efforts: tuple[int, ...] = ()
    """How the time is shared among the tiers, each its part of what is left when its turn comes; empty: evenly."""

    def __post_init__(self) -> None:
        _need(self.days >= 1, "a rota has at least one day")
        _need(bool(self.tiers) and len(set(self.tiers)) == len(self.tiers), "the tiers want names, each once")
        _need(len(self.efforts) in (0, len(self.tiers)) and min(self.efforts, default=1) > 0, "each tier wants an effort above 0")
        _whole("changes", self.change_weight)
        for what, ids in (
            ("person", [person.id for person in self.people]),
            ("kind", [kind.id for kind in self.kinds]),
            ("group", [group.id for group in self.groups]),
        ):
            _need(len(set(ids)) == len(ids), f"a {what} is there twice")
        for kind in self.kinds:
            self._are_kinds(f"kind {kind.id}", kind.bars_next_day)
        for person in self.people:
            self._are_kinds(f"limits of {person.id}", (kind for kind, _ in person.limits.most_by_kind))
        self._check_items()
        for days in (*self.weeks, *self.weekends):
            _need(bool(days) and len(set(days)) == len(days), "a week or weekend has no day, or one twice")

    def _check_items(self) -> None:
        for cover in self.covers:
            what = f"cover of day {cover.day}"
            self._is_day(what, cover.day)
            self._are_kinds(what, cover.kinds)
            self._is_tier(what, cover.tier)
        asks: list[Request | Forbidden] = [*self.requests, *self.forbidden]
        for asked in asks:
            what = f"what is asked of {asked.person}"
            self._are_people(what, asked.person)
            self._is_day(what, asked.day)
            self._are_kinds(what, asked.kinds or ())
        for turn in (*self.locks, *self.last_draft):
            self._is_day(f"turn of {turn.person}", turn.day)
        for turn in (*self.locks, *self.last_draft, *self.known):
            self._are_people("a turn", turn.person)
            self._are_kinds(f"turn of {turn.person}", (turn.kind,))
        _need(
            not any(0 <= turn.day < self.days for turn in self.known), "a known turn is within the days to draft: lock it instead"
        )
        for pair in self.apart:
            self._are_people("apart", pair.one, pair.other)
        for wish in self.together:
            self._are_people("together", wish.person, wish.other)
        for group in self.groups:
            self._are_kinds(f"group {group.id}", group.kinds or ())
        for target in self.targets:
            self._are_people("a target", target.person)
            _need(target.group in self.group, f"target of {target.person}: there is no group {target.group}")
        wishes: list[Request | Together | Target] = [*self.requests, *self.together, *self.targets]
        for weighted in wishes:
            self._is_tier(f"what is asked of {weighted.person}", weighted.tier)
        self._is_tier("changes", self.change_tier)

    def _is_day(self, what: str, day: int) -> None:
        _need(0 <= day < self.days, f"{what}: day {day} is not one of 0 to {self.days - 1}")

    def _is_tier(self, what: str, tier: int) -> None:
        _need(0 <= tier < len(self.tiers), f"{what}: there is no tier {tier}")

    def _are_kinds(self, what: str, kinds: Iterable[str]) -> None:
        for kind in kinds:
            _need(kind in self.kind, f"{what}: there is no kind {kind}")

    def _are_people(self, what: str, *people: str) -> None:
        for person in people:
            _need(person in self.person, f"{what}: there is nobody {person}")

    @cached_property
    def person(self) -> dict[str, Person]:
        return {person.id: person for person in self.people}

    @cached_property
    def kind(self) -> dict[str, Kind]:
        return {kind.id: kind for kind in self.kinds}

    @cached_property
    def group(self) -> dict[str, Group]:
        return {group.id: group for group in self.groups}

    def kinds_on(self, day: int) -> list[Kind]:
        return [kind for kind in self.kinds if kind.runs_on(day)]

    def side_by_side(self, day: int, kind: Kind, *, same_post: bool = False) -> list[frozenset[str]]:
        """For each stretch of the kind's time, which of the day's kinds are worked all through it (itself among them)."""
        near = [k for k in self.kinds_on(day) if k.overlaps(kind) and not k.elsewhere and (not same_post or k.post == kind.post)]
        if kind.starts is None:
            return [frozenset({kind.id})]
        starts = [(k, k.starts, k.starts + k.minutes) for k in near if k.starts is not None]
        ends = kind.starts + kind.minutes
        edges = sorted({kind.starts} | {edge for _, *both in starts for edge in both if kind.starts < edge < ends})
        return [frozenset(k.id for k, begin, end in starts if begin <= edge < end) for edge in edges]
