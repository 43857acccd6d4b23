"""A piece that floor is asked for, and the house rules of what may stand in an aisle."""

from __future__ import annotations

from dataclasses import dataclass
from fractions import Fraction

from coop.core.geometry import IN16_PER_INCH

GLASS = ("nowhere", "at a wall", "anywhere")


@dataclass(frozen=True)
class AskedPiece:
    """Lengths in sixteenths of an inch as it stands, `width` across its front; `colour` is `#rrggbb` or empty."""

    key: str
    name: str
    width_in16: int
    depth_in16: int
    height_in16: int
    weight_oz: int | None = None
    colour: str = ""
    grouping: str = ""
    price_cents: int | None = None
    glass: bool = False
    may_turn: bool = False
    """It may stand with its side to the aisle."""

    @property
    def slenderness(self) -> Fraction:
        """Its height by the shorter side of its base."""
        return Fraction(self.height_in16, min(self.width_in16, self.depth_in16))


@dataclass(frozen=True)
class PieceRules:
    """What may stand where (common practice, no source). Figures help planning only: local codes and the fire marshal decide."""

    highest_in16: int = 84 * IN16_PER_INCH
    """Nothing higher stands in an aisle."""
    wall_above_in16: int = 60 * IN16_PER_INCH
    """Higher than this it stands at a wall only, fastened to it."""
    before_in16: int = 42 * IN16_PER_INCH
    """Before a booth that is not its dealer's, nothing higher than this: the booth is to be seen."""
    tips_from: Fraction = Fraction(3)
    """From this slenderness on it tips easily: at a wall only, fastened to it."""
    glass: str = "at a wall"
    gap_in16: int = IN16_PER_INCH
    """Kept free beside each piece."""
