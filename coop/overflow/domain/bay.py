"""A bay: a rectangle of aisle floor along something that stands there, on which pieces may be lent floor."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from math import hypot

from coop.floor.domain.plan import Outline, Point

BACKINGS = ("wall", "booth", "fixture")
"""What is behind a bay: only at a wall can a piece be fastened."""
_ROUNDED_IN16 = 2
"""Corners are rounded to sixteenths: what reaches no farther than this beyond a bay, or into it, does not."""


@dataclass(frozen=True)
class Along:
    """Where along a bay something stands, as far as it stands in it."""

    from_in16: int
    to_in16: int
    is_whole: bool
    """All of it stands in the bay."""


@dataclass(frozen=True)
class Bay:
    """Its corners on the mall's plan, in sixteenths of an inch: along the back to its other end, then along the front back.

    `before` is the code of the space whose side is behind it, "" for none.
    """

    code: str
    aisle: str
    corners: tuple[Point, Point, Point, Point]
    backing: str = "wall"
    before: str = ""

    @property
    def length_in16(self) -> int:
        """Along its back, rounded down."""
        return int(_far(self.corners[0], self.corners[1]))

    @property
    def depth_in16(self) -> int:
        """From its back into the aisle, rounded down."""
        return int(_far(self.corners[1], self.corners[2]))

    def stretch(self, from_in16: int, to_in16: int, depth_in16: int) -> Outline:
        """What a piece covers that stands at the back from one place along it to another; corners to the nearest sixteenth."""
        start = self.corners[0]
        along = _unit(self.corners[0], self.corners[1])
        out = _unit(self.corners[1], self.corners[2])
        places = ((from_in16, 0), (to_in16, 0), (to_in16, depth_in16), (from_in16, depth_in16))
        return tuple(
            (round(start[0] + along[0] * a + out[0] * d), round(start[1] + along[1] * a + out[1] * d)) for a, d in places
        )

    def along(self, outline: Outline) -> Along | None:
        """Where a piece stands that was given its place in another bay, or in this one before it was cut anew.

        None for one that stands beside this one.
        """
        along, out = _unit(self.corners[0], self.corners[1]), _unit(self.corners[1], self.corners[2])
        away = [(x - self.corners[0][0], y - self.corners[0][1]) for x, y in outline]
        places, depths = ([round(x * way[0] + y * way[1]) for x, y in away] for way in (along, out))
        begin, end, near, far = min(places), max(places), min(depths), max(depths)
        long, deep, off = self.length_in16, self.depth_in16, _ROUNDED_IN16
        if end <= off or begin >= long - off or far <= off or near >= deep - off:
            return None
        is_whole = begin >= -off and end <= long + off and near >= -off and far <= deep + off
        return Along(max(begin, 0), min(end, long), is_whole)


def _far(a: Point, b: Point) -> float:
    return hypot(b[0] - a[0], b[1] - a[1])


def _unit(a: Point, b: Point) -> tuple[float, float]:
    far = _far(a, b)
    return (b[0] - a[0]) / far, (b[1] - a[1]) / far


def as_corners(points: Sequence[Sequence[int]]) -> tuple[Point, Point, Point, Point]:
    """Four corners as a JSON column holds them."""
    a, b, c, d = ((int(x), int(y)) for x, y in points)
    return a, b, c, d
