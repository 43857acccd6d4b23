"""The order against every order there is, on many small booths, by code of its own: cells for inches, all states looked at.

Pieces are squares of one or two cells of 24 in., 4 in. less than their cells each way, so that gaps of whole cells are passed
with room to spare and a cell less is not passed at all; a square gains nothing by turning.
"""

from __future__ import annotations

import heapq
import itertools
import random
from collections.abc import Iterator
from typing import NamedTuple

import pytest

from coop.resets.domain.booth import rectangle_booth
from coop.resets.domain.order.ground import StagingArea, ground_before
from coop.resets.domain.order.moves import Order
from coop.resets.domain.order.plan import plan_order
from coop.resets.domain.piece import Arrangement, Piece, Placed
from tests.unit.resets.simulator import ends_as_wanted, replay

CELL = 24 * 16
LESS = 4 * 16


class Square(NamedTuple):
    column: int
    row: int
    size: int

    def cells(self) -> set[tuple[int, int]]:
        return {(self.column + c, self.row + r) for c in range(self.size) for r in range(self.size)}


class Case(NamedTuple):
    columns: int
    rows: int
    old: dict[str, Square]
    new: dict[str, Square]
    capacity: int


def random_case(seed: int) -> Case:
    chance = random.Random(seed)
    columns, rows = chance.choice([(2, 3), (2, 4), (3, 3), (3, 4)])
    names = [f"p{n}" for n in range(chance.randint(3, 6))]
    sizes = {name: chance.choice([1, 1, 1, 2]) for name in names}

    def scattered(given: dict[str, Square], wanted: list[str]) -> dict[str, Square]:
        placed = dict(given)
        for name in wanted:
            size = sizes[name]
            spots = [Square(c, r, size) for c in range(columns - size + 1) for r in range(rows - size + 1)]
            free = [spot for spot in spots if not any(spot.cells() & other.cells() for other in placed.values())]
            if free:
                placed[name] = chance.choice(free)
        return placed

    old = scattered({}, [name for name in names if chance.random() < 0.85])
    kept = {name: spot for name, spot in old.items() if chance.random() < 0.25}
    order = [name for name in names if name not in kept and chance.random() < 0.85]
    chance.shuffle(order)
    return Case(columns, rows, old, scattered(kept, order), chance.choice([0, 1, 1, 2, 5]))


def slides(case: Case, start: Square, standing: set[tuple[int, int]]) -> set[Square]:
    """Where a square gets to by whole cells, in the booth and the two rows of aisle before it (wider by three cells)."""
    rows = range(case.rows)
    floor = {(c, r) for c in range(case.columns) for r in rows}
    floor |= {(c, case.rows + r) for c in range(-3, case.columns + 3) for r in range(2)}
    seen, ahead = {start}, [start]
    while ahead:
        at = ahead.pop()
        for dc, dr in ((1, 0), (-1, 0), (0, 1), (0, -1)):
            to = Square(at.column + dc, at.row + dr, at.size)
            if to not in seen and to.cells() <= floor - standing:
                seen.add(to)
                ahead.append(to)
    return seen


def comes_out(case: Case, start: Square, standing: set[tuple[int, int]]) -> bool:
    return any(spot.row >= case.rows for spot in slides(case, start, standing))


def fewest_stagings(case: Case) -> int | None:
    """Over all states: each piece where it was, where it will be, waiting, or away."""
    names = sorted(case.old.keys() | case.new.keys())
    start = tuple("old" if name in case.old else "away" for name in names)
    goal = {name: "new" if name in case.new else "away" for name in names}

    def at(name: str, where: str) -> Square | None:
        return {"old": case.old, "new": case.new}[where][name] if where in ("old", "new") else None

    def nexts(state: tuple[str, ...]) -> Iterator[tuple[int, tuple[str, ...]]]:
        for n, name in enumerate(names):
            standing: set[tuple[int, int]] = set()
            for other, where in zip(names, state, strict=True):
                spot = at(other, where)
                if other != name and spot:
                    standing |= spot.cells()
            here = at(name, state[n])
            target = case.new.get(name)
            if here:
                reached = slides(case, here, standing)
                leaves = comes_out(case, here, standing)
                if leaves and name not in case.new:
                    yield 0, (*state[:n], "away", *state[n + 1 :])
                if leaves and name in case.new and state.count("waiting") < case.capacity:
                    yield 1, (*state[:n], "waiting", *state[n + 1 :])
                if state[n] == "old" and target in reached:
                    yield 0, (*state[:n], "new", *state[n + 1 :])
            elif target and state[n] != "new" and not target.cells() & standing and comes_out(case, target, standing):
                yield 0, (*state[:n], "new", *state[n + 1 :])

    tie = itertools.count()
    heap = [(0, next(tie), start)]
    done: set[tuple[str, ...]] = set()
    while heap:
        cost, _, state = heapq.heappop(heap)
        if state in done:
            continue
        done.add(state)
        if all(
            goal[name] == where or (where == "old" and case.old[name] == case.new.get(name))
            for name, where in zip(names, state, strict=True)
        ):
            return cost
        for more, after in nexts(state):
            heapq.heappush(heap, (cost + more, next(tie), after))
    return None


def as_sets(case: Case) -> tuple[Arrangement, Arrangement]:
    def placed(name: str, spot: Square) -> Placed:
        side = spot.size * CELL - LESS
        middle = [(corner * CELL + spot.size * CELL // 2) for corner in (spot.column, spot.row)]
        return Placed(Piece(name, f"Stand {name}", side, side, 480), *middle)

    sets = [Arrangement(tuple(placed(name, spot) for name, spot in one.items())) for one in (case.old, case.new)]
    return sets[0], sets[1]


def planned(case: Case) -> object:
    booth = rectangle_booth(case.columns * CELL, case.rows * CELL)
    staging = (StagingArea("bay", capacity=case.capacity),) if case.capacity else ()
    before, after = as_sets(case)
    return plan_order(ground_before(booth, aisle_in16=2 * CELL, staging=staging), before, after)


@pytest.mark.parametrize("first", range(0, 40, 10))
def test_same_feasibility_and_the_same_fewest_stagings_as_every_order_there_is(first: int) -> None:
    for seed in range(first, first + 10):
        case = random_case(seed)
        fewest, found = fewest_stagings(case), planned(case)
        if fewest is None:
            assert not isinstance(found, Order), seed
        else:
            assert isinstance(found, Order), seed
            assert (found.staged, found.bound, found.proven) == (fewest, fewest, True), seed
            assert ends_as_wanted(found, replay(found)), seed


def test_the_random_booths_hold_all_sorts() -> None:
    """Else the comparison above would say little."""
    fewest = [fewest_stagings(random_case(seed)) for seed in range(40)]
    assert {None, 0, 1, 2} <= set(fewest)
