"""Staging floor: which areas there are, and whether one more piece finds room there."""

from __future__ import annotations

from collections.abc import Iterable
from typing import NamedTuple

import numpy as np
import shapely

from coop.resets.domain.order.boxes import Spot, spots_overlap
from coop.resets.domain.order.ground import Ground, StagingArea

_STEP_IN16 = 32
"""Pieces are put down on a two-inch grid of the staging floor."""


class Waits(NamedTuple):
    """A piece on staging floor: the area's number, and its place there (None where nobody measured the area)."""

    key: str
    area: int
    spot: Spot | None
    on_floor: bool
    """The area lies on the floor pieces are carried over, so it is in the way."""


class StagingFloor:
    """The areas where pieces may wait, but not those kept for buyers."""

    def __init__(self, areas: tuple[StagingArea, ...], on_floor: tuple[bool, ...]) -> None:
        self.areas, self.on_floor = areas, on_floor
        self._fits: dict[tuple[int, int, int], list[tuple[int, int, int]]] = {}

    @classmethod
    def of_ground(cls, ground: Ground) -> StagingFloor:
        areas = tuple(area for area in ground.staging if not area.hold)
        return cls(areas, tuple(ground.on_floor(area) for area in areas))

    @classmethod
    def unmeasured(cls) -> StagingFloor:
        """As much as anybody could ask for, somewhere else."""
        return cls((StagingArea("staging floor"),), (False,))

    def has_room(self, area: int, staged: Iterable[Waits]) -> bool:
        """By number alone."""
        capacity = self.areas[area].capacity
        return capacity is None or sum(one.area == area for one in staged) < capacity

    def room_for(self, area: int, spot: Spot, staged: Iterable[Waits]) -> Spot | None:
        """The first place in a measured area where a piece fits beside those that wait there, square to its drawing."""
        there = [one.spot for one in staged if one.area == area and one.spot]
        for x, y, turn in self._places(area, spot.width_in16, spot.depth_in16):
            here = Spot(spot.key, x, y, turn, spot.width_in16, spot.depth_in16)
            if not any(spots_overlap(here, other) for other in there):
                return here
        return None

    def _places(self, area: int, width_in16: int, depth_in16: int) -> list[tuple[int, int, int]]:
        key = (area, width_in16, depth_in16)
        if key not in self._fits:
            outline = shapely.Polygon(self.areas[area].outline)
            left, top, right, bottom = outline.bounds
            places: list[tuple[int, int, int]] = []
            for turn, half_w, half_d in ((0, width_in16 / 2, depth_in16 / 2), (90, depth_in16 / 2, width_in16 / 2)):
                xs = np.ceil(np.arange(left + half_w, right - half_w + 1, _STEP_IN16))
                ys = np.ceil(np.arange(top + half_d, bottom - half_d + 1, _STEP_IN16))
                x, y = (grid.ravel() for grid in np.meshgrid(xs, ys))
                # A sixteenth over, since a middle on a half sixteenth is rounded.
                inside = shapely.covers(
                    outline.buffer(1, join_style="mitre"), shapely.box(x - half_w, y - half_d, x + half_w, y + half_d)
                )
                places += [(int(a), int(b), turn) for a, b in zip(x[inside], y[inside], strict=True)]
            self._fits[key] = places
        return self._fits[key]
