"""What two sets differ in, piece by piece, and what two measurings of a booth differ in: in words."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Literal, get_args

from coop.core.geometry import format_length
from coop.resets.domain.booth import Booth
from coop.resets.domain.fit.scene import side_names
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


# --- two measurings -----------------------------------------------------------------------------------------------------------


def what_differs(old: Booth, new: Booth) -> list[str]:
    """A sentence for each thing that is not as it was measured before; none where nothing is."""
    return list(_differences(old, new))


def _differences(old: Booth, new: Booth) -> Iterator[str]:
    for word, axis in (("wide", 0), ("deep", 1)):
        was, now = _extent(old, axis), _extent(new, axis)
        if was != now:
            yield f"It is {format_length(now)} {word}, not {format_length(was)}."
    same_size = all(_extent(old, axis) == _extent(new, axis) for axis in (0, 1))
    if same_size and old.outline != new.outline:
        yield "Its corners lie elsewhere."
    if len(old.sides) == len(new.sides):
        names = side_names(new)
        for n, (before, after) in enumerate(zip(old.sides, new.sides, strict=True)):
            if before.kind != after.kind:
                yield f"Side {n + 1} is {_KIND_WORDS[after.kind]}, not {_KIND_WORDS[before.kind]}."
            elif before.hooks != after.hooks:
                yield f"{_begun(names[n])} takes {'hooks' if after.hooks else 'no hooks'} now."
            elif before.height_in16 != after.height_in16:
                yield _measured_otherwise(names[n], "high", before.height_in16, after.height_in16)
    else:
        yield f"It has {len(new.sides)} sides, not {len(old.sides)}."
    if set(old.posts) != set(new.posts):
        yield f"It has {_counted(len(new.posts), 'post')} in other places; before it had {_counted(len(old.posts), 'post')}."
    if set(old.outlets) != set(new.outlets):
        yield "Its outlets are elsewhere."
    if old.height_limit_in16 != new.height_limit_in16:
        yield f"Things may be {_limit(new.height_limit_in16)}, not {_limit(old.height_limit_in16)}."
    if old.way_in16 != new.way_in16:
        yield f"The way inside must be {format_length(new.way_in16)} wide, not {format_length(old.way_in16)}."
    if old.aisle_in16 != new.aisle_in16:
        yield _measured_otherwise("the aisle before it", "deep", old.aisle_in16 or None, new.aisle_in16 or None)


_KIND_WORDS = {"open": "open", "wall": "a wall", "window": "a window", "neighbour": "the neighbor’s"}


def _begun(words: str) -> str:
    return words[:1].upper() + words[1:]


def _extent(booth: Booth, axis: int) -> int:
    values = [corner[axis] for corner in booth.outline]
    return max(values) - min(values)


def _measured_otherwise(what: str, word: str, was: int | None, now: int | None) -> str:
    """Of a length that is not as before, where None is one that nobody measured."""
    if now is None:
        return f"How {word} {what} is was not measured this time; it was {format_length(was or 0)}."
    return f"{_begun(what)} is {format_length(now)} {word}" + (
        f", not {format_length(was)}." if was else "; nobody had measured it."
    )


def _limit(length_in16: int | None) -> str:
    return "as high as one likes" if length_in16 is None else f"{format_length(length_in16)} high"


def _counted(count: int, word: str) -> str:
    return f"no {word}s" if count == 0 else f"one {word}" if count == 1 else f"{count} {word}s"
