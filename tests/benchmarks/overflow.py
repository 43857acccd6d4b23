"""A period of overflow drafted: forty bays, a hundred and twenty requests, twelve weeks."""

from __future__ import annotations

import random
import time
from collections.abc import Callable

from coop.overflow.domain.checking import broken
from coop.overflow.domain.counting import costs
from coop.overflow.domain.problem import Fixed, Place, Problem, Room, Share, Unit
from coop.overflow.solving.assign import solve
from coop.overflow.solving.outcome import Outcome
from coop.shifts.solving.outcome import Stop

INCH, FOOT = 16, 192
WORTHS = (4000, 2000, 1000, 500, 250)


def period(seed: int, *, bays: int = 40, requests: int = 120, weeks: int = 12, dealers: int = 45) -> Problem:
    """A mall's period: bays of 4 to 16 ft, pieces of 1 to 6 ft, half as much again asked as there is floor."""
    chance = random.Random(seed)
    rooms = tuple(Room(f"A{n % 6}-{n}", min(chance.randrange(8, 33), chance.randrange(8, 33)) * FOOT // 2) for n in range(bays))
    at = {room.bay: (chance.randrange(300), chance.randrange(200)) for room in rooms}
    names = [f"D{n:02}" for n in range(dealers)]
    homes = {name: (chance.randrange(300), chance.randrange(200)) for name in names}
    depths = {room.bay: chance.choice((14, 18, 20, 24, 30)) for room in rooms}
    units: list[Unit] = []
    for number in range(requests):
        dealer = chance.choice(names)
        wish, late = chance.choice((0, 0, 0, *range(weeks - 1))), chance.randrange(0, 5)
        length = chance.randrange(min(4, weeks - wish), min(12, weeks - wish) + 1)
        pieces = [chance.randrange(24, 145) * INCH // 2 for _ in range(chance.choice((1, 2, 3, 3)))]
        together = chance.random() < 0.5
        tone, waited, depth = chance.randrange(1, 101), chance.choice((0, 0, 7, 20, 60)), chance.choice((12, 14, 16, 18, 20, 22))
        for part, width in enumerate([sum(pieces) + INCH * len(pieces)] if together else [piece + INCH for piece in pieces]):
            places = tuple(
                Place(
                    room.bay,
                    width,
                    feet=abs(homes[dealer][0] - at[room.bay][0]) + abs(homes[dealer][1] - at[room.bay][1]),
                    tone=abs(tone - palette(room.bay)) * 25,
                )
                for room in rooms
                if room.length_in16 >= width and depths[room.bay] >= depth and chance.random() < 0.8
            )
            units.append(
                Unit(
                    f"R{number}.{part}",
                    dealer,
                    length,
                    tuple(start for start in range(wish, wish + late + 1) if start + length <= weeks),
                    places,
                    pieces=len(pieces) if together else 1,
                    waited_days=waited,
                    cents=chance.randrange(20, 900) * 100,
                    is_standing=chance.random() < 0.05,
                )
            )
    fixed = tuple(
        Fixed(f"F{n}", chance.choice(names), room.bay, 0, chance.randrange(2, 5) * FOOT, 0, chance.randrange(2, weeks))
        for n, room in enumerate(rooms)
        if chance.random() < 0.3
    )
    shares = tuple(Share(name, tuple((chance.choice((60, 100, 150, 240)) * 2, worth) for worth in WORTHS)) for name in names)
    left = {(chance.choice(names), room.bay): chance.randrange(0, 6) for room in rooms for _ in range(3)}
    return Problem(weeks, rooms, tuple(units), fixed, shares, most_in16=14 * FOOT, most_pieces=8, weeks_left=left)


def palette(bay: str) -> int:
    """A tone of its own for each bay, the same every time."""
    return sum(map(ord, bay)) * 7 % 100


def told(outcome: Outcome) -> str:
    """Each tier's cost with its bound."""
    return "; ".join(
        f"{tier.name} {tier.value:,} {'proven' if tier.proven else f'bound {tier.bound:,}, gap {tier.gap_percent}%'}"
        for tier in outcome.tiers
    )


def bench_overflow(row: Callable[[str, str, str], None], *, smoke: bool = False) -> None:
    """Rows of the table. Every draft is judged apart from the solver: fails where it is not what it says."""
    cases = [
        ("40 bays, 120 requests, 12 weeks, two workers", 1, Stop(seconds=30)),
        ("the same with another seed", 2, Stop(seconds=30)),
        ("40 bays, 120 requests, 12 weeks, repeatable", 1, Stop.repeatable(30)),
    ]
    for what, seed, stop in [(what, seed, Stop.repeatable(1)) for what, seed, _ in cases[:1]] if smoke else cases:
        problem = period(seed)
        begun, worked = time.perf_counter(), time.process_time()
        outcome = solve(problem, stop)
        took, worked = time.perf_counter() - begun, time.process_time() - worked
        wrong = broken(problem, outcome.placed)
        if wrong or costs(problem, outcome.placed) != tuple(tier.value for tier in outcome.tiers):
            raise SystemExit(f"A draft of overflow is not what it says: {wrong}")
        note = f"{worked:.1f} s of processor; {len(outcome.placed)} of {len(problem.units)} placed; {told(outcome)}"
        row(what, f"{took:.1f} s", note)
