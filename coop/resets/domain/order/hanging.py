"""What hangs in the way of what is carried: lower than that is high, over the floor it is carried across."""

from __future__ import annotations

import itertools
from collections.abc import Iterable, Iterator
from typing import Any

import shapely

from coop.core.words import joined
from coop.resets.domain.order.boxes import TOUCH_IN16
from coop.resets.domain.order.moves import How, Move, Pose
from coop.resets.domain.order.straight import size_held
from coop.resets.domain.piece import Arrangement, Piece, turned_box

_TURN_DEG = 5
"""A turn in place is looked at in steps of so many degrees."""


def hanging_notes(moves: Iterable[Move], before: Arrangement, after: Arrangement) -> Iterator[str]:
    """A sentence a piece that hangs in the way. The search sees floor alone: people take a thing off its hook for a moment."""
    pieces = {one.key: one.piece for one in (*before.placed, *after.placed)}
    hung = {one.key: one for one in before.placed if one.piece.stands == "wall" and one.on is None}
    met: dict[str, list[int]] = {}
    for move in moves:
        hung.pop(move.key, None)
        if move.path and hung:
            for floor, height in _carried_over(pieces[move.key], move.path):
                for key, one in hung.items():
                    shape = one.footprint.buffer(-TOUCH_IN16, join_style="mitre")
                    if one.up_in16 < height and floor.intersects(shape) and move.number not in met.setdefault(key, []):
                        met[key].append(move.number)
        if move.placed and move.placed.piece.stands == "wall" and move.placed.on is None:
            hung[move.key] = move.placed
    for key, numbers in met.items():
        if numbers:
            told = joined([str(number) for number in numbers])
            yield (
                f"{pieces[key].name} hangs in the way of {'move' if len(numbers) == 1 else 'moves'} {told}, lower than what is "
                "carried there is high: have it off its hook for that."
            )


def _carried_over(piece: Piece, path: Iterable[Pose]) -> Iterator[tuple[Any, int]]:
    """The floor that each stretch of a way covers, and how high the piece is while it is carried so."""
    for a, b in itertools.pairwise(path):
        width, depth = size_held(piece, b.how)
        turns = [a.turn_deg, *range(min(a.turn_deg, b.turn_deg), max(a.turn_deg, b.turn_deg), _TURN_DEG), b.turn_deg]
        if a.turn_deg == b.turn_deg:
            ends = [turned_box(pose.x_in16, pose.y_in16, width, depth, pose.turn_deg) for pose in (a, b)]
            yield shapely.union_all(ends).convex_hull, _height(piece, b.how)
        else:
            boxes = [turned_box(a.x_in16, a.y_in16, width, depth, turn) for turn in turns]
            yield shapely.union_all(boxes), _height(piece, b.how)


def _height(piece: Piece, how: How) -> int:
    return next((size.height_in16 for size in piece.carried if size.how == how), piece.height_in16)
