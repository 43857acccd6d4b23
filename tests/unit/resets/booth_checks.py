"""What is wrong with an arrangement, by other means than the search's and the page's: shapes, and a disc on a fine raster."""

from __future__ import annotations

from itertools import combinations

import numpy as np
import shapely
from shapely import affinity

from coop.resets.domain.booth import Booth
from coop.resets.domain.piece import Arrangement, Placed

INCH = 16
ARM = 24 * INCH


def before(one: Placed, deep: int) -> shapely.Polygon:
    w, d = one.piece.width_in16 / 2, one.piece.depth_in16 / 2
    flat = shapely.box(one.x_in16 - w, one.y_in16 + d, one.x_in16 + w, one.y_in16 + d + deep)
    return affinity.rotate(flat, one.turn_deg, origin=(one.x_in16, one.y_in16))


def faults(booth: Booth, arrangement: Arrangement) -> list[str]:
    """Sentences; none where everything is as asked. A sixteenth is no fault."""
    found = []
    spans = {one.key: (low := arrangement.bottom_in16(one.key), low + one.piece.height_in16) for one in arrangement.placed}
    walls = [booth.side_line(n) for n in booth.sides_of("wall") if booth.sides[n].hooks]
    for one in arrangement.placed:
        if one.footprint.difference(booth.free.buffer(1)).area > 1:
            found.append(f"{one.key} is outside")
        if booth.height_limit_in16 is not None and spans[one.key][1] > booth.height_limit_in16:
            found.append(f"{one.key} is too high")
        if one.piece.opens_in16:
            shut = shapely.union_all([booth.side_line(n) for n in booth.sides_of("wall", "window", "neighbour")])
            door = before(one, one.piece.opens_in16).buffer(-2)
            if door.intersects(shut) or any(
                other is not one and door.intersects(other.footprint.buffer(-1)) and over(spans[one.key], spans[other.key])
                for other in arrangement.placed
            ):
                found.append(f"{one.key} cannot open")
        if one.piece.stands == "table":
            carrier = arrangement[one.on or ""]
            width, depth = carrier.piece.top_in16 or (carrier.piece.width_in16, carrier.piece.depth_in16)
            top = affinity.rotate(
                shapely.box(-width / 2 - 1, -depth / 2 - 1, width / 2 + 1, depth / 2 + 1), carrier.turn_deg, origin=(0, 0)
            )
            if not affinity.translate(top, carrier.x_in16, carrier.y_in16).covers(one.footprint):
                found.append(f"{one.key} overhangs")
        if one.piece.stands == "wall":
            back = before(one, 0).exterior if one.piece.depth_in16 == 0 else one.footprint.difference(before(one, 1))
            if not any(back.distance(wall) <= 1 for wall in walls):
                found.append(f"{one.key} hangs at no wall with hooks")
        load = sum(other.piece.weight_oz or 0 for other in arrangement.standing_on(one.key))
        if arrangement.standing_on(one.key) and load > (one.piece.carries_oz or 0):
            found.append(f"{one.key} carries too much")
    for one, other in combinations(arrangement.placed, 2):
        if over(spans[one.key], spans[other.key]) and one.footprint.intersection(other.footprint.buffer(-1)).area > 1:
            found.append(f"{one.key} and {other.key} are in one place")
    return found + unreached(booth, arrangement, spans)


def over(one: tuple[int, int], other: tuple[int, int]) -> bool:
    return one[0] < other[1] and other[0] < one[1]


def unreached(booth: Booth, arrangement: Arrangement, spans: dict[str, tuple[int, int]]) -> list[str]:
    """Pieces to which no disc comes within an arm's length: its middle on a raster of an inch, a sixteenth smaller than asked."""
    way, radius = booth.way_in16, booth.way_in16 / 2 - 1
    left, top, right, bottom = booth.shape.bounds
    xs, ys = np.arange(left - 2 * way, right + 2 * way + 1, INCH), np.arange(top - 2 * way, bottom + 2 * way + 1, INCH)
    grid = shapely.points(*np.meshgrid(xs, ys))
    low = [one.footprint for one in arrangement.placed if one.on is None and spans[one.key][0] < 80 * INCH]
    walls = [booth.side_line(n) for n in booth.sides_of("wall", "window", "neighbour")]
    bars = shapely.union_all([*low, *walls, *(shapely.Polygon(post) for post in booth.posts)])
    free = shapely.distance(grid, bars) >= radius
    # The aisle: whatever lies before an open side.
    inside = shapely.contains_xy(booth.shape, *np.meshgrid(xs, ys))
    aisle = ~inside & (shapely.distance(grid, booth.opening) <= way)
    for wall in walls:
        side = shapely.Polygon([*wall.coords, *reversed(affinity.translate(wall, *outward(booth, wall, 4 * way)).coords)])
        aisle &= ~shapely.intersects(side, grid)
    free &= inside | aisle
    seen = free & aisle
    while True:
        grown = seen.copy()
        grown[1:] |= seen[:-1]
        grown[:-1] |= seen[1:]
        grown[:, 1:] |= seen[:, :-1]
        grown[:, :-1] |= seen[:, 1:]
        grown &= free
        if (grown == seen).all():
            break
        seen = grown
    at = grid[seen]
    return [
        f"nobody comes to {one.key}"
        for one in arrangement.placed
        if one.piece.stands == "floor" and not (shapely.distance(at, one.footprint) <= radius + ARM + INCH).any()
    ]


def outward(booth: Booth, wall: shapely.LineString, far: float) -> tuple[float, float]:
    (ax, ay), (bx, by) = wall.coords
    along = np.array([bx - ax, by - ay]) / wall.length
    out = np.array([along[1], -along[0]])
    middle = np.array([(ax + bx) / 2, (ay + by) / 2])
    if booth.shape.contains(shapely.Point(middle + out)):
        out = -out
    return float(out[0] * far), float(out[1] * far)
