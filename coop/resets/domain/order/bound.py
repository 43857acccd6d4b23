"""How many pieces must go by staging at least, and which would do.

Who moves once, moves at one moment. If a piece cannot make its move while another stands where it stood, the other moves first;
if it cannot while the other stands where it will, the other moves later. Each is asked of two pieces alone, so it holds in
company. A ring of such demands is broken only by a piece that moves twice: by staging. The fewest pieces that break every ring
are a lower bound (rearrangement as a feedback vertex set: Han, Stiffler, Krontiris, Bekris, Yu 2018, there for tabletops).
"""

from __future__ import annotations

import itertools
from collections.abc import Iterable, Mapping
from dataclasses import dataclass

from coop.resets.domain.order.both import Change, goal_from
from coop.resets.domain.order.reach import Effort, Goal, Out, Reach, To

_MOST_TRIED = 20_000
"""Sets of pieces tried before the bound is taken from rings that share no piece."""

Demands = Mapping[str, frozenset[str]]
"""Whose move must come before whose: by the one that waits for it."""


@dataclass(frozen=True)
class Bound:
    least: int
    break_rings: frozenset[str]
    """Pieces that break every ring; not always the fewest where they are many."""
    rings: tuple[frozenset[str], ...]
    """Pieces that demand each other's move first, all at once."""


def demands_of(change: Change, reach: Reach, effort: Effort) -> tuple[dict[str, frozenset[str]], frozenset[str]]:
    """Who must move before whom, and who cannot go straight to its next place even alone."""
    waits = {one.key: one for one in change.waiting}
    always = frozenset(change.old[key] for key in change.fixed if key in change.old)
    movers: list[tuple[str, Goal]] = [(key, Out()) for key in sorted(change.leaving)]
    movers += [(key, To(change.new[key])) for key in sorted(change.shifting)]
    movers += [(key, goal_from(waits.get(key))) for key in sorted(change.coming | set(waits))]
    first: dict[str, set[str]] = {key: set() for key in (*change.old, *change.new)}
    never: set[str] = set()
    for key, goal in movers:
        piece, start = change.pieces[key], change.old.get(key) or change.new[key]
        if not reach.way(piece, start, goal, always, effort):
            never.add(key)
            continue
        for other in sorted(first.keys() - {key} - change.fixed):
            if other in change.old and not reach.way(piece, start, goal, always | {change.old[other]}, effort):
                first[key].add(other)
            if other in change.new and not reach.way(piece, start, goal, always | {change.new[other]}, effort):
                first[other].add(key)
    return {key: frozenset(others) for key, others in first.items()}, frozenset(never)


def least_stagings(demands: Demands, core: frozenset[str], must: Iterable[str] = ()) -> Bound:
    """The fewest pieces of `core` that break every ring of demands, `must` among them."""
    must_be = frozenset(must) & core
    left = {key: others - must_be for key, others in demands.items() if key not in must_be}
    rings = tuple(ring for ring in _rings(left) if ring & core)
    breaking = list(must_be)
    least = len(must_be)
    for ring in rings:
        inside = {key: left[key] & ring for key in ring}
        fewest, exact = _fewest(inside, sorted(ring & core))
        breaking += fewest
        least += exact
    return Bound(least, frozenset(breaking), rings)


def _fewest(demands: Demands, able: list[str]) -> tuple[tuple[str, ...], int]:
    """Pieces that break every ring, and how many are needed at least."""
    tried = 0
    for count in range(1, len(able) + 1):
        for chosen in itertools.combinations(able, count):
            tried += 1
            if tried > _MOST_TRIED:
                return tuple(able), max(count, _apart(demands))
            if not _rings({key: others - set(chosen) for key, others in demands.items() if key not in chosen}):
                return chosen, count
    # A ring of pieces none of which may be staged: no order at all, which is told elsewhere.
    return tuple(able), 1


def _apart(demands: Demands) -> int:
    """How many rings of two or more share no piece, taken as they come, short ones first."""
    found, left = 0, {key: set(others) for key, others in demands.items()}
    for length in (2, 3):
        for keys in itertools.combinations(sorted(left), length):
            if not all(key in left for key in keys):
                continue
            turns = itertools.permutations(keys[1:])
            if any(all(b in left[a] for a, b in itertools.pairwise((keys[0], *way, keys[0]))) for way in turns):
                found += 1
                for key in keys:
                    del left[key]
    return found


def _rings(demands: Demands) -> list[frozenset[str]]:
    """Sets of pieces of which each demands, over others, each other (strongly connected, more than one piece)."""
    after: dict[str, set[str]] = {}
    for key in demands:
        reached: set[str] = set()
        ahead = [key]
        while ahead:
            for other in demands[ahead.pop()]:
                if other in demands and other not in reached:
                    reached.add(other)
                    ahead.append(other)
        after[key] = reached
    found: list[frozenset[str]] = []
    seen: set[str] = set()
    for key in sorted(demands):
        if key in seen or key not in after[key]:
            continue
        ring = frozenset({other for other in after[key] if key in after[other]})
        seen |= ring
        found.append(ring)
    return found
