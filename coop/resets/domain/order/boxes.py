"""Turned boxes on the floor, and whether one of them is free of the others while it is pushed along a line.

Everything that stands is a box: a piece, and a wall or the edge of a post as a box without depth. Two boxes are apart when an
axis of one of them parts them (the separating axis theorem). Lengths are sixteenths of an inch. What overlaps by no more than
`TOUCH_IN16` touches: places are rounded to whole sixteenths, so two turned pieces side by side may do so.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from coop.floor.domain.plan import Point
from coop.resets.domain.piece import Placed

Floats = npt.NDArray[np.float64]

TOUCH_IN16 = 1.0
_NOWHERE = 1e-9


class Box(NamedTuple):
    """A middle, half a width along its own x, half a depth along its own y, and a turn, clockwise where y runs down."""

    x: float
    y: float
    half_w: float
    half_d: float
    turn: float


class Spot(NamedTuple):
    """A piece standing somewhere: what may be in another's way. Two spots of one piece are two spots."""

    key: str
    x_in16: int
    y_in16: int
    turn_deg: int
    width_in16: int
    depth_in16: int

    @property
    def box(self) -> Box:
        return Box(self.x_in16, self.y_in16, self.width_in16 / 2, self.depth_in16 / 2, self.turn_deg)


def spot_of(placed: Placed) -> Spot:
    piece = placed.piece
    return Spot(piece.key, placed.x_in16, placed.y_in16, placed.turn_deg, piece.width_in16, piece.depth_in16)


def edge_boxes(points: Sequence[Point] | Sequence[tuple[float, float]], *, closed: bool = True) -> list[Box]:
    """The edges of an outline as boxes without depth."""
    ends = list(zip(points, [*points[1:], points[0]] if closed else points[1:], strict=False))
    return [
        Box((a[0] + b[0]) / 2, (a[1] + b[1]) / 2, math.dist(a, b) / 2, 0, math.degrees(math.atan2(b[1] - a[1], b[0] - a[0])))
        for a, b in ends
        if a != b
    ]


def axes_of(turn_deg: float) -> tuple[float, float]:
    """Cosine and sine, exact at the quarters: the box's x runs along (cos, sin), its y along (-sin, cos)."""
    quarter, rest = divmod(turn_deg, 90)
    if rest == 0:
        return ((1.0, 0.0), (0.0, 1.0), (-1.0, 0.0), (0.0, -1.0))[int(quarter) % 4]
    return math.cos(math.radians(turn_deg)), math.sin(math.radians(turn_deg))


class Standing:
    """Many boxes as arrays, for one that is pushed among them."""

    def __init__(self, boxes: Iterable[Box]) -> None:
        rows = [(b.x, b.y, b.half_w, b.half_d, *axes_of(b.turn)) for b in boxes]
        self._all: Floats = np.array(rows, dtype=np.float64).reshape(len(rows), 6)

    def __len__(self) -> int:
        return len(self._all)

    def _axes(self, along: tuple[float, float], cos: float, sin: float) -> tuple[Floats, Floats]:
        """Unit axes that may part the pushed box's way from each box: both boxes' own two, and the one across the push."""
        n = len(self._all)
        length = math.hypot(*along)
        across = (-along[1] / length, along[0] / length) if length > _NOWHERE else (cos, sin)
        their_cos, their_sin = self._all[:, 4], self._all[:, 5]
        ones = np.ones(n)
        ax = np.stack([their_cos, -their_sin, cos * ones, -sin * ones, across[0] * ones], axis=1)
        ay = np.stack([their_sin, their_cos, sin * ones, cos * ones, across[1] * ones], axis=1)
        return ax, ay

    def _radii(self, ax: Floats, ay: Floats, half_w: float, half_d: float, cos: float, sin: float) -> Floats:
        """How far both boxes together reach along each axis."""
        their_w, their_d, their_cos, their_sin = (self._all[:, n, None] for n in (2, 3, 4, 5))
        theirs = their_w * np.abs(ax * their_cos + ay * their_sin) + their_d * np.abs(-ax * their_sin + ay * their_cos)
        mine = half_w * np.abs(ax * cos + ay * sin) + half_d * np.abs(-ax * sin + ay * cos)
        reach: Floats = theirs + mine
        return reach

    def lets_pass(self, box: Box, to: tuple[float, float], clear_in16: float = 0.0) -> bool:
        """Whether a box may be pushed straight to another middle, without turning, `clear_in16` away from every other."""
        if not len(self._all):
            return True
        cos, sin = axes_of(box.turn)
        along = (to[0] - box.x, to[1] - box.y)
        ax, ay = self._axes(along, cos, sin)
        reach = self._radii(ax, ay, box.half_w + clear_in16, box.half_d + clear_in16, cos, sin)
        here = (self._all[:, 0, None] - box.x) * ax + (self._all[:, 1, None] - box.y) * ay
        there = here - (along[0] * ax + along[1] * ay)
        gap = np.where(here * there <= 0, 0.0, np.minimum(np.abs(here), np.abs(there))) - reach
        return bool(((gap > -TOUCH_IN16 - _NOWHERE).any(axis=1)).all())

    def furthest(self, box: Box, along: tuple[float, float], limit: float) -> float:
        """How far a box may be pushed along a unit vector before it meets another, at most `limit`."""
        if not len(self._all):
            return limit
        cos, sin = axes_of(box.turn)
        ax, ay = self._axes(along, cos, sin)
        reach = self._radii(ax, ay, box.half_w, box.half_d, cos, sin) - TOUCH_IN16
        apart = (self._all[:, 0, None] - box.x) * ax + (self._all[:, 1, None] - box.y) * ay
        speed = along[0] * ax + along[1] * ay
        still = np.abs(speed) < _NOWHERE
        safe = np.where(still, 1.0, speed)
        first, last = (apart - reach) / safe, (apart + reach) / safe
        begins = np.where(still, np.where(np.abs(apart) < reach, -np.inf, np.inf), np.minimum(first, last))
        ends = np.where(still, np.where(np.abs(apart) < reach, np.inf, -np.inf), np.maximum(first, last))
        begin, end = begins.max(axis=1), ends.min(axis=1)
        meets = (begin < end - _NOWHERE) & (end > _NOWHERE)
        return float(min(limit, np.maximum(begin[meets], 0).min(initial=limit)))


def spots_overlap(a: Spot, b: Spot) -> bool:
    """Whether two pieces could not both stand there; touching, they could."""
    reach = math.hypot(a.width_in16, a.depth_in16) + math.hypot(b.width_in16, b.depth_in16)
    return 2 * math.dist(a[1:3], b[1:3]) < reach and not Standing([a.box]).lets_pass(b.box, b[1:3])
