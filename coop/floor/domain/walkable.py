"""The floor people can walk on, as polygons, and where the middle of a disc may go on it.

A way has a clear width when a disc of that diameter can travel along it (polygon offset: the floor shrunk by the radius). The
disc is taken a quarter of a sixteenth smaller in radius: of two ways a sixteenth apart in width one passes and the other does
not, whatever the rounding of the arcs (64 chords a half circle leave less than a tenth of a sixteenth on 18 in.). Cracks of an
eighth of an inch or less between things that stand side by side are no floor.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import dataclass
from functools import cached_property
from typing import Any

import numpy as np
import shapely
from shapely.geometry import LineString, Polygon

from coop.floor.domain.plan import STANDING_KINDS, Door, Fixture, Outline, Part, Plan, PlanSpace, Wall

Geometry = Any
"""A shapely geometry in sixteenths of an inch; shapely has no types."""

SLACK = 1 / 4
ARC = 32
_CRACK = 1
_DOOR_DEPTH_IN16 = 12 * 16
"""A door drawn as a line opens the walls within this distance before and behind it."""


def wall_shape(wall: Wall) -> Geometry:
    if wall.thickness_in16 is None:
        return Polygon(wall.points)
    return LineString(wall.points).buffer(wall.thickness_in16 / 2, cap_style="flat", join_style="mitre")


def door_shape(door: Door) -> Geometry:
    return LineString(door.points) if len(door.points) == 2 else Polygon(door.points)


def door_opening(door: Door) -> Geometry:
    """What a door takes out of walls."""
    shape = door_shape(door)
    return shape.buffer(_DOOR_DEPTH_IN16, cap_style="flat") if len(door.points) == 2 else shape


def door_width(door: Door) -> float:
    """The length of its line, or the longer side of the least rectangle round its outline."""
    shape = door_shape(door)
    return float(shape.length) if len(door.points) == 2 else max(rectangle_sides(shape))


def rectangle_sides(shape: Geometry) -> tuple[float, float]:
    """The sides of the least rectangle round a polygon, however it is turned."""
    corners = shapely.get_coordinates(shapely.oriented_envelope(shape))
    if len(corners) < 4:  # a line or a point
        return float(shape.length), 0
    return float(np.hypot(*(corners[1] - corners[0]))), float(np.hypot(*(corners[2] - corners[1])))


def polygons(geometry: Geometry) -> list[Any]:
    """The polygons of whatever an operation gave, largest first."""
    parts = [part for part in shapely.get_parts(geometry).ravel() if part.geom_type == "Polygon" and part.area > 0]
    return sorted(parts, key=lambda part: -part.area)


def tidied(geometry: Geometry) -> Geometry:
    """Without slivers of an eighth of an inch or less."""
    return geometry.buffer(-_CRACK, join_style="mitre").buffer(_CRACK, join_style="mitre")


def shrunk(floor: Geometry, width_in16: float) -> Geometry:
    """Where the middle of a disc of this diameter may be."""
    return _less_its_edge(floor, width_in16 / 2 - SLACK, "round")


def shrunk_quickly(floor: Geometry, width_in16: float) -> Geometry:
    """The same or, where walls have small jogs, less: what passes here passes, what does not may yet."""
    return floor.buffer(-(width_in16 / 2 - SLACK), quad_segs=ARC)


def shrunk_square(floor: Geometry, side_in16: float) -> Geometry:
    """Where the middle of a square of this side may be that lies in line with what stands by it."""
    return _less_its_edge(floor, side_in16 / 2 - SLACK, "square")


def _less_its_edge(floor: Geometry, radius: float, cap: str) -> Geometry:
    # Edge by edge: a polygon's own buffer smooths jogs of up to a hundredth of the radius away, and slants long walls by it.
    edges = shapely.buffer(shapely.linestrings(segments_of(floor)), radius, quad_segs=ARC, cap_style=cap)
    return floor.difference(shapely.union_all(edges))


def touch_in16(width_in16: float) -> float:
    """How near the middle of a disc of this diameter must come to what it is to touch."""
    return width_in16 / 2 + 1


class Ground:
    """A floor, and where the middles of discs may be on it; each is kept, for it is asked for again."""

    def __init__(self, floor: Geometry) -> None:
        self.floor = floor
        self._shrunk: dict[tuple[int, bool], list[Any]] = {}

    def shrunk(self, width_in16: int, *, quickly: bool = False) -> list[Any]:
        """The places among which a disc of this diameter cannot pass from one to another."""
        key = width_in16, quickly
        if key not in self._shrunk:
            made = (shrunk_quickly if quickly else shrunk)(self.floor, width_in16)
            self._shrunk[key] = polygons(made)
            shapely.prepare(self._shrunk[key])
        return self._shrunk[key]


@dataclass(frozen=True)
class Walkable:
    """A checked plan's shapes; `extra` are further things that stand on its floor, such as pieces in an aisle."""

    plan: Plan
    extra: tuple[Outline, ...] = ()

    @cached_property
    def outline(self) -> Geometry:
        return Polygon(self.plan.outline)

    @cached_property
    def walls(self) -> list[tuple[Wall, Geometry]]:
        """Each wall less the doors in it. Where an outline of a door is a sixteenth short of its wall's face, no sliver stays."""
        openings = shapely.union_all([door_opening(door) for door in self.plan.doors])
        shapes = [(wall, wall_shape(wall)) for wall in self.plan.walls]
        return [(wall, tidied(s.difference(openings)) if s.intersects(openings) else s) for wall, s in shapes]

    @cached_property
    def fixtures(self) -> list[tuple[Fixture, Geometry]]:
        return [(fixture, Polygon(fixture.outline)) for fixture in self.plan.fixtures]

    @cached_property
    def spaces(self) -> list[tuple[PlanSpace, Geometry]]:
        """Those that have an outline."""
        return [(space, Polygon(space.outline)) for space in self.plan.spaces if space.outline]

    @cached_property
    def standing(self) -> Geometry:
        """Everything on the floor, as one."""
        shapes = [shape for _, shape in (*self.walls, *self.fixtures, *self.spaces)]
        return shapely.union_all([*shapes, *(Polygon(piece) for piece in self.extra)])

    @cached_property
    def floor(self) -> Geometry:
        return tidied(self.outline.difference(self.standing))

    @cached_property
    def floor_spaces(self) -> list[tuple[PlanSpace, Geometry]]:
        """Spaces one must be able to walk up to: booths, cases, and shelves and walls that no booth or case covers."""
        held = shapely.union_all([shape for space, shape in self.spaces if space.kind in STANDING_KINDS])
        shapely.prepare(held)
        return [
            (space, shape)
            for space, shape in self.spaces
            if space.kind in STANDING_KINDS or shape.difference(held).area > shape.area / 2
        ]

    @cached_property
    def bare_floor(self) -> Geometry:
        """The floor with nothing on it but spaces."""
        return tidied(self.outline.difference(shapely.union_all([shape for _, shape in (*self.walls, *self.spaces)])))

    @cached_property
    def ground(self) -> Ground:
        return Ground(self.floor)


def segments_of(geometry: Geometry) -> Any:
    """The boundary of a polygon or several as an array of segments (n, 2, 2)."""
    rings = shapely.get_parts(shapely.boundary(shapely.get_parts(geometry)))
    pairs = [np.stack([corners[:-1], corners[1:]], axis=1) for corners in map(shapely.get_coordinates, rings)]
    return np.concatenate(pairs) if pairs else np.zeros((0, 2, 2))


def open_side_cores(space: PlanSpace, *, entry_in16: int = 32 * 16) -> list[Any]:
    """Where a disc must touch each open side: its middle part, so that half an entry of 32 in. (404.2.3) lies to either hand."""
    corners = space.outline
    sides: Iterable[int] = range(len(corners)) if space.open_sides is None else space.open_sides
    cores = []
    for side in sides:
        line = LineString([corners[side], corners[(side + 1) % len(corners)]])
        trim = min(entry_in16, line.length) / 2
        ends = [line.interpolate(trim), line.interpolate(line.length - trim)]
        cores.append(LineString(ends) if ends[0].distance(ends[1]) > 1 else ends[0])
    return cores


def named_space(space: PlanSpace) -> Part:
    return Part(space.kind, space.code)


def named_fixture(fixture: Fixture) -> Part:
    return Part("fixture" if fixture.kind == "other" else fixture.kind, fixture.code)


def named_door(door: Door) -> Part:
    return Part("exit" if door.is_exit else "door", door.code)


def widest_in16(passes: Callable[[int, bool], bool], at_most_in16: int) -> int:
    """The largest width up to a bound that passes, in whole sixteenths, 0 for none; asked with whether to answer quickly.

    A quick answer errs to the narrow side only: it halves the range, and what it leaves open is tried in earnest.
    """
    low, high = 0, at_most_in16 + 1
    while high - low > 1:
        middle = (low + high) // 2
        low, high = (middle, high) if passes(middle, True) else (low, middle)
    while low < at_most_in16 and passes(low + 1, False):
        low += 1
    return low
