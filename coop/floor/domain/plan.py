"""A mall's floor plan as a value: what is drawn on it, and what is wrong with how it is drawn.

Lengths are whole sixteenths of an inch; x runs right and y up or down, as the drawing likes: nothing here depends on it.

What stands on the floor: booths and cases always, so they have an outline, and two of them never share floor. A shelf or a wall
space hangs or stands against something: it may have no outline at all (then it is not judged), may lie within a booth or share
its outline with other shelves of one bookcase; whatever of its outline no booth or case covers stands on the floor.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import NamedTuple

from shapely.geometry import LineString, Polygon
from shapely.validation import explain_validity

Point = tuple[int, int]
Outline = tuple[Point, ...]

SPACE_KINDS = ("booth", "case", "shelf", "wall")
STANDING_KINDS = ("booth", "case")
FIXTURE_KINDS = ("post", "counter", "extinguisher", "other")
LEAST_CLEAR_IN16 = 36 * 16
"""2010 ADA Standards 403.5.1."""
_LONGEST_IN16 = 10_000 * 12 * 16


class Part(NamedTuple):
    """A thing on the plan, by its kind in words (booth, case, wall, door, aisle, post ...) and its code."""

    kind: str
    code: str

    def __str__(self) -> str:
        return f"{self.kind} {self.code}".strip()


@dataclass(frozen=True)
class PlanSpace:
    """A rented space. `open_sides` are the sides customers come in by: side n runs from corner n to the next; None means any."""

    code: str
    kind: str
    outline: Outline = ()
    open_sides: tuple[int, ...] | None = None


@dataclass(frozen=True)
class Wall:
    """A line of two or more points with a thickness, or, where the thickness is None, the corners of its outline."""

    code: str
    points: Outline
    thickness_in16: int | None = None


@dataclass(frozen=True)
class Door:
    """An opening: its two ends, or its outline in the wall. It opens every wall it lies in. An exit leads out of the mall."""

    code: str
    points: Outline
    is_exit: bool = False


@dataclass(frozen=True)
class Aisle:
    """Floor that is to be walked, with the clear width it must keep; None means the plan's."""

    code: str
    outline: Outline
    required_clear_in16: int | None = None


@dataclass(frozen=True)
class Fixture:
    """A post, counter, fire extinguisher or other thing on the floor that is not rented. A counter's height is its surface's."""

    code: str
    kind: str
    outline: Outline
    height_in16: int | None = None


@dataclass(frozen=True)
class Plan:
    """A floor within its outline. Build it freely, then have it checked: everything else here expects a checked plan."""

    outline: Outline
    walls: tuple[Wall, ...] = ()
    doors: tuple[Door, ...] = ()
    aisles: tuple[Aisle, ...] = ()
    fixtures: tuple[Fixture, ...] = ()
    spaces: tuple[PlanSpace, ...] = ()
    required_clear_in16: int = LEAST_CLEAR_IN16

    @property
    def exits(self) -> tuple[Door, ...]:
        return tuple(door for door in self.doors if door.is_exit)


@dataclass(frozen=True)
class PlanFault:
    """Why a part cannot be drawn: `reason` completes "Booth 14: its outline ...". `part` has no code for the plan itself."""

    part: Part
    field: str
    reason: str

    def __str__(self) -> str:
        name = str(self.part)
        return f"{name[0].upper()}{name[1:]}: its {self.field.replace('_in16', '').replace('_', ' ')} {self.reason}"


class PlanError(ValueError):
    """Every fault of a plan at once, so that all can be mended together."""

    def __init__(self, faults: Sequence[PlanFault]) -> None:
        super().__init__("\n".join(str(fault) for fault in faults))
        self.faults = tuple(faults)


def checked_plan(plan: Plan) -> Plan:
    """The plan itself when every part can be drawn. Raises PlanError with all faults."""
    faults = list(plan_faults(plan))
    if faults:
        raise PlanError(faults)
    return plan


def plan_faults(plan: Plan) -> Iterator[PlanFault]:
    """What cannot be drawn, part by part: crossing or empty outlines, unknown kinds, codes missing or used twice, bad widths."""
    whole = Part("plan", "")
    yield from _outline_faults(whole, plan.outline)
    yield from _clear_faults(whole, plan.required_clear_in16)
    for wall in plan.walls:
        yield from _wall_faults(Part("wall", wall.code), wall)
    for door in plan.doors:
        yield from _line_or_outline_faults(Part("door", door.code), door.points, is_line=len(door.points) == 2)
    for aisle in plan.aisles:
        part = Part("aisle", aisle.code)
        yield from _outline_faults(part, aisle.outline)
        if aisle.required_clear_in16 is not None:
            yield from _clear_faults(part, aisle.required_clear_in16)
    for fixture in plan.fixtures:
        part = Part("fixture", fixture.code)
        if fixture.kind not in FIXTURE_KINDS:
            yield PlanFault(part, "kind", f"is {fixture.kind!r}; it is one of {', '.join(FIXTURE_KINDS)}.")
        yield from _outline_faults(part, fixture.outline)
        if fixture.height_in16 is not None and fixture.height_in16 <= 0:
            yield PlanFault(part, "height_in16", "must be above zero; leave it empty where nobody measured it.")
    for space in plan.spaces:
        yield from _space_faults(Part("space", space.code), space)
    for kind, codes in (
        ("wall", [p.code for p in plan.walls]),
        ("door", [p.code for p in plan.doors]),
        ("aisle", [p.code for p in plan.aisles]),
        ("fixture", [p.code for p in plan.fixtures]),
        ("space", [p.code for p in plan.spaces]),
    ):
        yield from _code_faults(kind, codes)


def _code_faults(kind: str, codes: list[str]) -> Iterator[PlanFault]:
    seen: set[str] = set()
    for place, code in enumerate(codes, 1):
        if not code.strip():
            yield PlanFault(Part(kind, f"no. {place}"), "code", "is empty; give it one.")
        elif code in seen:
            yield PlanFault(Part(kind, code), "code", "is used twice; give one of them another.")
        seen.add(code)


def _space_faults(part: Part, space: PlanSpace) -> Iterator[PlanFault]:
    if space.kind not in SPACE_KINDS:
        yield PlanFault(part, "kind", f"is {space.kind!r}; it is one of {', '.join(SPACE_KINDS)}.")
    if space.outline or space.kind in STANDING_KINDS:
        yield from _outline_faults(part, space.outline)
    if space.open_sides == ():
        yield PlanFault(part, "open_sides", "are none, so nobody could come in; leave them out where any will do.")
    sides = len(space.outline)
    for side in space.open_sides or ():
        if not 0 <= side < sides:
            yield PlanFault(part, "open_sides", f"name side {side}, but its sides are 0 to {sides - 1}.")


def _wall_faults(part: Part, wall: Wall) -> Iterator[PlanFault]:
    if wall.thickness_in16 is not None and wall.thickness_in16 <= 0:
        yield PlanFault(part, "thickness_in16", "must be above zero.")
    yield from _line_or_outline_faults(part, wall.points, is_line=wall.thickness_in16 is not None)


def _line_or_outline_faults(part: Part, points: Outline, *, is_line: bool) -> Iterator[PlanFault]:
    if not is_line:
        yield from _outline_faults(part, points, "points")
    elif fault := _number_fault(points):
        yield PlanFault(part, "points", fault)
    elif len(points) < 2 or any(a == b for a, b in pairwise(points)):
        yield PlanFault(part, "points", "must be two or more different places; two that follow each other are the same.")
    elif not LineString(points).is_simple:
        yield PlanFault(part, "points", "make a line that crosses itself.")


def _outline_faults(part: Part, points: Outline, field: str = "outline") -> Iterator[PlanFault]:
    """At most one: the first that holds is the one to mend."""
    reason = _number_fault(points) or _shape_fault(points)
    if reason:
        yield PlanFault(part, field, reason)


def _number_fault(points: Outline) -> str:
    for point in points:
        if len(point) != 2 or not all(type(value) is int for value in point):
            return f"has the corner {point!r}; write x and y in whole sixteenths of an inch."
        if max(abs(point[0]), abs(point[1])) > _LONGEST_IN16:
            return f"has the corner {point!r}, which is more than two miles away."
    return ""


def _shape_fault(points: Outline) -> str:
    if len(set(points)) < 3:
        return "has fewer than three corners."
    if min(max(axis) - min(axis) for axis in zip(*points, strict=True)) == 0:
        return "has no width or no depth; both must be above zero."
    first, second = points[0], next(point for point in points if point != points[0])
    along = (second[0] - first[0], second[1] - first[1])
    if all(along[0] * (y - first[1]) == along[1] * (x - first[0]) for x, y in points):
        return "has no area; its corners lie on one line."
    shape = Polygon(points)
    return "" if shape.is_valid else f"crosses or touches itself ({explain_validity(shape)}); go round its corners in order."


def _clear_faults(part: Part, required_in16: int) -> Iterator[PlanFault]:
    if required_in16 < LEAST_CLEAR_IN16:
        yield PlanFault(part, "required_clear_in16", "must be 36 in. or more (2010 ADA Standards 403.5.1): 576 sixteenths.")
