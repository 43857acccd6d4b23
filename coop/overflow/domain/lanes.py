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
    """Where the middles of discs may be about an aisle, for every clear width that is required about it."""

    def __init__(self, stood: Stood, targets: Targets, aisle: Aisle) -> None:
        plan = stood.walkable.plan
        shape = Polygon(aisle.outline)
        self._targets = targets
        self._places: dict[int, tuple[list[Any], list[Any]]] = {}
        """By width, of the floor about the aisle and of the aisle itself: a way round mends nothing."""
        for width in _widths(plan, aisle):
            window = shapely.box(*shape.bounds).buffer(2 * width, join_style="mitre")
            floor = tidied(shapely.difference(window, stood.blocked(window)))
            about = shrunk(floor, width)
            self._places[width] = polygons(about), polygons(shapely.intersection(about, shape))

    def take(self, bay: Geometry) -> bool:
        """Takes a bay's floor if that leaves everything whole; else changes nothing."""
        after: dict[int, tuple[list[Any], list[Any]]] = {}
        for width, (about, within) in self._places.items():
            grown = bay.buffer(width / 2 - SLACK, quad_segs=ARC)
            left_about, left_within = _less(about, grown), _less(within, grown)
            if left_about is None or left_within is None:
                return False
            touch = touch_in16(width)
            if not self._targets.touched(about, bay, touch) <= self._targets.touched(left_about, bay, touch):
                return False
            after[width] = left_about, left_within
        self._places = after
        return True


def _less(places: list[Any], grown: Geometry) -> list[Any] | None:
    """Each place less a bay grown by the disc's radius, or None where one of them falls apart or is gone."""
    left = []
    for place in places:
        parts = polygons(place.difference(grown)) if grown.intersects(place) else [place]
        if len(parts) != 1:
            return None
        left += parts
    return left


def _widths(plan: Plan, aisle: Aisle) -> set[int]:
    shape = Polygon(aisle.outline)
    near = [a.required_clear_in16 or 0 for a in plan.aisles if Polygon(a.outline).distance(shape) <= (a.required_clear_in16 or 0)]
    return {max(width, plan.required_clear_in16) for width in near} | {plan.required_clear_in16}
