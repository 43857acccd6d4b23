"""One thing wrong with a plan: what it is, where it is, and what mends it."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from typing import Literal

import shapely

from coop.core.geometry import format_length
from coop.floor.domain.plan import Part, Point
from coop.floor.domain.walkable import Geometry

CAUTION = (
    "A help to planning only. It judges what was drawn, not what was built; "
    "local codes, the fire marshal and licensed people decide."
)
"""Stands beside findings wherever they are shown."""

Kind = Literal[
    "overlap",
    "outside",
    "over_wall",
    "over_door",
    "over_fixture",
    "aisle_narrow",
    "unreachable",
    "no_exit",
    "exit_blocked",
    "exit_pinch",
    "door_narrow",
    "door_pinch",
    "turn_tight",
    "no_passing_space",
    "counter_high",
    "counter_short",
    "counter_unmeasured",
]


@dataclass(frozen=True)
class Finding:
    """`at` is what to draw, in sixteenths of an inch: one point, the two or more of a line (`closed` false), or an outline."""

    kind: Kind
    sentence: str
    parts: tuple[Part, ...]
    at: tuple[Point, ...]
    closed: bool = False
    measured_in16: int | None = None
    required_in16: int | None = None

    @property
    def codes(self) -> tuple[str, ...]:
        return tuple(part.code for part in self.parts)


def drawn(geometry: Geometry) -> tuple[tuple[Point, ...], bool]:
    """The points of a geometry in whole sixteenths, and whether they close: of several polygons or lines, the largest."""
    parts = shapely.get_parts(geometry).ravel()
    part = max(parts, key=lambda p: (p.area, p.length))
    closed = part.geom_type == "Polygon"
    corners = shapely.get_coordinates(part.exterior if closed else part)
    points = tuple((round(x), round(y)) for x, y in corners.tolist())
    return (points[:-1] if closed else points), closed


def finding(
    kind: Kind,
    sentence: str,
    parts: Iterable[Part],
    at: Geometry,
    *,
    measured_in16: int | None = None,
    required_in16: int | None = None,
) -> Finding:
    points, closed = drawn(at)
    return Finding(kind, sentence, tuple(parts), points, closed, measured_in16, required_in16)


def begin(part: Part) -> str:
    """`booth 14` at the beginning of a sentence."""
    name = str(part)
    return name[0].upper() + name[1:]


def length(value: float) -> str:
    """A length as people read it, to the nearest sixteenth."""
    return format_length(round(value))
