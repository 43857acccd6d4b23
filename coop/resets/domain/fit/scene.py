"""An arrangement read once for every check: footprints and heights as arrays, and what its pieces and sides are called."""

from __future__ import annotations

import math
from collections import Counter
from functools import cached_property
from typing import Any

import numpy as np
import shapely

from coop.core.geometry import format_length
from coop.core.words import joined
from coop.resets.domain.booth import Booth, Side, SideKind, outward, side_ways, way_named
from coop.resets.domain.fit.boxes import Array, Boxes, Mask, boxes_of
from coop.resets.domain.piece import Arrangement, Placed

HAIR_IN16 = 1
"""Overlaps up to a sixteenth are none: a piece of an odd size that is turned has its edges between two of them."""
FLAT_IN16 = 8
"""What is no higher is stepped and stood on like the floor (a rug): 2010 ADA Standards 303.3 let a floor step by 1/2 in."""
CLOSED: tuple[SideKind, ...] = ("wall", "window", "neighbour")


class Scene:
    """`placed` are the pieces whose heights are known; those of a stack that goes in a circle, and what is on it, are not in it.

    Arrays have one row a piece, in the order of `placed`, in sixteenths of an inch.
    """

    def __init__(self, booth: Booth, arrangement: Arrangement) -> None:
        self.booth = booth
        self.arrangement = arrangement
        self.circles = _circles(arrangement)
        bottoms = _bottoms(arrangement, {key for circle in self.circles for key in circle})
        self.placed: tuple[Placed, ...] = tuple(one for one in arrangement.placed if one.key in bottoms)
        self.index = {one.key: n for n, one in enumerate(self.placed)}
        self.boxes: Boxes = boxes_of(self.placed)
        self.shapes: Any = self.boxes.shapes
        self.bottom: Array = np.array([bottoms[one.key] for one in self.placed], dtype=float)
        self.top: Array = self.bottom + np.array([one.piece.height_in16 for one in self.placed], dtype=float)
        self.standing: Mask = self.top > FLAT_IN16

    @cached_property
    def carried_by(self) -> dict[str, list[Placed]]:
        """What stands on each piece directly, by the key of what carries it."""
        found: dict[str, list[Placed]] = {}
        for one in self.placed:
            if one.on is not None and one.on in self.index:
                found.setdefault(one.on, []).append(one)
        return found

    # --- the booth ------------------------------------------------------------------------------------------------------

    @cached_property
    def shape(self) -> Any:
        return self.booth.shape

    @cached_property
    def corners(self) -> Array:
        return np.array(self.booth.outline, dtype=float)

    @cached_property
    def sides(self) -> Array:
        """(n, 2, 2): the ends of each side."""
        return np.stack([self.corners, np.roll(self.corners, -1, axis=0)], axis=1)

    @cached_property
    def along(self) -> Array:
        """(n, 2): the unit vector of each side; nought where two corners are one."""
        along = self.sides[:, 1] - self.sides[:, 0]
        return along / np.maximum(np.hypot(along[:, 0], along[:, 1]), 1)[:, None]

    @cached_property
    def inward(self) -> Array:
        """(n, 2): the unit vector of each side that points into the booth."""
        return -np.array([outward(self.booth.outline, n) for n in range(len(self.corners))])

    @cached_property
    def closed(self) -> Array:
        """(m, 2, 2): the sides nobody passes, reaches or sees through, a hair longer, so that nothing slips through a corner."""
        which = list(self.booth.sides_of(*CLOSED))
        lines, hair = self.sides[which], self.along[which] / 2
        return np.stack([lines[:, 0] - hair, lines[:, 1] + hair], axis=1)

    @cached_property
    def posts(self) -> list[Any]:
        return [shapely.Polygon(post) for post in self.booth.posts]

    @cached_property
    def post_lines(self) -> Array:
        """(m, 2, 2): the edges of all posts."""
        rings = [np.array(post, dtype=float) for post in self.booth.posts]
        lines = [np.stack([ring, np.roll(ring, -1, axis=0)], axis=1) for ring in rings]
        return np.concatenate(lines) if lines else np.zeros((0, 2, 2))

    @cached_property
    def barriers(self) -> Array:
        """Closed sides and posts as segments."""
        return np.concatenate([self.closed, self.post_lines])

    # --- words ----------------------------------------------------------------------------------------------------------

    @cached_property
    def names(self) -> dict[str, str]:
        """What a sentence calls each piece; of two of one name, by grouping or, where that does not tell, by where they are."""
        placed = self.arrangement.placed
        names = {one.key: one.piece.name for one in placed}
        for tell in (_grouping, self._where, self._number):
            count = Counter(names.values())
            names = {
                one.key: f"{one.piece.name} ({tell(one)})" if count[names[one.key]] > 1 and tell(one) else names[one.key]
                for one in placed
            }
        return names

    def name(self, n: int) -> str:
        return self.names[self.placed[n].key]

    def _where(self, one: Placed) -> str:
        left, back = (round(value) for value in self.corners.min(axis=0).tolist())
        return f"{format_length(one.x_in16 - left)} from the left, {format_length(one.y_in16 - back)} from the back"

    def _number(self, one: Placed) -> str:
        """Where two of one name are at one place."""
        same = [other.key for other in self.arrangement.placed if other.piece.name == one.piece.name]
        return f"{same.index(one.key) + 1} of {len(same)}"

    @cached_property
    def side_names(self) -> tuple[str, ...]:
        return side_names(self.booth)

    def side_name(self, n: int) -> str:
        return self.side_names[n]


def side_names(booth: Booth) -> tuple[str, ...]:
    """What each side is called, as one looks in: `the back wall`, `the open front`; `the left window 2` of two."""
    ways = zip(booth.sides, side_ways(booth.outline), strict=True)
    return tuple(f"the {_side_words(side, way)} {number}".rstrip() for side, (way, number) in ways)


def _side_words(side: Side, way: str) -> str:
    if side.kind == "open":
        return f"open {way}"
    return f"neighbor’s side on the {way}" if side.kind == "neighbour" else f"{way} {side.kind}"


def towards(x: float, y: float) -> str:
    """A direction as people say where to move a thing; empty where it is none of the four."""
    if min(abs(x), abs(y)) > math.tan(math.radians(10)) * max(abs(x), abs(y)):
        return ""
    return {"right": " to the right", "left": " to the left", "front": " to the front", "back": " to the back"}[way_named(x, y)]


def amount(value: float) -> int:
    """How far something goes too far, in whole sixteenths, up: moved by so much it is in its place."""
    return math.ceil(value - 1 / 1000)


def length(value: float) -> str:
    """As people read it, to the nearest sixteenth, never less than one."""
    return format_length(max(1, round(value)))


def listed(names: list[str], most: int = 4, last: str = "and") -> str:
    """`A, B and C`; of many, the first and how many more. `or` for another last word."""
    if len(names) > most:
        names = [*names[: most - 1], f"{len(names) - most + 1} more"]
    return joined(names, last)


def _grouping(one: Placed) -> str:
    return one.piece.grouping


def _circles(arrangement: Arrangement) -> list[tuple[str, ...]]:
    """The keys of every stack that goes in a circle, once each."""
    found, done = [], set()
    for one in arrangement.placed:
        path: list[str] = []
        at: Placed | None = one
        while at is not None and at.key not in done:
            done.add(at.key)
            path.append(at.key)
            at = arrangement.get(at.on) if at.on is not None else None
        if at is not None and at.key in path:
            found.append(tuple(path[path.index(at.key) :]))
    return found


def _bottoms(arrangement: Arrangement, circling: set[str]) -> dict[str, int]:
    """The height of each piece's lowest edge, without those in a circle and what stands on them."""
    known: dict[str, int] = {}
    for one in arrangement.placed:
        path: list[Placed] = []
        at: Placed | None = one
        while at is not None and at.key not in known and at.key not in circling:
            path.append(at)
            at = arrangement.get(at.on) if at.on is not None else None
        if at is not None and at.key in circling:
            continue
        for here in reversed(path):
            below = arrangement.get(here.on) if here.on is not None else None
            if below is not None:
                known[here.key] = known[below.key] + below.piece.height_in16
            else:
                known[here.key] = here.up_in16 if here.on is None else 0
    return known
