"""Pieces, booths and arrangements as JSON and back: what rows and plans keep, and what the hash of a plan's facts is over."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import asdict, fields
from typing import Any

from coop.floor.domain.plan import Outline
from coop.resets.domain.booth import Booth, Side
from coop.resets.domain.piece import Arrangement, CarriedSize, Piece, Placed


def piece_value(piece: Piece) -> dict[str, Any]:
    value = {one.name: getattr(piece, one.name) for one in fields(piece)}
    value["carried"] = carried_value(piece.carried)
    value["colours"] = list(piece.colours)
    value["top_in16"] = None if piece.top_in16 is None else list(piece.top_in16)
    return value


def carried_value(sizes: Iterable[CarriedSize]) -> list[dict[str, Any]]:
    """Also what `PieceRow.carried` keeps."""
    return [asdict(one) for one in sizes]


def piece_from(value: Mapping[str, Any]) -> Piece:
    top = value["top_in16"]
    return Piece(
        **{
            **value,
            "carried": tuple(CarriedSize(**size) for size in value["carried"]),
            "colours": tuple(value["colours"]),
            "top_in16": None if top is None else (top[0], top[1]),
        }
    )


def placed_value(one: Placed) -> dict[str, Any]:
    """Without the piece itself, which stands under its key."""
    return {
        "key": one.key,
        "x_in16": one.x_in16,
        "y_in16": one.y_in16,
        "turn_deg": one.turn_deg,
        "on": one.on,
        "up_in16": one.up_in16,
        "locked": one.locked,
    }


def placed_from(value: Mapping[str, Any], pieces: Mapping[str, Piece]) -> Placed:
    rest = {name: held for name, held in value.items() if name != "key"}
    return Placed(pieces[value["key"]], **rest)


def arrangement_from(values: Iterable[Mapping[str, Any]], pieces: Mapping[str, Piece]) -> Arrangement:
    return Arrangement(tuple(placed_from(value, pieces) for value in values))


def side_values(sides: Iterable[Side]) -> list[dict[str, Any]]:
    """Also what `BoothMeasure.sides` keeps."""
    return [asdict(one) for one in sides]


def booth_value(booth: Booth) -> dict[str, Any]:
    return {
        "outline": [list(corner) for corner in booth.outline],
        "sides": side_values(booth.sides),
        "posts": [[list(corner) for corner in post] for post in booth.posts],
        "outlets": [list(outlet) for outlet in booth.outlets],
        "height_limit_in16": booth.height_limit_in16,
        "way_in16": booth.way_in16,
        "aisle_in16": booth.aisle_in16,
    }


def booth_from(value: Mapping[str, Any]) -> Booth:
    return Booth(
        **{
            **value,
            "outline": _corners(value["outline"]),
            "sides": tuple(Side(**side) for side in value["sides"]),
            "posts": tuple(_corners(post) for post in value["posts"]),
            "outlets": _corners(value["outlets"]),
        }
    )


def _corners(values: Iterable[Iterable[int]]) -> Outline:
    return tuple((x, y) for x, y in values)
