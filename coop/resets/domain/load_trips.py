"""Which pieces go in which trip of a van: the next ones, as many as go; or any, in as few trips as are found; and a lower bound.

Lengths are sixteenths of an inch, weights ounces.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from fractions import Fraction

from coop.resets.domain.load_rows import FEW, Item, Van, fits, longest_first, members, parts_of, row_length, row_of_part


def trips_in_order(items: Sequence[Item], van: Van) -> list[list[Item]]:
    """The fewest trips where each takes what comes next: each takes as much as goes."""
    groups: list[list[Item]] = []
    for item in items:
        if groups and fits([*groups[-1], item], van):
            groups[-1].append(item)
        else:
            groups.append([item])
    return groups


def trips_waiting(items: Sequence[Item], in_order: list[list[Item]], least: int, van: Van) -> tuple[list[list[Item]], bool]:
    """The fewest trips that were found where pieces may wait, and whether they are the fewest for certain.

    Where waiting saves no trip, nothing waits.
    """
    if len(items) <= FEW:
        fewest = _fewest(items, van)
        return (fewest if len(fewest) < len(in_order) else in_order), True
    best = in_order
    orders = (sorted(items, key=lambda item: -item.area), sorted(items, key=longest_first), sorted(items, key=_heaviest_first))
    for search in (_first_fit, _fullest):
        for order in orders:
            if len(best) > least:
                best = min(best, search(order, van), key=len)
    return (best if best is in_order else _by_first(best, items)), False


def _by_first(groups: list[list[Item]], items: Sequence[Item]) -> list[list[Item]]:
    """Trips in the order of the first piece of each, their pieces in the order in which they move."""
    place = {item: n for n, item in enumerate(items)}
    return sorted((sorted(group, key=lambda item: place[item]) for group in groups), key=lambda group: place[group[0]])


def _heaviest_first(item: Item) -> int:
    return -item.weight_oz


def _first_fit(order: Sequence[Item], van: Van) -> list[list[Item]]:
    groups: list[list[Item]] = []
    for item in order:
        for group in groups:
            if fits(sorted([*group, item], key=longest_first), van):
                group.append(item)
                break
        else:
            groups.append([item])
    return groups


_NODES = 60
"""Parts of the pieces tried for each trip."""


def _fullest(order: Sequence[Item], van: Van) -> list[list[Item]]:
    """Each trip takes the first piece that is left and, of what goes with it, what fills the van best by floor or by payload."""
    rest, groups = list(order), []
    while rest:
        groups.append(_filled(rest, van))
        rest = [item for item in rest if item not in groups[-1]]
    return groups


def _filled(rest: Sequence[Item], van: Van) -> list[Item]:
    floor = van.width_in16 * van.length_in16

    def fill(group: Sequence[Item]) -> Fraction:
        by_weight = Fraction(sum(item.weight_oz for item in group), van.payload_oz) if van.payload_oz else Fraction(0)
        return max(by_weight, Fraction(sum(item.area for item in group), floor))

    best, best_fill, nodes = [rest[0]], fill(rest[:1]), 0
    stack = [(best, 1)]
    while stack and nodes < _NODES and best_fill < 1:
        group, start = stack.pop()
        nodes += 1
        if fill(group) > best_fill:
            best, best_fill = group, fill(group)
        longer, seen = [], set()
        for n in range(start, len(rest)):
            # Of pieces alike only the first is tried: the others lead to the same trips.
            alike = (rest[n].stands, rest[n].weight_oz)
            if alike not in seen and fits(sorted([*group, rest[n]], key=longest_first), van):
                seen.add(alike)
                longer.append(([*group, rest[n]], n + 1))
        stack += longer[::-1]
    return best


def _fewest(items: Sequence[Item], van: Van) -> list[list[Item]]:
    """The fewest trips, over all ways to part the items into trips and each trip into rows (sets as bits)."""
    all_items = (1 << len(items)) - 1
    rows = {mask: row_length(row) for mask, row in row_of_part(items, van).items()}
    length: dict[int, int] = {0: 0}
    weight: dict[int, int] = {0: 0}
    trips: dict[int, tuple[int, int]] = {0: (0, 0)}
    for mask in range(1, all_items + 1):
        parts = parts_of(mask)
        length[mask] = min(rows[part] + length[mask ^ part] for part in parts if part in rows)
        weight[mask] = weight[mask & (mask - 1)] + items[(mask & -mask).bit_length() - 1].weight_oz
        trips[mask] = min(
            (trips[mask ^ part][0] + 1, part)
            for part in parts
            if length[part] <= van.length_in16 and (van.payload_oz is None or weight[part] <= van.payload_oz)
        )
    groups = []
    mask = all_items
    while mask:
        part = trips[mask][1]
        groups.append(members(items, part))
        mask ^= part
    return _by_first(groups, items)


def least_trips(items: Sequence[Item], van: Van) -> int:
    """Fewest trips by floor and by payload alone: no arrangement does with fewer."""
    by_floor = lower_bound([item.area for item in items], van.width_in16 * van.length_in16)
    by_weight = 0 if van.payload_oz is None else lower_bound([item.weight_oz for item in items], van.payload_oz)
    return max(by_floor, by_weight)


def lower_bound(sizes: Sequence[int], capacity: int) -> int:
    """Fewest bins of a capacity that sizes can need: the bound L2.

    Source: Martello and Toth, Knapsack Problems (1990), chapter 8: for every limit up to half a bin, what is larger than the rest
    of a bin stands alone, what is larger than half of it stands apart but leaves room, and the others fill that room or more.
    Raises ValueError for a size that is larger than a bin or below zero.
    """
    if any(not 0 <= size <= capacity for size in sizes):
        raise ValueError("A size is zero or more and fits in a bin.")
    sizes = [size for size in sizes if size]
    bound = 0
    for limit in {0, *(size for size in sizes if 2 * size <= capacity)}:
        alone = [size for size in sizes if size > capacity - limit]
        large = [size for size in sizes if size <= capacity - limit and 2 * size > capacity]
        small = sum(size for size in sizes if limit <= size and 2 * size <= capacity)
        over = max(0, small - (len(large) * capacity - sum(large)))
        bound = max(bound, len(alone) + len(large) + math.ceil(Fraction(over, capacity)))
    return bound
