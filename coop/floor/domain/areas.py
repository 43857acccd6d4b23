"""Drawn areas, exact, and how far one may lie from what a lease says.

Source: the shoelace formula (Rosetta Code, "Shoelace formula for polygonal area"; MathWorld, "Polygon Area").
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from decimal import Decimal
from fractions import Fraction

from coop.core.geometry import IN16_PER_FOOT
from coop.core.money import round_half_up
from coop.floor.domain.plan import Point


def twice_area(outline: Sequence[Point]) -> int:
    """Twice the area of a polygon that does not cross itself, in the square of the points' unit; whole for whole corners."""
    following = [*outline[1:], *outline[:1]]
    return abs(sum(a[0] * b[1] - b[0] * a[1] for a, b in zip(outline, following, strict=True)))


def drawn_area_sqft100(outline: Sequence[Point]) -> int:
    """Area of an outline in sixteenths of an inch, in hundredths of a square foot, half-up. No outline has no area."""
    return round_half_up(Fraction(twice_area(outline) * 100, 2 * IN16_PER_FOOT**2))


@dataclass(frozen=True)
class AreaDifference:
    """Drawn (or measured) less leased; `beyond` when that is more than the tolerance, either way, and not exactly it."""

    difference_sqft100: int
    beyond: bool


def area_difference(drawn_sqft100: int, leased_sqft100: int, tolerance_percent: Decimal) -> AreaDifference:
    """How far a drawn area lies from the leased one; the tolerance is a percent of the leased. Raises ValueError below zero."""
    if min(drawn_sqft100, leased_sqft100) < 0 or tolerance_percent < 0:
        raise ValueError("An area and a tolerance are zero or more.")
    difference = drawn_sqft100 - leased_sqft100
    return AreaDifference(difference, abs(difference) * 100 > tolerance_percent * leased_sqft100)
