"""Smalls: counted by grouping, with the room they take in boxes and the piece they go on."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, fields
from datetime import datetime

from sqlalchemy import select
from sqlalchemy.orm import Session

from coop.core import audit
from coop.core.errors import Refusal
from coop.core.words import joined
from coop.dealers.models import Dealer
from coop.leases.holding import lock
from coop.resets.models import PIECE_PLACES, PieceRow, SmallsRow
from coop.resets.naming import name_key, one_line

SUBJECT = "smalls"
LONGEST_GROUPING, LONGEST_NOTE = 40, 200
MOST, MOST_BOXES, MOST_ROOM_CUIN = 100_000, 2_000, 100_000
FIELD_WORDS: Mapping[str, str] = {
    "grouping": "grouping",
    "count": "how many",
    "each_cuin": "room of one",
    "boxes": "boxes",
    "fragile": "fragile",
    "place": "where they are",
    "on_piece_id": "the piece they go on",
    "note": "note",
}


@dataclass(frozen=True)
class SmallsIn:
    """Smalls as somebody counts them; each name is a column of `SmallsRow`. A count of -1 was not given."""

    grouping: str
    count: int = -1
    each_cuin: int | None = None
    boxes: int | None = None
    fragile: bool = False
    place: str = "booth"
    on_piece_id: int | None = None
    note: str = ""


class SmallsRefused(Refusal):
    """Smalls that cannot be kept as they are written: what is wrong, by field."""

    def __init__(self, grouping: str, faults: Mapping[str, str]) -> None:
        super().__init__(f"{one_line(grouping)[:40] or 'Smalls without a grouping'}: {' '.join(faults.values())}")
        self.faults = dict(faults)


def smalls_faults(smalls: SmallsIn) -> dict[str, str]:
    """What is wrong with smalls by themselves, a sentence a field."""
    found: dict[str, str] = {}
    if not one_line(smalls.grouping):
        found["grouping"] = "Say what they are, like china or brass."
    elif len(smalls.grouping) > LONGEST_GROUPING:
        found["grouping"] = f"Write it in {LONGEST_GROUPING} characters."
    if not 0 <= smalls.count <= MOST:
        found["count"] = f"Write how many there are, from 0 to {MOST:,}."
    if smalls.each_cuin is not None and not 0 < smalls.each_cuin <= MOST_ROOM_CUIN:
        found["each_cuin"] = "Write the room one takes in a box, above zero, or leave it empty where you count boxes."
    if smalls.boxes is not None and not 0 <= smalls.boxes <= MOST_BOXES:
        found["boxes"] = f"Write how many boxes they fill, from 0 to {MOST_BOXES:,}, or leave it empty."
    if smalls.each_cuin is None and smalls.boxes is None and smalls.count > 0 and not {"each_cuin", "boxes"} & set(found):
        found["boxes"] = "Write the boxes they fill, or the room one takes: else nobody knows how many boxes to bring."
    if smalls.place not in PIECE_PLACES:
        found["place"] = "Choose one of those listed."
    if len(smalls.note) > LONGEST_NOTE:
        found["note"] = f"Write it in {LONGEST_NOTE} characters."
    return found


def add_smalls(session: Session, now: datetime, dealer: Dealer, smalls: SmallsIn, *, user_id: int | None = None) -> SmallsRow:
    """Count smalls. Raises SmallsRefused with what is wrong with each field."""
    lock(session, dealer)
    row = SmallsRow(dealer_id=dealer.id, created_at=now, **_checked(session, dealer.id, smalls, None))
    session.add(row)
    session.flush()
    audit.record(session, now, "smalls counted", SUBJECT, row.id, user_id=user_id)
    return row


def change_smalls(session: Session, now: datetime, row: SmallsRow, smalls: SmallsIn, *, user_id: int | None = None) -> list[str]:
    """Count them again; what was changed, in words."""
    lock(session, session.get_one(Dealer, row.dealer_id))
    lock(session, row)
    found = _checked(session, row.dealer_id, smalls, row.id)
    changes = [field for field in FIELD_WORDS if getattr(row, field) != found[field]]
    for field in changes:
        setattr(row, field, found[field])
    words = [FIELD_WORDS[field] for field in changes]
    if words:
        session.flush()
        audit.record(session, now, audit.changed("smalls"), SUBJECT, row.id, user_id=user_id, detail=joined(words))
    return words


def drop_smalls(session: Session, now: datetime, row: SmallsRow, *, user_id: int | None = None) -> SmallsIn:
    """Take smalls off the list; what they were, for who wants them back."""
    lock(session, row)
    was = as_counted(row)
    session.delete(row)
    session.flush()
    audit.record(session, now, "smalls dropped", SUBJECT, row.id, user_id=user_id)
    return was


def as_counted(row: SmallsRow) -> SmallsIn:
    return SmallsIn(**{one.name: getattr(row, one.name) for one in fields(SmallsIn)})


def _checked(session: Session, dealer_id: int, smalls: SmallsIn, row_id: int | None) -> dict[str, object]:
    """The columns of smalls that may be kept."""
    found = {one.name: getattr(smalls, one.name) for one in fields(smalls)}
    found |= {"grouping": one_line(smalls.grouping), "note": one_line(smalls.note)}
    faults = smalls_faults(smalls)
    rows = session.scalars(select(SmallsRow).where(SmallsRow.dealer_id == dealer_id)).all()
    key = (name_key(smalls.grouping), smalls.place, smalls.on_piece_id)
    same = [one for one in rows if one.id != row_id and (name_key(one.grouping), one.place, one.on_piece_id) == key]
    if same and "grouping" not in faults:
        faults["grouping"] = (
            f"{one_line(smalls.grouping)} at this place are counted already: change those, or name these otherwise."
        )
    if smalls.on_piece_id is not None:
        piece = session.get(PieceRow, smalls.on_piece_id)
        if piece is None or piece.dealer_id != dealer_id or piece.gone_on is not None:
            faults["on_piece_id"] = "Choose one of your pieces."
    if faults:
        raise SmallsRefused(smalls.grouping, faults)
    return found
