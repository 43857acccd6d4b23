"""A full booth judged while a piece is dragged: 60 pieces, sound; with every way too narrow; and with half of them moved."""

from __future__ import annotations

import time
from collections.abc import Callable
from dataclasses import replace
from typing import Any

from coop.resets.domain.booth import Booth, Side
from coop.resets.domain.fit import judge
from coop.resets.domain.piece import Arrangement, Piece, Placed

IN, FOOT = 16, 192


def big_booth(*, way_in16: int = 36 * IN) -> Booth:
    """22 by 20 ft with a bay of 6 by 6 ft behind its right, walls on three sides, a neighbour, two posts, open at the front."""
    outline = ((0, 0), (16 * FOOT, 0), (16 * FOOT, -6 * FOOT), (22 * FOOT, -6 * FOOT), (22 * FOOT, 20 * FOOT), (0, 20 * FOOT))
    wall = Side("wall", hooks=True, height_in16=9 * FOOT)
    posts = tuple(
        ((x, y), (x + 6 * IN, y), (x + 6 * IN, y + 6 * IN), (x, y + 6 * IN))
        for x, y in ((0, 17 * FOOT), (22 * FOOT - 6 * IN, 17 * FOOT))
    )
    sides = (wall, wall, wall, Side("neighbour"), Side("open"), wall)
    return Booth(outline, sides, posts, height_limit_in16=8 * FOOT, way_in16=way_in16, aisle_in16=5 * FOOT)


def big_set() -> Arrangement:
    """Cabinets and shelves along the sides, tables turned about in the middle with things on them, pictures, chairs."""
    placed: list[Placed] = []

    def put(name: str, x: float, y: float, size: tuple[int, int, int], turn: int = 0, **more: Any) -> str:
        key = f"p{len(placed)}"
        place = {field: more.pop(field) for field in ("on", "up_in16") if field in more}
        piece = Piece(key, name, size[0] * IN, size[1] * IN, size[2] * IN, weight_oz=320, **more)
        placed.append(Placed(piece, round(x * IN), round(y * IN), turn, **place))
        return key

    for n in range(3):
        put("Cabinet", 46 + 40 * n, 10, (38, 18, 70), opens_in16=18 * IN)
        put("Mirror", 0.5, 60 + 50 * n, (20, 1, 24), 270, stands="wall", up_in16=54 * IN)
    for n, (x, y) in enumerate(((82, 80), (82, 165), (171, 80), (171, 165))):
        dresser = put("Dresser", 10, 44 + 44 * n, (40, 18, 36), 270, carries_oz=2000)
        for k in range(2):
            put("Box", 10, 32 + 44 * n + 24 * k, (12, 12, 14), on=dresser)
        put("Shelf", 254, -40 + 60 * n, (36, 18, 60), 90, opens_in16=12 * IN)
        carrier = put("Table", x, y, (44, 28, 30), (0, 20, 0, 340)[n], carries_oz=5000)
        for k in range(5):
            put("Lamp", x - 10 + 10 * (k % 3), y - 5 + 10 * (k // 3), (8, 8, 18), 15 * (n % 2), stands="table", on=carrier)
        put("Stool", x - 10, y + 32, (14, 14, 18), 15 * n)
    for n in range(6):
        put("Picture", 20 + 18 * n, 0.5, (14, 1, 12), stands="wall", up_in16=78 * IN)
    for n in range(4):
        put("Crate", 30 + 16 * n, 232, (14, 14, 14))
    return Arrangement(tuple(placed))


def bench_fit(row: Callable[[str, str, str], None], *, smoke: bool = False) -> None:
    """Rows of the table: `row(what, figure, note)`. Processor time, for other programs run beside."""
    times = 2 if smoke else 40
    sound = big_set()
    # Every second piece a foot to the left: many overlap, some are through the wall.
    moved = Arrangement(tuple(replace(one, x_in16=one.x_in16 - n % 2 * FOOT) for n, one in enumerate(sound.placed)))
    for what, booth, placed in (
        (f"a booth of {len(sound.placed)} pieces judged, as while one is dragged", big_booth(), sound),
        ("the same, a way of 5 ft asked", big_booth(way_in16=5 * FOOT), sound),
        ("the same, half of them moved by a foot", big_booth(), moved),
    ):
        judge(booth, placed)
        begun = time.process_time()
        for _ in range(times):
            found = judge(booth, placed)
        row(what, f"{(time.process_time() - begun) / times * 1000:.1f} ms", f"{len(found)} findings")
