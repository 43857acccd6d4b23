"""What an arrangement is wished to be, what it comes to tier by tier, and what came of arranging: values, without a solver.

The tiers in their order, each as a number that is the better the smaller it is, are judged here for any arrangement, however
it was made. What each asks is what sellers tell each other of laying out a booth (common practice, no source), made countable.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache
from typing import Any

import numpy as np
import shapely

from coop.resets.domain.booth import Booth
from coop.resets.domain.fit.scene import FLAT_IN16
from coop.resets.domain.piece import Arrangement, Piece, Placed

INCH = 16
TIERS = (
    "left out",
    "too like an earlier draft",
    "spread",
    "without a high point",
    "nooks missing",
    "tall to the front",
    "hidden",
)
"""Pieces left out; moves missing to an earlier draft; sections beyond the first over which groupings are spread; sections
without a high point; nooks missing; height that stands forward (inches over what is tall, times feet from the back); inches
of sight lines from the aisle that end before the back."""

FRONT = {0: (0, 1), 90: (-1, 0), 180: (0, -1), 270: (1, 0)}
"""Which way a front looks at a turn, in the drawing (y runs down)."""

LANE_IN16 = 6 * INCH
"""Between two sight lines straight in from the aisle."""


@dataclass(frozen=True)
class Wishes:
    """What is asked of an arrangement, in sixteenths of an inch. None of the figures has a published source but the eye's."""

    grid_in16: int = 2 * INCH
    """Pieces are put on a grid this fine."""
    section_in16: int = 60 * INCH
    """About how wide and deep a section of the booth is."""
    tall_in16: int = 36 * INCH
    """What is higher belongs to the back, the more the higher."""
    high_in16: int = 60 * INCH
    """As high as this, a stack is a high point."""
    eye_in16: int = 56 * INCH
    """Nobody of low eye height looks over what is higher: 56.0 in., women, 5th percentile (ANSUR II)."""
    pieces_a_nook: int = 4
    """One nook is wished for to so many floor pieces; 0: none."""
    moved_in16: int = 24 * INCH
    """A piece that stands this far from where an earlier draft has it stands elsewhere."""
    least_moved: int | None = None
    """How many pieces must stand elsewhere than in each earlier draft; None: a third of them."""
    near_wall_in16: int = 6 * INCH
    """A back or a side this near stands at the wall."""


@dataclass(frozen=True)
class Term:
    """What a tier came to, and below what nothing can come, given what the tiers before it came to."""

    name: str
    value: int
    bound: int

    @property
    def gap(self) -> int:
        return self.value - self.bound

    @property
    def proven(self) -> bool:
        return self.gap <= 0


@dataclass(frozen=True)
class Arranged:
    """`left_out` are keys with the reason in a sentence. `bound` holds on the grid the pieces were put on, with quarter turns."""

    arrangement: Arrangement
    left_out: tuple[tuple[str, str], ...]
    terms: tuple[Term, ...]
    stopped: bool = False

    @property
    def proven(self) -> bool:
        """Nothing better exists on its grid, in any tier."""
        return all(term.proven for term in self.terms)

    @property
    def gap(self) -> tuple[int, ...]:
        """By how much, at most, each tier could be better."""
        return tuple(term.gap for term in self.terms)

    def term(self, name: str) -> Term:
        return next(term for term in self.terms if term.name == name)


class Judge:
    """A booth with its sections, sight lines and walls, by which places are judged: many at once, as arrays of their corners."""

    def __init__(self, booth: Booth, wishes: Wishes) -> None:
        self.booth, self.wishes = booth, wishes
        left, top, right, bottom = (round(side) for side in booth.shape.bounds)
        self.left, self.top, self.width, self.depth = left, top, right - left, bottom - top
        self.columns = max(1, round(self.width / wishes.section_in16))
        self.rows = max(1, round(self.depth / wishes.section_in16))
        self.opening = booth.opening
        self.far_in = max((self._from_opening_in(x, y) for x, y in booth.outline), default=0)
        self.sections = tuple(n for n in range(self.columns * self.rows) if self._has_floor(n))
        self.lanes = tuple(_lanes(booth))

    def section(self, x_in16: Any, y_in16: Any) -> Any:
        """The number of the section a middle is in; numbers or arrays. Rows run from the top."""
        column = np.clip((x_in16 - self.left) * self.columns // max(1, self.width), 0, self.columns - 1)
        row = np.clip((y_in16 - self.top) * self.rows // max(1, self.depth), 0, self.rows - 1)
        return row * self.columns + column

    def section_of(self, one: Placed) -> int:
        """The same for one piece, in whole numbers."""
        column = (one.x_in16 - self.left) * self.columns // max(1, self.width)
        row = (one.y_in16 - self.top) * self.rows // max(1, self.depth)
        number: int = max(0, min(row, self.rows - 1)) * self.columns + max(0, min(column, self.columns - 1))
        return number

    def forward(self, height_in16: int, x_in16: Any, y_in16: Any) -> Any:
        """What a piece's height costs where its middle is: inches over what is tall, times feet from the back."""
        excess = max(0, height_in16 - self.wishes.tall_in16) // INCH
        return excess * np.maximum(0, self.far_in - self._from_opening_in(x_in16, y_in16)) // 12

    def makes_nook(self, turn: int, x0: Any, y0: Any, x1: Any, y1: Any) -> Any:
        """Whether it stands out into the floor: a side at a wall and its back at none. So it makes a bay beside it."""
        fx, fy = FRONT[turn]
        sides = self._at_wall(fy, fx, x0, y0, x1, y1) | self._at_wall(-fy, -fx, x0, y0, x1, y1)
        return sides & ~self._at_wall(-fx, -fy, x0, y0, x1, y1)

    def leans_well(self, height_in16: int, turn: int, x0: Any, y0: Any, x1: Any, y1: Any, within_in16: int) -> Any:
        """Whether its back is so near a wall as high as it, along all of it."""
        fx, fy = FRONT[turn]
        high = [n for n in self.booth.sides_of("wall") if (self.booth.sides[n].height_in16 or height_in16) >= height_in16]
        return self._at_wall(-fx, -fy, x0, y0, x1, y1, within_in16, high, whole=True)

    def seen_in16(self, x0: Any, y0: Any, x1: Any, y1: Any) -> Any:
        """How far each sight line goes until it meets a box: one row a line, one column a box; all of it where it meets none."""
        rows = [lane.until(x0, y0, x1, y1) for lane in self.lanes]
        return np.array(rows) if rows else np.zeros((0, len(x0)), dtype=np.int64)

    def before_opening_in(self, x0: Any, y0: Any, x1: Any, y1: Any) -> Any:
        """How many inches of the opening a box stands before, within one section's depth of it; sides along the axes only."""
        taken = np.zeros(np.shape(x0), dtype=np.int64)
        for n in self.booth.sides_of("open"):
            (ax, ay), (bx, by) = self.booth.outline[n], self.booth.outline[(n + 1) % len(self.booth.outline)]
            if ay == by:
                near, far, low, high, at, one, two = y0, y1, x0, x1, ay, min(ax, bx), max(ax, bx)
            elif ax == bx:
                near, far, low, high, at, one, two = x0, x1, y0, y1, ax, min(ay, by), max(ay, by)
            else:
                continue
            close = np.minimum(abs(near - at), abs(far - at)) < self.wishes.section_in16 // 2
            taken += np.where(close, np.maximum(0, np.minimum(high, two) - np.maximum(low, one)), 0) // INCH
        return taken

    def nooks_wished(self, floor_pieces: int) -> int:
        return floor_pieces // self.wishes.pieces_a_nook if self.wishes.pieces_a_nook else 0

    def _from_opening_in(self, x_in16: Any, y_in16: Any) -> Any:
        far = np.rint(shapely.distance(shapely.points(x_in16, y_in16), self.opening) / INCH)
        return np.nan_to_num(far).astype(np.int64)

    def _has_floor(self, section: int) -> bool:
        row, column = divmod(section, self.columns)
        box = shapely.box(
            self.left + self.width * column / self.columns,
            self.top + self.depth * row / self.rows,
            self.left + self.width * (column + 1) / self.columns,
            self.top + self.depth * (row + 1) / self.rows,
        )
        return bool(2 * self.booth.free.intersection(box).area >= box.area)

    def _at_wall(
        self,
        dx: int,
        dy: int,
        x0: Any,
        y0: Any,
        x1: Any,
        y1: Any,
        within_in16: int | None = None,
        sides: Sequence[int] | None = None,
        *,
        whole: bool = False,
    ) -> Any:
        """Whether the edge that looks this way is at one of the walls along at least half of its length (or the whole)."""
        within = self.wishes.near_wall_in16 if within_in16 is None else within_in16
        at = np.zeros(np.shape(x0), dtype=bool)
        part = 1 if whole else 2
        for n in self.booth.sides_of("wall", "window") if sides is None else sides:
            (ax, ay), (bx, by) = self.booth.outline[n], self.booth.outline[(n + 1) % len(self.booth.outline)]
            if dx and ax == bx:
                gap, shared = (ax - x1) if dx > 0 else (x0 - ax), np.minimum(y1, max(ay, by)) - np.maximum(y0, min(ay, by))
                at |= (gap >= 0) & (gap <= within) & (part * shared >= y1 - y0)
            elif dy and ay == by:
                gap, shared = (ay - y1) if dy > 0 else (y0 - ay), np.minimum(x1, max(ax, bx)) - np.maximum(x0, min(ax, bx))
                at |= (gap >= 0) & (gap <= within) & (part * shared >= x1 - x0)
        return at


@dataclass(frozen=True)
class Lane:
    """A sight line straight in from an open side at x, y, as far as the booth goes."""

    x_in16: int
    y_in16: int
    dx: int
    dy: int
    length_in16: int

    def until(self, x0: Any, y0: Any, x1: Any, y1: Any) -> Any:
        """How far it goes until it meets boxes given by their corners; its whole length where it meets none."""
        if self.dx:
            meets, near = (y0 < self.y_in16) & (self.y_in16 < y1), (x0 if self.dx > 0 else x1)
            far = (near - self.x_in16) * self.dx
        else:
            meets, near = (x0 < self.x_in16) & (self.x_in16 < x1), (y0 if self.dy > 0 else y1)
            far = (near - self.y_in16) * self.dy
        return np.where(meets & (far < self.length_in16), np.maximum(0, far), self.length_in16)


def _lanes(booth: Booth) -> list[Lane]:
    """Of open sides along the drawing's axes; a slanting one has none."""
    found = []
    shape = booth.shape
    reach = round(sum(abs(side) for side in shape.bounds)) + 1
    for n in booth.sides_of("open"):
        (ax, ay), (bx, by) = booth.outline[n], booth.outline[(n + 1) % len(booth.outline)]
        if (ax == bx) == (ay == by):
            continue
        for at in range(min(ax + ay, bx + by) + LANE_IN16 // 2, max(ax + ay, bx + by), LANE_IN16):
            x, y = (ax, at - ax) if ax == bx else (at - ay, ay)
            across = ((1, 0), (-1, 0)) if ax == bx else ((0, 1), (0, -1))
            dx, dy = next((d for d in across if shape.contains(shapely.Point(x + d[0], y + d[1]))), (0, 0))
            inside = shapely.LineString([(x, y), (x + dx * reach, y + dy * reach)]).intersection(shape)
            first = next(part for part in shapely.get_parts(inside).tolist() if shapely.Point(x, y).distance(part) < 1)
            found.append(Lane(x, y, dx, dy, round(first.length)))
    return found


@lru_cache(maxsize=32)
def judge_of(booth: Booth, wishes: Wishes) -> Judge:
    return Judge(booth, wishes)


def least_moved(wishes: Wishes, pieces: int) -> int:
    """How many of so many pieces must stand elsewhere than in an earlier draft."""
    return min(pieces, -(-pieces // 3) if wishes.least_moved is None else wishes.least_moved)


def stands_elsewhere(wishes: Wishes, one: Placed | None, other: Placed) -> bool:
    """Whether a piece is not where an earlier draft has it: left out, turned, on something else, or moved far enough."""
    if one is None or one.turn_deg % 360 != other.turn_deg % 360 or one.on != other.on:
        return True
    return abs(one.x_in16 - other.x_in16) + abs(one.y_in16 - other.y_in16) >= wishes.moved_in16


def score(
    booth: Booth, pieces: Sequence[Piece], arrangement: Arrangement, wishes: Wishes, differ_from: Sequence[Arrangement] = ()
) -> tuple[int, ...]:
    """What an arrangement comes to in each of TIERS; `pieces` are those that were to be placed."""
    judge = judge_of(booth, wishes)
    placed, moved = arrangement.placed, [piece for piece in pieces if not _is_locked(arrangement, piece.key)]
    left_out = sum(piece.key not in arrangement for piece in pieces)
    like = 0
    for draft in differ_from:
        both = [piece.key for piece in moved if piece.key in draft]
        elsewhere = sum(stands_elsewhere(wishes, arrangement.get(key), draft[key]) for key in both)
        like += max(0, least_moved(wishes, len(both)) - elsewhere)
    sections: dict[str, set[int]] = defaultdict(set)
    high: set[int] = set()
    for one in placed:
        section = judge.section_of(one)
        if one.piece.grouping:
            sections[one.piece.grouping].add(section)
        if arrangement.bottom_in16(one.key) + one.piece.height_in16 >= wishes.high_in16:
            high.add(section)
    on_floor = [one for one in placed if stands_on_floor(one)]
    square = [(one, corners(one)) for one in on_floor if one.turn_deg % 90 == 0]
    nooks = sum(bool(judge.makes_nook(one.turn_deg % 360, *box)) for one, box in square)
    wished = judge.nooks_wished(sum(one.locked for one in on_floor) + sum(is_floor_piece(piece) for piece in moved))
    forward = sum(int(judge.forward(one.piece.height_in16, one.x_in16, one.y_in16)) for one in on_floor if not one.locked)
    hidden = hidden_in(judge, on_floor)
    spread = sum(len(some) - 1 for some in sections.values())
    return (left_out, like, spread, len(set(judge.sections) - high), max(0, wished - nooks), forward, hidden)


def hidden_lengths(judge: Judge, on_floor: Sequence[Placed]) -> tuple[Any, Any]:
    """The length of each sight line, and how far it goes until something nobody looks over.

    What stands askew is taken as the box around it.
    """
    lengths = np.array([lane.length_in16 for lane in judge.lanes], dtype=np.int64)
    high = [one for one in on_floor if one.piece.height_in16 > judge.wishes.eye_in16]
    boxes = [corners(one) if one.turn_deg % 90 == 0 else one.footprint.bounds for one in high]
    if not boxes or not len(lengths):
        return lengths, lengths
    return lengths, judge.seen_in16(*np.array(boxes).astype(np.int64).T).min(axis=1)


def hidden_in(judge: Judge, on_floor: Sequence[Placed]) -> int:
    """Inches of sight lines that are not seen."""
    lengths, seen = hidden_lengths(judge, on_floor)
    return int(((lengths - seen) // INCH).sum())


def is_floor_piece(piece: Piece) -> bool:
    """What is to stand on the floor; a rug is floor itself."""
    return piece.stands == "floor" and piece.height_in16 > FLAT_IN16


def stands_on_floor(one: Placed) -> bool:
    return one.on is None and is_floor_piece(one.piece)


def corners(one: Placed) -> tuple[int, int, int, int]:
    """Left, top, right, bottom of a piece at a quarter turn: its middle less half of it, rounded down, and its size."""
    across = one.turn_deg % 180 == 0
    width, depth = (one.piece.width_in16, one.piece.depth_in16) if across else (one.piece.depth_in16, one.piece.width_in16)
    x0, y0 = one.x_in16 - width // 2, one.y_in16 - depth // 2
    return x0, y0, x0 + width, y0 + depth


def _is_locked(arrangement: Arrangement, key: str) -> bool:
    one = arrangement.get(key)
    return one is not None and one.locked
