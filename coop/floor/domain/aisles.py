"""Aisles narrower than they must be: a disc of the required width cannot travel the whole of the aisle.

An aisle's floor is what is walkable of its outline, and a way round by another aisle mends nothing. The aisle is wide enough when
all of it is one place for the disc, when what the disc does not sweep is no deeper than a room's corners are (half the disc), and
when the disc comes in by every mouth, that is, crosses the outline wherever it could if only spaces stood on the floor. Where
36 in. are required, the narrow stretches that 403.5.1 allows count.
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

import shapely
from shapely.geometry import Polygon

from coop.floor.domain.clear_width import NARROW_IN16, Standing, Ways
from coop.floor.domain.finding import Finding, finding, length
from coop.floor.domain.plan import LEAST_CLEAR_IN16, Part
from coop.floor.domain.walkable import Geometry, Ground, Walkable, polygons, shrunk, shrunk_quickly, widest_in16


def aisle_findings(walkable: Walkable) -> Iterator[Finding]:
    """Every aisle narrower than its own required clear width, or the plan's."""
    for aisle in walkable.plan.aisles:
        required = max(aisle.required_clear_in16 or 0, walkable.plan.required_clear_in16)
        outline = Polygon(aisle.outline)
        fault = _fault(walkable, outline, required)
        if fault is None or (required == LEAST_CLEAR_IN16 and _excepted(walkable, outline)):
            continue
        measured = _widest(walkable, outline, required)
        part = Part("aisle", aisle.code)
        said = f"is {length(measured)} clear at its narrowest" if measured else "is blocked"
        sentence = f"Aisle {aisle.code} {said}; {length(required)} is required: move what stands in it or beside it."
        yield finding("aisle_narrow", sentence, (part,), fault, measured_in16=measured, required_in16=required)


def _fault(
    walkable: Walkable, aisle: Geometry, width_in16: int, allowed: Geometry | None = None, *, quickly: bool = False
) -> Geometry | None:
    """Where a disc of this width cannot go in an aisle, or None. `allowed` are narrow stretches that it need not pass."""
    middles = (shrunk_quickly if quickly else shrunk)(_about(walkable.floor, aisle, width_in16), width_in16)
    places = [place for place in polygons(middles) if place.intersects(aisle)]
    if not places:
        return aisle
    if len(places) > 1 and allowed is None:
        return min((shapely.shortest_line(places[0], other) for other in places[1:]), key=lambda line: line.length)
    # Coarsely: what is left over is only asked whether it is deeper than half the disc.
    swept = shapely.union_all(places).simplify(1).buffer(width_in16 / 2 + 2, quad_segs=8)
    rest = shapely.intersection(aisle, walkable.floor).difference(swept if allowed is None else swept.union(allowed))
    for part in polygons(rest):
        if shapely.distance(shapely.points(shapely.get_coordinates(part)), swept).max() > width_in16 / 2:
            return part
    for mouth in _mouths(walkable.bare_floor, aisle, width_in16):
        if not middles.intersects(mouth) and (allowed is None or not shapely.dwithin(allowed, mouth, 2)):
            return mouth
    return None


def _about(floor: Geometry, aisle: Geometry, width_in16: int) -> Geometry:
    return shapely.intersection(floor, aisle.buffer(width_in16, join_style="mitre"))


def _mouths(bare: Geometry, aisle: Geometry, width_in16: int) -> list[Any]:
    """The parts of an aisle's outline that a disc crosses where only spaces stand on the floor."""
    about = _about(bare, aisle, width_in16)
    # A little within the floor: the sides of an aisle that runs along booths are no mouths.
    opened = shapely.line_merge(aisle.exterior.intersection(about.buffer(-2, join_style="mitre")))
    middles = shrunk(about, width_in16)
    return [line for line in shapely.get_parts(opened) if middles.intersects(line)]


def _excepted(walkable: Walkable, aisle: Geometry) -> bool:
    """Whether the narrow stretches in an aisle of 36 in. are all such as 403.5.1 allows."""
    if _fault(walkable, aisle, NARROW_IN16) is not None:
        return False
    ways = Ways(Ground(_about(walkable.floor, aisle, LEAST_CLEAR_IN16)), LEAST_CLEAR_IN16)
    wanted = {n for n, place in enumerate(ways.places) if place.intersects(aisle)}
    if not wanted or not wanted <= {here.place for here in ways.walk([Standing(min(wanted))])}:
        return False
    allowed = [link.stretch.place for link in ways.links if link.allowed]
    return _fault(walkable, aisle, LEAST_CLEAR_IN16, shapely.union_all(allowed)) is None


def _widest(walkable: Walkable, aisle: Geometry, required_in16: int) -> int:
    def passes(width_in16: int, quickly: bool) -> bool:
        return _fault(walkable, aisle, width_in16, quickly=quickly) is None

    return widest_in16(passes, required_in16 - 1)
