"""Where a piece may be put to begin with: the first free place along the back, for somebody to drag it on from there."""

from __future__ import annotations

import math

import shapely
from shapely import affinity

from coop.core.geometry import IN16_PER_FOOT, IN16_PER_INCH
from coop.resets.domain.booth import Booth, outward
from coop.resets.domain.piece import Arrangement, Piece, Placed, turned_box

STEP_IN16 = 3 * IN16_PER_INCH
HUNG_IN16 = 4 * IN16_PER_FOOT
"""Height of the lowest edge of what is hung first (common practice, no source)."""


def free_place(booth: Booth, arrangement: Arrangement, piece: Piece) -> Placed:
    """A piece at the first place free for it, row by row from the back; on a wall with hooks if it hangs. Else in the middle."""
    if piece.stands == "wall":
        return _on_wall(booth, arrangement, piece)
    taken = shapely.union_all([one.footprint for one in arrangement.placed if one.on is None and one.piece.stands != "wall"])
    free = booth.free.difference(taken.buffer(-1)) if not taken.is_empty else booth.free
    found = _first_within(free, piece)
    return Placed(piece, *(found or _middle(booth)))


def _first_within(free: shapely.Geometry, piece: Piece) -> tuple[int, int] | None:
    left, top, right, bottom = (round(side) for side in free.bounds)
    wide, deep = piece.width_in16, piece.depth_in16
    shapely.prepare(free)
    box = shapely.box(0, 0, wide, deep)
    for y in range(top, bottom - deep + 1, STEP_IN16):
        for x in range(left, right - wide + 1, STEP_IN16):
            if free.covers(affinity.translate(box, x, y)):
                return x + wide // 2, y + deep // 2
    return None


def _middle(booth: Booth) -> tuple[int, int]:
    inside = booth.shape.representative_point()
    return round(inside.x), round(inside.y)


def _on_wall(booth: Booth, arrangement: Arrangement, piece: Piece) -> Placed:
    """Its back at a wall that takes hooks, the first that has room; its front into the booth."""
    there = [one.footprint for one in arrangement.placed if _reaches(arrangement, one, HUNG_IN16, HUNG_IN16 + piece.height_in16)]
    for n in [n for n in booth.sides_of("wall") if booth.sides[n].hooks]:
        (ax, ay), (bx, by) = booth.outline[n], booth.outline[(n + 1) % len(booth.outline)]
        length = math.hypot(bx - ax, by - ay)
        along = ((bx - ax) / length, (by - ay) / length)
        inward = tuple(-step for step in outward(booth.outline, n))
        # A front at a turn of 0 looks along +y; a turn of t takes that to (-sin t, cos t).
        turn = round(math.degrees(math.atan2(-inward[0], inward[1]))) % 360
        for at in range(piece.width_in16 // 2, round(length) - piece.width_in16 // 2 + 1, STEP_IN16):
            x = round(ax + along[0] * at + inward[0] * piece.depth_in16 / 2)
            y = round(ay + along[1] * at + inward[1] * piece.depth_in16 / 2)
            box = turned_box(x, y, piece.width_in16, piece.depth_in16, turn)
            if not any(box.intersection(other).area > IN16_PER_INCH for other in there):
                return Placed(piece, x, y, turn, up_in16=HUNG_IN16)
    return Placed(piece, *_middle(booth), up_in16=HUNG_IN16)


def _reaches(arrangement: Arrangement, one: Placed, low: int, high: int) -> bool:
    """Whether a piece is somewhere between two heights; one of a stack in a circle is taken to be."""
    try:
        bottom = arrangement.bottom_in16(one.key)
    except ValueError:
        return True
    return bottom < high and bottom + one.piece.height_in16 > low
