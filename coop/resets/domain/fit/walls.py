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
_SQUARE = 0.9
"""Cosine of what a back may be turned from its wall; the inch at both ends judges it closer."""


def hanging_findings(scene: Scene) -> Iterator[Finding]:
    hooked = [n for n, side in enumerate(scene.booth.sides) if side.kind == "wall" and side.hooks]
    backs = scene.boxes.points([[-1, -1], [1, -1]])
    for n, one in enumerate(scene.placed):
        if one.piece.stands != "wall" or one.on is not None:
            continue
        behind = sides_behind(scene, backs[n], scene.boxes.ahead[n])
        if not behind or not behind <= set(hooked):
            if hooked:
                mend = f"hang it with its back to {listed([scene.side_name(h) for h in hooked], last='or')}"
            else:
                mend = "no wall of this booth takes hooks: stand it on a piece, or leave it at home"
            bare = [scene.side_name(side) for side in sorted(behind - set(hooked))]
            where = f"at {listed(bare)}, which takes no hooks" if bare else "at no wall"
            yield finding("no hooks", f"{scene.name(n)} hangs {where}; {mend}.", [one.key], scene.shapes[n])
            continue
        for side in sorted(behind):
            high = scene.booth.sides[side].height_in16
            if high is not None and scene.top[n] > high:
                over = scene.top[n] - high
                mend = f"hang it {length(over)} lower" if one.piece.height_in16 <= high else "leave it at home"
                wall = f"{scene.side_name(side)} is {length(high)} high"
                sentence = f"{scene.name(n)} reaches {length(scene.top[n])}, and {wall}; {mend}."
                measured, at = round(scene.top[n]), scene.shapes[n]
                yield finding("too high", sentence, [one.key], at, measured_in16=measured, required_in16=high)
                break


def sides_behind(scene: Scene, back: Array, ahead: Array) -> set[int]:
    """The sides a back edge, (2, 2), is at, looking into the booth: one, or two that go on in one line; none where it is at none.

    Each end is within an inch of its side, and no more than that beyond the side's own ends.
    """
    found: list[int] = []
    for end in back:
        near = []
        for n, (begin, other) in enumerate(scene.sides):
            far = float(np.hypot(*(other - begin)))
            out, at = abs((end - begin) @ scene.inward[n]), (end - begin) @ scene.along[n]
            if out <= HUNG_IN16 and ahead @ scene.inward[n] > _SQUARE:
                near.append((max(-at, at - far), n))
        if not near or min(near)[0] > HUNG_IN16:
            return set()
        found.append(min(near)[1])
    return set(found)


def leaning_findings(scene: Scene) -> Iterator[Finding]:
    """Lines straight back from a quarter and three quarters of the back must both meet walls, or one firm piece, as high as it.

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
        walls = scene.sides[_leaned_on(scene, n)]
        if all(any(_meet(start, end, wall) for wall in walls) for start, end in zip(starts, ends, strict=True)):
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


def _meet(start: Array, end: Array, side: Array) -> bool:
    """Whether a line crosses or touches a segment."""

    def turn(o: Array, to: Array, at: Array) -> float:
        return float((to[0] - o[0]) * (at[1] - o[1]) - (to[1] - o[1]) * (at[0] - o[0]))

    a, b = side
    return turn(a, b, start) * turn(a, b, end) <= 0 and turn(start, end, a) * turn(start, end, b) <= 0
