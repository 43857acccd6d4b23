"""How different two colours look: dE00 in CIELAB, and how well a piece's colour suits those of a bay.

Sources: IEC 61966-2-1 (sRGB, D65 white); CIE 15 (L*a*b*); Sharma, Wu, Dalal, "The CIEDE2000 color-difference formula", 2005.
A difference of about 1 can just be seen side by side.
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from math import atan2, cos, degrees, exp, hypot, radians, sin, sqrt

Lab = tuple[float, float, float]

_RGB = re.compile(r"#([0-9a-f]{2})([0-9a-f]{2})([0-9a-f]{2})", re.IGNORECASE | re.ASCII)
_TO_XYZ = ((0.4124, 0.3576, 0.1805), (0.2126, 0.7152, 0.0722), (0.0193, 0.1192, 0.9505))
"""By row, X, Y and Z of linear red, green and blue; each row's sum is the white's."""


def lab_of(colour: str) -> Lab:
    """L*, a*, b* of `#rrggbb`. Raises ValueError with a phrase that completes "'...' "."""
    match = _RGB.fullmatch(colour)
    if not match:
        raise ValueError("is not a color; write it like #8b5a2b")
    rgb = [_linear(int(part, 16) / 255) for part in match.groups()]
    x, y, z = (_cube(sum(c * v for c, v in zip(row, rgb, strict=True)) / sum(row)) for row in _TO_XYZ)
    return 116 * y - 16, 500 * (x - y), 200 * (y - z)


def _linear(value: float) -> float:
    return value / 12.92 if value <= 0.04045 else float(((value + 0.055) / 1.055) ** 2.4)


def _cube(t: float) -> float:
    return float(t ** (1 / 3)) if t > (6 / 29) ** 3 else t * (29 / 6) ** 2 / 3 + 4 / 29


def difference(one: Lab, other: Lab) -> float:
    """dE00 with all weights 1. Hues half a turn apart to the last digit may go either way round: there the formula jumps."""
    l1, a1, b1 = one
    l2, a2, b2 = other
    redder = 1 + (1 - _far((hypot(a1, b1) + hypot(a2, b2)) / 2)) / 2
    c1, h1 = _polar(a1 * redder, b1)
    c2, h2 = _polar(a2 * redder, b2)
    lightness, chroma = (l1 + l2) / 2, (c1 + c2) / 2
    hue, between = _hues(h1, h2)  # of a grey whatever it gives: it counts only times both chromas

    t = 1 - 0.17 * _cos(hue - 30) + 0.24 * _cos(2 * hue) + 0.32 * _cos(3 * hue + 6) - 0.20 * _cos(4 * hue - 63)
    off = (lightness - 50) ** 2
    light = (l2 - l1) / (1 + 0.015 * off / sqrt(20 + off))
    full = (c2 - c1) / (1 + 0.045 * chroma)
    turn = 2 * sqrt(c1 * c2) * sin(radians(between / 2)) / (1 + 0.015 * chroma * t)
    blue = sin(radians(60 * exp(-(((hue - 275) / 25) ** 2)))) * 2 * _far(chroma)
    return sqrt(max(0.0, light * light + full * full + turn * turn - blue * full * turn))


def _far(chroma: float) -> float:
    return sqrt(chroma**7 / (chroma**7 + 25.0**7))


def _polar(a: float, b: float) -> tuple[float, float]:
    """Chroma, and hue in degrees from 0 up to 360."""
    return hypot(a, b), degrees(atan2(b, a)) % 360


def _hues(one: float, other: float) -> tuple[float, float]:
    """The middle of two hues and the turn from one to the other, the short way round, in degrees."""
    turn = other - one
    if abs(turn) <= 180:
        return (one + other) / 2, turn
    return ((one + other) / 2 + 180) % 360, turn - 360 if turn > 0 else turn + 360


def _cos(angle_deg: float) -> float:
    return cos(radians(angle_deg))


def tone_between(colour: str, palette: Sequence[str]) -> int:
    """Hundredths of the least dE00 from a colour to any of a palette; 0 where the colour or the palette is missing."""
    if not colour or not palette:
        return 0
    own = lab_of(colour)
    return round(100 * min(difference(own, lab_of(other)) for other in palette))
