"""A set as the plan editor sends it, read strictly, and as it is sent back; and a dropped set as its page keeps it for an undo.

{"version": 3, "pieces": [{"piece": 12, "x_in16": 352, "y_in16": 176, "turn_deg": 0, "on": 7, "up_in16": 0, "locked": false}]}
A place is a piece's middle, in sixteenths of an inch of the booth's own drawing. `turn_deg`, `on`, `up_in16` and `locked` may be
left out: not turned, on the floor or a wall, and free to be moved.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from datetime import date
from typing import Any

from coop.core.checked_json import DAY, FLAG, check, closed, parse_json
from coop.core.geometry import IN16_PER_FOOT
from coop.resets.domain.piece import Piece, Placed

MOST_PIECES = 500
_FARTHEST_IN16 = 1_000 * IN16_PER_FOOT
_MOST_ID = 2**62


@dataclass(frozen=True)
class Put:
    """A piece of a dealer, by the id of its row, and where it is put (`domain/piece.Placed`)."""

    piece_id: int
    x_in16: int
    y_in16: int
    turn_deg: int = 0
    on_piece_id: int | None = None
    up_in16: int = 0
    locked: bool = False


@dataclass(frozen=True)
class SentSet:
    """What the editor sends: the version its set was opened with, and everything put into it."""

    version: int
    puts: tuple[Put, ...]


@dataclass(frozen=True)
class KeptSet:
    """All of a set that is needed to have it again."""

    name: str
    theme: str
    note: str
    starts_on: date
    ends_on: date | None
    puts: tuple[Put, ...]


_LENGTH = {"type": "integer", "minimum": -_FARTHEST_IN16, "maximum": _FARTHEST_IN16, "examples": [352]}
_ID = {"type": "integer", "minimum": 1, "maximum": _MOST_ID, "examples": [12]}
_VERSION = {"type": "integer", "minimum": 0, "maximum": _MOST_ID, "examples": [3]}
_TEXT = {"type": "string", "examples": ["Winter"]}
_PIECES = {
    "type": "array",
    "items": closed(
        {
            "piece": _ID,
            "x_in16": _LENGTH,
            "y_in16": _LENGTH,
            "turn_deg": {"type": "integer", "minimum": 0, "maximum": 359, "examples": [90]},
            "on": _ID,
            "up_in16": {**_LENGTH, "minimum": 0},
            "locked": FLAG,
        },
        ("piece", "x_in16", "y_in16"),
    ),
}
SCHEMA = closed(
    {"version": _VERSION, "pieces": _PIECES}, ("version", "pieces"), "A set of a booth, lengths in sixteenths of an inch"
)
_KEPT = closed(
    {"name": _TEXT, "theme": _TEXT, "note": _TEXT, "starts_on": DAY, "ends_on": DAY, "pieces": _PIECES},
    ("name", "theme", "note", "starts_on", "pieces"),
)


def read_sent(text: str) -> SentSet:
    """What the editor sent. Raises ValueError with a sentence that names the path of the first thing wrong."""
    value = parse_json(text)
    check(value, SCHEMA)
    return SentSet(value["version"], _puts(value))


def read_kept(text: str) -> KeptSet:
    """A set that was dropped, as `kept_value` wrote it. Raises ValueError as `read_sent` does."""
    value = parse_json(text)
    check(value, _KEPT)
    ends_on = date.fromisoformat(value["ends_on"]) if "ends_on" in value else None
    texts = (value["name"], value["theme"], value["note"])
    return KeptSet(*texts, date.fromisoformat(value["starts_on"]), ends_on, _puts(value))


def _puts(value: Mapping[str, Any]) -> tuple[Put, ...]:
    if len(value["pieces"]) > MOST_PIECES:
        raise ValueError(f"pieces has {len(value['pieces'])}; a set takes {MOST_PIECES} at most.")
    return tuple(
        Put(
            one["piece"],
            one["x_in16"],
            one["y_in16"],
            one.get("turn_deg", 0),
            one.get("on"),
            one.get("up_in16", 0),
            one.get("locked", False),
        )
        for one in value["pieces"]
    )


def puts_value(puts: Iterable[Put]) -> list[dict[str, Any]]:
    """Everything put into a set as the JSON value that is read here."""
    made = []
    for put in puts:
        value: dict[str, Any] = {"piece": put.piece_id, "x_in16": put.x_in16, "y_in16": put.y_in16, "turn_deg": put.turn_deg}
        if put.on_piece_id is not None:
            value["on"] = put.on_piece_id
        if put.up_in16:
            value["up_in16"] = put.up_in16
        if put.locked:
            value["locked"] = True
        made.append(value)
    return made


def kept_value(kept: KeptSet) -> dict[str, Any]:
    value: dict[str, Any] = {"name": kept.name, "theme": kept.theme, "note": kept.note, "starts_on": kept.starts_on.isoformat()}
    if kept.ends_on is not None:
        value["ends_on"] = kept.ends_on.isoformat()
    return {**value, "pieces": puts_value(kept.puts)}


def placed_of(piece: Piece, put: Put) -> Placed:
    """A put as it is computed with. Pieces are named by their rows' ids as text."""
    on = None if put.on_piece_id is None else str(put.on_piece_id)
    return Placed(piece, put.x_in16, put.y_in16, put.turn_deg, on=on, up_in16=put.up_in16, locked=put.locked)


def put_of(placed: Placed) -> Put:
    """A placed piece whose key is its row's id as text."""
    on = None if placed.on is None else int(placed.on)
    return Put(int(placed.key), placed.x_in16, placed.y_in16, placed.turn_deg % 360, on, placed.up_in16, placed.locked)
