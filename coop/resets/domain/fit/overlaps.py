"""Pieces that are in one place at one height, and doors or drawers that have no room to open."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
import shapely

from coop.resets.domain.finding import Finding, finding
from coop.resets.domain.fit.boxes import depths, strips_before
from coop.resets.domain.fit.scene import CLOSED, HAIR_IN16, Scene, amount, length, listed, towards


def overlap_findings(scene: Scene) -> Iterator[Finding]:
    """Footprints that overlap by more than a hair at heights that do. What stands on a piece begins where that ends."""
    deep, ways_out = depths(scene.boxes, scene.boxes)
    bottom, top = scene.bottom, scene.top
    meet = (deep > HAIR_IN16) & (bottom[:, None] < top[None, :]) & (bottom[None, :] < top[:, None])
    meet &= scene.standing[:, None] & scene.standing[None, :]
    first, second = np.nonzero(np.triu(meet, 1))
    shared = shapely.intersection(scene.shapes[first], scene.shapes[second])
    areas = scene.boxes.half.prod(axis=1)
    for i, j, at in zip(first.tolist(), second.tolist(), shared, strict=True):
        # The one to move is the one that is free; of two, the smaller.
        moved, other = (i, j) if (scene.placed[i].locked, areas[i]) < (scene.placed[j].locked, areas[j]) else (j, i)
        out = ways_out[moved, other]
        measured = amount(deep[i, j])
        sentence = (
            f"{scene.name(moved)} and {scene.name(other)} overlap by {length(measured)}; "
            f"move {scene.name(moved)} {length(measured)}{towards(*out.tolist()) or ' away'}."
        )
        keys = (scene.placed[moved].key, scene.placed[other].key)
        yield finding("overlap", sentence, keys, at, measured_in16=measured, required_in16=0)


def opening_findings(scene: Scene) -> Iterator[Finding]:
    """Doors and drawers: a strip before the front, as wide as it and as deep as said, holds nothing at the piece's height.

    It may reach over an open side: a door that is opened into the aisle is shut again, where a piece would stand.
    """
    opens = np.array([n for n, one in enumerate(scene.placed) if one.piece.opens_in16 > 0], dtype=int)
    if not len(opens):
        return
    asked = np.array([scene.placed[n].piece.opens_in16 for n in opens], dtype=float)
    strips = strips_before(scene.boxes[opens], asked)
    shapes, inner = strips.shapes, strips.grown(-HAIR_IN16).shapes
    deep, _ = depths(strips, scene.boxes)
    meet = (deep > HAIR_IN16) & (scene.bottom[opens][:, None] < scene.top) & (scene.bottom < scene.top[opens][:, None])
    meet &= scene.standing
    sides = scene.booth.sides_of(*CLOSED)
    fixed = [*shapely.linestrings(scene.sides[list(sides)]), *scene.posts]
    names = [scene.side_name(n) for n in sides] + ["the post"] * len(scene.posts)
    blocked = (
        shapely.intersects(inner[:, None], np.array(fixed, dtype=object)[None, :]) if fixed else np.zeros((len(opens), 0), bool)
    )
    for row, n in enumerate(opens.tolist()):
        things = [(scene.name(j), scene.shapes[j], scene.placed[j].key) for j in np.flatnonzero(meet[row]).tolist()]
        things += [(names[j], fixed[j], "") for j in np.flatnonzero(blocked[row]).tolist()]
        if not things:
            continue
        front = scene.boxes.middle[n] @ scene.boxes.ahead[n] + scene.boxes.half[n, 1]
        free = asked[row]
        for _, shape, _ in things:
            held = shapely.get_coordinates(shapely.intersection(shape, shapes[row]))
            free = min(free, (held @ scene.boxes.ahead[n]).min(initial=np.inf) - front)
        measured = max(0, int(free))
        sentence = (
            f"{scene.name(n)} cannot open: its doors or drawers need {length(asked[row])} before its front and have "
            f"{length(measured) if measured else 'nothing'} before {listed([name for name, _, _ in things])}; "
            f"leave {length(asked[row] - measured)} more, or turn it."
        )
        keys = [scene.placed[n].key, *(key for _, _, key in things if key)]
        yield finding("cannot open", sentence, keys, shapes[row], measured_in16=measured, required_in16=round(asked[row]))
