"""Floor that is never lent, with what each piece of it is kept for: before doors, round extinguishers and counters, before
the openings of booths, at turns and where aisles cross.

It is walked floor only, and hangs together with what it is kept for: nothing is kept beyond a wall.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import shapely
from shapely.geometry import LineString, Polygon

from coop.floor.domain.finding import length
from coop.floor.domain.plan import LEAST_CLEAR_IN16, Plan, PlanSpace
from coop.floor.domain.turning import ELEMENT_IN16, TURN_IN16, WIDE_TURN_IN16, clear_beside, free_ends
from coop.floor.domain.walkable import (
    Geometry,
    Walkable,
    door_shape,
    door_width,
    named_door,
    named_fixture,
    named_space,
    polygons,
    tidied,
)
from coop.overflow.domain.across import NEAR_IN16, Edge, clipped, edge_between, required_in16

EXTINGUISHER_IN16 = 36 * 16
"""Kept round a fire extinguisher, so that it is seen and got at: common practice, no source; the local code decides."""
LEAF_IN16 = 48 * 16
"""A leaf of a door is at most this wide, and swings as far (common practice, no source)."""


@dataclass(frozen=True)
class Opening:
    """Where customers go into a space: `width_in16` of a side from a place along it; side n runs from corner n to the next."""

    space: str
    side: int
    from_in16: int
    width_in16: int


@dataclass(frozen=True)
class Kept:
    """Floor that stays free. `said` completes "stands within ...". `is_width` where it is as deep as the clear width there."""

    said: str
    shape: Geometry
    is_width: bool = False


def keepouts(walkable: Walkable, openings: Iterable[Opening], entry_in16: int) -> list[Kept]:
    """All of a checked plan's. The clear width is that of the aisles that touch a place, or the plan's, whichever is more."""
    plan = walkable.plan
    parts = shapely.get_parts(walkable.floor)
    tree = shapely.STRtree(parts)

    def kept(said: str, at: Geometry, zone: Geometry, *, is_width: bool = False) -> Iterator[Kept]:
        near = shapely.union_all(parts[tree.query(zone, predicate="intersects")])
        pieces = [part for part in polygons(shapely.intersection(near, zone)) if part.distance(at) <= NEAR_IN16]
        if pieces:
            yield Kept(said, shapely.union_all(pieces), is_width)

    found: list[Kept] = []
    for door in plan.doors:
        shape = door_shape(door)
        wide = required_in16(plan, shape)
        # Its leaf swings through its own width.
        deep = max(wide, min(round(door_width(door)), LEAF_IN16))
        found += kept(
            f"the {length(deep)} before {named_door(door)}", shape, _before_door(shape, wide, deep), is_width=deep == wide
        )
    for fixture, shape in walkable.fixtures:
        if fixture.kind in ("extinguisher", "counter"):
            far = EXTINGUISHER_IN16 if fixture.kind == "extinguisher" else required_in16(plan, shape)
            zone = shape.buffer(far, join_style="mitre")
            found += kept(f"the {length(far)} round {named_fixture(fixture)}", shape, zone, is_width=fixture.kind == "counter")
    chosen: dict[str, list[Opening]] = {}
    for opening in openings:
        chosen.setdefault(opening.space, []).append(opening)
    for space, _ in walkable.floor_spaces:
        own = [o for o in chosen.get(space.code, ()) if 0 <= o.side < len(space.outline)]
        for opening in own or _middles(space, entry_in16):
            wide, at, zone = _before_opening(plan, space, opening, parts, tree)
            found += kept(f"the {length(wide)} before the opening of {named_space(space)}", at, zone, is_width=True)
    for at, zone in _turns(walkable.floor):
        found += kept("the floor of a turn (403.5.2)", at, zone)
    for n, aisle in enumerate(plan.aisles):
        for other in plan.aisles[n + 1 :]:
            both = shapely.intersection(Polygon(aisle.outline), Polygon(other.outline))
            if not both.buffer(-NEAR_IN16).is_empty:
                found += kept(f"the crossing of aisles {aisle.code} and {other.code}", both, both)
    return found


def _before_door(shape: Geometry, wide: int, deep: int) -> Geometry:
    """Its width, and the clear width at least, so far before and behind it."""
    along, thick = np.diff(shapely.get_coordinates(shape)[:2], axis=0)[0], 0.0
    if shape.geom_type != "LineString":
        corners = shapely.get_coordinates(shapely.oriented_envelope(shape))
        along, across = sorted((corners[1] - corners[0], corners[2] - corners[1]), key=lambda side: -np.hypot(*side))
        thick = float(np.hypot(*across))
    # All it lacks of the clear width to either hand: a wall may be close by the other.
    far = float(np.hypot(*along))
    half = along / far * (far / 2 + max(wide - far, 0))
    centre = np.array(shape.centroid.coords[0])
    return LineString([centre - half, centre + half]).buffer(deep + thick / 2, cap_style="flat")


def _middles(space: PlanSpace, entry_in16: int) -> list[Opening]:
    """Where nobody said where its openings are: the middle of every side customers may come in by."""
    sides: Sequence[int] = range(len(space.outline)) if space.open_sides is None else space.open_sides
    found = []
    for side in sides:
        a, b = space.outline[side], space.outline[(side + 1) % len(space.outline)]
        far = round(np.hypot(b[0] - a[0], b[1] - a[1]))
        wide = min(entry_in16, far)
        found.append(Opening(space.code, side, (far - wide) // 2, wide))
    return found


def _side_of(space: PlanSpace, side: int) -> Edge:
    """A side as an edge, the floor before it."""
    a, b = space.outline[side], space.outline[(side + 1) % len(space.outline)]
    left = shapely.is_ccw(shapely.linearrings(space.outline))
    turned = (b[1] - a[1], a[0] - b[0]) if left else (a[1] - b[1], b[0] - a[0])
    return edge_between(a, b, (a[0] + turned[0], a[1] + turned[1]))


def _before_opening(plan: Plan, space: PlanSpace, opening: Opening, parts: Any, tree: Any) -> tuple[int, Geometry, Geometry]:
    """The clear width at an opening, the opening, and the floor before it: as deep as that, and at least as wide, to be got to.

    The width is that of the aisles at the opening itself: at another side of its booth another may hold.
    What it lacks of that is kept half to either hand, or more to one where something stands to the other. What stands opposite
    leaves the clear width anyway, and nothing at the same side goes before an opening, however deep it is.
    """
    side = _side_of(space, opening.side)
    begin, end = (min(max(place, 0), side.length) for place in (opening.from_in16, opening.from_in16 + opening.width_in16))
    at = LineString(side.placed([(begin, 0), (end, 0)]))
    # Without its ends: an aisle that only begins where the opening ends is another's.
    off = min(2 * NEAR_IN16, (end - begin) / 4)
    wide = required_in16(plan, LineString(side.placed([(begin + off, 0), (end - off, 0)])))
    if lack := max(wide - (end - begin), 0):
        around = side.box(begin - lack, 2 * NEAR_IN16, end + lack, wide)
        floor = shapely.union_all(parts[tree.query(around, predicate="intersects")])
        solid = side.seen(tidied(around.difference(floor)))

        def room(low: float, high: float, hand: float) -> float:
            places = shapely.get_coordinates(clipped(solid, low, 0, high, wide))[:, 0]
            return float(np.abs(places - hand).min(initial=lack))

        before, behind = room(begin - lack, begin, begin), room(end, end + lack, end)
        more = min(before, max(lack / 2, lack - behind))
        begin, end = begin - more, end + min(behind, lack - more)
    return wide, at, side.box(begin, 0, end, wide)


def _turns(floor: Geometry) -> Iterator[tuple[Any, Any]]:
    """The end, and the floor round it, of everything under 48 in. wide that is turned about (403.5.2).

    42, 48 and 42 in., or 60 in. at the turn, are kept where they are there; where neither is, nothing is taken of what there is.
    """
    for side, end, other in free_ends(floor):
        clear = [clear_beside(floor, edge) for edge in (side, end, other)]
        deep = TURN_IN16
        if any(has < wants for has, wants in zip(clear, TURN_IN16, strict=True)):
            beside = LEAST_CLEAR_IN16 if clear[1] >= WIDE_TURN_IN16 else ELEMENT_IN16
            deep = (beside, WIDE_TURN_IN16, beside)
        along = (end[1] - end[0]) / np.hypot(*(end[1] - end[0]))
        wider = np.stack([end[0] - along * deep[0], end[1] + along * deep[2]])
        strips = [_strip(edge, far) for edge, far in zip((side, wider, other), deep, strict=True)]
        yield LineString(end), shapely.union_all(strips)


def _strip(edge: Any, deep: float) -> Geometry:
    """The floor to the left of an edge, so deep."""
    along = edge[1] - edge[0]
    out = np.array([-along[1], along[0]]) / np.hypot(*along) * deep
    return Polygon([edge[0], edge[1], edge[1] + out, edge[0] + out])
