"""The way between the booth and the van: what passes its aisles, doors, corners, steps and elevator, and how it is carried there.

A piece is a box. A leg is judged with the piece moved straight through it, which is less than people can do and never more.
Lengths are sixteenths of an inch, weights ounces. `CAUTION` stands beside what is said here.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator
from dataclasses import dataclass, replace
from typing import Literal

from coop.core.geometry import IN16_PER_INCH, format_length
from coop.core.words import joined
from coop.floor.domain.corner import passes_corner
from coop.resets.domain.caution import CAUTION
from coop.resets.domain.piece import Carried, CarriedSize, Piece
from coop.resets.domain.weight import format_weight

SPARE_IN16 = 1 * IN16_PER_INCH
"""Free beside a piece, in all, across and above: common practice, no source."""
RISE_IN16, RUN_IN16 = 7 * IN16_PER_INCH, 11 * IN16_PER_INCH
"""A step unless it was measured: the steepest of public stairs (International Building Code 1011.5.2, from memory)."""
HINGES_IN16 = 2 * IN16_PER_INCH
"""What taking a door off its hinges gains at most: common practice, no source."""

How = Literal["upright"] | Carried
HOWS: tuple[How, ...] = ("upright", "tilted", "on end", "parts off")
"""The first of them that passes is told."""


@dataclass(frozen=True)
class Aisle:
    name: str
    width_in16: int
    height_in16: int | None = None


@dataclass(frozen=True)
class Door:
    name: str
    width_in16: int
    height_in16: int


@dataclass(frozen=True)
class Corner:
    """Two halls that meet at a right angle."""

    name: str
    hall_a_in16: int
    hall_b_in16: int
    height_in16: int | None = None


@dataclass(frozen=True)
class Steps:
    """`headroom_in16` is measured straight up from the edge of a step; None where nobody did."""

    name: str
    count: int
    width_in16: int
    headroom_in16: int | None = None
    rise_in16: int = RISE_IN16
    run_in16: int = RUN_IN16


@dataclass(frozen=True)
class Elevator:
    """`depth_in16` of its cage from the door to the back."""

    name: str
    door_width_in16: int
    door_height_in16: int
    width_in16: int
    depth_in16: int
    height_in16: int
    limit_oz: int | None = None


Leg = Aisle | Door | Corner | Steps | Elevator


@dataclass(frozen=True)
class Way:
    """Its legs from the booth to the van."""

    legs: tuple[Leg, ...] = ()
    spare_in16: int = SPARE_IN16


@dataclass(frozen=True)
class Passage:
    """A piece passes. `how` it is carried all the way, or in the most of its legs where it has to change."""

    key: str
    how: How
    sentence: str
    legs: tuple[tuple[Leg, How], ...]
    notes: tuple[str, ...] = ()
    cautions: tuple[str, ...] = (CAUTION,)


@dataclass(frozen=True)
class Stopped:
    """A piece does not pass. `leg` is the first it is stopped at."""

    key: str
    leg: Leg
    sentence: str
    cautions: tuple[str, ...] = (CAUTION,)


def fits_turned(p: int, q: int, a: int, b: int) -> bool:
    """Whether a p x q rectangle fits in an a x b one, turned as it may be.

    Source: Carver (1957), as in Wetzel, Rectangles in Rectangles, Mathematics Magazine 73 (2000). Exact in whole numbers.
    """
    (q, p), (b, a) = sorted((p, q)), sorted((a, b))
    if p <= a:
        return q <= b
    if q > b:
        return False
    square = p * p + q * q
    left = b * square - 2 * p * q * a
    return left >= 0 and left * left >= (p * p - q * q) ** 2 * (square - a * a)


def carried_sizes(piece: Piece) -> tuple[tuple[How, tuple[int, int, int]], ...]:
    """Every way in which a piece may be carried, with its width, depth and height then; upright first."""
    sizes: list[tuple[How, tuple[int, int, int]]] = [("upright", (piece.width_in16, piece.depth_in16, piece.height_in16))]
    sizes += [(one.how, (one.width_in16, one.depth_in16, one.height_in16)) for one in piece.carried]
    return tuple(sorted(sizes, key=lambda one: HOWS.index(one[0])))


def passes(piece: Piece, way: Way) -> Passage | Stopped:
    """How a piece gets along the way, carried one way throughout if there is such a way; or the first leg that stops it."""
    ways = [(leg, tuple(hows_through(piece, leg, way.spare_in16))) for leg in way.legs]
    for leg, hows in ways:
        if not hows:
            return Stopped(piece.key, leg, _stopped_sentence(piece, leg, way.spare_in16))
    notes = tuple(note for leg, _ in ways for note in _notes(piece, leg))
    throughout = [
        how for how in HOWS if all(how in hows for _, hows in ways) and any(how == own for own, _ in carried_sizes(piece))
    ]
    if throughout:
        how = throughout[0]
        return Passage(piece.key, how, f"{piece.name} goes {_SAID[how]}.", tuple((leg, how) for leg, _ in ways), notes)
    legs = tuple((leg, hows[0]) for leg, hows in ways)
    how = max(HOWS, key=lambda one: sum(one == own for _, own in legs))
    changes = joined([f"{_SAID[own]} through {leg.name}" for leg, own in legs])
    return Passage(piece.key, how, f"{piece.name} goes {changes}.", legs, notes)


def stopped(pieces: Iterable[Piece], way: Way) -> tuple[Stopped, ...]:
    """Of many pieces, those that do not pass."""
    return tuple(end for end in (passes(piece, way) for piece in pieces) if isinstance(end, Stopped))


OTHER_WAYS: tuple[tuple[Carried, str], ...] = (("tilted", "laid back"), ("on end", "on its end"))
"""In which a piece may be carried whole, where its dealer says that it may."""
_SAID: dict[How, str] = {"upright": "upright", "tilted": "tilted", "on end": "on its end", "parts off": "with parts taken off"}


def hows_through(piece: Piece, leg: Leg, spare_in16: int = SPARE_IN16) -> Iterator[How]:
    """The ways in which a piece may be carried through one leg, the first of `HOWS` first; none where it does not pass."""
    if isinstance(leg, Elevator) and leg.limit_oz is not None and (piece.weight_oz or 0) > leg.limit_oz:
        return
    sizes = carried_sizes(piece)
    leaned = any(how == "tilted" for how, _ in sizes) and _passes_leaned(piece, leg, spare_in16)
    for how in HOWS:
        if any(how == own and _passes(size, leg, spare_in16) for own, size in sizes) or (how == "tilted" and leaned):
            yield how


def _passes(size: tuple[int, int, int], leg: Leg, spare_in16: int) -> bool:
    """Whether a box, standing as it is carried, passes with either side first."""
    width, depth, height = size[0] + spare_in16, size[1] + spare_in16, size[2] + spare_in16
    across, along = sorted((width, depth))
    match leg:
        case Aisle():
            return across <= leg.width_in16 and _below(height, leg.height_in16)
        case Door():
            return across <= leg.width_in16 and height <= leg.height_in16
        case Corner():
            return passes_corner(leg.hall_a_in16, leg.hall_b_in16, width, depth) and _below(height, leg.height_in16)
        case Steps():
            return any(w <= leg.width_in16 and _under_headroom(h, height, leg) for w, h in ((across, along), (along, across)))
        case Elevator():
            return height <= min(leg.door_height_in16, leg.height_in16) and any(
                w <= min(leg.door_width_in16, leg.width_in16) and d <= leg.depth_in16
                for w, d in ((across, along), (along, across))
            )


def _below(height_in16: int, limit_in16: int | None) -> bool:
    return limit_in16 is None or height_in16 <= limit_in16


def _under_headroom(along_in16: int, height_in16: int, steps: Steps) -> bool:
    """Carried level, the floor rises under its front; carried along the slope, the free height is that at right angles to it."""
    if steps.headroom_in16 is None:
        return True
    level = height_in16 * steps.run_in16 + along_in16 * steps.rise_in16 <= steps.headroom_in16 * steps.run_in16
    return level or height_in16 * math.hypot(steps.rise_in16, steps.run_in16) <= steps.headroom_in16 * steps.run_in16


def _passes_leaned(piece: Piece, leg: Leg, spare_in16: int) -> bool:
    """Whether a piece that may be tilted passes leaned over, sideways in an opening or back in a cage."""
    width, depth, height = (one + spare_in16 for one in (piece.width_in16, piece.depth_in16, piece.height_in16))
    sides = ((width, depth), (depth, width))
    match leg:
        case Door():
            return any(fits_turned(across, height, leg.width_in16, leg.height_in16) for across, _ in sides)
        case Elevator():
            free_height = min(leg.door_height_in16, leg.height_in16)
            return any(
                across <= min(leg.door_width_in16, leg.width_in16) and fits_turned(along, height, leg.depth_in16, free_height)
                for across, along in sides
            )
        case Aisle() | Corner() | Steps():
            return False


def _notes(piece: Piece, leg: Leg) -> Iterator[str]:
    if isinstance(leg, Steps):
        yield f"On {leg.name} ({_steps(leg.count)}) whoever is below bears most of it: the heavier end is always the lower one."
        if leg.headroom_in16 is None:
            yield f"Measure the headroom of {leg.name}: it was not judged."
    if isinstance(leg, Aisle | Corner) and leg.height_in16 is None and piece.height_in16 > _TALL_IN16:
        yield f"Measure the height of {leg.name}: it was not judged."
    if isinstance(leg, Elevator) and leg.limit_oz is not None:
        if piece.weight_oz is None:
            yield f"Weigh {piece.name}: {leg.name} takes {format_weight(leg.limit_oz)}, with those who ride along."
        else:
            yield f"{leg.name} takes {format_weight(leg.limit_oz)}, with those who ride along."


_TALL_IN16 = 80 * IN16_PER_INCH
"""As high as a common door: what is lower passes below a ceiling nobody measured."""


def _steps(count: int) -> str:
    return "1 step" if count == 1 else f"{count} steps"


def _stopped_sentence(piece: Piece, leg: Leg, spare_in16: int) -> str:
    if isinstance(leg, Elevator) and leg.limit_oz is not None and (piece.weight_oz or 0) > leg.limit_oz:
        return (
            f"{piece.name} is {format_weight(piece.weight_oz or 0)} and {leg.name} takes {format_weight(leg.limit_oz)}. "
            "Take out its drawers, shelves or doors and weigh it again, or go another way."
        )
    begin = f"{piece.name} ({_size(piece)}) does not pass {leg.name} ({_opening(leg)}) in any way it may be carried"
    for how, said in OTHER_WAYS:
        if not any(one.how == how for one in piece.carried) and list(hows_through(if_carried(piece, how), leg, spare_in16)):
            return f"{begin}. It would pass {said}: say that it may be carried so, if it may, or go another way."
    lack = _lack_in16(piece, leg, spare_in16)
    off = f"; {format_length(lack)} is missing across" if lack else ""
    hinges = ", take the door off its hinges" if isinstance(leg, Door | Elevator) and 0 < lack <= HINGES_IN16 else ""
    return f"{begin}{off}. Take its legs, mirror or doors off and give the size it has then{hinges}, or go another way."


def if_carried(piece: Piece, how: Carried) -> Piece:
    """The same piece, as if it might be laid on its back or stood on its end too."""
    width, depth, height = piece.width_in16, piece.depth_in16, piece.height_in16
    size = CarriedSize(how, width, height, depth) if how == "tilted" else CarriedSize(how, height, depth, width)
    return replace(piece, carried=(*piece.carried, size))


def _lack_in16(piece: Piece, leg: Leg, spare_in16: int) -> int:
    """How much too wide a piece is at its narrowest; 0 where width is not what stops it."""
    narrowest = min(min(width, depth) for _, (width, depth, _) in carried_sizes(piece)) + spare_in16
    match leg:
        case Aisle() | Door() | Steps():
            free = leg.width_in16
        case Corner():
            free = min(leg.hall_a_in16, leg.hall_b_in16)
        case Elevator():
            free = min(leg.door_width_in16, leg.width_in16)
    return max(0, narrowest - free)


def _size(piece: Piece) -> str:
    return (
        f"{format_length(piece.width_in16)} wide, {format_length(piece.depth_in16)} deep, {format_length(piece.height_in16)} high"
    )


def _opening(leg: Leg) -> str:
    match leg:
        case Aisle():
            return f"{format_length(leg.width_in16)} wide" + _high(leg.height_in16)
        case Door():
            return f"{format_length(leg.width_in16)} wide" + _high(leg.height_in16)
        case Corner():
            return f"halls {format_length(leg.hall_a_in16)} and {format_length(leg.hall_b_in16)} wide" + _high(leg.height_in16)
        case Steps():
            headroom = f", headroom {format_length(leg.headroom_in16)}" if leg.headroom_in16 is not None else ""
            return f"{_steps(leg.count)}, {format_length(leg.width_in16)} wide{headroom}"
        case Elevator():
            door = f"door {format_length(leg.door_width_in16)} wide and {format_length(leg.door_height_in16)} high"
            cage = f"cage {format_length(leg.width_in16)} wide, {format_length(leg.depth_in16)} deep"
            return f"{door}, {cage} and {format_length(leg.height_in16)} high"


def _high(height_in16: int | None) -> str:
    return "" if height_in16 is None else f", {format_length(height_in16)} high"
