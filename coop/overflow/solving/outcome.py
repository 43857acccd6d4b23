"""What a search for a period tells: where things stand, with each tier's cost and bound."""

from __future__ import annotations

from dataclasses import dataclass

from coop.overflow.domain.problem import Placed
from coop.shifts.solving.outcome import TierResult


@dataclass(frozen=True)
class Outcome:
    """An arrangement that keeps every rule, if only that nothing is placed. `stopped` says that somebody stopped the search."""

    placed: tuple[Placed, ...]
    tiers: tuple[TierResult, ...]
    stopped: bool = False

    @property
    def proven(self) -> bool:
        return all(tier.proven for tier in self.tiers)
