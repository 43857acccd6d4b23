"""The ground a booth is re-laid on: its floor, the aisle before its open sides, where a piece is gone, and staging floor.

What is measured ends at these outlines: everything else counts as a wall. Lengths are sixteenths of an inch.
"""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass
from functools import cached_property

import shapely

from coop.core.errors import Refusal
from coop.floor.domain.plan import Outline
from coop.resets.domain.booth import Booth, outward
from coop.resets.domain.order.boxes import Box, edge_boxes

AISLE_IN16 = 36 * 16
"""Depth of an aisle nobody measured: the least an accessible route may have, 2010 ADA Standards 403.5.1."""
BESIDE_IN16 = 108 * 16
"""Aisle to each side of an opening: room for the longest piece carried level (common practice, no source)."""


@dataclass(frozen=True)
class Handling:
    """How closely people can steer. A piece passes for certain where the gap is wider than it by twice the clearance and one
    step of the grid; where the gap is narrower than twice the clearance it does not pass. Straight out of the place where a
    piece stands (and into it) it may touch what it stands against: so rows of pieces that touch can be pulled apart.
    """

    clearance_in16: int = 8
    """Kept free on every side: half an inch, so a gap is an inch wider than the piece: a hand's (common practice, no source)."""
    step_in16: int = 32
    turn_deg: int = 15
    fine_step_in16: int = 16
    fine_turn_deg: int = 5
    """The fine grid is tried where the first finds no way. A turn is a divisor of 180."""


@dataclass(frozen=True)
class StagingArea:
    """Floor where pieces wait during a reset."""

    name: str
    outline: Outline = ()
    """Its floor: on the ground's own drawing where it lies on the floor pieces are carried over; elsewhere in any drawing of its
    own. Empty: nobody measured it, and only `capacity` limits it."""
    capacity: int | None = None
    """How many pieces at most; None: as many as its floor takes."""
    walkway: bool = False
    """It is aisle floor people walk on: nothing stays there for the night."""
    hold: bool = False
    """Where sold, held and layaway pieces wait for their buyers; nothing else is staged there."""


@dataclass(frozen=True)
class Ground:
    """`outside`: the floor before the open sides; `exits`: a piece is gone when its middle is in one of them and it is wholly out
    of the booth (empty: anywhere outside). `posts`: what stands on the outside floor and stays."""

    booth: Booth
    outside: tuple[Outline, ...] = ()
    exits: tuple[Outline, ...] = ()
    staging: tuple[StagingArea, ...] = ()
    posts: tuple[Outline, ...] = ()

    @cached_property
    def floor(self) -> shapely.Geometry:
        """All floor a piece may be carried over, grown by a sixteenth so that outlines that touch are one."""
        parts = [shapely.Polygon(self.booth.outline), *map(shapely.Polygon, self.outside)]
        whole = shapely.union_all([part.buffer(1, join_style="mitre") for part in parts])
        stands = [shapely.Polygon(post) for post in (*self.booth.posts, *self.posts)]
        return whole.difference(shapely.union_all(stands))

    @cached_property
    def gone(self) -> shapely.Geometry:
        outlines = self.exits or self.outside
        return shapely.union_all([shapely.Polygon(outline) for outline in outlines])

    @cached_property
    def walls(self) -> tuple[Box, ...]:
        """Every edge nothing passes: of the floor, of posts, and of the booth's sides that are not open."""
        boxes: list[Box] = []
        for part in shapely.get_parts(self.floor):
            for ring in (part.exterior, *part.interiors):
                boxes += edge_boxes(list(ring.coords)[:-1])
        for n in self.booth.sides_of("wall", "window", "neighbour"):
            boxes += edge_boxes(list(self.booth.side_line(n).coords), closed=False)
        return tuple(boxes)

    def on_floor(self, area: StagingArea) -> bool:
        """Whether a staging area lies on the floor pieces are carried over, so that what waits there is in the way."""
        return bool(area.outline) and shapely.Polygon(area.outline).intersection(self.floor).area > 1

    def require(self) -> None:
        if not self.booth.sides_of("open"):
            raise Refusal("The booth has no open side, so nothing can be carried in or out: say which side is open to the aisle.")
        if not self.outside:
            raise Refusal("Say what floor lies before the booth's open side: without it nothing can be carried out.")
        names = [area.name for area in self.staging]
        for name in names:
            if names.count(name) > 1:
                raise Refusal(f"Two staging areas are named {name}: give each its own name.")


def ground_before(
    booth: Booth, *, aisle_in16: int | None = None, beside_in16: int = BESIDE_IN16, staging: Iterable[StagingArea] = ()
) -> Ground:
    """The ground of a booth nobody drew the aisle of: a straight aisle before each open side, as deep as was measured.

    A piece is gone when it is past either end of the opening: it has been turned into the aisle.
    """
    depth = aisle_in16 or booth.aisle_in16 or AISLE_IN16
    shape = booth.shape
    outside: list[Outline] = []
    exits: list[Outline] = []
    for n in booth.sides_of("open"):
        (ax, ay), (bx, by) = booth.side_line(n).coords
        length = math.dist((ax, ay), (bx, by))
        ux, uy = (bx - ax) / length, (by - ay) / length
        nx, ny = outward(booth.outline, n)
        for begin, end, leaves in ((-beside_in16, 0, True), (0, length, False), (length, length + beside_in16, True)):
            corners = [(begin, 0), (end, 0), (end, depth), (begin, depth)]
            strip = shapely.Polygon([(ax + ux * s + nx * t, ay + uy * s + ny * t) for s, t in corners]).difference(shape)
            for part in shapely.get_parts(strip):
                if isinstance(part, shapely.Polygon) and part.area > 256:
                    outline = tuple((round(x), round(y)) for x, y in list(part.exterior.coords)[:-1])
                    outside.append(outline)
                    if leaves:
                        exits.append(outline)
    return Ground(booth, tuple(outside), tuple(exits), tuple(staging))
