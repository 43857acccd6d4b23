"""Rows across a van: how a piece may stand in it, and the shortest rows of pieces in their order or in any.

Lengths are sixteenths of an inch, weights ounces.
"""

from __future__ import annotations

from bisect import bisect_left
from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property

from coop.core.geometry import IN16_PER_INCH
from coop.resets.domain.piece import Piece
from coop.resets.domain.way import How, carried_sizes

PAD_IN16, GLASS_PAD_IN16 = 1 * IN16_PER_INCH, 4 * IN16_PER_INCH
"""Added to both sides of a footprint for its blankets, in all: common practice, no source."""
FEW = 10
"""Up to so many pieces the fewest trips are found for certain where pieces may wait."""


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


@dataclass(frozen=True, eq=False)
class Item:
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


Row = tuple[tuple[Item, int, int, How], ...]
"""Items side by side, each with its width, length and way of standing."""


def item_of(piece: Piece, van: Van) -> Item:
    """Its ways of standing in the van; none where it fits in no way. Glass is never laid flat."""
    pad = GLASS_PAD_IN16 if piece.glass else PAD_IN16
    stands: list[tuple[int, int, How]] = []
    for how, (width, depth, height) in carried_sizes(piece):
        if height > van.height_in16 or (piece.glass and how == "tilted"):
            continue
        for across, along in dict.fromkeys(((width + pad, depth + pad), (depth + pad, width + pad))):
            if across <= van.width_in16 and along <= van.length_in16:
                stands.append((across, along, how))
    return Item(piece, tuple(stands))


def row_of(items: Sequence[Item], width_in16: int) -> Row | None:
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


def row_length(row: Row) -> int:
    return max((length for _, _, length, _ in row), default=0)


def rows_in_order(items: Sequence[Item], width_in16: int) -> list[Row]:
    """The items in this order in rows, together as short as can be: best[n] is the best of the first n, by its last row."""
    best: list[tuple[int, int]] = [(0, 0)]
    for end in range(1, len(items) + 1):
        options = []
        for start in range(end - 1, -1, -1):
            row = row_of(items[start:end], width_in16)
            if row is None:
                break
            options.append((best[start][0] + row_length(row), start))
        best.append(min(options))
    rows: list[Row] = []
    end = len(items)
    while end:
        start = best[end][1]
        rows.append(row_of(items[start:end], width_in16) or ())
        end = start
    return rows[::-1]


def fits(items: Sequence[Item], van: Van) -> bool:
    """Whether the items go in one trip in this order."""
    if van.payload_oz is not None and sum(item.weight_oz for item in items) > van.payload_oz:
        return False
    if sum(item.area for item in items) > van.width_in16 * van.length_in16:
        return False
    return sum(row_length(row) for row in rows_in_order(items, van.width_in16)) <= van.length_in16


def longest_first(item: Item) -> tuple[int, int]:
    return -min(stand[1] for stand in item.stands), -item.area


def best_rows(items: Sequence[Item], van: Van) -> list[Row]:
    """Rows of a set in any order, as short as found: for certain where there are few, else longest first or as they come."""
    if len(items) > FEW:
        either = (rows_in_order(order, van.width_in16) for order in (sorted(items, key=longest_first), items))
        return min(either, key=lambda rows: sum(row_length(row) for row in rows))
    rows = row_of_part(items, van)
    best: dict[int, tuple[int, int]] = {0: (0, 0)}
    for mask in range(1, 1 << len(items)):
        best[mask] = min((best[mask ^ part][0] + row_length(rows[part]), part) for part in parts_of(mask) if part in rows)
    found, mask = [], (1 << len(items)) - 1
    while mask:
        found.append(rows[best[mask][1]])
        mask ^= best[mask][1]
    return found


def row_of_part(items: Sequence[Item], van: Van) -> dict[int, Row]:
    """Of every part of the items that goes in one row, that row."""
    rows = {}
    for mask in range(1, 1 << len(items)):
        row = row_of(members(items, mask), van.width_in16)
        if row is not None:
            rows[mask] = row
    return rows


def members(items: Sequence[Item], mask: int) -> list[Item]:
    return [item for n, item in enumerate(items) if mask >> n & 1]


def parts_of(mask: int) -> list[int]:
    """Every part of a set that holds its lowest member."""
    lowest = mask & -mask
    rest = mask ^ lowest
    parts, part = [], rest
    while True:
        parts.append(part | lowest)
        if not part:
            return parts
        part = (part - 1) & rest
