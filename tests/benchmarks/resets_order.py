"""Seconds of processor time for the order of a reset of 40 pieces: stands in rows with ways between, and all mixed up."""

from __future__ import annotations

import random
import time
from collections.abc import Callable

from coop.resets.domain.booth import rectangle_booth
from coop.resets.domain.order.ground import Ground, StagingArea, ground_before
from coop.resets.domain.order.moves import Order
from coop.resets.domain.order.plan import plan_order
from coop.resets.domain.piece import Arrangement, Piece, Placed

INCH = 16
WIDE, DEEP = 20 * 12, 14 * 12


def places() -> list[tuple[int, int, int]]:
    """Along the walls and on two islands, 36 in. and more between them."""
    back = [(20 + 34 * n, 12, 0) for n in range(7)]
    sides = [(x, 42 + 30 * n, turn) for n in range(4) for x, turn in ((12, 90), (WIDE - 12, 270))]
    islands = [(78 + 30 * n, y, turn) for n in range(4) for y, turn in ((72, 180), (90, 0), (136, 180), (154, 0))]
    return back + sides + islands


def seasonal(seed: int, pieces: int = 40, stay: int = 6, reused: int = 12) -> tuple[Ground, Arrangement, Arrangement]:
    """Two sets of the same places: some stay, some change their place, the others go and come."""
    chance = random.Random(seed)
    made = [
        Piece(f"p{n:02}", f"Stand {n}", chance.randrange(16, 28) * INCH, chance.randrange(10, 17) * INCH, 480)
        for n in range(pieces)
    ]
    spots = places()
    each = min(len(spots), (pieces + stay + reused) // 2)
    leaving = made[: each - stay - reused]
    kept, moved = made[len(leaving) :][:stay], made[len(leaving) + stay :][:reused]
    coming = made[each:]
    before_spots = chance.sample(spots, each)
    before = [put(one, spot) for one, spot in zip([*kept, *moved, *leaving], before_spots, strict=True)]
    rest = [spot for spot in spots if spot not in before_spots[:stay]]
    then = [*moved, *coming][: len(rest)]
    after = [*before[:stay], *(put(one, spot) for one, spot in zip(then, chance.sample(rest, len(then)), strict=True))]
    booth = rectangle_booth(WIDE * INCH, DEEP * INCH)
    ground = ground_before(booth, aisle_in16=44 * INCH, staging=(StagingArea("bay"),))
    return ground, Arrangement(tuple(before)), Arrangement(tuple(after))


def put(piece: Piece, spot: tuple[int, int, int]) -> Placed:
    return Placed(piece, spot[0] * INCH, spot[1] * INCH, spot[2])


def bench_order(row: Callable[..., None], *, smoke: bool = False) -> None:
    for told, stay, reused in (("12 of them change their place", 6, 12), ("24 of them do", 2, 24)):
        for seed in range(1 if smoke else 3):
            ground, before, after = seasonal(seed, 12 if smoke else 40, *((2, 4) if smoke else (stay, reused)))
            begun = time.process_time()
            found = plan_order(ground, before, after)
            seconds = time.process_time() - begun
            note = (
                f"{len(found.moves)} moves, {found.staged} by staging, at least {found.bound}"
                if isinstance(found, Order)
                else "no order"
            )
            count = len({one.key for one in (*before.placed, *after.placed)})
            row(f"order of {count} pieces, {told}", f"{seconds:.2f} s", note)
