"""How many pieces must go by staging at least, and which would do.

Who moves once, moves at one moment. If a piece cannot make its move while another stands where it stood, the other moves first;
if it cannot while the other stands where it will, the other moves later. Each is asked of two pieces alone, so it holds in
company. A ring of such demands is broken only by a piece that moves twice: by staging. The fewest pieces that break every ring
are a lower bound (rearrangement as a feedback vertex set: Han, Stiffler, Krontiris, Bekris, Yu 2018, there for tabletops).
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass

from coop.resets.domain.order.both import Change, goal_from
from coop.resets.domain.order.boxes import Spot, spots_overlap
from coop.resets.domain.order.reach import Effort, Goal, Out, Reach, To
from coop.resets.domain.piece import Piece

_MOST_TRIED = 20_000
"""Sets of pieces tried before the bound is what was shown so far."""

Demands = Mapping[str, frozenset[str]]
"""Whose move must come before whose: by the one that waits for it."""


@dataclass(frozen=True)
class Bound:
    least: int
    break_rings: frozenset[str]
    """Pieces that break every ring; not always the fewest where they are many."""
    rings: tuple[frozenset[str], ...]
    """Rings of demands that share no piece, the shortest first."""


def demands_of(change: Change, reach: Reach, effort: Effort, budget: int) -> tuple[dict[str, frozenset[str]], frozenset[str]]:
    """Who must move before whom, and who cannot go straight to its next place even alone.

    At most about `budget` floods are spent; what is not looked at then is not demanded, and the bound may be lower.
    """
    waits = {one.key: one for one in change.waiting}
    always = frozenset(change.old[key] for key in change.fixed if key in change.old)
    movers: list[tuple[str, Goal]] = [(key, To(change.new[key])) for key in sorted(change.shifting)]
    movers += [(key, Out()) for key in sorted(change.leaving)]
    movers += [(key, goal_from(waits.get(key))) for key in sorted(change.coming | set(waits))]
    first: dict[str, set[str]] = {key: set() for key in (*change.old, *change.new)}
    never: set[str] = set()
    begin = reach.spent
    for key, goal in movers:
        piece, start = change.pieces[key], change.old.get(key) or change.new[key]
        if not reach.way(piece, start, goal, always, effort):
            never.add(key)
            continue

        def passes(spot: Spot, piece: Piece = piece, start: Spot = start, goal: Goal = goal) -> bool:
            if isinstance(goal, To) and spots_overlap(spot, goal.spot):
                return False
            return reach.spent - begin > budget or reach.way(piece, start, goal, always | {spot}, effort) is not None

        for other in sorted(first.keys() - {key} - change.fixed):
            if other in change.old and not passes(change.old[other]):
                first[key].add(other)
            if other in change.new and not passes(change.new[other]):
                first[other].add(key)
    return {key: frozenset(others) for key, others in first.items()}, frozenset(never)


def least_stagings(demands: Demands, core: frozenset[str], must: Iterable[str] = ()) -> Bound:
    """The fewest pieces of `core` that break every ring of demands, `must` among them."""
    must_be = frozenset(must) & core
    keys = sorted(demands.keys() - must_be)
    number = {key: n for n, key in enumerate(keys)}
    after = [sum(1 << number[other] for other in demands[key] if other in number) for key in keys]
    able = sum(1 << number[key] for key in keys if key in core)
    alive = _ringed(after, (1 << len(keys)) - 1)
    tries = _Tries(after, able)
    broken, least = None, 0
    while broken is None and tries.left > 0 and least <= len(keys):
        broken = tries.broken(alive, least)
        least += broken is None
    if broken is None:
        broken = _by_degree(after, able, alive)
    breaking = must_be | {key for key in keys if broken >> number[key] & 1}
    rings: list[frozenset[str]] = []
    rest = alive
    while rest:
        ring = _shortest_ring(after, rest)
        rings.append(frozenset(key for key in keys if ring >> number[key] & 1))
        rest = _ringed(after, rest & ~ring)
    return Bound(len(must_be) + least, breaking, tuple(rings))


class _Tries:
    """Depth by depth: of a shortest ring one piece must go."""

    def __init__(self, after: list[int], able: int) -> None:
        self._after, self._able, self.left = after, able, _MOST_TRIED

    def broken(self, alive: int, count: int) -> int | None:
        """Pieces, `count` at most, without which there is no ring; None where there are none, or no tries are left."""
        alive = _ringed(self._after, alive)
        if not alive:
            return 0
        self.left -= 1
        if not count or self.left <= 0:
            return None
        for n in _bits(_shortest_ring(self._after, alive) & self._able):
            more = self.broken(alive & ~(1 << n), count - 1)
            if more is not None:
                return more | 1 << n
        return None


def _by_degree(after: list[int], able: int, alive: int) -> int:
    """Pieces that break every ring: again and again the one with the most demands to and from others."""
    chosen = 0
    while alive & able:
        degree = {n: (after[n] & alive).bit_count() * sum(after[m] >> n & 1 for m in _bits(alive)) for n in _bits(alive & able)}
        best = max(degree, key=lambda n: (degree[n], -n))
        chosen |= 1 << best
        alive = _ringed(after, alive & ~(1 << best))
    return chosen


def _ringed(after: list[int], alive: int) -> int:
    """Those left when everybody who demands nobody, or whom nobody demands, has gone, again and again."""
    while True:
        demanded, kept = 0, 0
        for n in _bits(alive):
            if after[n] & alive:
                kept |= 1 << n
                demanded |= after[n]
        kept &= demanded
        if kept == alive:
            return alive
        alive = kept


def _shortest_ring(after: list[int], alive: int) -> int:
    """The pieces of one ring, as short as there is; each of `alive` demands another of them, so there is one."""
    best, shortest = 0, len(after) + 1
    for n in _bits(alive):
        came: dict[int, int] = {}
        wave, seen, length = [n], 0, 0
        while wave and length + 1 < shortest:
            length += 1
            ahead: list[int] = []
            for m in wave:
                for other in _bits(after[m] & alive & ~seen):
                    seen |= 1 << other
                    came[other] = m
                    ahead.append(other)
            if seen >> n & 1:
                shortest, best, at = length, 1 << n, came[n]
                while at != n:
                    best |= 1 << at
                    at = came[at]
                break
            wave = ahead
        if shortest == 2:
            break
    return best


def _bits(mask: int) -> Iterator[int]:
    while mask:
        low = mask & -mask
        yield low.bit_length() - 1
        mask ^= low
