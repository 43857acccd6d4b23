"""Two sets on one floor: which pieces go straight to their next place, which go by staging, and in which order.

A search over what stands where it stood, what stands where it will, and what waits on staging floor. Each piece put on staging
floor costs one. Two things need no choice. Who leaves, leaves as soon as it can: it only frees floor. Who comes, comes last, when
all the others stand: unless it could not get in then (`late`), which is tried at every step.
"""

from __future__ import annotations

import heapq
import itertools
from collections.abc import Container, Iterator, Mapping
from dataclasses import dataclass, field
from functools import cached_property
from typing import Literal, NamedTuple

from coop.resets.domain.order.boxes import Spot
from coop.resets.domain.order.reach import Effort, Goal, Onto, Out, Reach, To, Way
from coop.resets.domain.order.removal import remove_all
from coop.resets.domain.order.staging import StagingFloor, Waits
from coop.resets.domain.piece import Piece

StepKind = Literal["out", "in", "shift", "stage"]


class Step(NamedTuple):
    """One move of a floor piece. `way` runs from its place outwards, also for what comes in (`in`): that is walked backwards."""

    kind: StepKind
    key: str
    way: Way
    standing: frozenset[Spot]
    waits: Waits | None = None
    """On staging floor: where it goes, or where it comes from."""


class State(NamedTuple):
    old: frozenset[str]
    """Who stands where it stood."""
    new: frozenset[str]
    """Who stands where it will, having moved or come."""
    staged: frozenset[Waits]


@dataclass(frozen=True)
class Change:
    """The floor pieces of two sets: where each stands now and where it will. `waiting`: on staging floor from the start."""

    pieces: Mapping[str, Piece]
    old: Mapping[str, Spot]
    new: Mapping[str, Spot]
    fixed: frozenset[str] = frozenset()
    waiting: frozenset[Waits] = frozenset()

    @cached_property
    def leaving(self) -> frozenset[str]:
        return frozenset(self.old) - frozenset(self.new)

    @cached_property
    def coming(self) -> frozenset[str]:
        """Who comes from outside."""
        return frozenset(self.new) - frozenset(self.old) - {one.key for one in self.waiting}

    @cached_property
    def staying(self) -> frozenset[str]:
        return frozenset(key for key in self.old if self.new.get(key) == self.old[key])

    @cached_property
    def shifting(self) -> frozenset[str]:
        return frozenset(self.old) & frozenset(self.new) - self.staying

    @cached_property
    def core(self) -> frozenset[str]:
        """Who may have to wait on staging floor."""
        return (self.staying | self.shifting) - self.fixed

    def without(self, key: str) -> Change:
        """The same as if there were no such piece."""
        return Change(
            {k: v for k, v in self.pieces.items() if k != key},
            {k: v for k, v in self.old.items() if k != key},
            {k: v for k, v in self.new.items() if k != key},
            self.fixed - {key},
            frozenset(one for one in self.waiting if one.key != key),
        )


@dataclass(frozen=True)
class Found:
    """`steps` None: there is none with fewer stagings than `bound`, as far as was looked; `whole`: all of it was looked at."""

    steps: tuple[Step, ...] | None
    staged: int
    bound: int
    whole: bool


@dataclass
class _Searching:
    """What one search knows."""

    change: Change
    reach: Reach
    floor: StagingFloor
    effort: Effort
    greedy: bool
    hints: frozenset[str]
    late: frozenset[str] = frozenset()
    _arrived: dict[tuple[frozenset[str], frozenset[Waits]], tuple[Step, ...] | frozenset[str]] = field(default_factory=dict)

    def standing(self, state: State, without: str = "") -> frozenset[Spot]:
        change = self.change
        return frozenset(
            itertools.chain(
                (change.old[key] for key in state.old if key != without),
                (change.new[key] for key in state.new if key != without),
                (one.spot for one in state.staged if one.spot and one.on_floor and one.key != without),
            )
        )

    def way(self, key: str, start: Spot, goal: Goal, standing: frozenset[Spot]) -> Way | None:
        return self.reach.way(self.change.pieces[key], start, goal, standing, self.effort)

    def settle(self, state: State) -> tuple[State, tuple[Step, ...]]:
        """Everybody who leaves and can, leaves."""
        change = self.change
        leaving = {key: change.old[key] for key in sorted(state.old & change.leaving)}
        if not leaving:
            return state, ()
        others = self.standing(state._replace(old=state.old - change.leaving))
        removal = remove_all(self.reach, change.pieces, leaving, others, self.effort)
        steps = tuple(Step("out", one.key, one.way, one.standing) for one in removal.gone)
        return state._replace(old=state.old - {one.key for one in removal.gone}), steps

    def arrivals(self, state: State) -> tuple[Step, ...] | frozenset[str]:
        """How all who come or wait get in when nobody shifts any more; else who could not."""
        key = (state.new | (state.old & self.change.staying), state.staged)
        if key not in self._arrived:
            self._arrived[key] = self._arrive(state)
        return self._arrived[key]

    def _arrive(self, state: State) -> tuple[Step, ...] | frozenset[str]:
        change = self.change
        waits = {one.key: one for one in state.staged}
        # Who waits comes in first where that makes no difference: staging floor is lent for hours.
        coming = [*sorted(change.coming - state.new), *sorted(waits)]
        removal = remove_all(
            self.reach,
            change.pieces,
            {key: change.new[key] for key in coming},
            self.standing(state),
            self.effort,
            goal_of=lambda key: goal_from(waits.get(key)),
            rest_of=lambda key: floor_of(waits.get(key)),
        )
        if removal.stuck:
            return removal.stuck
        return tuple(Step("in", one.key, one.way, one.standing, waits.get(one.key)) for one in reversed(removal.gone))

    def successors(self, state: State) -> Iterator[tuple[int, State, Step]]:
        everybody = frozenset(self.change.pieces)
        yield from self.straight(state, everybody)
        yield from self.back(state, everybody)
        yield from self.by_staging(state)

    def straight(self, state: State, only: Container[str]) -> Iterator[tuple[int, State, Step]]:
        """Moves that end at a next place and do not begin on staging floor."""
        change = self.change
        for key in sorted(state.old & change.shifting - change.fixed):
            standing = self.standing(state, key)
            way = self.way(key, change.old[key], To(change.new[key]), standing) if key in only else None
            if way:
                yield 0, state._replace(old=state.old - {key}, new=state.new | {key}), Step("shift", key, way, standing)
        for key in sorted(self.late - state.new):
            standing = self.standing(state)
            way = self._way_in(key, None, standing) if key in only else None
            if way:
                yield 0, state._replace(new=state.new | {key}), Step("in", key, way, standing)

    def back(self, state: State, only: Container[str]) -> Iterator[tuple[int, State, Step]]:
        """Moves from staging floor."""
        for waits in sorted(state.staged):
            standing = self.standing(state, waits.key)
            way = self._way_in(waits.key, waits, standing) if waits.key in only else None
            if way:
                step = Step("in", waits.key, way, standing, waits)
                yield 0, state._replace(new=state.new | {waits.key}, staged=state.staged - {waits}), step

    def by_staging(self, state: State) -> Iterator[tuple[int, State, Step]]:
        for key in self._worth_staging(state) if self.greedy else sorted(self.change.core & (state.old | state.new)):
            yield from self._staged(state, key)

    def _way_in(self, key: str, waits: Waits | None, standing: frozenset[Spot]) -> Way | None:
        spot = self.change.new[key]
        return self.way(key, spot, goal_from(waits), standing)

    def _staged(self, state: State, key: str) -> Iterator[tuple[int, State, Step]]:
        change = self.change
        start = change.old[key] if key in state.old else change.new[key]
        standing = self.standing(state, key)
        for number, area in enumerate(self.floor.areas):
            if not self.floor.has_room(number, state.staged):
                continue
            on_floor = self.floor.on_floor[number]
            way = self.way(key, start, Onto(area) if on_floor else Out(), standing)
            if not way:
                continue
            if on_floor:
                end = way.poses[-1]
                spot: Spot | None = start._replace(x_in16=end.x_in16, y_in16=end.y_in16, turn_deg=end.turn_deg % 360)
            elif area.outline:
                spot = self.floor.room_for(number, start, state.staged)
                if spot is None:
                    continue
            else:
                spot = None
            waits = Waits(key, number, spot, on_floor)
            after = State(state.old - {key}, state.new - {key}, state.staged | {waits})
            yield 1, after, Step("stage", key, way, standing, waits)
            if self.greedy:
                return

    def _worth_staging(self, state: State) -> list[str]:
        """Who bars somebody that could not do its move, or bars one of those."""
        change = self.change
        wanted: set[str] = set()
        asked = [(key, change.old[key], To(change.new[key])) for key in sorted(state.old & change.shifting)]
        asked += [(key, change.old[key], Out()) for key in sorted(state.old & change.leaving)]  # type: ignore[misc]
        if not state.old & change.shifting:
            stuck = self.arrivals(state)
            if isinstance(stuck, frozenset):
                asked += [(key, change.new[key], Out()) for key in sorted(stuck)]  # type: ignore[misc]
        seen: set[str] = set()
        while asked:
            key, start, goal = asked.pop()
            standing = self.standing(state, key)
            if self.way(key, start, goal, standing):
                continue
            barring = {spot.key for spot in self.reach.barred_by(change.pieces[key], start, goal, standing, self.effort)}
            wanted |= barring | {key}
            for other in sorted(barring & change.core & (state.old | state.new) - seen):
                seen.add(other)
                asked.append((other, change.old[other] if other in state.old else change.new[other], Out()))  # type: ignore[arg-type]
        able = wanted & change.core & (state.old | state.new)
        return sorted(able, key=lambda key: (key not in self.hints, key))

    def pending(self, state: State) -> int:
        return len(state.old - self.change.staying)


def goal_from(waits: Waits | None) -> Goal:
    """Where a piece comes from, walked from its place outwards."""
    return To(waits.spot) if waits and waits.spot and waits.on_floor else Out()


def floor_of(waits: Waits | None) -> frozenset[Spot]:
    return frozenset([waits.spot]) if waits and waits.spot and waits.on_floor else frozenset()


def dive(
    change: Change,
    reach: Reach,
    floor: StagingFloor,
    effort: Effort,
    demands: Mapping[str, frozenset[str]],
    hints: frozenset[str],
    budget: int,
) -> Found:
    """One order, found without turning back: whose demands are met moves; else one of `hints`, or who bars, goes by staging.

    It may find none where there is one, and more stagings than are needed.
    """
    searching = _searching(change, reach, floor, effort, hints, greedy=True)
    state, steps = searching.settle(State(frozenset(change.old), frozenset(), change.waiting))
    begin, staged = reach.spent, 0
    seen: set[State] = set()
    while reach.spent - begin <= budget and state not in seen:
        seen.add(state)
        if not searching.pending(state):
            arriving = searching.arrivals(state)
            if isinstance(arriving, tuple):
                return Found(steps + arriving, staged, 0, whole=False)
        unmoved = (state.old | searching.late) - state.new
        met = {key for key, others in demands.items() if not others & unmoved - {key}}
        searching.effort = 0
        moved = next(searching.straight(state, met), None)
        searching.effort = effort
        moves = itertools.chain(searching.straight(state, met), searching.by_staging(state), searching.back(state, met))
        moved = moved or next(moves, None)
        if moved is None:
            break
        cost, after, step = moved
        staged += cost
        state, leaving = searching.settle(after)
        steps = (*steps, step, *leaving)
    return _stage_the_rest(searching, state, steps, staged)


def _stage_the_rest(searching: _Searching, state: State, steps: tuple[Step, ...], staged: int) -> Found:
    """From some state on: everybody still to move goes to staging floor, or all who bars them too.

    Many stagings, but soon found; it needs an area as large as anybody asks for.
    """
    change, reach, floor, effort = searching.change, searching.reach, searching.floor, searching.effort
    free = next((n for n, area in enumerate(floor.areas) if not area.outline and area.capacity is None), None)
    if free is None:
        return Found(None, 0, 0, whole=False)
    here = {key: change.old[key] for key in sorted(state.old)} | {key: change.new[key] for key in sorted(state.new)}
    for kept in ((change.staying & state.old) | state.new, change.fixed & state.old):
        going = {key: spot for key, spot in here.items() if key not in kept}
        others = searching.standing(State(state.old & kept, state.new & kept, state.staged))
        removal = remove_all(reach, change.pieces, going, others, effort)
        if removal.stuck:
            continue
        waits = {one.key: Waits(one.key, free, None, False) for one in removal.gone if one.key in change.new}
        arriving = searching.arrivals(State(state.old & kept, state.new & kept, state.staged | frozenset(waits.values())))
        if isinstance(arriving, tuple):
            gone = tuple(
                Step("stage" if one.key in waits else "out", one.key, one.way, one.standing, waits.get(one.key))
                for one in removal.gone
            )
            return Found(steps + gone + arriving, staged + len(waits), 0, whole=False)
    return Found(None, 0, 0, whole=False)


def _searching(
    change: Change, reach: Reach, floor: StagingFloor, effort: Effort, hints: frozenset[str], *, greedy: bool
) -> _Searching:
    # Who comes and could not when all the others stand must come while some of them are away yet.
    full = {key: change.new[key] for key in sorted(change.coming)}
    others = [spot for key, spot in change.new.items() if key not in change.coming]
    late = remove_all(reach, change.pieces, full, others, effort).stuck
    return _Searching(change, reach, floor, effort, greedy, hints, late)


def find_order(
    change: Change,
    reach: Reach,
    floor: StagingFloor,
    effort: Effort,
    *,
    greedy: bool,
    budget: int,
    below: int | None = None,
    hints: frozenset[str] = frozenset(),
) -> Found:
    """The steps with the fewest stagings (any, where `greedy`), each state looked at once; at most `budget` is spent on floods.

    `below`: only orders with fewer stagings are wanted. Greedy, it goes on from the state with the fewest stagings and pieces
    still to move together, and stages only who bars somebody.
    """
    searching = _searching(change, reach, floor, effort, hints, greedy=greedy)
    start, steps = searching.settle(State(frozenset(change.old), frozenset(), change.waiting))
    begin = reach.spent
    came: dict[State, tuple[State | None, tuple[Step, ...]]] = {start: (None, steps)}
    costs = {start: 0}
    tie = itertools.count()
    heap = [(0, searching.pending(start), next(tie), 0, start)]
    done: set[State] = set()
    while heap:
        _, _, _, cost, state = heapq.heappop(heap)
        if state in done:
            continue
        done.add(state)
        if below is not None and cost >= below:
            return Found(None, 0, below, whole=not greedy)
        if not searching.pending(state):
            arriving = searching.arrivals(state)
            if isinstance(arriving, tuple):
                return Found(_back(came, state) + arriving, cost, 0 if greedy else cost, whole=not greedy)
        if reach.spent - begin > budget:
            return Found(None, 0, 0 if greedy else cost, whole=False)
        for more, after, step in searching.successors(state):
            if below is not None and cost + more >= below:
                continue
            settled, leaving = searching.settle(after)
            if settled in done or costs.get(settled, cost + more + 1) <= cost + more:
                continue
            costs[settled] = cost + more
            came[settled] = state, (step, *leaving)
            pending = searching.pending(settled)
            first = cost + more + pending if greedy else cost + more
            heapq.heappush(heap, (first, pending, next(tie), cost + more, settled))
    return Found(None, 0, below or 0, whole=not greedy)


def _back(came: Mapping[State, tuple[State | None, tuple[Step, ...]]], state: State) -> tuple[Step, ...]:
    steps: tuple[Step, ...] = ()
    at: State | None = state
    while at is not None:
        at, before = came[at]
        steps = before + steps
    return steps
