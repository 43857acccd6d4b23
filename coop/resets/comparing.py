"""What two sets differ in, piece by piece, in words; and where a tape finds a piece."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal, get_args

from coop.core.geometry import format_length
from coop.resets.domain.booth import Booth
from coop.resets.domain.piece import Arrangement, Placed, turned_box

What = Literal["comes", "goes", "moves", "stays"]
WHATS: tuple[What, ...] = get_args(What)


@dataclass(frozen=True)
class Difference:
    """What becomes of a piece from one set to another, and where it is in each; empty where it is not in it."""

    key: str
    name: str
    what: What
    before: str = ""
    after: str = ""


def compare_sets(booth: Booth, before: Arrangement, after: Arrangement) -> list[Difference]:
    """Every piece of either set: those that come first, then those that go, move, stay; each by name."""
    found = []
    for key in {one.key for one in (*before.placed, *after.placed)}:
        was, will = before.get(key), after.get(key)
        here = _where(booth, before, was) if was else ""
        there = _where(booth, after, will) if will else ""
        if was is None and will is not None:
            found.append(Difference(key, will.piece.name, "comes", here, there))
        elif will is None and was is not None:
            found.append(Difference(key, was.piece.name, "goes", here, there))
        elif was is not None and will is not None:
            moves = _spot(was) != _spot(will)
            found.append(Difference(key, will.piece.name, "moves" if moves else "stays", here, there))
    return sorted(found, key=lambda one: (WHATS.index(one.what), one.name.casefold(), one.key))


def _spot(one: Placed) -> tuple[object, ...]:
    return one.x_in16, one.y_in16, one.turn_deg % 360, one.on, one.up_in16


def _where(booth: Booth, arrangement: Arrangement, one: Placed) -> str:
    left, back = from_left_and_back(booth, one)
    said = f"{format_length(left)} from the left, {format_length(back)} from the back"
    if one.turn_deg % 360:
        said += f", turned {one.turn_deg % 360}°"
    below = arrangement.get(one.on) if one.on is not None else None
    if below is not None:
        return f"{said}, on {below.piece.name}"
    return f"{said}, {format_length(one.up_in16)} up" if one.up_in16 else said


def box_of(width_in16: int, depth_in16: int, turn_deg: int) -> tuple[int, int]:
    """Width and depth of the upright box around a turned rectangle, to the nearest sixteenth."""
    if turn_deg % 180 == 0:
        return width_in16, depth_in16
    if turn_deg % 180 == 90:
        return depth_in16, width_in16
    left, top, right, bottom = turned_box(0, 0, width_in16, depth_in16, turn_deg).bounds
    return round(right - left), round(bottom - top)


def from_left_and_back(booth: Booth, one: Placed) -> tuple[int, int]:
    """How far the box around a piece is from the leftmost and the hindmost of its booth: what a tape measures."""
    left, back = min(x for x, _ in booth.outline), min(y for _, y in booth.outline)
    width, depth = box_of(one.piece.width_in16, one.piece.depth_in16, one.turn_deg)
    return one.x_in16 - width // 2 - left, one.y_in16 - depth // 2 - back
