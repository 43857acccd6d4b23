"""Judges a rota by itself, without the solver: every hard rule it breaks, and what it costs, part by part.

Written apart from the model, and by other means, so that each checks the other; quick enough for a page that moves one turn.
"""

from __future__ import annotations

from collections import Counter, defaultdict
from collections.abc import Iterable
from dataclasses import dataclass
from itertools import combinations, pairwise

from coop.shifts.solving.problem import DAY_MINUTES, Kind, Limits, Person, Problem, Turn

RULES = (
    "not worked that day",
    "skill",
    "forbidden",
    "lock",
    "at the same time",
    "turns a day",
    "turns a week",
    "rest",
    "succession",
    "most of a kind",
    "most turns",
    "least turns",
    "most minutes",
    "least minutes",
    "longest run",
    "shortest run",
    "shortest break",
    "weekends",
    "apart",
    "beside",
)
"""Names of the hard rules."""


@dataclass(frozen=True, order=True)
class Broken:
    """A hard rule that a person's turns break. `days` are what it is about; `detail` says more: a reason, a kind, another person.

    `by` is how much: turns or days too many or too few, minutes missing.
    """

    rule: str
    person: str
    days: tuple[int, ...] = ()
    detail: str = ""
    by: int = 1


@dataclass(frozen=True)
class Short:
    """A cover with fewer people than it wants (or more: then `missing` is negative). `cover` counts in the problem's covers."""

    cover: int
    missing: int


@dataclass(frozen=True)
class Part:
    """A part of the cost: in which tier, and of what (`cover`, `requests`, `together`, `changes`, or a target's group)."""

    tier: int
    of: str
    cost: int


@dataclass(frozen=True)
class Report:
    """What is wrong with a rota and what it costs."""

    broken: tuple[Broken, ...]
    short: tuple[Short, ...]
    parts: tuple[Part, ...]
    tiers: tuple[int, ...]

    @property
    def cost(self) -> int:
        return sum(self.tiers)


class Roster:
    """Turns looked up by person and by day. Raises ValueError when a turn names somebody or something unknown."""

    def __init__(self, problem: Problem, turns: Iterable[Turn]) -> None:
        self.problem = problem
        self.turns = frozenset(turns)
        self.of_person: dict[str, list[tuple[int, Kind]]] = {person.id: [] for person in problem.people}
        self.on_day: dict[int, list[tuple[str, Kind]]] = defaultdict(list)
        for turn in sorted(self.turns, key=lambda turn: (turn.day, turn.kind, turn.person)):
            if turn.person not in problem.person or turn.kind not in problem.kind or not 0 <= turn.day < problem.days:
                raise ValueError(f"{turn} names a person, day or kind that the problem does not have")
            kind = problem.kind[turn.kind]
            self.of_person[turn.person].append((turn.day, kind))
            if not kind.elsewhere:
                self.on_day[turn.day].append((turn.person, kind))


def check(problem: Problem, turns: Iterable[Turn]) -> Report:
    """Everything about a rota. Turns may come in any order; twice the same counts once."""
    roster = Roster(problem, turns)
    broken = [fault for person in problem.people for fault in person_faults(roster, person)] + company_faults(roster)
    short, parts = costs(roster)
    tiers = [0] * len(problem.tiers)
    for part in parts:
        tiers[part.tier] += part.cost
    return Report(tuple(sorted(broken)), short, parts, tuple(tiers))


def added(problem: Problem, turns: Iterable[Turn], turn: Turn) -> tuple[Broken, ...]:
    """The hard rules that one more turn would break and that are not broken already."""
    before = Roster(problem, turns)
    after = Roster(problem, before.turns | {turn})
    old = {*person_faults(before, problem.person[turn.person]), *company_faults(before, turn.day)}
    new = {*person_faults(after, problem.person[turn.person]), *company_faults(after, turn.day)}
    return tuple(sorted(new - old))


# --- one person ---------------------------------------------------------------------------------------------------------


def person_faults(roster: Roster, person: Person) -> list[Broken]:
    """The rules that one person's turns break by themselves."""
    problem, turns = roster.problem, roster.of_person[person.id]
    known = [(turn.day, problem.kind[turn.kind]) for turn in sorted(problem.known) if turn.person == person.id]
    return [
        *_forbidden(problem, person, turns),
        *_clashes(problem, person, turns, known),
        *_crowded(problem, person, turns, [day for day, _ in known]),
        *_amounts(person, turns),
        *_runs(problem, person, {day for day, _ in turns}, {day for day, _ in known}),
    ]


def _forbidden(problem: Problem, person: Person, turns: list[tuple[int, Kind]]) -> list[Broken]:
    faults = []
    rules = [rule for rule in problem.forbidden if rule.person == person.id]
    for day, kind in turns:
        if not kind.runs_on(day):
            faults.append(Broken("not worked that day", person.id, (day,), kind.id))
        faults += [Broken("skill", person.id, (day,), skill) for skill in sorted(kind.needs - person.skills_on(day))]
        faults += [
            Broken("forbidden", person.id, (day,), rule.reason)
            for rule in rules
            if rule.day == day and (rule.kinds is None or kind.id in rule.kinds)
        ]
    return faults


def _clashes(problem: Problem, person: Person, turns: list[tuple[int, Kind]], known: list[tuple[int, Kind]]) -> list[Broken]:
    """Two turns of which one does not leave room for the other. Two known turns are nobody's fault here."""
    faults = []
    everything = sorted([*turns, *known], key=lambda at: (at[0], at[1].starts or 0, at[1].id))
    for (day, kind), (later_day, later) in combinations(everything, 2):
        if not (0 <= day < problem.days or 0 <= later_day < problem.days) or later_day > day + 3:
            continue
        days = (day, later_day) if day != later_day else (day,)
        names = f"{kind.id}, {later.id}"
        between = _minutes_between(day, kind, later_day, later)
        if between is not None and between < 0:
            faults.append(Broken("at the same time", person.id, days, names))
        elif between is not None and day != later_day and between < person.limits.rest_minutes:
            faults.append(Broken("rest", person.id, days, names, person.limits.rest_minutes - between))
        if later_day == day + 1 and later.id in kind.bars_next_day:
            faults.append(Broken("succession", person.id, days, names))
    return faults


def _minutes_between(day: int, kind: Kind, later_day: int, later: Kind) -> int | None:
    """From the end of a turn to the beginning of one that does not begin before it; None when times are not known."""
    if kind.starts is None or later.starts is None:
        return None
    return later_day * DAY_MINUTES + later.starts - (day * DAY_MINUTES + kind.starts + kind.minutes)


def _crowded(problem: Problem, person: Person, turns: list[tuple[int, Kind]], known: list[int]) -> list[Broken]:
    """Too much in a day, a week or of weekends."""
    limits, faults = person.limits, []
    a_day = Counter(day for day, _ in turns)
    if limits.turns_a_day is not None:
        faults += [
            Broken("turns a day", person.id, (day,), by=count - limits.turns_a_day)
            for day, count in sorted(a_day.items())
            if count > limits.turns_a_day
        ]
    if limits.turns_a_week is not None:
        for week in problem.weeks:
            room = max(0, limits.turns_a_week - sum(day in week for day in known))
            count = sum(a_day[day] for day in week)
            if count > room:
                faults.append(Broken("turns a week", person.id, tuple(week), by=count - room))
    if limits.most_weekends is not None:
        had = [weekend for weekend in problem.weekends if any(day in weekend for day in known)]
        more = [weekend for weekend in problem.weekends if weekend not in had and any(a_day[day] for day in weekend)]
        room = max(0, limits.most_weekends - len(had))
        if len(more) > room:
            faults.append(Broken("weekends", person.id, tuple(day for weekend in more for day in weekend), by=len(more) - room))
    return faults


def _amounts(person: Person, turns: list[tuple[int, Kind]]) -> list[Broken]:
    limits: Limits = person.limits
    minutes, count, of_kind = sum(kind.minutes for _, kind in turns), len(turns), Counter(kind.id for _, kind in turns)
    faults = [
        Broken("most of a kind", person.id, (), kind, of_kind[kind] - most)
        for kind, most in limits.most_by_kind
        if of_kind[kind] > most
    ]
    for rule, too_many in (
        ("most turns", 0 if limits.most_turns is None else count - limits.most_turns),
        ("least turns", limits.least_turns - count),
        ("most minutes", 0 if limits.most_minutes is None else minutes - limits.most_minutes),
        ("least minutes", limits.least_minutes - minutes),
    ):
        if too_many > 0:
            faults.append(Broken(rule, person.id, by=too_many))
    return faults


def _runs(problem: Problem, person: Person, mine: set[int], known: set[int]) -> list[Broken]:
    limits, last, faults = person.limits, problem.days - 1, []
    runs = _stretches(mine | known)
    for begin, end in runs:
        length = end - begin + 1
        here = begin <= last and end >= 0
        if here and limits.longest_run_days is not None and length > limits.longest_run_days:
            faults.append(Broken("longest run", person.id, (begin, end), by=length - limits.longest_run_days))
        if begin > 0 and end < last and here and length < limits.shortest_run_days:
            faults.append(Broken("shortest run", person.id, (begin, end), by=limits.shortest_run_days - length))
    for (_, before), (after, _) in pairwise(runs):
        off = after - before - 1
        if off < limits.shortest_break_days and before < last and after > 0:
            faults.append(Broken("shortest break", person.id, (before + 1, after - 1), by=limits.shortest_break_days - off))
    return faults


def _stretches(days: set[int]) -> list[tuple[int, int]]:
    """First and last day of each row of days without a gap."""
    found: list[tuple[int, int]] = []
    for day in sorted(days):
        if found and found[-1][1] == day - 1:
            found[-1] = (found[-1][0], day)
        else:
            found.append((day, day))
    return found


# --- several people -----------------------------------------------------------------------------------------------------


def company_faults(roster: Roster, only_day: int | None = None) -> list[Broken]:
    """Locks that are not there, people who should be apart, people who may not be alone; on one day, if one is named."""
    problem = roster.problem
    faults = [
        Broken("lock", lock.person, (lock.day,), lock.kind)
        for lock in problem.locks - roster.turns
        if only_day is None or lock.day == only_day
    ]
    for day, there in roster.on_day.items():
        if only_day is None or day == only_day:
            faults += _apart(problem, day, there)
            faults += _alone(problem, day, there)
    return faults


def _apart(problem: Problem, day: int, there: list[tuple[str, Kind]]) -> list[Broken]:
    return [
        Broken("apart", pair.one, (day,), pair.other)
        for pair in problem.apart
        if pair.holds_on(day)
        and any(_meet(mine, other) for who, mine in there if who == pair.one for whom, other in there if whom == pair.other)
    ]


def _meet(one: Kind, other: Kind) -> bool:
    """Whether two kinds share a minute of a day."""
    if one.starts is None or other.starts is None:
        return one.id == other.id
    return max(one.starts, other.starts) < min(one.starts + one.minutes, other.starts + other.minutes) or one.id == other.id


def _alone(problem: Problem, day: int, there: list[tuple[str, Kind]]) -> list[Broken]:
    faults = []
    for rule in problem.beside:
        for person, kind in there:
            if rule.skill not in problem.person[person].skills_on(day):
                continue
            guides = [
                other
                for who, other in there
                if who != person
                and rule.by in problem.person[who].skills_on(day)
                and (not rule.same_post or other.post == kind.post)
            ]
            if missing := _minutes_without(kind, guides):
                faults.append(Broken("beside", person, (day,), f"{kind.id}, {rule.by}", missing))
    return faults


def _minutes_without(kind: Kind, guides: list[Kind]) -> int:
    """Minutes of a turn during which none of the others is worked."""
    if any(guide.id == kind.id for guide in guides):
        return 0
    if kind.starts is None:
        return kind.minutes
    held = {
        minute
        for guide in guides
        if guide.starts is not None
        for minute in range(max(kind.starts, guide.starts), min(kind.starts + kind.minutes, guide.starts + guide.minutes))
    }
    return kind.minutes - len(held)


# --- costs --------------------------------------------------------------------------------------------------------------


def costs(roster: Roster) -> tuple[tuple[Short, ...], tuple[Part, ...]]:
    """Covers that are not met exactly, and every part of the cost that is not nothing."""
    problem = roster.problem
    spent: Counter[tuple[int, str]] = Counter()
    short = []
    for number, cover in enumerate(problem.covers):
        there = sum(
            kind.id in cover.kinds and (cover.skill is None or cover.skill in problem.person[who].skills_on(cover.day))
            for who, kind in roster.on_day.get(cover.day, ())
        )
        spent[cover.tier, "cover"] += cover.under * max(0, cover.required - there) + cover.over * max(0, there - cover.required)
        if there != cover.required:
            short.append(Short(number, cover.required - there))
    for request in problem.requests:
        happened = any(
            day == request.day and (request.kinds is None or kind.id in request.kinds)
            for day, kind in roster.of_person[request.person]
        )
        if happened != request.wanted:
            spent[request.tier, "requests"] += request.weight
    for wish in problem.together:
        for day, kind in roster.of_person[wish.person]:
            company = [other for who, other in roster.on_day.get(day, ()) if who == wish.other]
            if not kind.elsewhere and not any(_meet(kind, other) for other in company):
                spent[wish.tier, "together"] += wish.weight
    for target in problem.targets:
        group = problem.group[target.group]
        count = sum(
            kind.credit if group.by_credit else 1 for day, kind in roster.of_person[target.person] if group.holds(day, kind.id)
        )
        spent[target.tier, target.group] += target.cost(count)
    spent[problem.change_tier, "changes"] += problem.change_weight * len(problem.last_draft - roster.turns)
    return tuple(short), tuple(Part(tier, of, cost) for (tier, of), cost in sorted(spent.items()) if cost)
