"""Malls at random, small, with aisles wide enough for bays: rows of booths, cases, posts, counters, walls and doors."""

from __future__ import annotations

import random
from dataclasses import replace

import numpy as np
import shapely
from shapely.geometry import Polygon

from coop.floor.domain.plan import Aisle, Door, Fixture, Plan, PlanSpace, Wall, checked_plan
from coop.floor.domain.walkable import Geometry
from coop.overflow.domain.keepouts import Opening
from tests.unit.floor.domain.drawing import TURNS, box, outline, turned


def random_mall(seed: int) -> Plan:
    """The same for the same seed. One or two aisles between rows of booths, a way across at either end; maybe turned."""
    chance = random.Random(seed)
    left, right = chance.choice((60, 72, 90)), chance.choice((60, 66, 84))
    long = chance.choice((180, 216, 260))
    aisles: list[Aisle] = []
    spaces: list[PlanSpace] = []
    fixtures: list[Fixture] = []
    y = 0
    for row in range(chance.choice((1, 2))):
        y = _row(chance, row, left, y, long, spaces)
        wide = chance.choice((52, 60, 66, 78, 90, 108))
        required = chance.choice((None, None, 40 * 16, 44 * 16))
        aisles.append(Aisle(f"A{row}", box(left, y, long, wide), required))
        if chance.random() < 0.3:
            fixtures.append(Fixture(f"P{row}", "post", box(left + chance.randrange(0, long - 12), y, 8, 8)))
        if wide >= 90 and chance.random() < 0.3:
            at = left + chance.randrange(40, long - 100)
            spaces.append(PlanSpace(f"C{row}", "case", box(at, y + wide // 2 - 8, 60, 16)))
        y += wide
    if chance.random() < 0.6:
        y = _row(chance, 9, left, y, long, spaces)
    total = left + long + right
    aisles += [Aisle("W", box(0, 0, left, y)), Aisle("E", box(left + long, 0, right, y))]
    doors = [Door("front", outline((0, y - 60), (0, y - 20)), True)]
    at = chance.randrange(10, y - 60)
    doors.append(Door("back", outline((total, at), (total, at + chance.choice((36, 44, 48)))), chance.random() < 0.7))
    if chance.random() < 0.5:
        fixtures.append(Fixture("X", "extinguisher", box(0, chance.randrange(10, y - 70), 8, 8)))
    if left >= 90 and chance.random() < 0.5:
        fixtures.append(Fixture("desk", "counter", box(0, 0, 24, 48), 36 * 16))
    walls = (Wall("w", outline((left + long, 0), (left + long, 70)), 64),) if chance.random() < 0.3 else ()
    least = chance.choice((36, 36, 40)) * 16
    plan = Plan(box(0, 0, total, y), walls, tuple(doors), tuple(aisles), tuple(fixtures), tuple(spaces), least)
    return checked_plan(turned(plan, chance.choice((0, 0, *TURNS))))


def _row(chance: random.Random, row: int, left: int, y: int, long: int, spaces: list[PlanSpace]) -> int:
    """Booths in a row, single or back to back, maybe with one left out; the y where they end."""
    deep = chance.choice((30, 60, 72))
    for back in range(chance.choice((1, 2))):
        x = 0
        for n in range(20):
            wide = min(chance.choice((60, 72, 96, 120)), long - x)
            if long - x - wide < 48:
                wide = long - x
            if chance.random() < 0.9:
                spaces.append(PlanSpace(f"{row}{'ab'[back]}{n}", "booth", box(left + x, y, wide, deep)))
            x += wide
            if x >= long:
                break
        y += deep
    return y


def changed_elsewhere(plan: Plan, chance: random.Random) -> tuple[Plan, tuple[Opening, ...], Geometry]:
    """A plan with one thing in it changed, the openings that were said, and where that is."""
    booth = chance.choice([space for space in plan.spaces if space.kind == "booth"])
    aisle = chance.choice(plan.aisles)
    kind = chance.choice(("booth", "opening", "width", "post", "extinguisher"))
    if kind == "booth":
        return replace(plan, spaces=tuple(one for one in plan.spaces if one is not booth)), (), Polygon(booth.outline)
    if kind == "opening":
        side = chance.randrange(len(booth.outline))
        far = int(np.hypot(*np.subtract(booth.outline[side], booth.outline[(side + 1) % len(booth.outline)])))
        wide = min(36 * 16, far)
        return plan, (Opening(booth.code, side, chance.randrange(far - wide + 1), wide),), Polygon(booth.outline)
    if kind == "width":
        wider = replace(aisle, required_clear_in16=chance.choice((40, 44, 48, 56)) * 16)
        return replace(plan, aisles=tuple(wider if one is aisle else one for one in plan.aisles)), (), Polygon(aisle.outline)
    low_x, low_y, high_x, high_y = (int(at) for at in Polygon(aisle.outline).bounds)
    held = shapely.union_all([Polygon(one.outline) for one in (*plan.spaces, *plan.fixtures)])
    for _ in range(50):
        x, y = chance.randrange(low_x, high_x - 128), chance.randrange(low_y, high_y - 128)
        thing = Fixture("N", kind, box(x / 16, y / 16, 8, 8))
        shape = Polygon(thing.outline)
        if Polygon(plan.outline).covers(shape) and not shape.intersects(held):
            return replace(plan, fixtures=(*plan.fixtures, thing)), (), shape
    return plan, (), Polygon(aisle.outline)
