"""A side of a booth seen square on from inside: what stands near it or hangs on it, as rectangles at the plan's own scale."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from coop.resets.domain.booth import Booth, SideKind
from coop.resets.domain.fit.scene import Scene
from coop.resets.domain.piece import Arrangement

NEAR_IN16 = 36 * 16
"""What begins within a way of a side is drawn on it: beyond, people walk between (common practice, no source)."""


@dataclass(frozen=True)
class Standing:
    """One piece as it is seen: `left` is from the left end of the side, below zero where it begins before that.

    `away_in16` is how far its nearest part is from the side; below zero where it goes through it.
    """

    key: str
    name: str
    left_in16: int
    width_in16: int
    bottom_in16: int
    height_in16: int
    away_in16: int
    hangs: bool = False

    @property
    def right_in16(self) -> int:
        return self.left_in16 + self.width_in16

    @property
    def top_in16(self) -> int:
        return self.bottom_in16 + self.height_in16


@dataclass(frozen=True)
class Elevation:
    """`standing` is in the order to draw: what is nearest to the side first, what stands before it over it."""

    side: int
    name: str
    kind: SideKind
    width_in16: int
    height_in16: int | None
    """Of the wall; None where nobody measured it."""
    limit_in16: int | None
    """The booth's height limit."""
    hooks_to_in16: int | None
    """How high hooks may be: the wall's height; None where it takes none or nobody measured it."""
    standing: tuple[Standing, ...]

    @property
    def top_in16(self) -> int:
        """The height a drawing needs: the highest of wall, limit and pieces."""
        return max([self.height_in16 or 0, self.limit_in16 or 0, *(one.top_in16 for one in self.standing)])


def elevation(booth: Booth, arrangement: Arrangement, side: int, *, near_in16: int = NEAR_IN16) -> Elevation:
    """The side by its number. A stack belongs to it when its lowest piece does; a piece that is turned shows the width it covers.

    Pieces of a stack that goes in a circle have no height and are left out. Raises IndexError for a side there is not.
    """
    if not 0 <= side < len(booth.sides):
        raise IndexError(f"The booth has no side {side}.")
    scene = Scene(booth, arrangement)
    begin, end = scene.sides[side]
    inward = scene.inward[side]
    # To the right of one who looks at the side from inside, where y runs down the drawing: a quarter turn from inward.
    rightward = np.array([inward[1], -inward[0]])
    left_end = begin if (end - begin) @ rightward > 0 else end
    width = float(np.hypot(*(end - begin)))
    from_left = scene.boxes.corners - left_end
    along, away = from_left @ rightward, from_left @ inward
    shown = (away.min(axis=1, initial=np.inf) <= near_in16) & (away.max(axis=1, initial=-np.inf) > 0)
    shown &= (along.max(axis=1, initial=-np.inf) > 0) & (along.min(axis=1, initial=np.inf) < width)
    standing = []
    for n, one in enumerate(scene.placed):
        lowest = one
        while lowest.on is not None and lowest.on in scene.index:
            lowest = scene.arrangement[lowest.on]
        if not shown[scene.index[lowest.key]]:
            continue
        left, right = round(float(along[n].min())), round(float(along[n].max()))
        standing.append(
            Standing(
                one.key,
                scene.names[one.key],
                left,
                right - left,
                int(scene.bottom[n]),
                one.piece.height_in16,
                round(float(away[n].min())),
                hangs=one.piece.stands == "wall" and one.on is None,
            )
        )
    standing.sort(key=lambda seen: (seen.away_in16, seen.bottom_in16, seen.left_in16, seen.key))
    here = booth.sides[side]
    high = here.height_in16
    return Elevation(
        side=side,
        name=scene.side_name(side),
        kind=here.kind,
        width_in16=round(width),
        height_in16=high,
        limit_in16=booth.height_limit_in16,
        hooks_to_in16=high if here.hooks and here.kind == "wall" else None,
        standing=tuple(standing),
    )
