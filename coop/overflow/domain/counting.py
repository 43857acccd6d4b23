"""What an arrangement costs, tier by tier: counted plainly from where things stand, apart from any model."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Collection

from coop.overflow.domain.problem import TIERS, Placed, Problem, Unit

WEEK_DAYS = 7


def costs(problem: Problem, placed: Collection[Placed]) -> tuple[int, ...]:
    """One cost for each of TIERS, all to be as low as can be.

    Who gets nothing costs its floor (when it stood before), the days it has waited and all of the period's, the feet and the
    tone of the worst of its places, and its cents. What is fixed costs nothing: shares are of what is newly given.
    """
    units = {unit.key: unit for unit in problem.units}
    asked: dict[str, int] = defaultdict(int)
    had: dict[str, int] = defaultdict(int)
    waiting = feet = tones = 0
    for one in placed:
        unit = units[one.unit]
        place = next(place for place in unit.places if place.bay == one.bay)
        had[unit.dealer] += unit.floor
        waiting += waiting_days(unit, one.start)
        feet += place.feet
        tones += place.tone
    for unit in problem.units:
        asked[unit.dealer] += unit.floor
    gone = [units[key] for key in sorted(units.keys() - {one.unit for one in placed})]
    counted = {
        "standing": sum(unit.floor for unit in gone if unit.is_standing),
        "fairness": sum(share.worth(asked[share.dealer]) - share.worth(had[share.dealer]) for share in problem.shares),
        "waiting": waiting + sum(nothing_days(problem, unit) for unit in gone),
        "distance": feet + sum(most_feet(unit) for unit in gone),
        "tones": tones + sum(most_tone(unit) for unit in gone),
        "money": sum(unit.cents for unit in gone),
    }
    return tuple(counted[tier] for tier in TIERS)


def waiting_days(unit: Unit, start: int) -> int:
    """Days until it begins, from the first that it asked for."""
    return WEEK_DAYS * (start - min(unit.starts))


def nothing_days(problem: Problem, unit: Unit) -> int:
    """Days waited when the period ends without it."""
    return unit.waited_days + WEEK_DAYS * problem.weeks


def most_feet(unit: Unit) -> int:
    return max((place.feet for place in unit.places), default=0)


def most_tone(unit: Unit) -> int:
    return max((place.tone for place in unit.places), default=0)
