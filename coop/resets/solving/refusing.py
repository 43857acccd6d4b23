"""Why a piece cannot be placed: proved from the booth and what stays in it, before anything is searched."""

from __future__ import annotations

from collections.abc import Sequence

from coop.core.geometry import format_length
from coop.resets.domain.arranging import is_floor_piece
from coop.resets.domain.booth import Booth
from coop.resets.domain.fit.bounds import fits_nowhere, widest_opening_in16
from coop.resets.domain.fit.scene import FLAT_IN16
from coop.resets.domain.piece import Piece
from coop.resets.solving.dressing import WALL_IN16
from coop.resets.solving.ground import Come, Ground, Stance, stances_of


def never(booth: Booth, piece: Piece, pieces: Sequence[Piece]) -> str | None:
    """Why a piece cannot stand in a booth wherever others stand; None where it may. `pieces` are all that could carry it."""
    name, width, depth = piece.name, piece.width_in16, piece.depth_in16
    limit, opening = booth.height_limit_in16, widest_opening_in16(booth)
    if limit is not None and piece.height_in16 > limit:
        high = format_length(piece.height_in16)
        return f"{name} is {high} high, and the booth takes {format_length(limit)}: leave it at home, or take a part off."
    if piece.stands == "floor" and fits_nowhere(booth, width, depth):
        size = f"{format_length(width)} by {format_length(depth)}"
        return f"{name} is {size}, larger than the booth at any turn: leave it at home."
    least = min(width, depth, *(min(way.width_in16, way.depth_in16) for way in piece.carried))
    if least > opening:
        narrow, wide = format_length(least), format_length(opening)
        return f"{name} is {narrow} at its narrowest and the opening {wide}: say how it goes tilted or in parts, or leave it."
    if piece.stands == "wall":
        return _no_wall(booth, piece)
    return _no_top(booth, piece, pieces) if piece.stands == "table" else None


def _no_wall(booth: Booth, piece: Piece) -> str | None:
    hooked = [n for n in booth.sides_of("wall") if booth.sides[n].hooks]
    if not hooked:
        return f"{piece.name} hangs, and no wall of this booth takes hooks: say which does, or leave it at home."
    long = [n for n in hooked if booth.side_line(n).length >= piece.width_in16]
    if not long:
        wide = format_length(piece.width_in16)
        return f"{piece.name} is {wide} wide, wider than any wall with hooks: leave it at home."
    if all(piece.height_in16 > (booth.sides[n].height_in16 or WALL_IN16) for n in long):
        high = format_length(piece.height_in16)
        return f"{piece.name} is {high} high, higher than the walls with hooks: leave it at home."
    return None


def _no_top(booth: Booth, piece: Piece, pieces: Sequence[Piece]) -> str | None:
    name = piece.name
    carriers = [one for one in pieces if one.carries_oz is not None and one.key != piece.key]
    if not carriers:
        return f"{name} goes on a top, and nothing here is said to carry: say what a table or case carries, or bring one."
    strong = [one for one in carriers if (one.carries_oz or 0) >= (piece.weight_oz or 0)]
    if not strong:
        return f"{name} is heavier than any top here carries: leave it at home, or bring something stronger to stand it on."
    tops = [one.top_in16 or (one.width_in16, one.depth_in16) for one in strong]
    if not any(width >= piece.width_in16 and depth >= piece.depth_in16 for width, depth in tops):
        size = f"{format_length(piece.width_in16)} by {format_length(piece.depth_in16)}"
        return f"{name} is {size}, larger than any top here that carries it: leave it at home, or bring a larger one."
    limit = booth.height_limit_in16
    if limit is not None and all(one.height_in16 + piece.height_in16 > limit for one in strong):
        return f"{name} reaches over {format_length(limit)}, which the booth takes, on whatever carries it: leave it at home."
    return None


def alone(bare: Ground, ground: Ground, piece: Piece) -> tuple[str | None, list[Stance]]:
    """Why a floor piece has no place while nothing else but what stays stands there, or its stances.

    `bare` is the booth with nothing that stays. Looked for on the grid, at quarter turns.
    """
    if not is_floor_piece(piece):
        return None, []
    stances = stances_of(ground, piece)
    if _is_come_to(ground, stances):
        return None, stances
    name, way = piece.name, format_length(ground.booth.way_in16)
    empty = stances if bare is ground else stances_of(bare, piece)
    if not empty:
        if piece.leans:
            return f"{name} leans, and no wall as high as it has room for its whole back: stand it another way.", []
        doors = " and its doors" if piece.opens_in16 else ""
        return f"There is no place in this booth where {name}{doors} would have room, even with nothing else in it.", []
    if bare is ground or not _is_come_to(bare, empty):
        return f"Wherever {name} stands, the way to it would be narrower than {way}: have a narrower one agreed, or leave it.", []
    if not stances:
        return f"There is no room for {name} beside what is to stay where it is: unlock a piece, or leave this one.", []
    return f"Wherever {name} stands beside what is to stay, a way would be narrower than {way}: unlock a piece, or leave it.", []


def _is_come_to(ground: Ground, stances: Sequence[Stance]) -> bool:
    """Whether a piece has a place at which a disc comes to it and to all that stays."""
    for stance in stances:
        for anchor in stance.anchors.tolist():
            reached = ground.reached(ground.nodes & ~stance.disc_at_anchor(anchor))
            come = Come(ground, reached, ground.tall).to(stance)
            if stance.front_at(anchor) & come and all(asked & reached for asked in ground.asked):
                return True
    return False


def crowded(piece: Piece, *, proven: bool) -> str:
    """Why a piece that has a place by itself is left out."""
    if piece.stands == "wall":
        return f"No wall with hooks has room for {piece.name} over what stands there: hang another one less, or leave it."
    if piece.stands == "table":
        return f"No top has room and strength left for {piece.name}: bring another top, or leave it."
    if piece.height_in16 <= FLAT_IN16:
        return f"There is no place in this booth where {piece.name} lies flat: leave it at home."
    if proven:
        return f"However the others are put, there is no room left for {piece.name} with the way kept: leave it or another one."
    return f"No room was found for {piece.name} beside the others with the way kept: leave it or another one, or look for longer."
