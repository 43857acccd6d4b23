"""Taking pieces off a floor one after the other, whichever can go first, until nothing can.

Taking one away only frees floor. So the order of those that can go does not matter to what is left, what is left in the end is
the same whatever went first, and a set that comes goes in by the reverse of its way out.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass
from typing import cast

from coop.resets.domain.order.boxes import Spot
from coop.resets.domain.order.reach import Effort, Goal, Out, Reach, Way
from coop.resets.domain.piece import Piece


@dataclass(frozen=True)
class Removed:
    key: str
    way: Way
    standing: frozenset[Spot]
    """What still stood while it went."""


@dataclass(frozen=True)
class Removal:
    gone: tuple[Removed, ...]
    stuck: frozenset[str]


def remove_all(
    reach: Reach,
    pieces: Mapping[str, Piece],
    spots: Mapping[str, Spot],
    others: Iterable[Spot],
    effort: Effort,
    goal_of: Callable[[str], Goal] = lambda key: Out(),
    rest_of: Callable[[str], frozenset[Spot]] = lambda key: frozenset(),
) -> Removal:
    """Take off every piece of `spots` that can go, past each other and past `others`, which stay.

    More effort is spent only when nothing goes with less. `goal_of` says where a piece goes, `rest_of` which of the others are
    not there for it (its own place on staging floor). Pieces are tried in the order of `spots`.
    """
    left = dict(spots)
    fixed = frozenset(others)
    gone: list[Removed] = []
    level = 0
    while left and level <= effort:
        before = len(gone)
        for key in list(left):
            standing = (fixed - rest_of(key)) | {spot for other, spot in left.items() if other != key}
            way = reach.way(pieces[key], left[key], goal_of(key), standing, cast(Effort, level))
            if way:
                gone.append(Removed(key, way, standing))
                del left[key]
                if level:
                    break
        level = 0 if len(gone) > before else level + 1
    return Removal(tuple(gone), frozenset(left))
