"""Small periods from a seed, and the best of all arrangements of one, by trying them."""

from __future__ import annotations

import random
from itertools import product

from coop.overflow.domain.checking import broken
from coop.overflow.domain.counting import costs
from coop.overflow.domain.problem import Fixed, Place, Placed, Problem, Room, Share, Unit

INCH = 16
DEALERS = ("Ann", "Bo", "Cy")


def small_period(seed: int, *, bays: int = 2, units: int = 3, weeks: int = 3) -> Problem:
    """Lengths in whole inches. Floor is short, and most rules are there."""
    chance = random.Random(seed)
    rooms = tuple(Room(f"B{n}", chance.randrange(3, 7) * INCH) for n in range(bays))
    fixed: list[Fixed] = []
    if chance.random() < 0.5:
        room, first = chance.choice(rooms), chance.randrange(weeks)
        at = chance.randrange(room.length_in16 // INCH) * INCH
        to = min(room.length_in16, at + 2 * INCH)
        fixed.append(Fixed("F", chance.choice(DEALERS), room.bay, at, to, first, chance.randrange(first, weeks + 1)))
    return Problem(
        weeks,
        rooms,
        tuple(_unit(chance, f"U{n}", rooms, weeks) for n in range(units)),
        tuple(fixed),
        tuple(
            Share(dealer, tuple((chance.randrange(1, 9), worth) for worth in (400, 200, 100)))
            for dealer in DEALERS
            if chance.random() < 0.9
        ),
        most_in16=chance.choice((None, None, 5 * INCH)),
        most_pieces=chance.choice((None, None, 2)),
        weeks_left={(dealer, room.bay): chance.randrange(weeks) for dealer in DEALERS for room in rooms if chance.random() < 0.2},
    )


def _unit(chance: random.Random, key: str, rooms: tuple[Room, ...], weeks: int) -> Unit:
    stays = chance.randrange(1, weeks + 1)
    starts = tuple(start for start in range(weeks) if chance.random() < 0.8) or (0,)
    places = tuple(
        Place(
            room.bay,
            chance.randrange(1, 5) * INCH,
            turned=chance.random() < 0.3,
            feet=chance.randrange(100),
            tone=chance.randrange(1000),
            starts=chance.choice((None, None, (0,), (1, 2))),
        )
        for room in rooms
        if chance.random() < 0.9
    )
    return Unit(
        key,
        chance.choice(DEALERS),
        stays,
        starts,
        places,
        pieces=chance.choice((1, 1, 2)),
        waited_days=chance.choice((0, 30)),
        cents=chance.randrange(1, 9) * 1000,
        is_standing=chance.random() < 0.3,
    )


def least_costs(problem: Problem) -> tuple[int, ...]:
    """The lexicographic least: each unit nowhere or in each place from each week on, the cheapest of all these that fits."""
    ways = [
        [None, *((place.bay, place.length_in16, start, place.turned) for place in unit.places for start in unit.starts)]
        for unit in problem.units
    ]
    together = (tuple(zip(problem.units, way, strict=True)) for way in product(*ways))
    asked = [[(unit.key, way) for unit, way in some if way is not None] for some in together]
    ranked = sorted(
        (costs(problem, [Placed(key, way[0], 0, way[1], way[2], way[3]) for key, way in some]), some) for some in asked
    )
    return next(cost for cost, some in ranked if _fits(problem, some, []))


def _fits(problem: Problem, some: list[tuple[str, tuple[str, int, int, bool]]], placed: list[Placed]) -> bool:
    """Whether these find places along their bays, whole inch by whole inch: what can be pushed left to its neighbour lies so."""
    if broken(problem, placed):
        return False
    if not some:
        return True
    (key, (bay, length, start, turned)), *rest = some
    room = next(room for room in problem.rooms if room.bay == bay)
    return any(
        _fits(problem, rest, [*placed, Placed(key, bay, at, at + length, start, turned)])
        for at in range(0, room.length_in16 - length + 1, INCH)
    )
