"""A booth proposed from a floor plan: turned so that its aisle lies in front, with what each side is, to be measured after.

A side is a wall where a wall runs along it, open where an aisle does, the neighbour's where another space does; a side of which
parts differ is cut where they do. What nothing runs along is taken for a wall: nobody comes in there unasked.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise

import shapely
from shapely import affinity

from coop.floor.domain.plan import Outline, Point
from coop.resets.domain.booth import WAY_IN16, Booth, Side

_NEAR_IN16 = 3 * 16
"""How far from a side a wall or an aisle may be drawn and still run along it: plans are drawn with small gaps."""
_LEAST_IN16 = 6 * 16
"""Shorter parts of a side belong to what is beside them."""
_FARTHEST_IN16 = 20 * 192


@dataclass(frozen=True)
class Around:
    """What is drawn round a booth on its plan, each an outline there."""

    floor: Outline = ()
    """The plan's own outline; empty where it has none."""
    walls: Sequence[tuple[Outline, int | None]] = ()
    """With their heights, where those are known."""
    doors: Sequence[Outline] = ()
    aisles: Sequence[Outline] = ()
    others: Sequence[Outline] = ()
    """Other spaces that stand on the floor."""
    fixtures: Sequence[Outline] = ()
    """Posts and other things on the floor."""


def propose_booth(outline: Outline, around: Around) -> Booth | None:
    """The booth as the plan has it, its longest open side in front; None for an outline that encloses nothing."""
    if len(outline) < 3 or not shapely.Polygon(outline).is_valid or shapely.Polygon(outline).area == 0:
        return None
    corners, sides = _cut(_clockwise(outline), around)
    if not any(side.kind == "open" for side in sides):
        # Somebody comes in somewhere: at the bottom, as it is drawn.
        sides[max(range(len(sides)), key=lambda n: corners[n][1] + corners[(n + 1) % len(corners)][1])] = Side("open")
    front = max((n for n, side in enumerate(sides) if side.kind == "open"), key=lambda n: _length(corners, n))
    shape = shapely.Polygon(outline)
    inside = [shape.intersection(shapely.Polygon(one)) for one in around.fixtures if shapely.Polygon(one).is_valid]
    posts = [part for one in inside for part in shapely.get_parts(one) if part.geom_type == "Polygon" and part.area > 1]
    aisle = _aisle_depth(corners, front, around)
    (x, y), (x2, y2) = corners[front], corners[(front + 1) % len(corners)]
    # The outward direction of a clockwise side is (dy, -dx) with y down: turn it onto straight down the drawing.
    turn = 90 - math.degrees(math.atan2(-(x2 - x), y2 - y))
    turned = [_turned(corner, turn) for corner in corners]
    left, top = min(x for x, _ in turned), min(y for _, y in turned)
    placed = tuple((x - left, y - top) for x, y in turned)
    first = min(range(len(placed)), key=lambda n: (placed[n][0] + placed[n][1], placed[n]))
    return Booth(
        outline=placed[first:] + placed[:first],
        sides=tuple(sides[first:] + sides[:first]),
        posts=tuple(
            tuple((x - left, y - top) for x, y in (_turned(corner, turn) for corner in post.exterior.coords[:-1]))
            for post in posts
        ),
        way_in16=WAY_IN16,
        aisle_in16=aisle,
    )


def _clockwise(outline: Outline) -> Outline:
    """As the drawing is looked at, with y down: what shapely calls counter-clockwise."""
    return outline if shapely.LinearRing(outline).is_ccw else outline[::-1]


def _length(corners: Sequence[tuple[float, float]], n: int) -> float:
    return math.dist(corners[n], corners[(n + 1) % len(corners)])


def _turned(corner: tuple[float, ...], turn_deg: float) -> Point:
    """A corner turned about the origin, in whole sixteenths: exactly where the turn is a quarter."""
    point = affinity.rotate(shapely.Point(corner[0], corner[1]), turn_deg, origin=(0, 0))
    return round(point.x), round(point.y)


def _cut(outline: Outline, around: Around) -> tuple[list[tuple[float, float]], list[Side]]:
    """The corners with those added where a side changes, and what each side is."""
    doors = shapely.union_all([shapely.Polygon(door).buffer(1) for door in around.doors])
    walls = [(shapely.Polygon(wall).difference(doors).buffer(_NEAR_IN16), height) for wall, height in around.walls]
    aisles = shapely.union_all([shapely.Polygon(aisle) for aisle in around.aisles]).buffer(_NEAR_IN16)
    others = shapely.union_all([shapely.Polygon(other) for other in around.others]).buffer(_NEAR_IN16)
    kinds: list[tuple[Side, shapely.Geometry]] = [(Side("wall", height_in16=height), wall) for wall, height in walls]
    kinds += [(Side("open"), aisles), (Side("neighbour"), others)]
    corners: list[tuple[float, float]] = []
    sides: list[Side] = []
    for n, start in enumerate(outline):
        line = shapely.LineString([start, outline[(n + 1) % len(outline)]])
        for begins, side in _runs(line, kinds):
            at = line.interpolate(begins)
            corners.append((at.x, at.y))
            sides.append(side)
    return corners, sides


def _runs(line: shapely.LineString, kinds: Sequence[tuple[Side, shapely.Geometry]]) -> list[tuple[float, Side]]:
    """Where along a side each of its parts begins, and what it is; what comes first in `kinds` goes before what comes later.

    What only touches the end of a side (a wall round the corner) runs along no part of it.
    """
    cuts = {0.0, line.length}
    for _, area in kinds:
        for part in shapely.get_parts(line.intersection(area)):
            if part.geom_type == "LineString" and part.length > 2 * _NEAR_IN16:
                cuts |= {line.project(shapely.Point(end)) for end in (part.coords[0], part.coords[-1])}
    ends = sorted(cuts)
    found: list[tuple[float, float, Side]] = []
    for begins, stops in pairwise(ends):
        middle = line.interpolate((begins + stops) / 2)
        side = next((side for side, area in kinds if area.covers(middle)), Side("wall"))
        is_short = stops - begins < _LEAST_IN16
        if found and (is_short or side == found[-1][2]):
            found[-1] = (found[-1][0], stops, found[-1][2])
        elif found and found[-1][1] - found[-1][0] < _LEAST_IN16:
            found[-1] = (found[-1][0], stops, side)
        else:
            found.append((begins, stops, side))
    return [(begins, side) for begins, _, side in found]


def _aisle_depth(corners: Sequence[tuple[float, float]], front: int, around: Around) -> int:
    """How far it is, straight out of the front side, to what stands there; 0 where nothing does within twenty feet."""
    (x, y), (x2, y2) = corners[front], corners[(front + 1) % len(corners)]
    length = math.dist((x, y), (x2, y2))
    along, out = ((x2 - x) / length, (y2 - y) / length), ((y2 - y) / length, -(x2 - x) / length)
    # A little in from both ends, and a little off the side: what stands beside the aisle is no end of it.
    inner = min(16.0, length / 4)
    ends = [(x + along[0] * inner, y + along[1] * inner), (x2 - along[0] * inner, y2 - along[1] * inner)]
    strip = shapely.Polygon([*ends, *((px + out[0] * _FARTHEST_IN16, py + out[1] * _FARTHEST_IN16) for px, py in reversed(ends))])
    there = [shapely.Polygon(one) for one in (*around.others, *around.fixtures, *(wall for wall, _ in around.walls))]
    if around.floor:
        there.append(strip.difference(shapely.Polygon(around.floor)))
    side = shapely.LineString(ends)
    gaps = [side.distance(part) for one in there if one.is_valid and not (part := one.intersection(strip)).is_empty]
    return round(min((gap for gap in gaps if gap > _NEAR_IN16), default=0))
