"""On which day of a month what a dealer sold had paid for the month's rent."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from datetime import date


@dataclass(frozen=True)
class Covered:
    """How far a month's sales, after commission, go towards what the month costs."""

    due_cents: int
    """The month's rent and other fixed charges."""
    kept_cents: int
    """Of the sales so far, after commission; below zero where more came back than was sold."""
    on: date | None
    """The day since which they cover it; None while they do not, and where nothing is due."""

    @property
    def left_cents(self) -> int:
        """What is still to go."""
        return max(0, self.due_cents - self.kept_cents)


def covered(due_cents: int, kept_so_far: Iterable[tuple[date, int]]) -> Covered:
    """`kept_so_far` is what was kept of all sales up to each day's end, in cents, the earliest day first.

    What comes back may uncover the rent again: then it counts from the day on which it is covered for good.
    """
    on: date | None = None
    kept = 0
    for day, kept in kept_so_far:
        if due_cents <= 0 or kept < due_cents:
            on = None
        elif on is None:
            on = day
    return Covered(due_cents, kept, on)
