"""A booth as it was measured: its outline, what each side is, and what stands or is fixed in it.

The drawing is the booth's own: x to the right and y down, the back at the top as one looks in from the aisle. Side n runs from
corner n to the next one.
"""

from __future__ import annotations

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


def rectangle_booth(
    width_in16: int, depth_in16: int, *, open_sides: tuple[str, ...] = ("front",), way_in16: int = WAY_IN16, aisle_in16: int = 0
) -> Booth:
    """A booth measured as width by depth. Its sides by their names as one looks in: back, right, front, left."""
    outline = ((0, 0), (width_in16, 0), (width_in16, depth_in16), (0, depth_in16))
    names = ("back", "right", "front", "left")
    sides = tuple(Side("open" if name in open_sides else "wall", hooks=name not in open_sides) for name in names)
    return Booth(outline, sides, way_in16=way_in16, aisle_in16=aisle_in16)
