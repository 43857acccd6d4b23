"""Pieces put into a set: an arrangement saved whole, one piece put in or taken out; and one judged that nobody saved."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import replace
from datetime import datetime

from sqlalchemy import delete, select
from sqlalchemy.orm import Session

from coop.core.errors import Refusal
from coop.core.words import joined
from coop.resets.domain.booth import Booth
from coop.resets.domain.piece import Arrangement, Piece
from coop.resets.models import BoothSet, PieceRow, SetPiece
from coop.resets.placing import free_place
from coop.resets.reading import piece_of
from coop.resets.set_json import Put, placed_of, put_of
from coop.resets.sets import hold_set, log_change, puts_of, write_puts


class PutRefused(Refusal):
    """Why pieces cannot be put like that: a sentence by the piece's id, all of them at once."""

    def __init__(self, faults: Sequence[tuple[int, str]]) -> None:
        super().__init__(faults[0][1])
        self.faults = tuple(faults)


def own_pieces(session: Session, dealer_id: int, also: Iterable[int] = ()) -> dict[int, PieceRow]:
    """The pieces a dealer has, by id; and of those there were, those asked for (what a set holds already)."""
    asked = list(also)
    rows = session.scalars(select(PieceRow).where(PieceRow.dealer_id == dealer_id).order_by(PieceRow.name_key, PieceRow.id))
    return {row.id: row for row in rows if row.gone_on is None or row.id in asked}


def arrangement_for(pieces: Mapping[int, Piece], puts: Sequence[Put]) -> Arrangement:
    """Puts as an arrangement. Raises PutRefused for what cannot be one."""
    faults = put_faults(pieces, puts)
    if faults:
        raise PutRefused(faults)
    return Arrangement(tuple(placed_of(pieces[put.piece_id], put) for put in puts))


def mended(pieces: Mapping[int, Piece], puts: Sequence[Put]) -> list[Put]:
    """Puts as they were saved, where a piece has been written down otherwise since: what hangs stands on nothing, what stands is
    no height up. So a set can always be opened.
    """
    return [replace(put, on_piece_id=None) if pieces[put.piece_id].stands == "wall" else replace(put, up_in16=0) for put in puts]


def put_faults(pieces: Mapping[int, Piece], puts: Sequence[Put]) -> list[tuple[int, str]]:
    """What no set can hold, by piece: not the dealer's, put twice, on what is not there, hung that stands."""
    faults, seen = [], set[int]()
    there = {put.piece_id for put in puts}
    for put in puts:
        piece = pieces.get(put.piece_id)
        if piece is None:
            faults.append((put.piece_id, f"Piece {put.piece_id} is none of yours: take it out of the set."))
            continue
        if put.piece_id in seen:
            faults.append((put.piece_id, f"{piece.name} is put twice: leave one."))
        seen.add(put.piece_id)
        if put.on_piece_id == put.piece_id:
            faults.append((put.piece_id, f"{piece.name} cannot stand on itself: put it on the floor or on another piece."))
        elif put.on_piece_id is not None and put.on_piece_id not in there:
            faults.append((put.piece_id, f"{piece.name} stands on a piece that is not in the set: put it on the floor first."))
        if piece.stands == "wall" and put.on_piece_id is not None:
            faults.append((put.piece_id, f"{piece.name} hangs on a wall: take it down from what it is put on."))
        if piece.stands != "wall" and put.up_in16:
            faults.append((put.piece_id, f"{piece.name} hangs on no wall: leave its height above the floor empty."))
    return faults


def circle_faults(pieces: Mapping[int, Piece], puts: Sequence[Put]) -> list[tuple[int, str]]:
    """Stacks that go in a circle: the editor shows them as a finding, and no set is saved with one."""
    on = {put.piece_id: put.on_piece_id for put in puts}
    faults, done = [], set[int]()
    for start in on:
        path: list[int] = []
        at: int | None = start
        while at is not None and at not in done:
            done.add(at)
            path.append(at)
            at = on.get(at)
        if at is not None and at in path:
            circle = path[path.index(at) :]
            names = joined([pieces[one].name for one in circle])
            faults.append((circle[0], f"{names} stand on each other in a circle: put {pieces[circle[0]].name} on the floor."))
    return faults


def save_arrangement(
    session: Session, now: datetime, row: BoothSet, puts: Sequence[Put], *, version: int, user_id: int | None = None
) -> str:
    """Make a set hold what is said, and nothing else; what changed, for a sentence (empty: nothing).

    Raises SetOutdated for another version, PutRefused for what no set can hold. Findings stop nothing.
    """
    hold_set(session, row, version)
    before = puts_of(session, row)
    rows = own_pieces(session, row.dealer_id, [put.piece_id for put in before])
    pieces = {piece_id: piece_of(piece) for piece_id, piece in rows.items()}
    faults = put_faults(pieces, puts) or circle_faults(pieces, puts)
    if faults:
        raise PutRefused(faults)
    said = _said(before, puts)
    if said:
        session.execute(delete(SetPiece).where(SetPiece.set_id == row.id))
        write_puts(session, row, puts)
        log_change(session, now, row, "set laid out", user_id, detail=said)
    return said


def _said(before: Sequence[Put], after: Sequence[Put]) -> str:
    was, will = {put.piece_id: put for put in before}, {put.piece_id: put for put in after}
    counts = (
        (len(will.keys() - was.keys()), "put in"),
        (sum(was[one] != will[one] for one in was.keys() & will.keys()), "moved"),
        (len(was.keys() - will.keys()), "taken out"),
    )
    return ", ".join(f"{count} {words}" for count, words in counts if count)


def put_in(piece: PieceRow, booth: Booth, puts: Sequence[Put], pieces: Mapping[int, Piece]) -> list[Put]:
    """Puts with one more: where it is free, or in the middle where nothing is. Saves nothing."""
    if any(put.piece_id == piece.id for put in puts):
        return list(puts)
    arrangement = arrangement_for(pieces, puts)
    return [*puts, put_of(free_place(booth, arrangement, piece_of(piece)))]
