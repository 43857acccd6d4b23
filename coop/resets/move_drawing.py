"""One move of a plan drawn on the booth: what stands then, the piece that goes with its way, and where it goes."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import Any

from coop.resets.domain.piece import Arrangement, Piece, turned_box
from coop.resets.drawing import booth_svg
from coop.resets.plain import arrangement_from, booth_from, piece_from, placed_from

_SIZED = ("upright", "by hand")
_TEXT_IN16 = 64
"""Height of the number where the piece comes to stand, unless the drawing's letters are given."""


def move_numbers(value: Mapping[str, Any]) -> dict[str, int]:
    """The number of each piece on every drawing of one plan, by its key: those of today's set first, then those that come."""
    keys = dict.fromkeys(one["key"] for one in (*value["before"], *value["after"]))
    return {key: number for number, key in enumerate(keys, 1)}


def pieces_of_plan(value: Mapping[str, Any]) -> dict[str, Piece]:
    return {key: piece_from(one) for key, one in value["pieces"].items()}


def states_of(value: Mapping[str, Any]) -> Iterator[tuple[Mapping[str, Any], Arrangement]]:
    """Each move of a plan, with what stands in the booth before it."""
    pieces = pieces_of_plan(value)
    standing = {one.key: one for one in arrangement_from(value["before"], pieces).placed}
    for move in value["moves"]:
        yield move, Arrangement(tuple(standing.values()))
        standing.pop(move["key"], None)
        if move["placed"]:
            standing[move["key"]] = placed_from(move["placed"], pieces)


def move_svg(
    value: Mapping[str, Any],
    move: Mapping[str, Any],
    standing: Arrangement,
    *,
    scale: int = 24,
    text_in16: float | None = None,
) -> str:
    """The drawing of a move. Its text alternative is the move's own sentence and what stands."""
    numbers = move_numbers(value)
    piece = piece_from(value["pieces"][move["key"]])
    return booth_svg(
        booth_from(value["booth"]),
        standing,
        title=f"Move {move['number']}. {move['sentence']}",
        name=f"move-{move['number']}",
        scale=scale,
        text_in16=text_in16,
        numbers=numbers,
        marked=[move["key"]],
        more=list(_going(move, piece, numbers.get(move["key"], 0), text_in16 or _TEXT_IN16)),
    )


def _going(move: Mapping[str, Any], piece: Piece, number: int, text: float) -> Iterator[str]:
    """The way as a line with an arrow at its end, and outlines of the piece where it turns and where it comes to stand."""
    path = move["path"]
    if path:
        points = " ".join(f"{x},{y}" for x, y, _, _ in path)
        yield (
            f'<polyline class="move-way" points="{points}" fill="none" stroke="currentColor" stroke-width="14" '
            'stroke-dasharray="44 26"/>'
        )
        for x, y, turn, how in path[1:]:
            if how in _SIZED:
                yield _ghost(piece, x, y, turn)
        yield from _arrow(path)
    placed = move["placed"]
    if placed:
        yield _ghost(piece, placed["x_in16"], placed["y_in16"], placed["turn_deg"], is_last=True)
        yield (
            f'<text x="{placed["x_in16"]}" y="{placed["y_in16"] + round(0.35 * text)}" font-size="{text}" text-anchor="middle" '
            f'fill="currentColor">{number}</text>'
        )


def _ghost(piece: Piece, x: int, y: int, turn: int, *, is_last: bool = False) -> str:
    corners = list(turned_box(x, y, piece.width_in16, piece.depth_in16, turn).exterior.coords)[:-1]
    points = " ".join(f"{a:.0f},{b:.0f}" for a, b in corners)
    shown = 'stroke-width="16"' if is_last else 'stroke-width="6" stroke-opacity="0.35"'
    name = "move-end" if is_last else "move-turn"
    return f'<polygon class="{name}" points="{points}" fill="none" stroke="currentColor" stroke-dasharray="18 14" {shown}/>'


def _arrow(path: list[tuple[int, int, int, str]]) -> Iterator[str]:
    """A head at the end of the last stretch that goes somewhere."""
    ends = [(x, y) for x, y, _, _ in path]
    last = ends[-1]
    before = next((one for one in reversed(ends) if one != last), None)
    if before is None:
        return
    dx, dy = last[0] - before[0], last[1] - before[1]
    length = (dx * dx + dy * dy) ** 0.5
    ux, uy = dx / length, dy / length
    left = (last[0] - 70 * ux - 36 * uy, last[1] - 70 * uy + 36 * ux)
    right = (last[0] - 70 * ux + 36 * uy, last[1] - 70 * uy - 36 * ux)
    points = f"{last[0]},{last[1]} {left[0]:.0f},{left[1]:.0f} {right[0]:.0f},{right[1]:.0f}"
    yield f'<polygon class="move-head" points="{points}" fill="currentColor"/>'
