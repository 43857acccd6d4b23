"""Van loads: what goes in which trip, and where it stands in the van.

Pieces stand on the van's floor in rows across it, filled from the front wall back, so that each can be carried straight to its
place and out again: nothing is loaded behind something that has to go first. Nothing stands on anything else, but boxes in
columns, so what is heavy is low. On the way out the first out of the booth is the first in the van; on the way in the first to
come in stands by its doors.

Two questions are answered. In order: each trip takes what comes next, nothing waits, and the fewest trips are found (rows allow
every part of what they take, so taking as much as goes each time is best). Waiting: pieces may wait at the dock for a later trip;
then it is packing into bins, exact for few pieces, else the best of several searches, with a lower bound beside it; and of a trip
the heavy rows stand forward, in any order.

Lengths are sixteenths of an inch, weights ounces. `CAUTION` stands beside what is said here.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from fractions import Fraction
from typing import Literal

from coop.core.geometry import format_length, format_sqft, rectangle_sqft100
from coop.core.words import joined
from coop.resets.domain.caution import CAUTION
from coop.resets.domain.load_rows import Item, best_rows, item_of, row_length, rows_in_order
from coop.resets.domain.load_rows import Van as Van
from coop.resets.domain.load_trips import least_trips, trips_in_order, trips_waiting
from coop.resets.domain.piece import Piece
from coop.resets.domain.way import OTHER_WAYS, How, if_carried
from coop.resets.domain.weight import format_weight

Direction = Literal["out", "in"]

BOXES_HIGH = 4
"""Boxes on one another at most: common practice, no source."""


@dataclass(frozen=True)
class Spot:
    """Where a piece stands, padded: from the van's left wall and from its front wall."""

    key: str
    name: str
    how: How
    x_in16: int
    y_in16: int
    width_in16: int
    length_in16: int


@dataclass(frozen=True)
class Trip:
    """`spots` in the order they are loaded; unloaded in the reverse."""

    number: int
    spots: tuple[Spot, ...]
    weight_oz: int
    """Of what was weighed."""
    used_in16: int
    """Of the van's length."""
    notes: tuple[str, ...] = ()

    @property
    def keys(self) -> tuple[str, ...]:
        return tuple(spot.key for spot in self.spots)


@dataclass(frozen=True)
class Left:
    """A piece no trip can take, and why, with the mend."""

    key: str
    sentence: str


@dataclass(frozen=True)
class Loads:
    trips: tuple[Trip, ...]
    left: tuple[Left, ...]
    least: int
    """No fewer trips are possible, whatever waits."""
    proven: bool
    """That no fewer trips do it by the rule asked for."""
    waits: tuple[str, ...]
    """Keys of what waits at the dock (on the way in: beside the booth) while another trip goes."""
    sentence: str
    cautions: tuple[str, ...] = (CAUTION,)


def loads(pieces: Sequence[Piece], van: Van, *, direction: Direction = "out", may_wait: bool = False) -> Loads:
    """The trips for pieces in the order they come out, or go in.

    Raises ValueError for a van without a floor or a piece given twice.
    """
    if min(van.width_in16, van.length_in16, van.height_in16) <= 0:
        raise ValueError("A van has a width, a length and a height.")
    if len({piece.key for piece in pieces}) != len(pieces):
        raise ValueError("A piece is loaded twice.")
    items, left = [], []
    for piece in pieces:
        item = item_of(piece, van)
        why = _why_left(piece, item, van)
        if why:
            left.append(Left(piece.key, why))
        else:
            items.append(item)
    least = least_trips(items, van)
    groups, proven = trips_in_order(items, van), True
    if may_wait and len(groups) > least:
        groups, exact = trips_waiting(items, groups, least, van)
        proven = exact or len(groups) == least
    order = {item.piece.key: n for n, item in enumerate(items)}
    trips = tuple(_trip(number, group, van, direction, order, may_wait) for number, group in enumerate(groups, start=1))
    waits = _waits(groups, order, direction)
    fewest = (
        f"; {least} at least, fewer were not found"
        if not proven
        else ", the fewest"
        if may_wait
        else ", the fewest in this order"
    )
    return Loads(trips, tuple(left), least, proven, waits, _sentence(trips, items, waits, fewest, van))


def _why_left(piece: Piece, item: Item, van: Van) -> str:
    if not item.stands:
        size = f"{format_length(piece.width_in16)} x {format_length(piece.depth_in16)} x {format_length(piece.height_in16)}"
        floor = f"{format_length(van.width_in16)} x {format_length(van.length_in16)} x {format_length(van.height_in16)}"
        begin = f"{piece.name} ({size}) does not fit in {van.name} ({floor}) padded, in any way it may be carried."
        for how, said in OTHER_WAYS:
            if not any(one.how == how for one in piece.carried) and item_of(if_carried(piece, how), van).stands:
                return f"{begin} It would fit {said}: say that it may be carried so, if it may, or take a larger van."
        return f"{begin} Take parts off it and give the size it has then, or take a larger van."
    if van.payload_oz is not None and item.weight_oz > van.payload_oz:
        return (
            f"{piece.name} is {format_weight(item.weight_oz)} and {van.name} carries {format_weight(van.payload_oz)}. "
            "Take it in parts, or take a larger van."
        )
    return ""


def _trip(number: int, group: list[Item], van: Van, direction: Direction, order: dict[str, int], may_wait: bool) -> Trip:
    if not may_wait:
        rows = rows_in_order(group if direction == "out" else group[::-1], van.width_in16)
    elif direction == "out":
        rows = sorted(best_rows(group, van), key=lambda row: -sum(item.weight_oz for item, *_ in row))
    else:
        rows = sorted(best_rows(group, van), key=lambda row: -max(order[item.piece.key] for item, *_ in row))
    spots, y = [], 0
    for row in rows:
        x = 0
        for item, width, length, how in row:
            spots.append(Spot(item.piece.key, item.piece.name, how, x, y, width, length))
            x += width
        y += row_length(row)
    return Trip(number, tuple(spots), sum(item.weight_oz for item in group), y, _notes(group, spots, van))


def _notes(group: Sequence[Item], spots: Sequence[Spot], van: Van) -> tuple[str, ...]:
    notes = []
    unweighed = [item.piece.name for item in group if item.piece.weight_oz is None]
    if unweighed:
        notes.append(
            f"Weigh {joined(unweighed)}: the load of {van.name} was judged without {'it' if len(unweighed) == 1 else 'them'}."
        )
    elif van.payload_oz is None:
        notes.append(
            f"Look up what {van.name} may carry: {format_weight(sum(item.weight_oz for item in group))} were not judged."
        )
    glass = [item.piece.name for item in group if item.piece.glass]
    if glass:
        notes.append(f"{joined(glass)}: glass, on edge, padded on both sides and strapped, never laid flat.")
    where = {spot.key: spot for spot in spots}
    total = sum(item.weight_oz for item in group)
    moment = sum(
        item.weight_oz * Fraction(2 * where[item.piece.key].y_in16 + where[item.piece.key].length_in16, 2) for item in group
    )
    if not unweighed and total and moment > total * Fraction(van.length_in16, 2):
        heaviest = max(group, key=lambda item: item.weight_oz).piece.name
        notes.append(
            f"Most of the weight stands behind the middle of {van.name}: load {heaviest} further forward if the order allows."
        )
    return tuple(notes)


def _waits(groups: Sequence[Sequence[Item]], order: dict[str, int], direction: Direction) -> tuple[str, ...]:
    """On the way out, what moves before the last piece of an earlier trip; on the way in, what comes before its turn."""
    places = [[order[item.piece.key] for item in group] for group in groups]
    waits = []
    for n, group in enumerate(groups):
        before = [place for each in places[:n] for place in each]
        after = [place for each in places[n + 1 :] for place in each]
        for item in group:
            place = order[item.piece.key]
            if place < max(before, default=-1) if direction == "out" else place > min(after, default=len(order)):
                waits.append(item.piece.key)
    return tuple(waits)


def _sentence(trips: Sequence[Trip], items: Sequence[Item], waits: Sequence[str], fewest: str, van: Van) -> str:
    if not trips:
        return f"Nothing goes in {van.name}."
    pieces = "1 piece" if len(items) == 1 else f"{len(items)} pieces"
    count = "1 trip" if len(trips) == 1 else f"{len(trips)} trips"
    fewest = "" if len(trips) == 1 else fewest
    said = f"{count} of {van.name} for {pieces}{fewest}."
    if waits:
        floor = sum(
            rectangle_sqft100(item.piece.width_in16, item.piece.depth_in16) for item in items if item.piece.key in set(waits)
        )
        names = joined([item.piece.name for item in items if item.piece.key in set(waits)])
        said += f" {names} {'waits' if len(waits) == 1 else 'wait'} while another trip goes: {format_sqft(floor)} sq ft of floor."
    return said


def box_columns(count: int, size_in16: tuple[int, int, int], van: Van, *, weight_each_oz: int | None = None) -> tuple[Piece, ...]:
    """Boxes as they stand in a van, in columns, each a piece like another. Raises ValueError for a box higher than the van."""
    width, depth, height = size_in16
    high = min(BOXES_HIGH, van.height_in16 // height)
    if high < 1:
        raise ValueError("A box is higher than the van.")
    columns = []
    for first in range(1, count + 1, high):
        last = min(first + high - 1, count)
        name = f"Box {first}" if first == last else f"Boxes {first} to {last}"
        weight = None if weight_each_oz is None else weight_each_oz * (last - first + 1)
        columns.append(Piece(f"boxes-{first}", name, width, depth, height * (last - first + 1), weight))
    return tuple(columns)
