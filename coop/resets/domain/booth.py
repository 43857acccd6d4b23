"""A booth as it was measured: its outline, what each side is, and what stands or is fixed in it.

The drawing is the booth's own: x to the right and y down, the back at the top as one looks in from the aisle. Side n runs from
corner n to the next one.
"""

from __future__ import annotations

import math
from collections import Counter
from dataclasses import dataclass
from typing import Literal, get_args

import shapely

from coop.floor.domain.plan import Outline, Point

SideKind = Literal["open", "wall", "window", "neighbour"]
SIDE_KINDS: tuple[SideKind, ...] = get_args(SideKind)
"""Open to the aisle; a wall; a window (nothing hangs on it); the neighbour's, with no wall between."""

WAY_IN16 = 36 * 16
"""Path inside a booth unless another is asked: 2010 ADA Standards 403.5.1; some malls ask 30 in. (common practice, no source)."""


@dataclass(frozen=True)
class Side:
    kind: SideKind
    hooks: bool = False
    """A wall that takes hooks."""
    height_in16: int | None = None
    """Height of the wall; None where nobody measured it."""


@dataclass(frozen=True)
class Booth:
    """`outline` has as many corners as there are `sides`, at least one of them open."""

    outline: Outline
    sides: tuple[Side, ...]
    posts: tuple[Outline, ...] = ()
    outlets: tuple[Point, ...] = ()
    height_limit_in16: int | None = None
    way_in16: int = WAY_IN16
    aisle_in16: int = 0
    """Clear depth of the aisle before the open sides; 0 where nobody measured it."""

    @property
    def shape(self) -> shapely.Polygon:
        return shapely.Polygon(self.outline)

    @property
    def free(self) -> shapely.Geometry:
        """Its floor less its posts."""
        return self.shape.difference(shapely.union_all([shapely.Polygon(post) for post in self.posts]))

    def side_line(self, n: int) -> shapely.LineString:
        return shapely.LineString([self.outline[n], self.outline[(n + 1) % len(self.outline)]])

    def sides_of(self, *kinds: SideKind) -> tuple[int, ...]:
        return tuple(n for n, side in enumerate(self.sides) if side.kind in kinds)

    @property
    def opening(self) -> shapely.Geometry:
        """Its open sides as lines: where people and pieces come in."""
        return shapely.union_all([self.side_line(n) for n in self.sides_of("open")])


def outward(outline: Outline, n: int) -> tuple[float, float]:
    """The direction straight out of side n, one unit long; nought where its two corners are one."""
    (x, y), (x2, y2) = outline[n], outline[(n + 1) % len(outline)]
    length = max(math.dist((x, y), (x2, y2)), 1e-9)
    clockwise = 1 if _twice_area(outline) > 0 else -1
    return clockwise * (y2 - y) / length, -clockwise * (x2 - x) / length


def _twice_area(outline: Outline) -> int:
    """Above zero where the corners go round clockwise as the drawing is looked at."""
    ends = zip(outline, (*outline[1:], outline[0]), strict=True)
    return sum(x * y2 - x2 * y for (x, y), (x2, y2) in ends)


def way_named(x: float, y: float) -> str:
    """A direction as one looks in: of back, right, front and left the one it is nearest to."""
    if abs(x) > abs(y):
        return "right" if x > 0 else "left"
    return "front" if y > 0 else "back"


def side_ways(outline: Outline) -> list[tuple[str, str]]:
    """Where each side lies as one looks in (`way_named`), and its number there; "" of an only one."""
    ways = [way_named(*outward(outline, n)) for n in range(len(outline))]
    count = Counter(ways)
    return [(way, str(ways[: n + 1].count(way)) if count[way] > 1 else "") for n, way in enumerate(ways)]


def rectangle_booth(
    width_in16: int, depth_in16: int, *, open_sides: tuple[str, ...] = ("front",), way_in16: int = WAY_IN16, aisle_in16: int = 0
) -> Booth:
    """A booth measured as width by depth. Its sides by their names as one looks in: back, right, front, left."""
    outline = ((0, 0), (width_in16, 0), (width_in16, depth_in16), (0, depth_in16))
    names = ("back", "right", "front", "left")
    sides = tuple(Side("open" if name in open_sides else "wall", hooks=name not in open_sides) for name in names)
    return Booth(outline, sides, way_in16=way_in16, aisle_in16=aisle_in16)
