"""A part of a period as a period of its own: some bays are cleared, what stands in the others is fixed. Needs no solver."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Collection, Sequence
from dataclasses import replace

from coop.overflow.domain.choices import Standing
from coop.overflow.domain.problem import Fixed, Problem, Share


def clear(problem: Problem, standing: Sequence[Standing], bays: Collection[str]) -> Problem:
    """The problem of these bays alone: what stands in them, and what has no place, is to be placed anew.

    A tier's cost of the whole is its cost here and what is the same for every answer.
    """
    had: dict[str, int] = defaultdict(int)
    kept, fixed = set(), list(problem.fixed)
    for choice, one in standing:
        if one.bay not in bays:
            unit = choice.unit
            kept.add(unit.key)
            had[unit.dealer] += unit.floor
            last = one.start + unit.weeks - 1
            fixed.append(Fixed(unit.key, unit.dealer, one.bay, one.from_in16, one.to_in16, one.start, last, unit.pieces))
    return replace(
        problem,
        rooms=tuple(room for room in problem.rooms if room.bay in bays),
        units=tuple(unit for unit in problem.units if unit.key not in kept),
        fixed=tuple(fixed),
        shares=tuple(_beyond(share, had[share.dealer]) for share in problem.shares),
    )


def _beyond(share: Share, had: int) -> Share:
    """What more floor is worth to a dealer who has some."""
    steps = []
    for width, each in share.steps:
        steps.append((max(0, width - had), each))
        had = max(0, had - width)
    return Share(share.dealer, tuple(steps))
