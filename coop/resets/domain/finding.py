"""One thing wrong with a set: what it is, which pieces it is about, where it is, and what mends it."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from typing import Literal, get_args

import shapely

from coop.floor.domain.finding import drawn
from coop.floor.domain.plan import Point

Kind = Literal[
    "overlap",
    "outside",
    "in aisle",
    "too high",
    "cannot open",
    "too heavy below",
    "overhangs",
    "stack circle",
    "nothing below",
    "not weighed",
    "no hooks",
    "leans on nothing",
    "leans badly",
    "may tip",
    "glass",
    "way narrow",
    "out of reach",
    "out of sight",
]
KINDS: tuple[Kind, ...] = get_args(Kind)


@dataclass(frozen=True)
class Finding:
    """`sentence` names the pieces and the mend. `at` is what to draw: a point, the points of a line, or an outline (`closed`)."""

    kind: Kind
    sentence: str
    pieces: tuple[str, ...] = ()
    """Keys of the pieces it is about."""
    at: tuple[Point, ...] = ()
    closed: bool = False
    measured_in16: int | None = None
    required_in16: int | None = None
    stops: bool = True
    """A set with it cannot stand; otherwise it is told to be thought of (not weighed, out of sight)."""
    source: str = ""
    """Where its threshold is from, where it is a published one or common practice."""


def finding(
    kind: Kind,
    sentence: str,
    pieces: Iterable[str],
    at: shapely.Geometry | None = None,
    *,
    measured_in16: int | None = None,
    required_in16: int | None = None,
    stops: bool = True,
    source: str = "",
) -> Finding:
    points, closed = drawn(at) if at is not None and not at.is_empty else ((), False)
    return Finding(kind, sentence, tuple(pieces), points, closed, measured_in16, required_in16, stops, source)
