"""What the device tells at once of pieces in a booth, held against shapely on random booths: the same, but for a hair."""

from __future__ import annotations

import random
from collections.abc import Iterator
from itertools import combinations
from pathlib import Path
from typing import Any

import pytest
import shapely
from playwright.sync_api import Browser

from coop.resets.domain.piece import Arrangement, Piece, Placed
from tests.functional.browsing import DESKTOP, Served, context, serve

pytestmark = pytest.mark.browser

CORNER = [(0, 0), (1920, 0), (1920, 1152), (1152, 1152), (1152, 2304), (0, 2304)]
"""A booth of ten by twelve feet without a corner of four by six."""
POST = [(640, 640), (704, 640), (704, 704), (640, 704)]
HAIR = 2
"""Sixteenths: what overlaps less than that may be told or not."""
MODULE = """async ([address, booths]) => {
  const { troubles } = await import(address);
  return booths.map(({ parts, booth }) => [...troubles(parts, booth)]);
}"""


@pytest.fixture
def hall(sqlite_database_url: str, tmp_path: Path) -> Iterator[Served]:
    yield from serve(sqlite_database_url, tmp_path, month_end=False)


def laid(rng: random.Random) -> Arrangement:
    """A dozen pieces at random turns, some hanging, some standing on another, and a rug, which all may stand on."""
    placed: list[Placed] = []
    for n in range(12):
        hangs = rng.random() < 0.25
        size = [rng.randrange(96, 640) for _ in range(3)]
        piece = Piece(str(n), f"Piece {n}", *size, stands="wall" if hangs else "floor")
        on = rng.choice(placed).key if placed and not hangs and rng.random() < 0.3 else None
        at = (rng.randrange(-64, 1984), rng.randrange(-64, 2368))
        turn = rng.choice([0, 90, 180, 270, rng.randrange(360)])
        if n == 0:
            piece = Piece("0", "Rug", 900, 700, 8)
        placed.append(Placed(piece, *at, turn, on=on, up_in16=rng.randrange(0, 1200) if hangs else 0))
    return Arrangement(tuple(placed))


def as_parts(arrangement: Arrangement) -> list[dict[str, Any]]:
    return [
        {
            "key": one.key,
            "piece": {
                "w": one.piece.width_in16,
                "d": one.piece.depth_in16,
                "h": one.piece.height_in16,
                "stands": one.piece.stands,
            },
            "put": {"x": one.x_in16, "y": one.y_in16, "turn": one.turn_deg, "on": one.on, "up": one.up_in16},
        }
        for one in arrangement.placed
    ]


def test_the_device_tells_overlaps_and_bounds_as_shapely_does(browser: Browser, hall: Served) -> None:
    rng = random.Random(8)
    sets = [laid(rng) for _ in range(60)]
    booth = {"outline": CORNER, "posts": [POST]}
    with context(browser, hall, "dealer", DESKTOP) as opened:
        page = opened.new_page()
        page.goto(f"{hall.base}/portal/resets/")
        address = f"{hall.base}/static/reset-shapes.js"
        answers = page.evaluate(MODULE, [address, [{"parts": as_parts(one), "booth": booth} for one in sets]])
    floor = shapely.Polygon(CORNER)
    seen = {"overlaps": 0, "apart": 0, "out": 0, "in": 0}
    for arrangement, answer in zip(sets, answers, strict=True):
        told = dict(answer)
        for one in arrangement.placed:
            out = told.get(one.key, {}).get("out", False)
            beyond = one.footprint.difference(floor).union(one.footprint.intersection(shapely.Polygon(POST)))
            if beyond.buffer(-HAIR).area > 0:
                assert out, one
                seen["out"] += 1
            elif beyond.area == 0:
                assert not out, one
                seen["in"] += 1
        for one, other in combinations(arrangement.placed, 2):
            both = other.key in told.get(one.key, {}).get("over", [])
            assert both is (one.key in told.get(other.key, {}).get("over", []))
            low, high = arrangement.bottom_in16(one.key), arrangement.bottom_in16(other.key)
            apart = low >= high + other.piece.height_in16 or high >= low + one.piece.height_in16
            apart |= min(low + one.piece.height_in16, high + other.piece.height_in16) <= 8
            shared = one.footprint.intersection(other.footprint)
            if not apart and shared.buffer(-HAIR).area > 0:
                assert both, (one, other)
                seen["overlaps"] += 1
            elif apart or shared.area == 0:
                assert not both, (one, other)
                seen["apart"] += 1
    assert min(seen.values()) > 30, seen
