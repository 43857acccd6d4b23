"""Rectangles as arrays, and what many of them do to each other and to lines, all at once."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt
import shapely

from coop.resets.domain.piece import Placed

Array = npt.NDArray[np.float64]
Mask = npt.NDArray[np.bool_]
Numbers = npt.NDArray[np.int_]
_TINY = 1 / 10**9


@dataclass(frozen=True)
class Boxes:
    """n rectangles: middles, half sizes (across the front, front to back), and unit vectors across and ahead, each (n, 2)."""

    middle: Array
    half: Array
    across: Array
    ahead: Array

    def __len__(self) -> int:
        return len(self.middle)

    def __getitem__(self, which: Any) -> Boxes:
        return Boxes(self.middle[which], self.half[which], self.across[which], self.ahead[which])

    @property
    def corners(self) -> Array:
        """(n, 4, 2): back left, back right, front right, front left, as one looks out of the piece."""
        signs = np.array([[-1, -1], [1, -1], [1, 1], [-1, 1]])
        return self.points(signs)

    def points(self, at: npt.ArrayLike) -> Array:
        """(n, k, 2): places of each rectangle by their share of its half sizes, (k, 2); (0, 1) is the middle of its front."""
        out = np.asarray(at, dtype=float)[None, :, :] * self.half[:, None, :]
        return self.middle[:, None, :] + out[..., :1] * self.across[:, None, :] + out[..., 1:] * self.ahead[:, None, :]

    @property
    def shapes(self) -> Any:
        """(n,) shapely polygons."""
        return shapely.polygons(self.corners) if len(self) else np.empty(0, dtype=object)

    def grown(self, by: npt.ArrayLike) -> Boxes:
        """Each half size larger (smaller) by so much, but never less than half of what it was."""
        return Boxes(self.middle, np.maximum(self.half + np.asarray(by), self.half / 2), self.across, self.ahead)


def boxes_of(placed: Sequence[Placed]) -> Boxes:
    rows = [(one.x_in16, one.y_in16, one.piece.width_in16, one.piece.depth_in16, one.turn_deg) for one in placed]
    table = np.array(rows, dtype=float).reshape(-1, 5)
    turn = np.deg2rad(table[:, 4] % 360)
    cos, sin = np.cos(turn), np.sin(turn)
    square = table[:, 4] % 90 == 0  # exact, where the cosine of 90 degrees is not quite 0
    cos, sin = np.where(square, np.round(cos), cos), np.where(square, np.round(sin), sin)
    return Boxes(table[:, :2], table[:, 2:4] / 2, np.stack([cos, sin], axis=1), np.stack([-sin, cos], axis=1))


def strips_before(boxes: Boxes, depth: Array) -> Boxes:
    """The floor before each front, as deep as said."""
    middle = boxes.middle + boxes.ahead * (boxes.half[:, 1] + depth / 2)[:, None]
    return Boxes(middle, np.stack([boxes.half[:, 0], depth / 2], axis=1), boxes.across, boxes.ahead)


def depths(a: Boxes, b: Boxes) -> tuple[Array, Array]:
    """How deep each of a lies in each of b, (n, m), below zero where they are apart; and the way out of it, (n, m, 2), unit.

    Separating axes: two rectangles are apart just if they are along one of their four directions; the depth is the least
    overlap along any of them, which is how far one has to be moved to be out of the other.
    """
    n, m = len(a), len(b)
    between = a.middle[:, None, :] - b.middle[None, :, :]
    axes = np.stack(
        [
            np.broadcast_to(a.across[:, None], (n, m, 2)),
            np.broadcast_to(a.ahead[:, None], (n, m, 2)),
            np.broadcast_to(b.across[None, :], (n, m, 2)),
            np.broadcast_to(b.ahead[None, :], (n, m, 2)),
        ]
    )
    reach = np.zeros(axes.shape[:3])
    for half, across, ahead in (
        (a.half[:, None], a.across[:, None], a.ahead[:, None]),
        (b.half[None, :], b.across[None, :], b.ahead[None, :]),
    ):
        reach = reach + half[..., 0] * np.abs((axes * across).sum(-1)) + half[..., 1] * np.abs((axes * ahead).sum(-1))
    apart = (axes * between).sum(-1)
    overlap = reach - np.abs(apart)
    least = overlap.argmin(axis=0)[None]
    out = np.take_along_axis(axes, least[..., None], 0)[0]
    sign = np.where(np.take_along_axis(apart, least, 0)[0] < 0, -1.0, 1.0)
    return np.take_along_axis(overlap, least, 0)[0], out * sign[..., None]


def clipped(starts: Array, ends: Array, boxes: Boxes) -> tuple[Array, Array]:
    """Where lines, (k, 2) to (k, 2), run within each of n rectangles: shares of their length, (k, n), entry below leaving.

    A line that misses a rectangle, or only runs along its edge, has its entry at or past its leaving.
    """
    entry, leaving = np.zeros((len(starts), len(boxes))), np.ones((len(starts), len(boxes)))
    for unit, half in ((boxes.across, boxes.half[:, 0]), (boxes.ahead, boxes.half[:, 1])):
        begin = starts @ unit.T - (boxes.middle * unit).sum(axis=1)
        go = (ends - starts) @ unit.T
        go[np.abs(go) < _TINY] = _TINY
        middle, within = -begin / go, half / np.abs(go)
        np.maximum(entry, middle - within, out=entry)
        np.minimum(leaving, middle + within, out=leaving)
    return entry, leaving


def nearest_points(points: Array, boxes: Boxes) -> Array:
    """(n, k, 2): of each rectangle the point nearest to each of some points, (k, 2)."""
    from_middle = points[None, :, :] - boxes.middle[:, None, :]
    along = np.stack([(from_middle * unit[:, None, :]).sum(-1) for unit in (boxes.across, boxes.ahead)], axis=-1)
    along = np.clip(along, -boxes.half[:, None, :], boxes.half[:, None, :])
    out: Array = along[..., :1] * boxes.across[:, None, :] + along[..., 1:] * boxes.ahead[:, None, :]
    return boxes.middle[:, None, :] + out


def crosses(starts: Array, ends: Array, segments: Array) -> Mask:
    """Whether lines, (k, 2) to (k, 2), cross any of some segments, (m, 2, 2); one that begins or ends on a segment does not."""
    if not len(segments) or not len(starts):
        return np.zeros(len(starts), dtype=bool)
    a, b = segments[None, :, 0], segments[None, :, 1]
    p, q = starts[:, None], ends[:, None]

    def side(o: Array, to: Array, at: Array) -> Array:
        return (to[..., 0] - o[..., 0]) * (at[..., 1] - o[..., 1]) - (to[..., 1] - o[..., 1]) * (at[..., 0] - o[..., 0])

    apart = side(a, b, p) * side(a, b, q) < -_TINY
    return np.asarray((apart & (side(p, q, a) * side(p, q, b) <= 0)).any(axis=1))
