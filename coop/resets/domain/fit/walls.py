"""What hangs and what leans: a wall with hooks behind it, below its top; something firm behind what leans.

Reaches are common practice, no source, but the lean: a foot no further out than a quarter of the height is the rule for
portable ladders (29 CFR 1926.1053(b)(5)(i), from memory).
"""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np

from coop.resets.domain.finding import Finding, finding
from coop.resets.domain.fit.boxes import Array, clipped
from coop.resets.domain.fit.scene import HAIR_IN16, Scene, length, listed

HUNG_IN16 = 16
"""The back of what hangs is at most an inch before its wall, at both ends."""
LEAN_SHARE = 4


def hanging_findings(scene: Scene) -> Iterator[Finding]:
    hooked = [n for n, side in enumerate(scene.booth.sides) if side.kind == "wall" and side.hooks]
    backs = scene.boxes.points([[-1, -1], [1, -1]])
    for n, one in enumerate(scene.placed):
        if one.piece.stands != "wall" or one.on is not None:
            continue
        side = side_behind(scene, backs[n], scene.boxes.ahead[n])
        if side is None or side not in hooked:
            if hooked:
                mend = f"hang it with its back to {listed([scene.side_name(h) for h in hooked])}"
            else:
                mend = "no wall of this booth takes hooks: stand it on a piece, or leave it at home"
            where = "at no wall" if side is None else f"at {scene.side_name(side)}, which takes no hooks"
            yield finding("no hooks", f"{scene.name(n)} hangs {where}; {mend}.", [one.key], scene.shapes[n])
            continue
        high = scene.booth.sides[side].height_in16
        if high is not None and scene.top[n] > high:
            over = scene.top[n] - high
            mend = (
                f"hang it {length(over)} lower"
                if one.piece.height_in16 <= high
                else "it is higher than the wall: leave it at home"
            )
            sentence = (
                f"{scene.name(n)} reaches {length(scene.top[n])}, and {scene.side_name(side)} is {length(high)} high; {mend}."
            )
            keys = [one.key]
            yield finding("too high", sentence, keys, scene.shapes[n], measured_in16=round(scene.top[n]), required_in16=high)


def side_behind(scene: Scene, back: Array, ahead: Array) -> int | None:
    """The side a back edge, (2, 2), is at: both its ends within an inch of it and between its ends, looking into the booth."""
    for n, ends in enumerate(scene.sides):
        along = ends[1] - ends[0]
        far = float(np.hypot(*along))
        out = (back - ends[0]) @ scene.inward[n]
        at = (back - ends[0]) @ along / far
        near = np.abs(out).max() <= HUNG_IN16 and at.min() >= -HUNG_IN16 and at.max() <= far + HUNG_IN16
        if near and ahead @ scene.inward[n] > 0:
            return n
    return None


def leaning_findings(scene: Scene) -> Iterator[Finding]:
    """Lines straight back from a quarter and three quarters of the back must both meet one wall, or one firm piece as high.

    Firm is what neither leans nor hangs, is no glass and not fragile; it reaches at least as high as what leans on it.
    """
    backs = scene.boxes.points([[-0.5, -1], [0.5, -1]])
    for n, one in enumerate(scene.placed):
        if not one.piece.leans:
            continue
        reach = one.piece.height_in16 / LEAN_SHARE
        # From a hair before the back: it may stand in contact.
        starts = backs[n] + scene.boxes.ahead[n] * (HAIR_IN16 + 1)
        ends = backs[n] - scene.boxes.ahead[n] * reach
        if any(_meets(starts, ends, scene.sides[side]) for side in _leaned_on(scene, n)):
            continue
        firm = np.array([_is_firm(scene, n, m) for m in range(len(scene.placed))], dtype=bool)
        entry, leaving = clipped(starts, ends, scene.boxes[firm])
        if (entry < leaving).all(axis=0).any():
            continue
        sentence = (
            f"{scene.name(n)} leans on nothing: no wall, and no firm piece of its height, is within {length(reach)} behind it; "
            "stand its back to a wall or to a taller piece."
        )
        yield finding("leans on nothing", sentence, [one.key], scene.shapes[n], required_in16=round(reach))


def _leaned_on(scene: Scene, n: int) -> list[int]:
    walls = scene.booth.sides_of("wall")
    return [side for side in walls if (scene.booth.sides[side].height_in16 or np.inf) >= scene.top[n]]


def _is_firm(scene: Scene, n: int, m: int) -> bool:
    piece = scene.placed[m].piece
    soft = piece.leans or piece.glass or piece.fragile or scene.placed[m].up_in16 > 0
    return m != n and not soft and scene.bottom[m] <= scene.bottom[n] and scene.top[m] >= scene.top[n]


def _meets(starts: Array, ends: Array, side: Array) -> bool:
    """Whether both lines cross or touch a segment."""

    def turn(o: Array, to: Array, at: Array) -> float:
        return float((to[0] - o[0]) * (at[1] - o[1]) - (to[1] - o[1]) * (at[0] - o[0]))

    a, b = side
    return all(
        turn(a, b, p) * turn(a, b, q) <= 0 and turn(p, q, a) * turn(p, q, b) <= 0 for p, q in zip(starts, ends, strict=True)
    )
