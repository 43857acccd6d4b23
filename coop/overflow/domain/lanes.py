"""Whether a bay leaves the ways of an aisle whole: stricter than the judge of a plan, who knows the exception of 403.5.1.

A disc of the required width goes wherever it went, less the bay: no place of its middle falls apart, and it still touches every
space and door that it touched. So 32 in. for 24 in. of length is never used for a bay, and a shorter piece takes nothing more.
"""

from __future__ import annotations

from typing import Any

import numpy as np
import shapely
from shapely.geometry import Polygon

from coop.floor.domain.plan import Aisle, Plan
from coop.floor.domain.reach import door_targets, space_targets
from coop.floor.domain.walkable import ARC, SLACK, Geometry, Walkable, polygons, shrunk, tidied, touch_in16
from coop.overflow.domain.across import Stood


class Targets:
    """Where a disc must touch each space and door of a plan, found by place."""

    def __init__(self, walkable: Walkable) -> None:
        targets = [*door_targets(walkable, exits=True), *door_targets(walkable, exits=False), *space_targets(walkable)]
        pairs = [(n, core) for n, target in enumerate(targets) for core in target.cores]
        self._owners = np.array([n for n, _ in pairs], dtype=int)
        self._cores = np.array([core for _, core in pairs], dtype=object)
        self._tree = shapely.STRtree(self._cores)

    def touched(self, places: list[Any], near: Geometry, touch: float) -> set[int]:
        """Those near a shape that a disc touches from one of these places."""
        found = self._tree.query(near, predicate="dwithin", distance=2 * touch)
        touching = [n for n in found.tolist() if any(shapely.dwithin(place, self._cores[n], touch) for place in places)]
        return set(self._owners[touching].tolist())


class Lanes:
    """Where the middles of discs may be about an aisle: of its own clear width and the plan's, and, in an aisle near it, of that
    aisle's.
    """

    def __init__(self, stood: Stood, targets: Targets, aisle: Aisle) -> None:
        plan = stood.walkable.plan
        shape = Polygon(aisle.outline)
        self._targets = targets
        self._places: list[tuple[int, list[Any], list[Any]]] = []
        """A width, its places on the floor about the aisle, and of the aisle itself: a way round mends nothing."""
        self._others: list[tuple[int, list[Any], list[Any]]] = []
        """A width, its places in another aisle, and where discs come into that."""
        own = {required_clear(plan, aisle), plan.required_clear_in16}
        self.window = shapely.box(*shape.bounds).buffer(2 * max(own), join_style="mitre")
        """What is not in it is nothing to these."""
        for width in sorted(own):
            window = shapely.box(*shape.bounds).buffer(2 * width, join_style="mitre")
            about = shrunk(_floor(stood, window), width)
            self._places.append((width, polygons(about), polygons(shapely.intersection(about, shape))))
        for other in plan.aisles:
            width, beside = required_clear(plan, other), Polygon(other.outline)
            if width not in own and beside.distance(shape) <= width:
                around = shapely.box(*shape.bounds).buffer(2 * width, join_style="mitre")
                window = beside.buffer(width, join_style="mitre").intersection(around)
                there = shrunk(_floor(stood, window), width)
                mouths = shapely.get_parts(shapely.line_merge(shapely.intersection(beside.exterior, there)))
                self._others.append((width, polygons(shapely.intersection(there, beside)), list(mouths)))

    def take(self, bays: list[Any]) -> bool:
        """Takes the floor of bays, of all at once, if that leaves everything whole; else changes nothing."""
        bay = shapely.union_all(bays)
        after = []
        for width, about, within in self._places:
            grown = bay.buffer(width / 2 - SLACK, quad_segs=ARC)
            left_about, left_within = _less(about, grown), _less(within, grown)
            if left_about is None or left_within is None:
                return False
            touch = touch_in16(width)
            if not self._targets.touched(about, bay, touch) <= self._targets.touched(left_about, bay, touch):
                return False
            after.append((width, left_about, left_within))
        others = []
        for width, places, mouths in self._others:
            grown = bay.buffer(width / 2 - SLACK, quad_segs=ARC)
            left, open_ = _less(places, grown), [mouth.difference(grown) for mouth in mouths]
            if left is None or any(mouth.is_empty for mouth in open_):
                return False
            others.append((width, left, open_))
        self._places, self._others = after, others
        return True


def _floor(stood: Stood, window: Geometry) -> Geometry:
    return tidied(shapely.difference(window, stood.blocked(window)))


def _less(places: list[Any], grown: Geometry) -> list[Any] | None:
    """Each place less a bay grown by the disc's radius, or None where one of them falls apart or is gone."""
    left = []
    for place in places:
        parts = polygons(place.difference(grown)) if grown.intersects(place) else [place]
        if len(parts) != 1:
            return None
        left += parts
    return left


def required_clear(plan: Plan, aisle: Aisle) -> int:
    """What an aisle must keep clear: its own width, or every aisle's where that is wider."""
    return max(aisle.required_clear_in16 or 0, plan.required_clear_in16)
