"""What an order is made of: poses, moves, the order itself, and the knot where there is none."""

from __future__ import annotations

from collections.abc import MutableMapping
from dataclasses import dataclass, field
from typing import Literal, NamedTuple, get_args

from coop.resets.domain.order.ground import Ground, Handling
from coop.resets.domain.piece import Arrangement, Placed

MoveKind = Literal["out", "in", "shift", "stage"]
MOVE_KINDS: tuple[MoveKind, ...] = get_args(MoveKind)
"""Carried out; carried in (from outside or from staging); straight from its place to its next one; out to staging floor."""

How = Literal["upright", "tilted", "on end", "parts off", "by hand"]
HOWS: tuple[How, ...] = get_args(How)
"""`by hand`: lifted off what it stands on, or off its hook; it needs no floor to be pushed over."""


class Pose(NamedTuple):
    """Where a piece's middle is and how it is turned, while it is carried as `how` says from here on.

    Between two poses the piece is pushed straight with its turn unchanged, or turned in place the way the figures go
    (they may run below 0 or past 360); where only `how` changes, it is tilted, stood up, or its parts come off there.
    """

    x_in16: int
    y_in16: int
    turn_deg: int
    how: How = "upright"


class Staged(NamedTuple):
    """A piece waiting on staging floor: in which area, and where there (None: by hand, or nobody measured the area)."""

    key: str
    area: str
    x_in16: int | None = None
    y_in16: int | None = None
    turn_deg: int = 0


@dataclass(frozen=True)
class Move:
    """`path` is empty for what goes by hand. It ends at the exit for what leaves; for staging elsewhere too."""

    number: int
    key: str
    kind: MoveKind
    how: How
    path: tuple[Pose, ...]
    from_: str
    """"booth", "outside", or the name of a staging area."""
    to: str
    after: tuple[str, ...]
    """Keys of what stood on it and was lifted off first."""
    sentence: str
    placed: Placed | None = None
    """Where it stands in the booth after the move."""
    staged: Staged | None = None
    """Where it waits after the move."""


def take_move(
    standing: MutableMapping[str, Placed],
    waiting: MutableMapping[str, Staged],
    key: str,
    placed: Placed | None,
    staged: Staged | None,
) -> None:
    """Have a piece where its move brings it: out of what stands and what waits, then in one of them, or gone. Both by key."""
    standing.pop(key, None)
    waiting.pop(key, None)
    if placed:
        standing[key] = placed
    if staged:
        waiting[key] = staged


@dataclass(frozen=True)
class Order:
    """The moves of a reset, in order.

    `staged` counts how often a floor piece is put on staging floor because pieces block each other; `bound` is the least number
    any order needs, as far as was shown; `proven` says that they are equal. Proven means: for whatever can be told at the grid's
    fineness (see `Handling`), with pieces moved one at a time and nowhere parked but on staging floor.
    """

    moves: tuple[Move, ...]
    staged: int
    bound: int
    proven: bool
    ground: Ground
    before: Arrangement
    after: Arrangement
    waiting: tuple[Staged, ...] = ()
    """What waited on staging floor when the order began (a replanned one)."""
    fixed: frozenset[str] = frozenset()
    handling: Handling = field(default_factory=Handling)
    notes: tuple[str, ...] = ()
    """What people should know and no move says."""

    def piece_names(self) -> dict[str, str]:
        return {one.key: one.piece.name for one in (*self.before.placed, *self.after.placed)}


@dataclass(frozen=True)
class Knot:
    """No order exists: the fewest pieces that block each other (dropping any of them loosens it), and what mends it."""

    pieces: tuple[str, ...]
    sentence: str
