"""A year's surplus shared by the business each dealer did with the co-op."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from decimal import Decimal
from fractions import Fraction

from coop.core.money import allocate, round_half_up


@dataclass(frozen=True)
class Share:
    """One dealer's share at one mall, in cents."""

    share_cents: int
    cash_cents: int
    """To her account; the rest is kept as her equity."""

    @property
    def retained_cents(self) -> int:
        return self.share_cents - self.cash_cents


def shares(surplus_cents: int, business_cents: Sequence[int], cash_percent: Decimal) -> list[Share]:
    """The surplus by largest remainder, ties to the earlier; of each share the percent in cash, rounded half-up."""
    parts = allocate(surplus_cents, business_cents)
    return [Share(part, round_half_up(Fraction(part) * Fraction(cash_percent) / 100)) for part in parts]
