"""Scales of drawings, and how a plan larger than the paper is laid over several sheets."""

from __future__ import annotations

import re
from dataclasses import dataclass
from fractions import Fraction

from coop.core.geometry import IN16_PER_INCH, format_length, parse_length

SCALES = (24, 48, 96, 192)
"""Those an architect's rule has for buildings, largest drawing first: 1/2, 1/4, 1/8 and 1/16 in. to the foot."""
PAPERS_IN: dict[str, tuple[Fraction, Fraction]] = {
    "letter": (Fraction(17, 2), Fraction(11)),
    "legal": (Fraction(17, 2), Fraction(14)),
    "tabloid": (Fraction(11), Fraction(17)),
    "a4": (Fraction(2100, 254), Fraction(2970, 254)),
    "a3": (Fraction(2970, 254), Fraction(4200, 254)),
    "a2": (Fraction(4200, 254), Fraction(5940, 254)),
}
"""Width and height in inches, upright."""
MOST_SHEETS = 60


def parse_scale(text: str) -> int:
    """How many times smaller than the floor the drawing is: `1:48`, `48` and `1/4 in. = 1 ft` give 48.

    Raises ValueError with a phrase that completes "'...' ".
    """
    plain = text.strip()
    if match := re.fullmatch(r"(?:1\s*[:/]\s*)?([0-9]{1,4})", plain):
        scale = int(match[1])
    else:
        left, equals, right = plain.partition("=")
        if not equals:
            raise ValueError("is no scale; write it like 1:48 or 1/4 in. = 1 ft")
        drawn, real = _length(left), _length(right)
        if not drawn or not real:
            raise ValueError("has a length of nothing; write it like 1/4 in. = 1 ft")
        ratio = Fraction(real, drawn)
        if ratio.denominator != 1:
            raise ValueError("is no scale of one to a whole number; use 1/2, 1/4, 1/8 or 1/16 in. to the foot")
        scale = int(ratio)
    if not 1 <= scale <= 1000:
        raise ValueError("must be from 1:1 to 1:1000")
    return scale


def _length(text: str) -> int:
    try:
        return parse_length(text)
    except ValueError as error:
        raise ValueError(f"has the length {text.strip()!r}, which {error}") from None


def scale_words(scale: int) -> str:
    """48 -> `1:48, 1/4 in. = 1 ft`; only the ratio where the inches are no fraction of a ruler."""
    sixteenths = Fraction(12 * IN16_PER_INCH, scale)
    if sixteenths.denominator != 1:
        return f"1:{scale}"
    return f"1:{scale}, {format_length(int(sixteenths)).replace(chr(34), ' in.')} = 1 ft"


@dataclass(frozen=True)
class Sheet:
    """One sheet's window on the plan, in sixteenths of an inch of floor, and its neighbours by side."""

    number: int
    x: int
    y: int
    width: int
    height: int
    joins: dict[str, int]
    """Sheet number by `left`, `right`, `above`, `below`."""


@dataclass(frozen=True)
class Bounds:
    """A rectangle of floor in sixteenths of an inch."""

    x: int
    y: int
    width: int
    height: int


def lay_sheets(bounds: Bounds, scale: int, room_in: tuple[Fraction, Fraction], overlap_in: Fraction) -> list[Sheet]:
    """Sheets of a drawing, row by row; each has `room_in` (width, height) for it, and neighbours show `overlap_in` both.

    Raises ValueError for more than MOST_SHEETS.
    """
    unit = IN16_PER_INCH * scale
    room = [int(side * unit) for side in room_in]
    overlap = int(overlap_in * unit)
    counts = [_count(side, have, overlap) for side, have in zip((bounds.width, bounds.height), room, strict=True)]
    columns, rows = counts
    if columns * rows > MOST_SHEETS:
        raise ValueError(f"would need {columns * rows} sheets; choose a larger paper or a smaller scale, such as 1:{scale * 2}")
    sheets = []
    for row in range(rows):
        for column in range(columns):
            number = row * columns + column + 1
            beside = {
                "left": (column > 0, number - 1),
                "right": (column < columns - 1, number + 1),
                "above": (row > 0, number - columns),
                "below": (row < rows - 1, number + columns),
            }
            sheets.append(
                Sheet(
                    number,
                    x=bounds.x + column * (room[0] - overlap),
                    y=bounds.y + row * (room[1] - overlap),
                    width=room[0] if columns > 1 else min(room[0], bounds.width),
                    height=room[1] if rows > 1 else min(room[1], bounds.height),
                    joins={side: other for side, (there, other) in beside.items() if there},
                )
            )
    return sheets


def _count(side: int, room: int, overlap: int) -> int:
    return 1 if side <= room else -(-(side - overlap) // (room - overlap))
