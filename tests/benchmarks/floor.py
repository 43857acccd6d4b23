"""A mall of 300 booths back to back in rows, judged whole, as drawn and turned; and one with a piece in every aisle."""

from __future__ import annotations

import math
import time
from collections.abc import Callable

from coop.floor.domain.findings import clear_after, judge_plan
from coop.floor.domain.plan import Aisle, Door, Fixture, Plan, PlanSpace, checked_plan
from tests.unit.floor.domain.drawing import turned

FOOT = 192


def rectangle(x: int, y: int, width: int, depth: int) -> tuple[tuple[int, int], ...]:
    return ((x, y), (x + width, y), (x + width, y + depth), (x, y + depth))


def mall_plan(booths: int = 300, *, aisle: int = 48 * 16) -> Plan:
    """Double rows of 20 booths of 10 by 8 ft, aisles between, a way of 5 ft round all, two exits, a post by every third row."""
    rows, across = math.ceil(booths / 40), 20
    way, width, depth = 5 * FOOT, 10 * FOOT, 8 * FOOT
    total = (2 * way + across * width, 2 * way + rows * 2 * depth + (rows - 1) * aisle)
    spaces, aisles, fixtures = [], [], []
    for row in range(rows):
        y = way + row * (2 * depth + aisle)
        for n in range(2 * across):
            if len(spaces) < booths:
                side, at = divmod(n, across)
                spaces.append(PlanSpace(f"{row}-{n}", "booth", rectangle(way + at * width, y + side * depth, width, depth)))
        if row < rows - 1:
            aisles.append(Aisle(f"A{row}", rectangle(way, y + 2 * depth, across * width, aisle)))
        if row % 3 == 0:
            fixtures.append(Fixture(f"P{row}", "post", rectangle(way - 12 * 16, y, 12 * 16, 12 * 16)))
    fixtures.append(Fixture("desk", "counter", rectangle(0, 3 * FOOT, 2 * FOOT, 6 * FOOT), 36 * 16))
    doors = (
        Door("front", ((way, 0), (way + 6 * FOOT, 0)), True),
        Door("back", ((total[0] - way, total[1]), (total[0] - 2 * way, total[1])), True),
    )
    outline = rectangle(0, 0, *total)
    return checked_plan(Plan(outline, (), doors, tuple(aisles), tuple(fixtures), tuple(spaces)))


def bench_floor(row: Callable[[str, str, str], None], *, smoke: bool = False) -> None:
    """Rows of the table: `row(what, figure, note)`."""
    booths = 40 if smoke else 300
    plan = mall_plan(booths)
    way = 5 * FOOT
    pieces = [rectangle(way + 8 * FOOT, corners[0][1], 3 * FOOT, 14 * 16) for corners in (a.outline for a in plan.aisles)]
    for what, body in (
        (f"judging the plan of {booths} booths", lambda: judge_plan(plan)),
        ("the same, turned by 30 degrees", lambda: judge_plan(turned(plan, 30))),
        ("the same, aisles of 32 in. with nowhere to go", lambda: judge_plan(mall_plan(booths, aisle=32 * 16))),
        ("whether a piece in every aisle leaves all clear", lambda: clear_after(plan, pieces)),
    ):
        begun = time.perf_counter()
        found = body()
        row(what, f"{time.perf_counter() - begun:.2f} s", f"{len(found)} findings")
