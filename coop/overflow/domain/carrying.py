"""What stands in bays when they are cut anew: where a place lies in another bay, and which bay there was another goes on from."""

from __future__ import annotations

from collections.abc import Container, Iterable, Sequence
from dataclasses import replace

import shapely
from shapely.geometry import LineString, Polygon

from coop.core.geometry import IN16_PER_INCH
from coop.floor.domain.plan import Outline
from coop.floor.domain.walkable import Walkable
from coop.overflow.domain.across import NEAR_IN16, edge_between
from coop.overflow.domain.bay import Bay

_BEHIND_IN16 = 2 * IN16_PER_INCH
_ROUNDED_IN16 = 1
"""Depths are rounded to sixteenths: a bay this much shallower holds what it held."""


def place_in(bay: Bay, old: Bay, from_in16: int, to_in16: int, depth_in16: int) -> int | None:
    """From where along a bay there stands what stands in another, so deep; None where it does not lie wholly within, at its back.

    All that stands in the old one goes on by as much: what did not overlap does not.
    """
    edge = edge_between(bay.corners[0], bay.corners[1], bay.corners[3])
    line = LineString([*old.stretch(from_in16, to_in16, depth_in16), old.corners[0]])
    (begin, near), (end, far), *_, (start, _) = shapely.get_coordinates(edge.seen(line)).tolist()
    begins = from_in16 + round(start)
    is_within = begins >= 0 and begins + to_in16 - from_in16 <= bay.length_in16 and depth_in16 <= bay.depth_in16 + _ROUNDED_IN16
    is_at_back = begin < end and max(abs(near), abs(far)) <= NEAR_IN16
    return begins if is_within and is_at_back else None


def recoded(bays: Sequence[Bay], before: Iterable[Bay], fixed: Container[str]) -> tuple[Bay, ...]:
    """New bays with the code of the bay of their aisle that was there before, whoever shares most floor with it first.

    Codes in `fixed` are taken, and bays that have them keep them.
    """
    there = [old for old in before if old.code not in fixed]
    shared = [(_shared(bay, old), bay, old) for bay in bays if bay.code not in fixed for old in there if bay.aisle == old.aisle]
    codes: dict[str, str] = {}
    for area, bay, old in sorted(shared, key=lambda each: (-each[0], each[1].code, each[2].code)):
        if area and bay.code not in codes and old.code not in codes.values():
            codes[bay.code] = old.code
    return tuple(replace(bay, code=codes.get(bay.code, bay.code)) for bay in bays)


def backed(walkable: Walkable, bay: Bay) -> Bay:
    """A bay with what is behind it now: most of its back decides, and the room's own edge is a wall."""
    edge = edge_between(bay.corners[0], bay.corners[1], bay.corners[3])
    strip = edge.box(0, -_BEHIND_IN16, edge.length, 0)
    things = [("wall", "", shape) for _, shape in walkable.walls]
    things += [("fixture", "", shape) for _, shape in walkable.fixtures]
    things += [("booth", space.code, shape) for space, shape in walkable.spaces]
    found = [(float(shape.intersection(strip).area), backing, code) for backing, code, shape in things]
    most, backing, before = max(found, key=lambda each: each[0], default=(0.0, "wall", ""))
    return replace(bay, backing=backing, before=before) if most else replace(bay, backing="wall", before="")


def goes_on_from(bay: Bay, before: Iterable[Bay]) -> Bay | None:
    """The bay with which another shares most floor; None for none."""
    most, old = max(((_shared(bay, old), old) for old in before), key=lambda each: each[0], default=(0, None))
    return old if most else None


def held_by(bays: Iterable[Bay], outlines: Iterable[Outline]) -> set[Outline]:
    """Of what stands, what lies wholly within one of some bays."""
    rooms = [Polygon(bay.corners).buffer(NEAR_IN16, join_style="mitre") for bay in bays]
    return {outline for outline in outlines if any(room.covers(Polygon(outline)) for room in rooms)}


def _shared(bay: Bay, other: Bay) -> float:
    return float(Polygon(bay.corners).intersection(Polygon(other.corners)).area)
