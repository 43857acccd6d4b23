"""Van loads: what goes in which trip, and where it stands in the van.

Pieces stand on the van's floor in rows across it, filled from the front wall back, so that each can be carried straight to its
place and out again: nothing is loaded behind something that has to go first. Nothing stands on anything else, but boxes in
columns, so what is heavy is low. On the way out the first out of the booth is the first in the van; on the way in the first to
come in stands by its doors.

Two questions are answered. In order: each trip takes what comes next, nothing waits, and the fewest trips are found (rows allow
every part of what they take, so taking as much as goes each time is best). Waiting: pieces may wait at the dock for a later trip;
then it is packing into bins, exact for few pieces, else the best of several searches, with a lower bound beside it; and of a trip
the heavy rows stand forward, in any order.

Lengths are sixteenths of an inch, weights ounces. `CAUTION` stands beside what is said here.
"""

from __future__ import annotations

import math
from bisect import bisect_left
from collections.abc import Sequence
from dataclasses import dataclass
from fractions import Fraction
from functools import cached_property
from typing import Literal

from coop.core.geometry import IN16_PER_INCH, format_length, format_sqft, rectangle_sqft100
from coop.core.words import joined
from coop.resets.domain.caution import CAUTION
from coop.resets.domain.piece import Piece
from coop.resets.domain.way import How, carried_sizes
from coop.resets.domain.weight import format_weight

Direction = Literal["out", "in"]

PAD_IN16, GLASS_PAD_IN16 = 1 * IN16_PER_INCH, 4 * IN16_PER_INCH
"""Added to both sides of a footprint for its blankets, in all: common practice, no source."""
FEW = 10
"""Up to so many pieces the fewest trips are found for certain where pieces may wait."""
BOXES_HIGH = 4
"""Boxes on one another at most: common practice, no source."""


@dataclass(frozen=True)
class Van:
    """Its loading floor, `length` from the front wall to the doors; `payload_oz` None where nobody looked it up.

    The opening of its doors is a leg of the way (`way.Door`).
    """

    name: str
    width_in16: int
    length_in16: int
    height_in16: int
    payload_oz: int | None = None


@dataclass(frozen=True)
class Spot:
    """Where a piece stands, padded: from the van's left wall and from its front wall."""

    key: str
    name: str
    how: How
    x_in16: int
    y_in16: int
    width_in16: int
    length_in16: int


@dataclass(frozen=True)
class Trip:
    """`spots` in the order they are loaded; unloaded in the reverse."""

    number: int
    spots: tuple[Spot, ...]
    weight_oz: int
    """Of what was weighed."""
    used_in16: int
    """Of the van's length."""
    notes: tuple[str, ...] = ()

    @property
    def keys(self) -> tuple[str, ...]:
        return tuple(spot.key for spot in self.spots)


@dataclass(frozen=True)
class Left:
    """A piece no trip can take, and why, with the mend."""

    key: str
    sentence: str


@dataclass(frozen=True)
class Loads:
    trips: tuple[Trip, ...]
    left: tuple[Left, ...]
    least: int
    """No fewer trips are possible, whatever waits."""
    proven: bool
    """That no fewer trips do it by the rule asked for."""
    waits: tuple[str, ...]
    """Keys of what waits at the dock (on the way in: beside the booth) while another trip goes."""
    sentence: str
    cautions: tuple[str, ...] = (CAUTION,)


@dataclass(frozen=True, eq=False)
class _Item:
    """A piece as it may stand in the van: (width, length, how), padded, the first way of carrying first."""

    piece: Piece
    stands: tuple[tuple[int, int, How], ...]

    @property
    def weight_oz(self) -> int:
        return self.piece.weight_oz or 0

    @cached_property
    def area(self) -> int:
        return min(width * length for width, length, _ in self.stands)

    @cached_property
    def narrowest(self) -> int:
        return min(width for width, _, _ in self.stands)


_Row = tuple[tuple[_Item, int, int, How], ...]
"""Items side by side, each with its width, length and way of standing."""


def loads(pieces: Sequence[Piece], van: Van, *, direction: Direction = "out", may_wait: bool = False) -> Loads:
    """The trips for pieces in the order they come out, or go in.

    Raises ValueError for a van without a floor or a piece given twice.
    """
    if min(van.width_in16, van.length_in16, van.height_in16) <= 0:
        raise ValueError("A van has a width, a length and a height.")
    if len({piece.key for piece in pieces}) != len(pieces):
        raise ValueError("A piece is loaded twice.")
    items, left = [], []
    for piece in pieces:
        item = _item(piece, van)
        why = _why_left(piece, item, van)
        if why:
            left.append(Left(piece.key, why))
        else:
            items.append(item)
    least = _least(items, van)
    groups, proven = _in_order(items, van), True
    if may_wait and len(groups) > least:
        groups, exact = _waiting(items, groups, least, van)
        proven = exact or len(groups) == least
    order = {item.piece.key: n for n, item in enumerate(items)}
    trips = tuple(_trip(number, group, van, direction, order, may_wait) for number, group in enumerate(groups, start=1))
    waits = _waits(groups, order, direction)
    fewest = (
        f"; {least} at least, fewer were not found"
        if not proven
        else ", the fewest"
        if may_wait
        else ", the fewest in this order"
    )
    return Loads(trips, tuple(left), least, proven, waits, _sentence(trips, items, waits, fewest, van))


def _item(piece: Piece, van: Van) -> _Item:
    """Its ways of standing in the van; none where it fits in no way. Glass is never laid flat."""
    pad = GLASS_PAD_IN16 if piece.glass else PAD_IN16
    stands: list[tuple[int, int, How]] = []
    for how, (width, depth, height) in carried_sizes(piece):
        if height > van.height_in16 or (piece.glass and how == "tilted"):
            continue
        for across, along in dict.fromkeys(((width + pad, depth + pad), (depth + pad, width + pad))):
            if across <= van.width_in16 and along <= van.length_in16:
                stands.append((across, along, how))
    return _Item(piece, tuple(stands))


def _why_left(piece: Piece, item: _Item, van: Van) -> str:
    if not item.stands:
        size = f"{format_length(piece.width_in16)} x {format_length(piece.depth_in16)} x {format_length(piece.height_in16)}"
        floor = f"{format_length(van.width_in16)} x {format_length(van.length_in16)} x {format_length(van.height_in16)}"
        return (
            f"{piece.name} ({size}) does not fit in {van.name} ({floor}) padded, in any way it may be carried. "
            "Take parts off it and give the size it has then, or take a larger van."
        )
    if van.payload_oz is not None and item.weight_oz > van.payload_oz:
        return (
            f"{piece.name} is {format_weight(item.weight_oz)} and {van.name} carries {format_weight(van.payload_oz)}. "
            "Take it in parts, or take a larger van."
        )
    return ""


def _row(items: Sequence[_Item], width_in16: int) -> _Row | None:
    """The items side by side, as short along the van as they can be; None where they are too wide together."""
    if sum(item.narrowest for item in items) > width_in16:
        return None
    lengths = sorted({stand[1] for item in items for stand in item.stands})

    def chosen(length_in16: int) -> list[tuple[int, int, How] | None]:
        return [min((stand for stand in item.stands if stand[1] <= length_in16), default=None, key=_narrow) for item in items]

    def takes(length_in16: int) -> bool:
        stands = chosen(length_in16)
        return None not in stands and sum(stand[0] for stand in stands if stand) <= width_in16

    # The longer a row may be, the narrower each may stand: the first length that takes them is the shortest.
    length = lengths[bisect_left(lengths, True, key=takes)]
    return tuple((item, *stand) for item, stand in zip(items, chosen(length), strict=True) if stand)


def _narrow(stand: tuple[int, int, How]) -> tuple[int, int]:
    return stand[0], stand[1]


def _length(row: _Row) -> int:
    return max((length for _, _, length, _ in row), default=0)


def _rows(items: Sequence[_Item], width_in16: int) -> list[_Row]:
    """The items in this order in rows, together as short as can be: best[n] is the best of the first n, by its last row."""
    best: list[tuple[int, int]] = [(0, 0)]
    for end in range(1, len(items) + 1):
        options = []
        for start in range(end - 1, -1, -1):
            row = _row(items[start:end], width_in16)
            if row is None:
                break
            options.append((best[start][0] + _length(row), start))
        best.append(min(options))
    rows: list[_Row] = []
    end = len(items)
    while end:
        start = best[end][1]
        rows.append(_row(items[start:end], width_in16) or ())
        end = start
    return rows[::-1]


def _fits(items: Sequence[_Item], van: Van) -> bool:
    if van.payload_oz is not None and sum(item.weight_oz for item in items) > van.payload_oz:
        return False
    if sum(item.area for item in items) > van.width_in16 * van.length_in16:
        return False
    return sum(_length(row) for row in _rows(items, van.width_in16)) <= van.length_in16


def _in_order(items: Sequence[_Item], van: Van) -> list[list[_Item]]:
    groups: list[list[_Item]] = []
    for item in items:
        if groups and _fits([*groups[-1], item], van):
            groups[-1].append(item)
        else:
            groups.append([item])
    return groups


def _waiting(items: Sequence[_Item], in_order: list[list[_Item]], least: int, van: Van) -> tuple[list[list[_Item]], bool]:
    """The fewest trips that were found where pieces may wait, and whether they are the fewest for certain.

    Where waiting saves no trip, nothing waits.
    """
    if len(items) <= FEW:
        fewest = _fewest(items, van)
        return (fewest if len(fewest) < len(in_order) else in_order), True
    best = in_order
    orders = (sorted(items, key=lambda item: -item.area), sorted(items, key=_longest_first), sorted(items, key=_heaviest_first))
    for search in (_first_fit, _fullest):
        for order in orders:
            if len(best) > least:
                best = min(best, search(order, van), key=len)
    return (best if best is in_order else _by_first(best, items)), False


def _by_first(groups: list[list[_Item]], items: Sequence[_Item]) -> list[list[_Item]]:
    """Trips in the order of the first piece of each, their pieces in the order in which they move."""
    place = {item: n for n, item in enumerate(items)}
    return sorted((sorted(group, key=lambda item: place[item]) for group in groups), key=lambda group: place[group[0]])


def _heaviest_first(item: _Item) -> int:
    return -item.weight_oz


def _longest_first(item: _Item) -> tuple[int, int]:
    return -min(stand[1] for stand in item.stands), -item.area


def _first_fit(order: Sequence[_Item], van: Van) -> list[list[_Item]]:
    groups: list[list[_Item]] = []
    for item in order:
        for group in groups:
            if _fits(sorted([*group, item], key=_longest_first), van):
                group.append(item)
                break
        else:
            groups.append([item])
    return groups


_NODES = 60
"""Parts of the pieces tried for each trip."""


def _fullest(order: Sequence[_Item], van: Van) -> list[list[_Item]]:
    """Each trip takes the first piece that is left and, of what goes with it, what fills the van best by floor or by payload."""
    rest, groups = list(order), []
    while rest:
        groups.append(_filled(rest, van))
        rest = [item for item in rest if item not in groups[-1]]
    return groups


def _filled(rest: Sequence[_Item], van: Van) -> list[_Item]:
    floor = van.width_in16 * van.length_in16

    def fill(group: Sequence[_Item]) -> Fraction:
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
            if alike not in seen and _fits(sorted([*group, rest[n]], key=_longest_first), van):
                seen.add(alike)
                longer.append(([*group, rest[n]], n + 1))
        stack += longer[::-1]
    return best


def _fewest(items: Sequence[_Item], van: Van) -> list[list[_Item]]:
    """The fewest trips, over all ways to part the items into trips and each trip into rows (sets as bits)."""
    all_items = (1 << len(items)) - 1
    row_length = {mask: _length(row) for mask, row in _row_of_part(items, van).items()}
    length: dict[int, int] = {0: 0}
    weight: dict[int, int] = {0: 0}
    trips: dict[int, tuple[int, int]] = {0: (0, 0)}
    for mask in range(1, all_items + 1):
        parts = _parts(mask)
        length[mask] = min(row_length[part] + length[mask ^ part] for part in parts if part in row_length)
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
        groups.append(_members(items, part))
        mask ^= part
    return _by_first(groups, items)


def _parts(mask: int) -> list[int]:
    """Every part of a set that holds its lowest member."""
    lowest = mask & -mask
    rest = mask ^ lowest
    parts, part = [], rest
    while True:
        parts.append(part | lowest)
        if not part:
            return parts
        part = (part - 1) & rest


def _best_rows(items: Sequence[_Item], van: Van) -> list[_Row]:
    """Rows of a set in any order, as short as found: for certain where there are few, else longest first."""
    if len(items) > FEW:
        return _rows(sorted(items, key=_longest_first), van.width_in16)
    rows = _row_of_part(items, van)
    best: dict[int, tuple[int, int]] = {0: (0, 0)}
    for mask in range(1, 1 << len(items)):
        best[mask] = min((best[mask ^ part][0] + _length(rows[part]), part) for part in _parts(mask) if part in rows)
    found, mask = [], (1 << len(items)) - 1
    while mask:
        found.append(rows[best[mask][1]])
        mask ^= best[mask][1]
    return found


def _row_of_part(items: Sequence[_Item], van: Van) -> dict[int, _Row]:
    """Of every part of the items that goes in one row, that row."""
    rows = {}
    for mask in range(1, 1 << len(items)):
        row = _row(_members(items, mask), van.width_in16)
        if row is not None:
            rows[mask] = row
    return rows


def _members(items: Sequence[_Item], mask: int) -> list[_Item]:
    return [item for n, item in enumerate(items) if mask >> n & 1]


def _trip(number: int, group: list[_Item], van: Van, direction: Direction, order: dict[str, int], may_wait: bool) -> Trip:
    if not may_wait:
        rows = _rows(group if direction == "out" else group[::-1], van.width_in16)
    elif direction == "out":
        rows = sorted(_best_rows(group, van), key=lambda row: -sum(item.weight_oz for item, *_ in row))
    else:
        rows = sorted(_best_rows(group, van), key=lambda row: -max(order[item.piece.key] for item, *_ in row))
    spots, y = [], 0
    for row in rows:
        x = 0
        for item, width, length, how in row:
            spots.append(Spot(item.piece.key, item.piece.name, how, x, y, width, length))
            x += width
        y += _length(row)
    return Trip(number, tuple(spots), sum(item.weight_oz for item in group), y, _notes(group, spots, van))


def _notes(group: Sequence[_Item], spots: Sequence[Spot], van: Van) -> tuple[str, ...]:
    notes = []
    unweighed = [item.piece.name for item in group if item.piece.weight_oz is None]
    if unweighed:
        notes.append(
            f"Weigh {joined(unweighed)}: the load of {van.name} was judged without {'it' if len(unweighed) == 1 else 'them'}."
        )
    elif van.payload_oz is None:
        notes.append(
            f"Look up what {van.name} may carry: {format_weight(sum(item.weight_oz for item in group))} were not judged."
        )
    glass = [item.piece.name for item in group if item.piece.glass]
    if glass:
        notes.append(f"{joined(glass)}: glass, on edge, padded on both sides and strapped, never laid flat.")
    where = {spot.key: spot for spot in spots}
    total = sum(item.weight_oz for item in group)
    moment = sum(
        item.weight_oz * Fraction(2 * where[item.piece.key].y_in16 + where[item.piece.key].length_in16, 2) for item in group
    )
    if not unweighed and total and moment > total * Fraction(van.length_in16, 2):
        heaviest = max(group, key=lambda item: item.weight_oz).piece.name
        notes.append(
            f"Most of the weight stands behind the middle of {van.name}: load {heaviest} further forward if the order allows."
        )
    return tuple(notes)


def _waits(groups: Sequence[Sequence[_Item]], order: dict[str, int], direction: Direction) -> tuple[str, ...]:
    """On the way out, what moves before the last piece of an earlier trip; on the way in, what comes before its turn."""
    places = [[order[item.piece.key] for item in group] for group in groups]
    waits = []
    for n, group in enumerate(groups):
        before = [place for each in places[:n] for place in each]
        after = [place for each in places[n + 1 :] for place in each]
        for item in group:
            place = order[item.piece.key]
            if place < max(before, default=-1) if direction == "out" else place > min(after, default=len(order)):
                waits.append(item.piece.key)
    return tuple(waits)


def _sentence(trips: Sequence[Trip], items: Sequence[_Item], waits: Sequence[str], fewest: str, van: Van) -> str:
    if not trips:
        return f"Nothing goes in {van.name}."
    pieces = "1 piece" if len(items) == 1 else f"{len(items)} pieces"
    count = "1 trip" if len(trips) == 1 else f"{len(trips)} trips"
    fewest = "" if len(trips) == 1 else fewest
    said = f"{count} of {van.name} for {pieces}{fewest}."
    if waits:
        floor = sum(
            rectangle_sqft100(item.piece.width_in16, item.piece.depth_in16) for item in items if item.piece.key in set(waits)
        )
        names = joined([item.piece.name for item in items if item.piece.key in set(waits)])
        said += f" {names} {'waits' if len(waits) == 1 else 'wait'} while another trip goes: {format_sqft(floor)} sq ft of floor."
    return said


def _least(items: Sequence[_Item], van: Van) -> int:
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


def box_columns(count: int, size_in16: tuple[int, int, int], van: Van, *, weight_each_oz: int | None = None) -> tuple[Piece, ...]:
    """Boxes as they stand in a van, in columns, each a piece like another. Raises ValueError for a box higher than the van."""
    width, depth, height = size_in16
    high = min(BOXES_HIGH, van.height_in16 // height)
    if high < 1:
        raise ValueError("A box is higher than the van.")
    columns = []
    for first in range(1, count + 1, high):
        last = min(first + high - 1, count)
        name = f"Box {first}" if first == last else f"Boxes {first} to {last}"
        weight = None if weight_each_oz is None else weight_each_oz * (last - first + 1)
        columns.append(Piece(f"boxes-{first}", name, width, depth, height * (last - first + 1), weight))
    return tuple(columns)
