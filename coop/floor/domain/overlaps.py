"""Spaces that share floor, leave the outline, or stand over a wall, door or fixture. Touching is not overlapping.

A sixteenth of an inch is: corners are whole sixteenths, and an outline that is turned is rounded to them.
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

import numpy as np
import shapely

from coop.floor.domain.finding import Finding, Kind, begin, finding, length
from coop.floor.domain.plan import STANDING_KINDS, Part
from coop.floor.domain.walkable import (
    Walkable,
    door_shape,
    named_door,
    named_fixture,
    named_space,
    polygons,
    rectangle_sides,
)

_TOUCH_IN16 = 1


def overlap_findings(walkable: Walkable) -> Iterator[Finding]:
    """Every space that stands where it cannot."""
    yield from _over_each_other(walkable)
    yield from _outside(walkable)
    standing = [(named_space(s), shape) for s, shape in walkable.spaces if s.kind in STANDING_KINDS]
    hanging = [(named_space(s), shape) for s, shape in walkable.spaces if s.kind not in STANDING_KINDS]
    walls = [(Part("wall", wall.code), shape) for wall, shape in walkable.walls]
    fixtures = [(named_fixture(fixture), shape) for fixture, shape in walkable.fixtures]
    extinguishers = [(part, shape) for part, shape in fixtures if part.kind == "extinguisher"]
    # What is drawn as a line is covered by what lies along it; a sixteenth to either hand lets jambs be touched.
    doors = [
        (named_door(d), door_shape(d).buffer(1, cap_style="flat") if len(d.points) == 2 else door_shape(d))
        for d in walkable.plan.doors
    ]
    yield from _over("over_wall", standing, walls, "move it off the wall")
    yield from _over("over_fixture", standing, fixtures, "move one of them, or draw it round")
    yield from _over("over_fixture", hanging, extinguishers, "an extinguisher stays free")
    yield from _over("over_door", [*standing, *hanging], doors, "a door stays free: move it")


def _deep(shapes: Any) -> Iterator[tuple[int, Any, float]]:
    """Index, largest polygon and depth of those that are more than a sixteenth deep."""
    for n in np.flatnonzero(shapely.area(shapes) > 0).tolist():
        parts = polygons(shapes[n])
        depth = max((min(rectangle_sides(part)) for part in parts), default=0)
        if depth > _TOUCH_IN16 + 1 / 100:
            yield n, parts[0], depth


def _over_each_other(walkable: Walkable) -> Iterator[Finding]:
    spaces = [(named_space(s), shape) for s, shape in walkable.spaces if s.kind in STANDING_KINDS]
    shapes = np.array([shape for _, shape in spaces], dtype=object)
    first, second = shapely.STRtree(shapes).query(shapes, predicate="intersects")
    first, second = first[first < second], second[first < second]
    for n, shared, depth in _deep(shapely.intersection(shapes[first], shapes[second])):
        a, b = spaces[first[n]][0], spaces[second[n]][0]
        sentence = f"{begin(a)} and {b} overlap by {length(depth)}; move one of them or draw it smaller."
        yield finding("overlap", sentence, (a, b), shared, measured_in16=round(depth))


def _outside(walkable: Walkable) -> Iterator[Finding]:
    spaces = [named_space(space) for space, _ in walkable.spaces]
    shapes = np.array([shape for _, shape in walkable.spaces], dtype=object)
    for n, beyond, depth in _deep(shapely.difference(shapes, walkable.outline)):
        sentence = f"{begin(spaces[n])} stands {length(depth)} outside the mall's outline; move it in or mend the outline."
        yield finding("outside", sentence, (spaces[n],), beyond, measured_in16=round(depth))


def _over(kind: Kind, spaces: list[tuple[Part, Any]], things: list[tuple[Part, Any]], mend: str) -> Iterator[Finding]:
    if not spaces or not things:
        return
    shapes, others = (np.array([shape for _, shape in parts], dtype=object) for parts in (spaces, things))
    first, second = shapely.STRtree(others).query(shapes, predicate="intersects")
    for n, shared, depth in _deep(_shared(kind, shapes[first], others[second])):
        a, b = spaces[first[n]][0], things[second[n]][0]
        sentence = f"{begin(a)} stands over {b} by {length(depth)}; {mend}."
        yield finding(kind, sentence, (a, b), shared, measured_in16=round(depth))


def _shared(kind: Kind, spaces: Any, things: Any) -> Any:
    # A booth drawn up to a door's line covers one of the two sixteenths the line is thick here: grown by one, both.
    return shapely.intersection(shapely.buffer(spaces, 1, join_style="mitre") if kind == "over_door" else spaces, things)
