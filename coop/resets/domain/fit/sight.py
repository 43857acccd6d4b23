"""Pieces nobody can see: lines of sight from the aisle and the way inside the booth, in plan and in height.

A standing eye is 56 in. high: of a hundred women five have theirs lower (ANSUR II, stature less sitting height plus sitting eye
height), so what is seen here nearly everybody sees standing. A piece is seen when one of a few points round it is, near its top
or half way up. A line is barred where a piece is as high as the line is there, and by walls, windows, posts and neighbours'
sides of whatever height: the check errs towards telling that something is not seen.
"""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
import shapely

from coop.resets.domain.finding import Finding, finding
from coop.resets.domain.fit.boxes import Array, Mask, clipped, crosses
from coop.resets.domain.fit.scene import Scene, length
from coop.resets.domain.fit.ways import Ways

EYE_IN16 = 56 * 16
_EVERY = 24 * 16
_EDGE = 8
"""Pieces bar sight half an inch within their sides and tops, so that what stands flush beside does not."""
_FACES = np.array([[0, 1], [1, 0], [-1, 0], [0, -1], [0.9, 1], [-0.9, 1], [0.9, -1], [-0.9, -1]])
_TRIED = {1: (4, 2), 5: (8, 2), 40: (4, 1)}
"""From how many more of the nearest eyes, and how many of the points and heights from each."""


def sight_findings(ways: Ways) -> Iterator[Finding]:
    """One a piece that nobody sees; only told, for a piece may be kept behind another on purpose."""
    scene = ways.scene
    if not ways.open_sides or not len(scene.placed):
        return
    for n in np.flatnonzero(~seen_pieces(ways)).tolist():
        sentence = (
            f"Nobody sees {scene.name(n)} from the aisle or the way, at an eye height of {length(EYE_IN16)}; "
            "move what stands before it, or raise it."
        )
        yield finding("out of sight", sentence, [scene.placed[n].key], scene.shapes[n], stops=False)


def eye_points(ways: Ways) -> Array:
    """(k, 2): where people look from: before each open side, and on the way inside every 2 ft."""
    scene, out = ways.scene, ways.scene.booth.way_in16 / 2
    points = []
    for side in ways.open_sides:
        begin, end = scene.sides[side]
        count = max(3, int(np.hypot(*(end - begin)) / _EVERY) + 1)
        share = (np.arange(count) + 0.5)[:, None] / count
        points.append(begin + (end - begin) * share - scene.inward[side] * out)
    low, high = scene.corners.min(axis=0), scene.corners.max(axis=0)
    x, y = np.meshgrid(*(np.arange(a + _EVERY / 2, b, _EVERY) for a, b in zip(low, high, strict=True)))
    grid = np.stack([x.ravel(), y.ravel()], axis=1)
    inside = shapely.intersects_xy(ways.region(scene.booth.way_in16), grid[:, 0], grid[:, 1])
    inside &= shapely.intersects_xy(scene.shape, grid[:, 0], grid[:, 1])
    return np.concatenate([*points, grid[inside]])


def seen_pieces(ways: Ways) -> Mask:
    """Which pieces of the scene anybody sees."""
    scene = ways.scene
    eyes = eye_points(ways)
    apart = np.hypot(*(scene.boxes.middle[:, None] - eyes[None]).transpose(2, 0, 1))
    nearest = apart.argsort(axis=1)
    faces = scene.boxes.points(_FACES)
    heights = np.stack([scene.top - np.minimum(4, (scene.top - scene.bottom) / 4), (scene.top + scene.bottom) / 2], axis=1)
    seen = np.zeros(len(scene.placed), dtype=bool)
    begin = 0
    for count in _TRIED:  # from the nearest eyes first, the rest only for what they do not see
        left = np.flatnonzero(~seen)
        which = nearest[left][:, begin : begin + count]
        begin += count
        if not which.size:
            break
        # (pieces, eyes, points, heights) as one list of lines
        shape = (len(left), which.shape[1], *_TRIED[count])
        starts = np.broadcast_to(eyes[which][:, :, None, None], (*shape, 2)).reshape(-1, 2)
        ends = np.broadcast_to(faces[left][:, None, : shape[2], None], (*shape, 2)).reshape(-1, 2)
        tops = np.broadcast_to(heights[left][:, None, None, : shape[3]], shape).reshape(-1)
        seen[left] = sees(scene, starts, ends, tops).reshape(len(left), -1).any(axis=1)
    return seen


def sees(scene: Scene, starts: Array, ends: Array, heights: Array) -> Mask:
    """Whether an eye at each start, (k, 2), sees the point at each end at its height, (k,)."""
    boxes = scene.boxes.grown(-_EDGE)
    low, high = scene.bottom + _EDGE / 4, scene.top - np.minimum(_EDGE, (scene.top - scene.bottom) / 2)
    entry, leaving = clipped(starts, ends, boxes)
    rise = (heights - EYE_IN16)[:, None]
    at_entry, at_leaving = EYE_IN16 + rise * entry, EYE_IN16 + rise * leaving
    barred = (entry < leaving) & (np.minimum(at_entry, at_leaving) < high) & (np.maximum(at_entry, at_leaving) > low)
    return ~(barred.any(axis=1) | crosses(starts, ends, scene.barriers))
