"""Floor had against rent paid: what is due to a dealer, what the next foot-week is worth, how evenly floor was shared out.

Floor is counted in inch-weeks: inches along a bay times weeks. What is due is a dealer's part of all floor there is in a year, by
rent paid. Floor is shared by weighted proportional fairness: of all ways to share it, the one with the largest sum of due times
log(had), where nobody gains a part of theirs but by others losing a larger part of theirs, counted by what is due. So the next
inch-week is worth due / had: it falls with all that was had, and of two dealers the one who had less for the rent comes first.

Source, from memory: Kelly, F. P. (1997), Charging and rate control for elastic traffic, Eur. Trans. Telecommunications 8.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from decimal import Decimal
from fractions import Fraction

from coop.core.money import round_half_up
from coop.shifts.domain.fairness import jain, spread

LEAST_DUE = 12
"""A foot-week: due to whoever has not paid rent yet, too."""
YEAR_WEEKS = 52
_HEAD_START = 4
"""A quarter of what is due counts as had, of everybody: else the first inch would be worth more than anything after it."""
_WORTH = 1000
"""Of the next inch-week to a dealer who had, with the head start, just what is due."""
_STEP = Fraction(1, 4)
"""From step to step, what was had grows by a quarter: so do the steps, and the worth falls by a fifth."""


@dataclass(frozen=True)
class SharedOut:
    """How evenly floor was shared, against what is due."""

    index: Decimal | None
    """Jain's index of had by due: 1 when all have the same part of theirs; None when nobody had any."""
    least: Fraction
    """The least part of what is due that anybody had."""
    spread: Fraction
    """The largest part less the least."""


def due_of(rent_cents: Mapping[str, int], floor_in: int) -> dict[str, int]:
    """Inch-weeks of a year due to each dealer, of bays of `floor_in` inches together; rounded, `LEAST_DUE` at least."""
    whole = sum(rent_cents.values())
    year = floor_in * YEAR_WEEKS
    return {who: max(LEAST_DUE, round_half_up(Fraction(year * rent, whole)) if whole else 0) for who, rent in rent_cents.items()}


def worth_of(due: int, had: Fraction | int) -> Fraction:
    """What the next inch-week is worth to a dealer who had so much: 1000 x due / (had + due / 4)."""
    return _WORTH * due / (had + Fraction(due, _HEAD_START))


def steps_of(due: int, had: int, asked: int) -> tuple[tuple[int, int], ...]:
    """What `asked` inch-weeks are worth, in steps of (width, worth each); worths fall strictly, each is that of a step's middle.

    Steps grow wider, from a foot-week; the last is cut to what is asked. Raises ValueError when nothing is due: then nothing is
    worth more or less than anything.
    """
    if due < 1:
        raise ValueError("what is due is at least an inch-week")
    steps: list[tuple[int, int]] = []
    given = 0
    while given < asked:
        width = max(LEAST_DUE, round_half_up(_STEP * (had + given + Fraction(due, _HEAD_START))))
        width = min(width, asked - given)
        worth = max(1, round_half_up(worth_of(due, had + given + Fraction(width, 2))))
        if steps and steps[-1][1] <= worth:
            steps[-1] = (steps[-1][0] + width, steps[-1][1])
        else:
            steps.append((width, worth))
        given += width
    return tuple(steps)


def shared_out(had: Mapping[str, int], due: Mapping[str, int]) -> SharedOut:
    """Of everybody to whom something is due; who is not in `had` had nothing."""
    parts = [Fraction(had.get(who, 0), each) for who, each in sorted(due.items())]
    return SharedOut(jain(parts) if any(parts) else None, min(parts, default=Fraction(0)), spread(parts))


def foot_weeks(inch_weeks: int) -> str:
    """Inch-weeks as feet of a bay for a week: 126 -> `10.5`."""
    tenths = round_half_up(Fraction(inch_weeks * 10, 12))
    return f"{tenths // 10:,}.{tenths % 10}" if tenths % 10 else f"{tenths // 10:,}"
