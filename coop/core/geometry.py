"""Lengths in sixteenths of an inch, areas in hundredths of a square foot, polygons by shapely."""

from __future__ import annotations

import re
from collections.abc import Sequence
from fractions import Fraction
from typing import Protocol

from shapely.geometry import Polygon
from shapely.validation import explain_validity

from coop.core.money import round_half_up

IN16_PER_INCH = 16
IN16_PER_FOOT = 192
_SQFT_IN16 = IN16_PER_FOOT**2

Point = tuple[int, int]

_NUMBER = r"(?:\d+\.\d+|\.\d+|\d+)"
# A blank or a hyphen before the fraction: without one, 13/16 could be read as 1 and 3/16.
_INCHES = rf"(?:(?:(?P<whole>\d+)[ -]+)?(?P<num>\d+)/(?P<den>\d+)|(?P<inches>{_NUMBER}))?\s*(?:\"|in\.?|inch(?:es)?)?"
_FEET = rf"(?:(?P<feet>{_NUMBER})\s*(?:'|ft\.?|feet|foot)(?:\s*-(?=\s*\d))?)?"
_IMPERIAL = re.compile(rf"{_FEET}\s*{_INCHES}", re.IGNORECASE | re.ASCII)
_METRIC = re.compile(rf"(?P<n>{_NUMBER})\s*(?P<unit>mm|cm|m)", re.IGNORECASE | re.ASCII)
_MM_PER_UNIT = {"mm": Fraction(1), "cm": Fraction(10), "m": Fraction(1000)}
_LONGEST_IN16 = 10_000 * IN16_PER_FOOT


def parse_length(text: str) -> int:
    """A length as people write it, in sixteenths of an inch: `7' 6 1/2"`, `90.5` (inches), `7.5 ft`, `229 cm` (rounded).

    Raises ValueError with a phrase that completes "'...' ".
    """
    plain = text.strip().replace("’", "'").replace("′", "'").replace("”", '"').replace("″", '"').replace("''", '"')
    metric = _METRIC.fullmatch(plain)
    if metric:
        mm = Fraction(metric["n"]) * _MM_PER_UNIT[metric["unit"].lower()]
        return _in_range(round_half_up(mm * 10 * IN16_PER_INCH / 254))
    match = _IMPERIAL.fullmatch(plain)
    if not match or not any(match[g] for g in ("feet", "inches", "num")):
        raise ValueError("is not a length; write it like 7' 6 1/2\", 90.5 (inches) or 7.5 ft")
    if match["den"] and int(match["den"]) == 0:
        raise ValueError("has a fraction over zero")
    inches = Fraction(match["feet"] or 0) * 12 + Fraction(match["inches"] or match["whole"] or 0)
    if match["num"]:
        inches += Fraction(int(match["num"]), int(match["den"]))
    return _in_range(round_half_up(inches * IN16_PER_INCH))


def _in_range(length_in16: int) -> int:
    if length_in16 > _LONGEST_IN16:
        raise ValueError("is longer than two miles")
    return length_in16


def format_length(length_in16: int) -> str:
    """1448 -> 7' 6 1/2\"."""
    sign = "-" if length_in16 < 0 else ""
    feet, rest = divmod(abs(length_in16), IN16_PER_FOOT)
    inches, sixteenths = divmod(rest, IN16_PER_INCH)
    fraction = Fraction(sixteenths, 16)
    small = f"{inches}" if not sixteenths else (f"{inches} {fraction}" if inches else f"{fraction}")
    return f"{sign}{feet}' {small}\"" if feet else f'{sign}{small}"'


class Sized(Protocol):
    """Anything with the three sides of a piece."""

    @property
    def width_in16(self) -> int: ...
    @property
    def depth_in16(self) -> int: ...
    @property
    def height_in16(self) -> int: ...


def format_size(piece: Sized) -> str:
    """Width, depth and height: `3' 4" × 1' 6" × 6' 0"`."""
    return format_sides(piece.width_in16, piece.depth_in16, piece.height_in16)


def format_sides(*sides_in16: int) -> str:
    return " × ".join(map(format_length, sides_in16))


def polygon_area(points: Sequence[tuple[float, float]]) -> float:
    """Area in the square of the points' unit. Raises ValueError for a polygon that crosses itself or has no area."""
    if len(points) < 3:
        raise ValueError("has fewer than three corners")
    shape = Polygon(points)
    if not shape.is_valid:
        raise ValueError(f"crosses or touches itself ({explain_validity(shape)})")
    if shape.area == 0:
        raise ValueError("has no area")
    return float(shape.area)


def area_sqft100(points: Sequence[Point]) -> int:
    """Area of a polygon given in sixteenths of an inch, in hundredths of a square foot, half-up."""
    return round_half_up(Fraction(polygon_area(points)) * 100 / _SQFT_IN16)


def rectangle_sqft100(width_in16: int, depth_in16: int) -> int:
    """Area of a rectangle in hundredths of a square foot, half-up."""
    return round_half_up(Fraction(width_in16 * depth_in16 * 100, _SQFT_IN16))


def format_sqft(area: int) -> str:
    """12000 -> '120.00'."""
    return f"{area // 100:,}.{area % 100:02d}"
