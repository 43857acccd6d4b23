"""Short ways to lay pieces in a booth, in inches."""

from __future__ import annotations

from dataclasses import replace

from coop.resets.domain.booth import Booth, rectangle_booth
from coop.resets.domain.finding import Finding, Kind
from coop.resets.domain.fit import judge
from coop.resets.domain.piece import Arrangement, Piece, Placed

IN = 16
FOOT = 12 * IN


def booth(width: float = 120, depth: float = 144, **more) -> Booth:
    """10 by 12 ft, walls with hooks on three sides, open at the front, unless said otherwise."""
    return replace(rectangle_booth(round(width * IN), round(depth * IN)), **more)


def put(
    key: str,
    at: tuple[float, float],
    size: tuple[float, float, float] = (20, 10, 30),
    turn: int = 0,
    *,
    on: str | None = None,
    up: float = 0,
    locked: bool = False,
    **more,
) -> Placed:
    """A piece with its middle at x, y."""
    width, depth, height = (round(side * IN) for side in size)
    piece = Piece(key, more.pop("name", key.capitalize()), width, depth, height, **more)
    return Placed(piece, round(at[0] * IN), round(at[1] * IN), turn, on, round(up * IN), locked)


def found(where: Booth, *placed: Placed) -> list[Finding]:
    return judge(where, Arrangement(placed))


def kinds(where: Booth, *placed: Placed) -> set[Kind]:
    return {one.kind for one in found(where, *placed)}


def the(kind: Kind, where: Booth, *placed: Placed) -> Finding:
    """The one finding of a kind."""
    (one,) = (one for one in found(where, *placed) if one.kind == kind)
    return one
