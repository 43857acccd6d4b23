"""What leaves the booth: through a side or a post, or into the aisle; and what is too high or too large."""

from __future__ import annotations

import math
from collections.abc import Iterator
from typing import Any

import numpy as np
import shapely

from coop.floor.domain.walkable import polygons, rectangle_sides
from coop.resets.domain.booth import Booth
from coop.resets.domain.finding import Finding, finding
from coop.resets.domain.fit.scene import HAIR_IN16, Scene, amount, length, listed, towards
from coop.resets.domain.way import fits_turned


def bound_findings(scene: Scene) -> Iterator[Finding]:
    """Out of the booth and in the aisle, each side by itself; on a post; an opening no turn of a piece comes in by."""
    grown = scene.shape.buffer(HAIR_IN16, join_style="mitre")
    shapely.prepare(grown)
    for n in np.flatnonzero(~shapely.covers(grown, scene.shapes)).tolist():
        yield from _outside(scene, n)
    for post in scene.posts:
        for n in np.flatnonzero(shapely.intersects(post, scene.shapes)).tolist():
            held = shapely.intersection(post, scene.shapes[n])
            deep = amount(min(rectangle_sides(held)))
            if deep > HAIR_IN16:
                sentence = f"{scene.name(n)} stands in a post by {length(deep)}; move it {length(deep)} away from the post."
                yield finding("outside", sentence, [scene.placed[n].key], held, measured_in16=deep, required_in16=0)
    yield from _opening_findings(scene)


def _outside(scene: Scene, n: int) -> Iterator[Finding]:
    placed, shape = scene.placed[n], scene.shapes[n]
    excess = shapely.difference(shape, scene.shape)
    by_side = _sides_crossed(scene, excess)
    if not by_side:  # it touches no side: it is beside the booth altogether
        line = shapely.linestrings(scene.sides)
        nearest = int(shapely.distance(line, shape).argmin())
        depth = float(-((scene.boxes.corners[n] - scene.sides[nearest, 0]) @ scene.inward[nearest]).min())
        by_side = {nearest: depth}
    size = f"{length(placed.piece.width_in16)} by {length(placed.piece.depth_in16)}"
    small = fits_nowhere(scene.booth, placed.piece.width_in16, placed.piece.depth_in16)
    for side, depth in sorted((side, amount(depth)) for side, depth in by_side.items()):
        kind = scene.booth.sides[side].kind
        inward = towards(*scene.inward[side].tolist()) or " into the booth"
        reaches = "stands in the aisle, beyond" if kind == "open" else "goes through"
        sentence = f"{scene.name(n)} {reaches} {scene.side_name(side)} by {length(depth)}; move it {length(depth)}{inward}."
        if small:
            sentence = f"{scene.name(n)} ({size}) is larger than the booth in any turn, so it {reaches} {scene.side_name(side)}; "
            sentence += "leave it at home, or bring it in parts."
        yield finding(
            "in aisle" if kind == "open" else "outside",
            sentence,
            [placed.key],
            excess,
            measured_in16=depth,
            required_in16=0,
        )


def _sides_crossed(scene: Scene, excess: Any) -> dict[int, float]:
    """How far what is outside goes beyond each side it shares an edge with."""
    lines = shapely.linestrings(scene.sides)
    found: dict[int, float] = {}
    for part in polygons(excess):
        # Grown by a hair: where a side is aslant, the cut lies beside it by what arithmetic leaves.
        shared = shapely.length(shapely.intersection(lines, part.buffer(1 / 8)))
        for side in np.flatnonzero(shared > HAIR_IN16).tolist():
            points = shapely.get_coordinates(part) - scene.sides[side, 0]
            depth = float(-(points @ scene.inward[side]).min())
            if depth > HAIR_IN16:
                found[side] = max(depth, found.get(side, 0))
    return found


def fits_nowhere(booth: Booth, width_in16: int, depth_in16: int) -> bool:
    """Whether a piece surely fits the booth in no turn: exact for a rectangle; for others by the least rectangle round it."""
    a, b = (math.ceil(side - 1 / 100) + HAIR_IN16 for side in rectangle_sides(booth.shape))
    return not fits_turned(width_in16, depth_in16, a, b)


def widest_opening_in16(booth: Booth) -> int:
    """The widest of its openings; open sides that meet are one, as wide as its ends or its widest side are apart."""
    n = len(booth.sides)
    is_open = [side.kind == "open" for side in booth.sides]
    widest = 0.0
    for begin in range(n):
        if is_open[begin] and (not is_open[begin - 1] or all(is_open)):
            chain = [booth.outline[begin]]
            for step in range(n):
                if not is_open[(begin + step) % n]:
                    break
                chain.append(booth.outline[(begin + step + 1) % n])
            points = np.array(chain, dtype=float)
            widest = max(widest, float(np.hypot(*(points[:, None] - points[None]).transpose(2, 0, 1)).max()))
    return math.floor(widest + 1 / 100)


def _opening_findings(scene: Scene) -> Iterator[Finding]:
    opening = widest_opening_in16(scene.booth)
    for one in scene.placed:
        piece = one.piece
        least = min(piece.width_in16, piece.depth_in16, *(min(c.width_in16, c.depth_in16) for c in piece.carried))
        if least > opening + HAIR_IN16:
            sentence = (
                f"{scene.names[one.key]} does not come in: it is {length(least)} at its narrowest, the opening "
                f"{length(opening)}; leave it at home, or say how it goes tilted, on its end or in parts."
            )
            at = scene.booth.opening
            yield finding("way narrow", sentence, [one.key], at, measured_in16=opening, required_in16=least)


def height_findings(scene: Scene) -> Iterator[Finding]:
    """Over the booth's limit, a stack too; and a wall piece above its wall (`walls` says which wall that is)."""
    limit = scene.booth.height_limit_in16
    if limit is None:
        return
    for n in np.flatnonzero(scene.top > limit).tolist():
        over, placed = scene.top[n] - limit, scene.placed[n]
        below, under = [], placed.on
        while under is not None and under in scene.arrangement:
            below.append(scene.names[under])
            under = scene.arrangement[under].on
        on = f" on {listed(below)}" if below else ""
        if placed.piece.height_in16 > limit:
            mend = "leave it at home, or take a part off"
        elif below:
            mend = "stand it on something lower"
        else:
            mend = f"hang it {length(over)} lower"
        over_limit = f"{length(over)} over the height limit of {length(limit)}"
        sentence = f"{scene.name(n)}{on} reaches {length(scene.top[n])}, {over_limit}; {mend}."
        at = scene.shapes[n]
        yield finding("too high", sentence, [placed.key], at, measured_in16=round(scene.top[n]), required_in16=limit)
