"""A schedule of a project by lists: each piece of work in turn at the first minute that holds it; and what no schedule can beat.

For an end as early as may be, some list always gives a best schedule (Kolisch 1996, active schedules); which one is searched.
"""

from __future__ import annotations

import heapq
from collections.abc import Callable, Mapping

import numpy as np

from coop.resets.domain.hours.project import Counts, Project, Schedule, Work, first_fit

TRIES = 100


def lower_bound(project: Project) -> int:
    """A minute before which no schedule ends.

    The larger of the longest chain of work, each at its earliest, and of the room that work takes: all that cannot begin before
    one minute and is followed by so many more needs its hands times minutes between, and, of work of which no two go on at once,
    its minutes. Raises ImpossibleWork and WorkInCircle.
    """
    heads, tails = project.heads, project.tails
    works = project.in_order
    bound = max((heads[w.key] + w.minutes + tails[w.key] for w in works), default=0)
    for number, row in enumerate(project.capacity):
        users = [work for work in works if work.needs[number] and work.minutes]
        if not users:
            continue
        bound = max(bound, _room_bound(users, [w.minutes * w.needs[number] for w in users], row, heads, tails))
        apart = [work for work in users if 2 * work.needs[number] > row.max()]
        if apart:
            enough = (row >= min(work.needs[number] for work in apart)).astype(np.int64)
            bound = max(bound, _room_bound(apart, [w.minutes for w in apart], enough, heads, tails))
    return bound


def _room_bound(users: list[Work], wants: list[int], row: Counts, heads: Mapping[str, int], tails: Mapping[str, int]) -> int:
    head, tail, want = (np.array(v) for v in ([heads[w.key] for w in users], [tails[w.key] for w in users], wants))
    had = np.concatenate(([0], np.cumsum(row)))
    bound = 0
    for begin in np.unique(head):
        for rest in np.unique(tail):
            asked = int(want[(head >= begin) & (tail >= rest)].sum())
            if asked:
                # One past the horizon where the room is never there: then nothing fits at all.
                ends = int(np.searchsorted(had, had[begin] + asked))
                bound = max(bound, ends + int(rest))
    return bound


def find_schedule(project: Project, *, seed: int = 1, tries: int = TRIES) -> Schedule | None:
    """The best of so many lists, the same for the same seed. None: not all of it fits before everybody has gone.

    Raises ImpossibleWork and WorkInCircle.
    """
    bound = lower_bound(project)
    if not project.works:
        return Schedule({}, 0, 0)
    search = _Lists(project)
    chance = np.random.default_rng(seed)
    for rule in _RULES:
        search.look({w.key: (rule(project, w), place) for place, w in enumerate(project.in_order)})
    spread = max(project.tails[work.key] + work.minutes for work in project.works)
    for number in range(tries):
        if search.finish is not None and search.finish <= bound:
            break
        noise = dict(zip((w.key for w in project.in_order), chance.random(len(project.works)), strict=True))
        if number % 4 == 3:
            search.look({key: (at, 0) for key, at in noise.items()})
        elif search.finish is not None and number % 2:
            # Near the best so far: its order, shaken a little.
            search.look({key: (at + noise[key] * spread / 4, 0) for key, at in search.starts.items()})
        else:
            search.look({w.key: (noise[w.key] * spread - project.tails[w.key] - w.minutes, 0) for w in project.in_order})
    if search.finish is None:
        return None
    return Schedule(search.starts, search.finish, min(bound, search.finish))


def list_end(project: Project, places: Mapping[str, int]) -> int | None:
    """When a project ends whose work is placed in this order. None: not all of it fits."""
    search = _Lists(project)
    starts = search.place({key: (place, 0) for key, place in places.items()})
    return None if starts is None else max((at + project.by_key[key].minutes for key, at in starts.items()), default=0)


Rank = tuple[float, float]
"""What comes first is placed first, once all it waits for is."""

_RULES: tuple[Callable[[Project, Work], float], ...] = (
    lambda project, work: -(project.tails[work.key] + work.minutes),
    lambda project, work: -(work.minutes + sum(project.by_key[key].minutes for key in project.followers[work.key])),
    lambda project, work: -sum(work.needs) * work.minutes,
    lambda project, work: project.lates[work.key],
    lambda project, work: project.heads[work.key],
    lambda project, work: 0,
)
"""Priority rules: longest way to the end; most work waiting; most hands times minutes; must begin earliest, which
is what takes hands that are there only for a while; can begin earliest; as given."""


class _Lists:
    """The best schedule that any list looked at gave."""

    def __init__(self, project: Project) -> None:
        self.project = project
        self.starts: dict[str, int] = {}
        self.finish: int | None = None

    def look(self, ranks: Mapping[str, Rank]) -> None:
        starts = self.place(ranks)
        if starts is None:
            return
        self._keep(starts)
        # Everything as late as this end allows, and then as early as that order allows: often earlier than before (Tormos, Lova).
        late = self._backward(starts)
        again = self.place({key: (at, 0) for key, at in late.items()}) if late else None
        if again is not None:
            self._keep(again)

    def _keep(self, starts: dict[str, int]) -> None:
        finish = self._end(starts)
        if self.finish is None or finish < self.finish:
            self.starts, self.finish = starts, finish

    def _end(self, starts: Mapping[str, int]) -> int:
        return max(at + self.project.by_key[key].minutes for key, at in starts.items())

    def place(self, ranks: Mapping[str, Rank]) -> dict[str, int] | None:
        project, free = self.project, self.project.capacity.copy()
        waits = {work.key: len(set(work.after)) for work in project.works}
        ready = [(ranks[work.key], work.key) for work in project.works if not waits[work.key]]
        heapq.heapify(ready)
        starts: dict[str, int] = {}
        while ready:
            _, key = heapq.heappop(ready)
            work = project.by_key[key]
            begin = max([work.not_before, *(starts[before] + project.by_key[before].minutes for before in work.after)])
            at = first_fit(free, work, begin)
            if at is None:
                return None
            free[:, at : at + work.minutes] -= np.array(work.needs)[:, None]
            starts[key] = at
            for follower in project.followers[key]:
                waits[follower] -= 1
                if not waits[follower]:
                    heapq.heappush(ready, (ranks[follower], follower))
        return starts

    def _backward(self, starts: Mapping[str, int]) -> dict[str, int] | None:
        """Each as late as may be, the last to end first, within the same end: on a clock that runs backwards."""
        project, finish = self.project, self._end(starts)
        free = np.ascontiguousarray(project.capacity[:, :finish][:, ::-1])
        found: dict[str, int] = {}
        # Those that end last come first; a follower ends after what it follows, or with it where it takes no time.
        place = {work.key: number for number, work in enumerate(project.in_order)}
        for key in sorted(starts, key=lambda k: (starts[k] + project.by_key[k].minutes, place[k]), reverse=True):
            work = project.by_key[key]
            begin = max([0, *(finish - found[after] for after in project.followers[key])])
            at = first_fit(free, work, begin)
            if at is None:
                return None
            free[:, at : at + work.minutes] -= np.array(work.needs)[:, None]
            found[key] = finish - at - work.minutes
        return found
