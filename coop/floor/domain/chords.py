"""How long a narrow stretch is: the clear width square to the way, point by point along the middle of a passage.

The middle of a passage is its medial line: the points as far from what stands on one hand as from what stands on the other.
There the way runs square to the bisector of the two nearest directions, and its clear width is the chord across in that
direction. So a rectangular pinch 24 in. long measures 24 in., in a hall of any width and on one side or both, where the middle
of a 36 in. disc is already stopped some inches before the mouth; tapers and round posts are narrow as far as the chord is; and
the corners of a room, where chords are short too, lie on no way through.
"""

from __future__ import annotations

import heapq
from dataclasses import dataclass
from typing import Any

import numpy as np
import shapely
from shapely.geometry import LineString, MultiPoint

from coop.floor.domain.walkable import SLACK, Geometry, segments_of

_SAMPLE = 12
"""Spacing of the points on the boundary that the medial line is drawn from, in sixteenths."""
_STEP = 2
_BEFORE_END = 8
_NO_HIT = 10**7


@dataclass(frozen=True)
class Stretch:
    """The narrow part of a passage: its length along the way, its least width, and the chords at which it begins and ends."""

    length: float
    width: float
    first: Geometry
    last: Geometry

    @property
    def place(self) -> Geometry:
        """Something to draw: the hull of the chords at both ends."""
        return shapely.union_all([self.first, self.last]).convex_hull


def medial_way(
    floor: Geometry, window: Geometry, room: Geometry, begin: Geometry, end: Geometry, reach: float, *, touching: bool = False
) -> Any:
    """The shortest medial line in `room` from `begin` to `end` as an array of points, or None.

    `window` bounds the search, `reach` is how far from it the boundary matters. With `touching`, `end` is something on the
    boundary, and the line ends where nothing is nearer than that.
    """
    near = shapely.intersection(shapely.clip_by_rect(floor.boundary, *window.buffer(reach).bounds), window.buffer(reach))
    samples = shapely.get_coordinates(shapely.segmentize(shapely.line_merge(near), _SAMPLE))
    samples = np.unique(np.round(samples, 3), axis=0)
    if len(samples) < 2:
        return None
    drawn = shapely.voronoi_polygons(MultiPoint(samples), only_edges=True, extend_to=window)
    # Before a mouth two corners alone may rule for a long way: one edge, which is cut up so that the room can end it.
    lines = segments_of_lines(shapely.segmentize(shapely.intersection(drawn, window), _SAMPLE))
    inside = shapely.intersects_xy(shapely.intersection(room, window), lines[:, :, 0], lines[:, :, 1]).all(axis=1)
    lines = lines[inside]
    if not len(lines):
        return None
    nodes, index = np.unique(np.round(lines.reshape(-1, 2), 2), axis=0, return_inverse=True)
    ends = index.reshape(-1, 2)
    points = shapely.points(nodes)
    starts = np.flatnonzero(shapely.dwithin(points, begin, 1))
    far = shapely.distance(points, near) if touching else 0
    goals = set(np.flatnonzero(shapely.distance(points, end) <= far + 1).tolist())
    path = _shortest(ends, np.hypot(*(nodes[ends[:, 0]] - nodes[ends[:, 1]]).T), starts.tolist(), goals)
    return nodes[path] if path else None


def segments_of_lines(lines: Geometry) -> Any:
    """Every straight piece of some lines, as an array (n, 2, 2)."""
    pieces = [shapely.get_coordinates(part) for part in shapely.get_parts(lines)]
    return np.concatenate([np.stack([p[:-1], p[1:]], axis=1) for p in pieces]) if pieces else np.zeros((0, 2, 2))


def _shortest(ends: Any, lengths: Any, starts: list[int], goals: set[int]) -> list[int]:
    neighbours: dict[int, list[tuple[int, float]]] = {}
    for (a, b), length in zip(ends.tolist(), lengths.tolist(), strict=True):
        neighbours.setdefault(a, []).append((b, length))
        neighbours.setdefault(b, []).append((a, length))
    best = dict.fromkeys(starts, 0.0)
    before: dict[int, int] = {}
    queue = [(0.0, node) for node in starts]
    heapq.heapify(queue)
    while queue:
        far, node = heapq.heappop(queue)
        if node in goals:
            path = [node]
            while path[-1] in before:
                path.append(before[path[-1]])
            return path[::-1]
        if far > best[node]:
            continue
        for other, length in neighbours.get(node, ()):
            if far + length < best.get(other, far + length + 1):
                best[other] = far + length
                before[other] = node
                heapq.heappush(queue, (far + length, other))
    return []


class Passage:
    """A medial line with the boundary about it: the chord across at any distance along it."""

    def __init__(self, way: Any, floor: Geometry, reach: float) -> None:
        if len(way) == 1:
            way = np.concatenate([way, way])
        self.line = LineString(way)
        self.edges = segments_of(floor)
        box = np.array([*way.min(axis=0) - reach, *way.max(axis=0) + reach])
        low, high = self.edges.min(axis=1), self.edges.max(axis=1)
        self.edges = self.edges[((low <= box[2:]) & (high >= box[:2])).all(axis=1)]

    def chords(self, along: Any) -> Any:
        """Both ends of the chord at each distance along: an array (n, 2, 2)."""
        points = shapely.get_coordinates(shapely.line_interpolate_point(self.line, along))
        for _ in range(2):
            left, right, faced = self._sides(points)
            to_left, to_right = left - points, right - points
            far_left, far_right = np.hypot(*to_left.T), np.hypot(*to_right.T)
            # Where nothing stands on the other hand, the one thing that does gives the direction.
            far_right = np.where(faced, far_right, far_left)
            across = to_left / far_left[:, None] - np.where(faced[:, None], to_right, -to_left) / far_right[:, None]
            across /= np.hypot(*across.T)[:, None]
            # On to the true middle, from the nearly true one that the sampled boundary gave.
            points = points + across * ((far_left - far_right) / 2)[:, None]
        return np.stack([self._hit(points, across), self._hit(points, -across)], axis=1)

    def widths(self, along: Any) -> Any:
        ends = self.chords(along)
        return np.hypot(*(ends[:, 0] - ends[:, 1]).T)

    def _waist(self, along: Any) -> Any:
        """Where a disc has least room along the way: the line between the two nearest things, one on either hand.

        Where nothing stands on the other hand all the way, the least chord across.
        """
        points = shapely.get_coordinates(shapely.line_interpolate_point(self.line, along))
        left, right, faced = self._sides(points)
        if not faced.any():
            return LineString(self.chords(along)[self.widths(along).argmin()])
        room = np.hypot(*(left - points).T) + np.hypot(*(right - points).T)
        least = np.where(faced, room, np.inf).argmin()
        return LineString([left[least], right[least]])

    def _sides(self, points: Any) -> tuple[Any, Any, Any]:
        """The nearest boundary point of each point, the nearest among those on the other hand, and whether there is one."""
        a, along = self.edges[:, 0], self.edges[:, 1] - self.edges[:, 0]
        to = points[:, None, :] - a[None]
        share = np.clip((to * along).sum(axis=2) / (along**2).sum(axis=1), 0, 1)
        feet = a + share[:, :, None] * along
        away = feet - points[:, None, :]
        far = np.hypot(away[:, :, 0], away[:, :, 1])
        rows = np.arange(len(points))
        first = far.argmin(axis=1)
        facing = (away * away[rows, first][:, None, :]).sum(axis=2) < 0
        second = np.where(facing, far, _NO_HIT).argmin(axis=1)
        return feet[rows, first], feet[rows, second], facing.any(axis=1)

    def _hit(self, points: Any, direction: Any) -> Any:
        """Where rays first meet the boundary."""
        a, along = self.edges[:, 0][None], (self.edges[:, 1] - self.edges[:, 0])[None]
        to, d = a - points[:, None, :], direction[:, None, :]
        cross = d[:, :, 0] * along[:, :, 1] - d[:, :, 1] * along[:, :, 0]
        with np.errstate(divide="ignore", invalid="ignore"):
            far = (to[:, :, 0] * along[:, :, 1] - to[:, :, 1] * along[:, :, 0]) / cross
            share = (to[:, :, 0] * d[:, :, 1] - to[:, :, 1] * d[:, :, 0]) / cross
        hits = (np.abs(cross) > 1 / 10**9) & (far > 0) & (share >= 0) & (share <= 1)
        nearest = np.where(hits, far, _NO_HIT).min(axis=1)
        return points + direction * nearest[:, None]

    def stretch(self, width_in16: float, target: Geometry | None = None) -> Stretch:
        """From the first place narrower than the width to the last; of no length where only a waist is narrower.

        A stretch that is narrow to the end of a line that leads to a target goes on as far as that.
        """
        total = self.line.length
        beyond: float = 0
        if target is not None:
            # At the very end the target is as near as the sides, and no longer what the way runs between.
            total = max(total - _BEFORE_END, 0)
            beyond = self._on_to(total, target)
        along = np.linspace(0, total, max(2, int(total / _STEP) + 2))
        widths = self.widths(along)
        narrow = widths < width_in16 - 2 * SLACK
        waist = self._waist(along)
        if not narrow.any():
            # A waist between two corners that are not abreast is narrow at one point, which the steps pass over.
            return Stretch(0, min(waist.length, float(widths.min())), waist, waist)
        first, last = int(narrow.argmax()), len(narrow) - 1 - int(narrow[::-1].argmax())
        begins, ends = along[first], along[last]
        if first > 0:
            begins = self._turning_point(along[first], along[first - 1], width_in16)
        if last < len(along) - 1:
            ends = self._turning_point(along[last], along[last + 1], width_in16)
            beyond = 0
        gates = self.chords(np.array([begins, ends]))
        least = min(waist.length, float(widths.min()))
        return Stretch(float(ends - begins) + beyond, least, LineString(gates[0]), LineString(gates[1]))

    def _on_to(self, at: float, target: Geometry) -> float:
        """How far a target lies from a place on the line in the direction of the way; beside the way it is no farther."""
        here = shapely.get_coordinates(shapely.line_interpolate_point(self.line, at))[0]
        there = shapely.get_coordinates(shapely.shortest_line(shapely.points(here), target))[1]
        ends = self.chords(np.array([at]))[0]
        across = (ends[0] - ends[1]) / np.hypot(*(ends[0] - ends[1]))
        return float(abs(across[0] * (there - here)[1] - across[1] * (there - here)[0]))

    def _turning_point(self, narrow: float, wide: float, width_in16: float) -> float:
        for _ in range(16):
            middle = (narrow + wide) / 2
            if self.widths(np.array([middle]))[0] < width_in16 - 2 * SLACK:
                narrow = middle
            else:
                wide = middle
        return narrow
