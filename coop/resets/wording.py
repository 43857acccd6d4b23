"""A booth in words: what its sides are called and are, how large it is."""

from __future__ import annotations

import math
from collections.abc import Mapping

from coop.core.geometry import area_sqft100, format_length, format_sqft
from coop.core.words import joined
from coop.floor.domain.plan import Outline
from coop.resets.domain.booth import Booth, Side, side_ways

EMPTY_BOOTH = "an empty booth"
"""What a reset begins or ends with where that is no set."""
SIDE_WORDS: Mapping[str, str] = {
    "open": "open to the aisle",
    "wall": "wall",
    "window": "window",
    "neighbour": "neighbor’s, no wall between",
}


def side_names(outline: Outline) -> list[str]:
    """Each side by where it lies as one looks in: back, right, front, left; with a number where there are several."""
    return [f"{way} {number}".strip() for way, number in side_ways(outline)]


def side_length(outline: Outline, n: int) -> int:
    (x, y), (x2, y2) = outline[n], outline[(n + 1) % len(outline)]
    return round(math.dist((x, y), (x2, y2)))


def side_said(side: Side) -> str:
    """`wall with hooks, 8' 0" high`"""
    words = SIDE_WORDS[side.kind]
    if side.hooks:
        words += " with hooks"
    return words if side.height_in16 is None else f"{words}, {format_length(side.height_in16)} high"


def extent(outline: Outline) -> tuple[int, int]:
    """Width and depth of the rectangle round an outline."""
    xs, ys = zip(*outline, strict=True)
    return max(xs) - min(xs), max(ys) - min(ys)


def size_said(outline: Outline) -> str:
    """`10' 0" wide, 12' 0" deep, 120.00 sq ft`"""
    width, depth = extent(outline)
    return f"{format_length(width)} wide, {format_length(depth)} deep, {format_sqft(area_sqft100(outline))} sq ft"


def booth_said(booth: Booth) -> str:
    """A booth in two or three sentences: what a picture of it says to who cannot see it."""
    names = side_names(booth.outline)
    sides = joined([f"{name} {side_said(side)}" for name, side in zip(names, booth.sides, strict=True)])
    beside = [f"{count} {what if count == 1 else what + 's'}" for count, what in _counts(booth) if count]
    if booth.aisle_in16:
        beside.append(f"an aisle {format_length(booth.aisle_in16)} deep before it")
    return f"{size_said(booth.outline)}. Sides: {sides}." + (f" With {joined(beside)}." if beside else "")


def _counts(booth: Booth) -> tuple[tuple[int, str], ...]:
    return ((len(booth.posts), "post"), (len(booth.outlets), "outlet"))
