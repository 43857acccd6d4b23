"""Random booths with two random sets: rectangles and L shapes, posts, turned pieces, pieces pushed to the wall, staging floor."""

from __future__ import annotations

import random
from collections.abc import Iterable

from coop.resets.domain.booth import Booth, Side, rectangle_booth
from coop.resets.domain.order.ground import Ground, StagingArea, ground_before
from coop.resets.domain.piece import Arrangement, CarriedSize, Piece, Placed

INCH = 16


def random_booth(chance: random.Random) -> Booth:
    wide, deep = chance.choice([96, 120, 144]) * INCH, chance.choice([96, 120]) * INCH
    sort = chance.random()
    if sort < 0.5:
        return rectangle_booth(wide, deep, open_sides=chance.choice([("front",), ("front", "left"), ("right",)]))
    if sort < 0.75:
        inner = wide // 2 + 16 * INCH
        outline = ((0, 0), (wide, 0), (wide, deep // 2), (inner, deep // 2), (inner, deep), (0, deep))
        return Booth(outline, (*[Side("wall")] * 4, Side("open"), Side("wall")))
    plain = rectangle_booth(wide, deep)
    x, y = wide // 2 + chance.randrange(-20, 20) * INCH, deep // 2 + chance.randrange(-20, 20) * INCH
    post = tuple((x + a * INCH, y + b * INCH) for a, b in ((0, 0), (8, 0), (8, 8), (0, 8)))
    return Booth(plain.outline, plain.sides, posts=(post,))


def free_beside(booth: Booth, placed: Placed, others: Iterable[Placed]) -> bool:
    shape = placed.footprint
    return booth.free.covers(shape) and not any(shape.intersection(other.footprint).area for other in others)


def scattered(chance: random.Random, booth: Booth, pieces: Iterable[Piece], placed: Iterable[Placed] = ()) -> list[Placed]:
    done = list(placed)
    left, top, right, bottom = booth.shape.bounds
    for piece in pieces:
        for _ in range(60):
            snap = chance.choice([1, 16, 32])
            x, y = (round(chance.uniform(*span) / snap) * snap for span in ((left, right), (top, bottom)))
            one = Placed(piece, x, y, chance.choice([0, 0, 0, 90, 90, 180, 270, 45, 30, 17, 301]))
            if chance.random() < 0.4:
                _, high, _, low = one.footprint.bounds
                one = Placed(piece, x, int(low - high) // 2 + 1, one.turn_deg)
            if free_beside(booth, one, done):
                done.append(one)
                break
    return done


def random_reset(seed: int) -> tuple[Ground, Arrangement, Arrangement]:
    chance = random.Random(seed)
    booth = random_booth(chance)
    pieces = []
    for n in range(chance.randint(2, 10)):
        carried: tuple[CarriedSize, ...] = ()
        if chance.random() < 0.2:
            how = chance.choice(["tilted", "on end", "parts off"])
            carried = (CarriedSize(how, chance.randrange(8, 60) * INCH, chance.randrange(6, 24) * INCH, 400),)
        wide, deep = chance.randrange(10, 50) * INCH, chance.randrange(8, 30) * INCH
        pieces.append(Piece(f"p{n}", f"Stand {n}", wide, deep, 480, carried=carried))
    before = scattered(chance, booth, [piece for piece in pieces if chance.random() < 0.8])
    stays = [one for one in before if chance.random() < 0.3]
    others = [piece for piece in pieces if piece.key not in {one.key for one in stays} and chance.random() < 0.8]
    chance.shuffle(others)
    after = scattered(chance, booth, others, stays)
    _, _, right, bottom = (int(at) for at in booth.shape.bounds)
    aisle = tuple((right + x * INCH, bottom + y * INCH) for x, y in ((50, 4), (106, 4), (106, 30), (50, 30)))
    elsewhere = tuple((-20_000 + x * INCH, -20_000 + y * INCH) for x, y in ((0, 0), (96, 0), (96, 60), (0, 60)))
    staging = chance.choice(
        [
            (),
            (StagingArea("bay", capacity=1),),
            (StagingArea("bay"),),
            (StagingArea("bay", elsewhere),),
            (StagingArea("aisle floor", aisle, walkway=True),),
        ]
    )
    ground = ground_before(booth, aisle_in16=chance.choice([36, 44, 60]) * INCH, staging=staging)
    return ground, Arrangement(tuple(before)), Arrangement(tuple(after))
