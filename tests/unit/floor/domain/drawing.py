"""Plans drawn in inches for the tests, and turned."""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import replace

from coop.floor.domain.plan import Door, Fixture, Outline, Plan, PlanSpace

TURNS = (0, 30, 90, 163)
"""Degrees by which a plan is turned: what held still holds. Its corners are rounded, so figures may be two sixteenths off."""


def in16(inches: float) -> int:
    return round(inches * 16)


def outline(*corners: tuple[float, float]) -> Outline:
    return tuple((in16(x), in16(y)) for x, y in corners)


def box(x: float, y: float, width: float, depth: float) -> Outline:
    return outline((x, y), (x + width, y), (x + width, y + depth), (x, y + depth))


def things(*outlines: Outline) -> tuple[Fixture, ...]:
    return tuple(Fixture(f"F{n}", "other", shape) for n, shape in enumerate(outlines))


def hall(width: float, length: float, *outlines: Outline, spaces: Iterable[PlanSpace] = ()) -> Plan:
    """A hall from an exit W to an exit E as wide as itself, with things in it."""
    doors = (
        Door("W", outline((0, 0), (0, width)), True),
        Door("E", outline((length, 0), (length, width)), True),
    )
    return Plan(box(0, 0, length, width), doors=doors, fixtures=things(*outlines), spaces=tuple(spaces))


def turned(plan: Plan, degrees: int) -> Plan:
    """The plan turned about the origin, its corners rounded to whole sixteenths."""
    c, s = math.cos(math.radians(degrees)), math.sin(math.radians(degrees))

    def turn(points: Outline) -> Outline:
        return tuple((round(x * c - y * s), round(x * s + y * c)) for x, y in points)

    return replace(
        plan,
        outline=turn(plan.outline),
        walls=tuple(replace(part, points=turn(part.points)) for part in plan.walls),
        doors=tuple(replace(part, points=turn(part.points)) for part in plan.doors),
        aisles=tuple(replace(part, outline=turn(part.outline)) for part in plan.aisles),
        fixtures=tuple(replace(part, outline=turn(part.outline)) for part in plan.fixtures),
        spaces=tuple(replace(part, outline=turn(part.outline)) for part in plan.spaces),
    )
