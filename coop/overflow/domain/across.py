"""What stands on a floor, found by place; its edges; how far it is from an edge across to what is opposite; and the gaps
beside pieces in a row, closed up.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, replace
from functools import cached_property
from itertools import pairwise
from math import ceil, floor
from typing import Any

import numpy as np
import shapely
from shapely.geometry import LineString, Polygon

from coop.core.geometry import IN16_PER_INCH
from coop.floor.domain.plan import Outline, Part, Plan, Point
from coop.floor.domain.walkable import Geometry, Walkable, named_fixture, named_space

NEAR_IN16 = 2
"""Corners are whole sixteenths: what is an eighth of an inch away touches."""
_OFF = 3
"""An edge itself is left out by this much: what stands side by side at it may lie a sixteenth before it."""
_NARROW = 4
"""Places along an edge nearer than this are one."""


@dataclass(frozen=True)
class Edge:
    """A straight edge of what stands, floor to the side of `out`. Places are (along it, out from it), in sixteenths."""

    start: tuple[float, float]
    along: tuple[float, float]
    out: tuple[float, float]
    length: float
    backing: str = "wall"
    before: str = ""

    def placed(self, at: Any) -> Any:
        """Places on the edge as places on the plan."""
        at = np.asarray(at, dtype=float)
        return np.array(self.start) + at[..., :1] * np.array(self.along) + at[..., 1:] * np.array(self.out)

    def box(self, from_: float, near: float, to: float, far: float) -> Geometry:
        return Polygon(self.placed([(from_, near), (to, near), (to, far), (from_, far)]))

    def part(self, from_: float, to: float) -> Edge:
        """From one place along it to another, to whole sixteenths within."""
        begin = ceil(from_)
        x, y = self.placed((begin, 0)).tolist()
        return replace(self, start=(x, y), length=floor(to) - begin)

    @property
    def line(self) -> Geometry:
        return LineString(self.placed([(0, 0), (self.length, 0)]))

    def seen(self, shape: Geometry) -> Geometry:
        """A shape on the plan as it lies before the edge."""
        frame = np.array([self.along, self.out]).T
        return shapely.transform(shape, lambda at: (at - np.array(self.start)) @ frame)


def edge_between(
    a: Sequence[float], b: Sequence[float], inside: Sequence[float], backing: str = "wall", before: str = ""
) -> Edge:
    """From a to b, the floor to the side on which `inside` lies."""
    far = float(np.hypot(b[0] - a[0], b[1] - a[1]))
    along = ((b[0] - a[0]) / far, (b[1] - a[1]) / far)
    out = (-along[1], along[0])
    if (inside[0] - a[0]) * out[0] + (inside[1] - a[1]) * out[1] < 0:
        out = (along[1], -along[0])
    return Edge((float(a[0]), float(a[1])), along, out, far, backing, before)


@dataclass
class Stood:
    """What stands on a checked plan's floor, by place, and what has been put there since."""

    walkable: Walkable

    def __post_init__(self) -> None:
        self.taken: list[Any] = []

    @cached_property
    def _things(self) -> tuple[Any, Any]:
        held = [shape for _, shape in (*self.walkable.walls, *self.walkable.fixtures, *self.walkable.spaces)]
        things = np.array(held, dtype=object)
        return things, shapely.STRtree(things)

    def blocked(self, region: Geometry) -> Geometry:
        """What of a region is no floor."""
        things, tree = self._things
        near = things[tree.query(region, predicate="intersects")]
        since = np.array(self.taken, dtype=object)
        if len(since):
            near = np.concatenate([near, since[shapely.intersects(since, region)]])
        solid = shapely.intersection(near, region)
        return shapely.union_all([*solid, shapely.difference(region, self.walkable.outline)])

    def in_way(self, region: Geometry) -> str:
        """The first of what stands where a region is, in words; "" for nothing."""
        _, tree = self._things
        found = sorted(tree.query(region, predicate="intersects").tolist())
        walkable = self.walkable
        named = [Part("wall", wall.code) for wall, _ in walkable.walls]
        named += [*(named_fixture(f) for f, _ in walkable.fixtures), *(named_space(s) for s, _ in walkable.spaces)]
        return str(named[found[0]]) if found else ""

    def edges_near(self, region: Geometry) -> list[Edge]:
        lines, edges = self._edges
        return [edges[n] for n in sorted(lines.query(region, predicate="intersects").tolist())]

    @cached_property
    def _edges(self) -> tuple[Any, list[Edge]]:
        """Of the room, walls, fixtures and spaces, an inch long and more."""
        found = list(_edges(self.walkable.outline, "wall", "", within=True))
        for _, shape in self.walkable.walls:
            found += _edges(shape, "wall", "")
        for _, shape in self.walkable.fixtures:
            found += _edges(shape, "fixture", "")
        for space, shape in self.walkable.spaces:
            found += _edges(shape, "booth", space.code)
        return shapely.STRtree([edge.line for edge in found]), found


def _edges(shape: Geometry, backing: str, before: str, *, within: bool = False) -> Iterator[Edge]:
    for part in shapely.get_parts(shape.simplify(1)):
        turned = shapely.orient_polygons(part)
        for ring in (turned.exterior, *turned.interiors):
            corners = shapely.get_coordinates(ring)
            for a, b in pairwise(corners):
                far = float(np.hypot(*(b - a)))
                if far >= 16:
                    along = (b - a) / far
                    out = (-along[1], along[0]) if within else (along[1], -along[0])
                    yield Edge(tuple(a.tolist()), tuple(along.tolist()), out, far, backing, before)


def depths(edge: Edge, solids: Sequence[Geometry], far: float) -> list[tuple[float, float, list[float]]]:
    """Stretches of an edge (from, to), each with how far out it is to the nearest of each solid there, `far` for none."""
    seen = [edge.seen(solid) for solid in solids]
    places = [0.0, edge.length]
    for solid in seen:
        places += np.clip(shapely.get_coordinates(solid)[:, 0], 0, edge.length).tolist()
    cuts = [0.0]
    for place in sorted(places):
        if place - cuts[-1] >= _NARROW:
            cuts.append(place)
    cuts[-1] = edge.length
    found = []
    for a, b in pairwise(cuts):
        nearest = []
        for solid in seen:
            ys = shapely.get_coordinates(clipped(solid, a + 1 / 2, _OFF, b - 1 / 2, far))[:, 1]
            nearest.append(float(ys.min(initial=far)))
        found.append((a, b, nearest))
    return found


def clipped(shape: Geometry, left: float, low: float, right: float, high: float) -> Geometry:
    """What of a shape lies in a rectangle."""
    try:
        return shapely.clip_by_rect(shape, left, low, right, high)
    except shapely.errors.GEOSException:
        # The quick way leaves a ring of three points where a corner touches a side of the rectangle.
        return shapely.intersection(shape, shapely.box(left, low, right, high))


def required_in16(plan: Plan, shape: Geometry) -> int:
    """The clear width to keep at a shape: that of the aisles it touches or the plan's, whichever is more."""
    touched = [a.required_clear_in16 or 0 for a in plan.aisles if Polygon(a.outline).distance(shape) <= NEAR_IN16]
    return max([plan.required_clear_in16, *touched])


def closed_up(stood: Stood, pieces: Iterable[Outline]) -> list[Outline]:
    """Pieces, each with what lies beside it as far as the next thing where that is nearer than a clear width.

    No way leads through such a gap, and it is no deeper than the piece: left open it would count as floor of the aisle that
    nobody can walk. A piece's first two corners are its back, as `Bay.stretch` draws it.
    """
    standing = [_to_its_back(stood, piece) for piece in pieces]
    widths = [required_in16(stood.walkable.plan, Polygon(piece)) for piece in standing]
    found = list(standing)
    for _ in range(2):  # what is closed up closes a gap to the next in a corner
        tree = shapely.STRtree([Polygon(piece) for piece in found])
        for n, (piece, width) in enumerate(zip(standing, widths, strict=True)):
            for back, end, inside in ((0, 3, 1), (1, 2, 0)):
                whole = _outward(piece[back], piece[end], piece[inside])
                # Without its ends, where rounding may have it touch what is behind or before it.
                away = whole.part(_NARROW, whole.length - _NARROW)
                beside = away.box(0, 1, away.length, width)
                others = [tree.geometries[m] for m in tree.query(beside, predicate="intersects").tolist() if m != n]
                for from_, to, (gap,) in depths(away, (shapely.union_all([stood.blocked(beside), *others]),), width):
                    if _OFF < gap < width:
                        ends = from_ - _NARROW * (from_ == 0), to + _NARROW * (to == away.length)
                        found.append(_corners(away, gap, *ends))
    return found


def _to_its_back(stood: Stood, piece: Outline) -> Outline:
    """A piece, and the crack that rounding leaves behind it."""
    behind = _outward(piece[0], piece[1], piece[3])
    solid = stood.blocked(behind.box(_OFF, 1, behind.length - _OFF, IN16_PER_INCH))
    gap = float(shapely.get_coordinates(behind.seen(solid))[:, 1].min(initial=IN16_PER_INCH))
    if not NEAR_IN16 < gap < IN16_PER_INCH:
        return piece
    _, _, b, a = _corners(behind, gap, 0, behind.length)
    return (a, b, *piece[2:])


def _outward(a: Point, b: Point, inside: Point) -> Edge:
    edge = edge_between(a, b, inside)
    return replace(edge, out=(-edge.out[0], -edge.out[1]))


def _corners(edge: Edge, far: float, from_: float, to: float) -> Outline:
    corners = edge.placed([(from_, 0), (to, 0), (to, far), (from_, far)])
    return tuple((round(x), round(y)) for x, y in corners.tolist())
