"""Which places a disc of the required width reaches, and by which narrow stretches.

Source: 2010 ADA Standards 403.5.1: 36 in. clear; at least 32 in. for at most 24 in. of length, where such stretches are
separated by segments at least 48 in. long and 36 in. wide. A way required to be wider than 36 in. (a main aisle, by the fire
marshal's word) has no such exception.

The floor shrunk by the disc's radius falls into places; the disc goes anywhere within one and from none to another. A narrow
stretch the exception allows links two places. A way is a walk over these links that remembers where the last stretch ended: the
next must begin 48 in. further on, as the string is stretched round the corners between them, or both together count as one
stretch. So a booth is reached if any way to it will do, and taking something away never makes it unreachable.
"""

from __future__ import annotations

import heapq
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from functools import cached_property
from itertools import pairwise
from typing import Any

import numpy as np
import shapely
from shapely.geometry import LineString

from coop.floor.domain.chords import Passage, Stretch, medial_way
from coop.floor.domain.plan import LEAST_CLEAR_IN16, Door, Plan
from coop.floor.domain.walkable import SLACK, Geometry, Ground, Walkable, door_shape, polygons, touch_in16, widest_in16

NARROW_IN16 = 32 * 16
NARROW_LENGTH_IN16 = 24 * 16
APART_IN16 = 48 * 16
TOLERANCE = 2
"""On lengths along a way, an eighth of an inch: whole sixteenths round the corners of a plan that is turned. Widths have none."""
_LINK_REACH = 50 * 16
"""Middles of discs at either end of a stretch of 24 in. are nearer than this: a disc stops at most 12 in. before a mouth."""
_RIM = (LEAST_CLEAR_IN16 - NARROW_IN16) / 2 + 1
_TIP = 6 * 16


@dataclass(frozen=True)
class Link:
    """A narrow stretch between two places, or from a place to what is to be reached (`b` is None)."""

    a: int
    b: int | None
    stretch: Stretch

    @property
    def allowed(self) -> bool:
        return self.stretch.width >= NARROW_IN16 - 2 * SLACK and self.stretch.length <= NARROW_LENGTH_IN16 + TOLERANCE


@dataclass(frozen=True)
class Standing:
    """Being in a place, having left the last narrow stretch by `gate`; `narrow` is the length of those that count as one."""

    place: int
    gate: Geometry | None = None
    narrow: float = 0


class Ways:
    """The places of a floor for one clear width, and the ways between them."""

    def __init__(self, ground: Ground, width_in16: int, *, quickly: bool = False) -> None:
        self.ground = ground
        self.width_in16 = width_in16
        self.places = ground.shrunk(width_in16, quickly=quickly)
        self.touch = touch_in16(width_in16)
        self.has_exception = width_in16 == LEAST_CLEAR_IN16

    @cached_property
    def _room(self) -> Geometry:
        """Where a disc of 32 in. may be."""
        return shapely.union_all(self.ground.shrunk(NARROW_IN16))

    @cached_property
    def links(self) -> list[Link]:
        """Every narrow stretch between two places, allowed or not, that a disc of 32 in. passes."""
        found: list[Link] = []
        if not self.has_exception or len(self.places) < 2:
            return found
        tree = shapely.STRtree(self.places)
        for a, b in tree.query(self.places, predicate="dwithin", distance=_LINK_REACH).T.tolist():
            if a < b:
                found += self._links_between(a, b)
        return found

    def _links_between(self, a: int, b: int) -> list[Link]:
        first, second = self.places[a], self.places[b]
        return [link for window in self._straits(first, second, _RIM) for link in self._link(a, b, first, second, window)]

    def _straits(self, first: Geometry, second: Geometry, rim: float) -> list[Geometry]:
        """Windows on what lies between a place and another that a disc of 32 in. passes, one for each way.

        A disc of 32 in. has a rim of 2 in. round every place of 36 in.: without the rims, the ways between fall apart. Barely
        narrow ways are all rim: there the rims meet.
        """
        # The smaller of the two bounds the search: a place may be half the mall.
        smaller = min(first, second, key=lambda place: place.length)
        near = shapely.box(*smaller.buffer(_LINK_REACH).bounds)
        room, first, second = (shapely.intersection(shape, near) for shape in (self._room, first, second))
        between = shapely.intersection_all([room, first.buffer(_LINK_REACH), second.buffer(_LINK_REACH)])
        about_first, about_second = first.buffer(_RIM), second.buffer(rim)
        straits = [
            strait
            for strait in polygons(between.difference(shapely.union(about_first, about_second)))
            if strait.distance(first) < _RIM + 2 and strait.distance(second) < rim + 2
        ]
        met = polygons(shapely.intersection_all([room, about_first, about_second]))
        return [strait.buffer(_RIM + _TIP) for strait in (*straits, *met)]

    def _link(
        self, a: int, b: int | None, first: Geometry, second: Geometry, window: Geometry, target: Geometry | None = None
    ) -> list[Link]:
        reach = self.width_in16 / 2 + 16
        end, touching = (second, False) if target is None else (target, True)
        way = medial_way(self.ground.floor, window, self._room, first, end, reach, touching=touching)
        if way is None:
            return []
        return [Link(a, b, Passage(way, self.ground.floor, 3 * reach).stretch(self.width_in16, target))]

    # --- to what is to be reached ---------------------------------------------------------------------------------------

    def touching(self, targets: Iterable[Geometry]) -> list[int]:
        """The places whose disc touches one of these."""
        return sorted({int(n) for target in targets for n in self._tree.query(target, predicate="dwithin", distance=self.touch)})

    @cached_property
    def _tree(self) -> Any:
        return shapely.STRtree(self.places)

    def approaches(self, targets: Sequence[Geometry]) -> list[Link]:
        """Narrow last stretches from a place to one of the targets, for what no disc touches."""
        found = []
        if self.has_exception:
            for target in targets:
                near = shapely.intersection(self._room, target.buffer(touch_in16(NARROW_IN16)))
                if near.is_empty:
                    continue
                for a in self._tree.query(near, predicate="dwithin", distance=_LINK_REACH).tolist():
                    for window in self._straits(self.places[a], near, 0):
                        found += self._link(a, None, self.places[a], near, window, target)
        return [link for link in found if link.allowed]

    def standings_at(self, targets: Sequence[Geometry]) -> list[Standing]:
        """Where one stands having come in by one of these."""
        direct = self.touching(targets)
        if direct:
            return [Standing(place) for place in direct]
        return [Standing(link.a, link.stretch.first, link.stretch.length) for link in self.approaches(targets)]

    # --- walking --------------------------------------------------------------------------------------------------------

    def walk(self, starts: Iterable[Standing]) -> list[Standing]:
        """Every standing that can be had from these."""
        found: list[Standing] = []
        seen: set[tuple[int, bytes, int]] = set()
        todo = list(starts)
        while todo:
            here = todo.pop()
            key = (here.place, here.gate.wkb if here.gate is not None else b"", round(here.narrow))
            if key in seen:
                continue
            seen.add(key)
            found.append(here)
            for link in self.links:
                if link.allowed and here.place in (link.a, link.b):
                    entry, leaving = link.stretch.first, link.stretch.last
                    place = link.b
                    if here.place == link.b:
                        entry, leaving, place = leaving, entry, link.a
                    narrow = self.narrow_after(here, entry, link.stretch.length)
                    if place is not None and narrow is not None:
                        todo.append(Standing(place, leaving, narrow))
        return found

    def narrow_after(self, here: Standing, entry: Geometry, length: float) -> float | None:
        """How long the narrow stretch is that ends after this one, or None where it may not follow the last."""
        if here.gate is None:
            return length
        apart = string_length(self.ground.floor, here.gate, entry)
        if apart >= APART_IN16 - TOLERANCE:
            return length
        together = here.narrow + apart + length
        return together if together <= NARROW_LENGTH_IN16 + TOLERANCE else None

    def is_reached(self, targets: Sequence[Geometry], standings: Sequence[Standing], reached: set[int]) -> bool:
        """Whether somebody standing in one of these places gets to a target, by a last narrow stretch if need be."""
        if not reached.isdisjoint(self.touching(targets)):
            return True
        return any(
            here.place == link.a and self.narrow_after(here, link.stretch.first, link.stretch.length) is not None
            for link in self.approaches(targets)
            for here in standings
        )


def string_length(floor: Geometry, a: Geometry, b: Geometry) -> float:
    """The length of a string stretched over the floor between two lines on it; 48 in. and more are all as good as far."""
    straight = shapely.shortest_line(a, b)
    if straight.length >= APART_IN16 or straight.length == 0:
        return float(straight.length)
    grown = shapely.intersection(floor, a.buffer(2 * APART_IN16)).buffer(1, join_style="mitre")
    shapely.prepare(grown)
    if grown.covers(straight):
        return float(straight.length)
    corners = np.unique(shapely.get_coordinates(floor.intersection(a.buffer(APART_IN16))), axis=0)
    points = shapely.points(corners)
    to_a, to_b = shapely.shortest_line(points, a), shapely.shortest_line(points, b)
    from_a = np.where(shapely.covers(grown, to_a), shapely.length(to_a), np.inf)
    from_b = np.where(shapely.covers(grown, to_b), shapely.length(to_b), np.inf)
    far = _walked(_sight(grown, corners), from_a)
    return float(min((far + from_b).min(initial=np.inf), 2 * APART_IN16))


def string_diameter(lane: Geometry, look_in16: float = np.inf) -> tuple[float, Geometry]:
    """The longest of the shortest walks within a polygon from one corner to another, and the line between those two.

    Who looks only so far ahead takes bends, or finds no way at all (infinite): never a shorter walk, and far sooner found.
    """
    grown = lane.buffer(2, join_style="mitre")
    shapely.prepare(grown)
    drawn = lane.simplify(1)
    corners = np.unique(shapely.get_coordinates(drawn if np.isinf(look_in16) else drawn.segmentize(look_in16 / 2)), axis=0)
    sight = _sight(grown, corners, look_in16)
    best: float = 0
    ends = (0, 0)
    start = 0
    for _ in range(4):  # from anywhere to the farthest corner, and from there again, until nothing is farther
        begin = np.full(len(corners), np.inf)
        begin[start] = 0
        far = _walked(sight, begin)
        if np.isfinite(look_in16) and not np.isfinite(far).all():
            best = np.inf
            break
        other = int(np.where(np.isfinite(far), far, -1).argmax())
        if far[other] <= best:
            break
        best, ends, start = float(far[other]), (start, other), other
    return best, LineString([corners[ends[0]], corners[ends[1]]])


def _sight(grown: Geometry, corners: Any, look_in16: float = np.inf) -> Any:
    """Distances between corners that see each other over the floor, as a matrix; infinite where they do not or are farther."""
    n = len(corners)
    rows, columns = np.triu_indices(n, 1)
    near = np.hypot(*(corners[rows] - corners[columns]).T) <= look_in16
    rows, columns = rows[near], columns[near]
    lines = shapely.linestrings(np.stack([corners[rows], corners[columns]], axis=1))
    seen = shapely.covers(grown, lines)
    lengths = np.full((n, n), np.inf)
    lengths[rows[seen], columns[seen]] = lengths[columns[seen], rows[seen]] = shapely.length(lines)[seen]
    return lengths


def _walked(sight: Any, begin: Any) -> Any:
    """Least distances to every corner from those that begin at a finite one."""
    far = begin.copy()
    queue = [(d, k) for k, d in enumerate(far.tolist()) if np.isfinite(d)]
    heapq.heapify(queue)
    while queue:
        d, node = heapq.heappop(queue)
        if d > far[node]:
            continue
        better = np.flatnonzero(d + sight[node] < far)
        far[better] = d + sight[node][better]
        for k in better.tolist():
            heapq.heappush(queue, (float(far[k]), k))
    return far


# --- the widest way -----------------------------------------------------------------------------------------------------


def door_core(door: Door) -> Geometry:
    """The middle of a door: what a disc must touch to be there. Of an outline, the line through its middle, in and out."""
    shape = door_shape(door)
    if len(door.points) == 2:
        return shape.interpolate(shape.length / 2)
    corners = shapely.get_coordinates(shapely.oriented_envelope(shape))
    sides = [LineString(pair) for pair in pairwise(corners)]
    longer = sides[0::2] if sides[0].length >= sides[1].length else sides[1::2]
    return LineString([side.interpolate(side.length / 2) for side in longer])


def widest_way_in16(ground: Ground, a: Sequence[Geometry], b: Sequence[Geometry], at_most_in16: int) -> int:
    """The largest clear width, in whole sixteenths up to a bound, at which one disc touches one of a and one of b; 0 for none."""

    def joins(width_in16: int, quickly: bool) -> bool:
        ways = Ways(ground, width_in16, quickly=quickly)
        return not set(ways.touching(a)).isdisjoint(ways.touching(b))

    return widest_in16(joins, at_most_in16)


def widest_disc_between(plan: Plan, a: str, b: str, extra: Iterable[tuple[tuple[int, int], ...]] = ()) -> int:
    """The largest clear width at which two doors, by their codes, connect, in sixteenths; 0 where nothing passes.

    Bounded by the plan's own size. Raises KeyError for a code no door has.
    """
    walkable = Walkable(plan, tuple(extra))
    doors = {door.code: door for door in plan.doors}
    left, low, right, high = walkable.outline.bounds
    bound = int(min(right - left, high - low)) + 1
    return widest_way_in16(walkable.ground, [door_core(doors[a])], [door_core(doors[b])], bound)


def gap_between(ways: Ways, a: Sequence[Geometry], b: Sequence[Geometry]) -> Geometry | None:
    """A line across the floor no disc of this width crosses: from a place that touches a to the nearest that touches b."""
    froms = [ways.places[n] for n in ways.touching(a)]
    tos = [ways.places[n] for n in ways.touching(b)]
    if not froms or not tos:
        return None
    return min((shapely.shortest_line(p, q) for p in froms for q in tos), key=lambda line: line.length)
