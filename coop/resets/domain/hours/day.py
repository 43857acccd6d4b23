"""A day of a reset: who is there when and when the dock is free, its tasks on the clock, who does which, and the odds of its end.

Minutes are after midnight, by the mall's clock.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, replace
from datetime import date

import numpy as np

from coop.core.periods import shown_day
from coop.resets.domain.hours.estimate import Minutes, chain_of
from coop.resets.domain.hours.project import ImpossibleWork, Project, Schedule, Span, Work, first_fit, stretches_of
from coop.resets.domain.hours.schedule import find_schedule, list_end
from coop.resets.domain.hours.tasks import HoursSettings, Task

HANDS, DOCK, INSIDE = range(3)
"""The resources of a reset: people, the dock, and room for people in the booth."""

Solve = Callable[[Project], Schedule | None]
"""`find_schedule`, or the search by CP-SAT where it is loaded."""


@dataclass(frozen=True)
class Presence:
    """People who are there from a minute up to another: the dealer, a helper, three friends."""

    who: str
    from_minute: int
    to_minute: int
    people: int = 1

    @property
    def span(self) -> Span:
        return Span(self.from_minute, self.to_minute)


@dataclass(frozen=True)
class Day:
    """When the mall lets the reset be worked on. `dock` None: it is free all day."""

    on: date
    opens_minute: int
    closes_minute: int
    people: tuple[Presence, ...]
    dock: tuple[Span, ...] | None = None

    @property
    def words(self) -> str:
        """`Fri, Nov 6, 2026`"""
        return f"{self.on:%a}, {shown_day(self.on)}"

    @property
    def present(self) -> tuple[Presence, ...]:
        """Who is there within the opening hours; several of one name are numbered."""
        found = []
        for one in self.people:
            begin, end = max(one.from_minute, self.opens_minute), min(one.to_minute, self.closes_minute)
            names = [one.who] if one.people == 1 else [f"{one.who} {number + 1}" for number in range(one.people)]
            found += [Presence(name, begin, end) for name in names if begin < end]
        return tuple(found)


def project_of(tasks: Iterable[Task], day: Day, settings: HoursSettings) -> Project:
    """Tasks as work of their planned minutes on a day. What they wait for outside of these tasks counts as done."""
    rows = list(tasks)
    keys = {task.key for task in rows}
    works = [
        Work(
            task.key,
            task.minutes.planned,
            (task.hands, int(task.dock), task.hands if task.inside else 0),
            tuple(key for key in task.after if key in keys),
        )
        for task in rows
    ]
    open_hours = Span(day.opens_minute, day.closes_minute)
    dock = [open_hours] if day.dock is None else [one for one in day.dock if one.from_minute < one.to_minute]
    # A piece that takes more hands than the booth is said to hold is carried all the same: by them and nobody else.
    room = max([settings.inside_at_most, *(task.hands for task in rows if task.inside)])
    return Project(
        tuple(works),
        stretches_of([[(one.span, 1) for one in day.present], [(span, 1) for span in dock], [(open_hours, room)]]),
    )


def try_schedule(project: Project, solve: Solve = find_schedule) -> Schedule | None:
    """None: it does not fit; also when some of it never could."""
    try:
        return solve(project)
    except ImpossibleWork:
        return None


@dataclass(frozen=True)
class Turn:
    """Somebody at a task, from a minute up to another: not all of it where one goes home and another takes over."""

    task: str
    who: str
    from_minute: int
    to_minute: int


def turns_of(project: Project, schedule: Schedule, present: Sequence[Presence]) -> tuple[Turn, ...]:
    """Who does what: whoever stays to its end, of those the first to go home; others take over where somebody must leave."""
    edges = {minute for one in present for minute in one.span}
    spans = {
        key: Span(at, at + project.by_key[key].minutes) for key, at in schedule.starts.items() if project.by_key[key].minutes
    }
    edges |= {minute for span in spans.values() for minute in span}
    at_work: dict[str, list[Presence]] = {}
    open_turns: dict[tuple[str, Presence], int] = {}
    found: list[Turn] = []

    def ends(key: str, one: Presence, minute: int) -> None:
        found.append(Turn(key, one.who, open_turns.pop((key, one)), minute))
        at_work[key].remove(one)

    for minute in sorted(edges):
        for key in list(at_work):
            for one in list(at_work[key]):
                if spans[key].to_minute <= minute or one.to_minute <= minute:
                    ends(key, one, minute)
            if spans[key].to_minute <= minute:
                del at_work[key]
        free = [one for one in present if one.from_minute <= minute < one.to_minute]
        free = [one for one in free if not any(one in others for others in at_work.values())]
        for key, span in sorted(spans.items(), key=lambda item: item[1]):
            if not span.from_minute <= minute < span.to_minute:
                continue
            there = at_work.setdefault(key, [])
            while len(there) < project.by_key[key].needs[HANDS]:
                stay = [one for one in free if one.to_minute >= span.to_minute]
                pick = min(stay, key=lambda one: one.to_minute) if stay else max(free, key=lambda one: one.to_minute)
                free.remove(pick)
                there.append(pick)
                open_turns[key, pick] = minute
    return tuple(sorted(found, key=lambda turn: (turn.from_minute, turn.task, turn.who)))


def chain_before(project: Project, schedule: Schedule) -> tuple[str, ...]:
    """The tasks, one right after the other, that make the end of a schedule what it is: each waited for the one before it.

    It goes back from what ends last to what ended when that began: work it waits for, or else work whose hands it took over.
    """
    end_of = {key: at + project.by_key[key].minutes for key, at in schedule.starts.items()}
    if not end_of:
        return ()
    chain = [max(end_of, key=lambda key: (end_of[key], schedule.starts[key]))]
    while True:
        work, at = project.by_key[chain[-1]], schedule.starts[chain[-1]]
        waited = [key for key in work.after if end_of.get(key) == at]
        shared = [
            key
            for key, ended in end_of.items()
            if ended == at
            and key not in chain
            and any(mine and theirs for mine, theirs in zip(work.needs, project.by_key[key].needs, strict=True))
        ]
        before = [key for key in waited or shared if key not in chain]
        if not before:
            return tuple(reversed(chain))
        chain.append(max(before, key=lambda key: project.by_key[key].minutes))


def chance_by_close(tasks: Iterable[Task], project: Project, schedule: Schedule, closes_minute: int) -> float:
    """The chance that the day is done by closing, along the chain that makes its end (see PERT_CAUTION). 1 of nothing."""
    by_key = {task.key: task for task in tasks}
    chain = chain_before(project, schedule)
    if not chain:
        return 1.0
    return chain_of(by_key[key].minutes for key in chain).chance_by(closes_minute - schedule.starts[chain[0]])


DRAWS = 200


def drawn_chance(
    tasks: Iterable[Task], project: Project, schedule: Schedule, closes_minute: int, *, seed: int = 1, draws: int = DRAWS
) -> float:
    """The share of so many days, drawn, that are done by closing: all chains at once, hands and dock counted.

    Each task's minutes are drawn from the beta curve that PERT's mean stands for (shapes 1 + 4 (likely - least) / range and 1 + 4
    (most - likely) / range) and placed in the order of the schedule. The same for the same seed.
    """
    rows = {task.key: task.minutes for task in tasks}
    keys = sorted(schedule.starts, key=lambda key: (schedule.starts[key], project.by_key[key].minutes))
    order = {key: place for place, key in enumerate(keys)}
    chance, done = np.random.default_rng(seed), 0
    for _ in range(draws):
        drawn = tuple(replace(work, minutes=_draw(rows[work.key], chance)) for work in project.works)
        end = list_end(Project(drawn, project.stretches), order)
        done += end is not None and end <= closes_minute
    return done / draws if draws else 1.0


def _draw(minutes: Minutes, chance: np.random.Generator) -> int:
    wide = minutes.most - minutes.least
    if wide == 0:
        return minutes.least
    low, high = 1 + 4 * (minutes.likely - minutes.least) / wide, 1 + 4 * (minutes.most - minutes.likely) / wide
    return round(minutes.least + wide * float(chance.beta(low, high)))


def fill(project: Project, kept: Schedule) -> Schedule:
    """A schedule of some of a project with as much of the rest put beside it as fits, in order, nothing kept moved."""
    free, starts = project.capacity.copy(), dict(kept.starts)
    for key, at in starts.items():
        work = project.by_key[key]
        for number, need in enumerate(work.needs):
            free[number, at : at + work.minutes] -= need
    for work in project.in_order:
        if work.key in starts or any(key not in starts for key in work.after):
            continue
        begin = max([work.not_before, *(starts[key] + project.by_key[key].minutes for key in work.after)])
        found = first_fit(free, work, begin)
        if found is not None:
            starts[work.key] = found
            for number, need in enumerate(work.needs):
                free[number, found : found + work.minutes] -= need
    finish = max((at + project.by_key[key].minutes for key, at in starts.items()), default=0)
    return Schedule(starts, finish, kept.bound)
