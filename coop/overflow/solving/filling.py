"""A first arrangement, quickly: unit by unit, who is worth most first, each where it is least in the way. Needs no solver."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Collection, Iterable

from coop.overflow.domain.choices import Choice, Standing, Taken, by_unit
from coop.overflow.domain.problem import Problem, Share, Unit


def fill(problem: Problem, choices: Collection[Choice], standing: Iterable[Standing] = ()) -> list[Standing]:
    """What stands and whatever else has a place then; every rule is kept, and no tier costs more than before.

    What stood before comes first; then whom it is worth most to, then who has waited longest.
    """
    taken, filled = Taken(problem), list(standing)
    shares = {share.dealer: share for share in problem.shares}
    had: dict[str, int] = defaultdict(int)
    open_choices = by_unit(choices)
    for choice, one in filled:
        taken.add(choice, one.from_in16)
        had[choice.unit.dealer] += choice.unit.floor
        del open_choices[one.unit]
    units = {unit.key: unit for unit in problem.units if unit.key in open_choices}
    while units:
        unit = max(units.values(), key=lambda unit: _rank(unit, shares.get(unit.dealer), had[unit.dealer]))
        del units[unit.key]
        for choice in sorted(open_choices[unit.key], key=lambda choice: _order(taken, choice)):
            along = taken.leftmost(choice) if taken.allows(choice) else None
            if along is not None:
                taken.add(choice, along)
                filled.append((choice, choice.placed(along)))
                had[unit.dealer] += unit.floor
                break
    return filled


def _rank(unit: Unit, share: Share | None, had: int) -> tuple[bool, int, int, int]:
    """By what it is worth in all times what it is worth by the inch-week: better than by either alone (measured)."""
    floor = unit.floor
    worth = share.worth(had + floor) - share.worth(had) if share else 0
    return unit.is_standing, worth**2 // max(1, floor), unit.waited_days, unit.cents


def _order(taken: Taken, choice: Choice) -> tuple[int, int, int, int]:
    """Beside the period's ends and in the shortest bays first, which leaves the fewest weeks and lengths that are of no use."""
    before, after = choice.start, taken.problem.weeks - choice.weeks.stop
    return min(before, after), before, taken.lengths[choice.place.bay], choice.place.feet
