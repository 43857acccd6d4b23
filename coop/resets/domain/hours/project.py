"""Work that wants hands and room for a time, and when those are there: a project to be scheduled, and a schedule of it.

Minutes run from midnight of the first day: the second day begins at 1440.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from functools import cached_property
from itertools import pairwise
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

Counts = NDArray[np.int64]


class Span(NamedTuple):
    """From a minute up to another, which is not in it."""

    from_minute: int
    to_minute: int


@dataclass(frozen=True)
class Work:
    """`minutes` in one go, with so much of each resource all the while, after other work has ended."""

    key: str
    minutes: int
    needs: tuple[int, ...]
    after: tuple[str, ...] = ()
    not_before: int = 0


@dataclass(frozen=True)
class Stretch:
    """What there is of each resource from a minute up to another. Outside every stretch there is nothing."""

    from_minute: int
    to_minute: int
    has: tuple[int, ...]


class ImpossibleWork(Exception):
    """A piece of work that can never be done with what is there. `short` is the resource it lacks; None: the time in one go."""

    def __init__(self, key: str, short: int | None) -> None:
        super().__init__(key)
        self.key, self.short = key, short


class WorkInCircle(Exception):
    """Work that waits for itself; `keys` in the order they wait for each other."""

    def __init__(self, keys: tuple[str, ...]) -> None:
        super().__init__(", ".join(keys))
        self.keys = keys


@dataclass(frozen=True)
class Project:
    """Raises ValueError for two of one key, work after something unknown, or stretches that overlap."""

    works: tuple[Work, ...]
    stretches: tuple[Stretch, ...]
    by_key: Mapping[str, Work] = field(init=False, repr=False, compare=False, hash=False, default_factory=dict)

    def __post_init__(self) -> None:
        by_key = {work.key: work for work in self.works}
        if len(by_key) != len(self.works):
            raise ValueError("two pieces of work have one key")
        object.__setattr__(self, "by_key", by_key)
        unknown = {key for work in self.works for key in work.after} - by_key.keys()
        if unknown:
            raise ValueError(f"work waits for what is not in the project: {', '.join(sorted(unknown))}")
        ordered = sorted(self.stretches, key=lambda one: one.from_minute)
        if any(one.to_minute > other.from_minute for one, other in pairwise(ordered)):
            raise ValueError("stretches overlap")
        if len({len(row) for row in [*(w.needs for w in self.works), *(s.has for s in self.stretches)]}) > 1:
            raise ValueError("work and stretches count different resources")

    @cached_property
    def horizon(self) -> int:
        """The minute after the last at which anything is there."""
        return max((stretch.to_minute for stretch in self.stretches), default=0)

    @cached_property
    def capacity(self) -> Counts:
        """Of each resource (row) in each minute (column)."""
        rows = next((len(row) for row in [*(s.has for s in self.stretches), *(w.needs for w in self.works)]), 0)
        found = np.zeros((rows, self.horizon), dtype=np.int64)
        for stretch in self.stretches:
            found[:, stretch.from_minute : stretch.to_minute] = np.array(stretch.has)[:, None]
        return found

    @cached_property
    def in_order(self) -> tuple[Work, ...]:
        """Each after what it waits for, as far as may be in the order given. Raises WorkInCircle."""
        waits = {work.key: len(set(work.after)) for work in self.works}
        found: list[Work] = []
        ready = [work for work in self.works if not waits[work.key]]
        place = {work.key: number for number, work in enumerate(self.works)}
        while ready:
            work = ready.pop(0)
            found.append(work)
            for key in self.followers[work.key]:
                waits[key] -= 1
                if not waits[key]:
                    ready.append(self.by_key[key])
            ready.sort(key=lambda one: place[one.key])
        if len(found) < len(self.works):
            raise WorkInCircle(self._circle({work.key for work in found}))
        return tuple(found)

    def _circle(self, done: set[str]) -> tuple[str, ...]:
        key = next(work.key for work in self.works if work.key not in done)
        seen: list[str] = []
        while key not in seen:
            seen.append(key)
            key = next(before for before in self.by_key[key].after if before not in done)
        return tuple(reversed(seen[seen.index(key) :]))

    @cached_property
    def followers(self) -> Mapping[str, tuple[str, ...]]:
        found: dict[str, list[str]] = defaultdict(list)
        for work in self.works:
            for key in dict.fromkeys(work.after):
                found[key].append(work.key)
        return {work.key: tuple(found[work.key]) for work in self.works}

    @cached_property
    def tails(self) -> Mapping[str, int]:
        """The minutes that must still pass after a piece of work has ended, were there enough of everything."""
        found: dict[str, int] = {}
        for work in reversed(self.in_order):
            found[work.key] = max((self.by_key[key].minutes + found[key] for key in self.followers[work.key]), default=0)
        return found

    @cached_property
    def heads(self) -> Mapping[str, int]:
        """The earliest start of each, were there no other work to share with. Raises ImpossibleWork, WorkInCircle."""
        found: dict[str, int] = {}
        for work in self.in_order:
            begin = max([work.not_before, *(found[key] + self.by_key[key].minutes for key in work.after)])
            at = first_fit(self.capacity, work, begin)
            if at is None:
                raise ImpossibleWork(work.key, self._short(work))
            found[work.key] = at
        return found

    @cached_property
    def lates(self) -> Mapping[str, int]:
        """The latest start of each by which what follows can still be done, were there no other work to share with.

        Below its head where it cannot. Raises WorkInCircle.
        """
        found: dict[str, int] = {}
        backwards = self.capacity[:, ::-1]
        for work in reversed(self.in_order):
            end = min((found[key] for key in self.followers[work.key]), default=self.horizon)
            at = first_fit(backwards, work, self.horizon - end) if end >= 0 else None
            found[work.key] = -1 if at is None else self.horizon - at - work.minutes
        return found

    def _short(self, work: Work) -> int | None:
        """The resource a piece of work never has enough of."""
        most = self.capacity.max(axis=1, initial=0)
        return next((number for number, need in enumerate(work.needs) if number >= len(most) or need > most[number]), None)

    def before(self, keys: Iterable[str]) -> frozenset[str]:
        """These and all they wait for."""
        found: set[str] = set()
        stack = list(keys)
        while stack:
            key = stack.pop()
            if key not in found:
                found.add(key)
                stack += self.by_key[key].after
        return frozenset(found)

    def only(self, keys: Iterable[str]) -> Project:
        """The project of some of its work: what it waits for outside of them counts as done."""
        kept = set(keys)
        works = [
            Work(w.key, w.minutes, w.needs, tuple(key for key in w.after if key in kept), w.not_before)
            for w in self.works
            if w.key in kept
        ]
        return Project(tuple(works), self.stretches)


def first_fit(free: Counts, work: Work, begin: int) -> int | None:
    """The first minute from `begin` on at which work finds all it needs until its end. None: it never does."""
    if work.minutes == 0:
        return begin
    needed = [number for number, need in enumerate(work.needs) if need]
    # A piece of work that needs nothing still wants the time to be within what is planned for.
    if not needed:
        return begin if begin + work.minutes <= free.shape[1] else None
    short = np.zeros(max(0, free.shape[1] - begin), dtype=bool)
    for number in needed:
        short |= free[number, begin:] < work.needs[number]
    stops = np.concatenate(([-1], np.flatnonzero(short), [len(short)]))
    wide = np.flatnonzero(np.diff(stops) > work.minutes)
    return None if len(wide) == 0 else begin + int(stops[wide[0]]) + 1


@dataclass(frozen=True)
class Schedule:
    """`starts` by key. No schedule can end before `bound`; `proven` says that this one ends there."""

    starts: Mapping[str, int]
    finish: int
    bound: int

    @property
    def proven(self) -> bool:
        return self.finish <= self.bound


def faults(project: Project, starts: Mapping[str, int]) -> list[str]:
    """What is wrong with a schedule, counted minute by minute: apart from how it was made."""
    found = []
    used: dict[tuple[int, int], int] = defaultdict(int)
    for work in project.works:
        if work.key not in starts:
            found.append(f"{work.key} has no start")
            continue
        at = starts[work.key]
        if at < work.not_before:
            found.append(f"{work.key} starts too early")
        for key in work.after:
            if key in starts and starts[key] + project.by_key[key].minutes > at:
                found.append(f"{work.key} starts before {key} has ended")
        for minute in range(at, at + work.minutes):
            for number, need in enumerate(work.needs):
                used[minute, number] += need
    for (minute, number), count in sorted(used.items()):
        there = next((s.has[number] for s in project.stretches if s.from_minute <= minute < s.to_minute), 0)
        if count > there:
            found.append(f"minute {minute} uses {count} of resource {number} and has {there}")
    return found


def stretches_of(resources: Sequence[Sequence[tuple[Span, int]]]) -> tuple[Stretch, ...]:
    """What is there of each resource, from rows of when and how much of it: those of one resource add up."""
    ends = sorted({minute for rows in resources for span, _ in rows for minute in span})
    found = []
    for begin, end in pairwise(ends):
        has = tuple(sum(count for span, count in rows if span.from_minute <= begin < span.to_minute) for rows in resources)
        if any(has):
            found.append(Stretch(begin, end, has))
    return tuple(found)
