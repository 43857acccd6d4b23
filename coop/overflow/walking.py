"""Walks along the aisles: what should stand where on a day, how each piece was found, and its dealer told, once a walk.

A mark may be changed on the day of its walk until dealers are told; then another walk is begun.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date, datetime
from typing import Any

from sqlalchemy import select
from sqlalchemy.orm import Session

from coop.core import audit
from coop.core.errors import Refusal
from coop.core.geometry import format_sides
from coop.core.periods import shown_day
from coop.core.words import joined, natural
from coop.dealers.second_person import is_own
from coop.floor.models import Mall
from coop.leases.editing import By
from coop.leases.holding import lock, today_at
from coop.overflow import telling
from coop.overflow.looking import listed, looked_for, should_be_gone
from coop.overflow.models import MARKS, BayRow, OverflowPiece, Stay, Walk, WalkMark
from coop.overflow.placing import log_stay
from coop.overflow.queries import found_on, marks_of
from coop.overflow.reading import Standing, is_past
from coop.overflow.staying import end_stay, is_there
from coop.overflow.survey_asking import ask_survey

SUBJECT = "overflow walk"
LONGEST_NOTE, LONGEST_MARK_NOTE = 400, 200


@dataclass(frozen=True)
class SheetRow:
    """A line of the sheet to walk with."""

    standing: Standing
    day: date
    mark: WalkMark | None = None

    @property
    def moves_in(self) -> bool:
        """This is its first day."""
        return self.standing.stay.starts_on == self.day

    @property
    def moves_out(self) -> bool:
        """This is its last day."""
        return self.standing.stay.ends_on == self.day

    @property
    def late_since(self) -> date | None:
        """The day by which it was to be gone or fetched, where that is past."""
        return self.standing.stay.ends_on if self.standing.is_late_on(self.day) else None

    @property
    def should_be_gone(self) -> bool:
        """Its dealer was to take it away before."""
        return should_be_gone(self.standing, self.day)

    @property
    def is_said_gone(self) -> bool:
        """Somebody said that it is gone, and the walk found it all the same."""
        found = self.mark is not None and self.mark.mark != "not there"
        return found and self.should_be_gone and self.standing.stay.gone_said_at is not None

    @property
    def along(self) -> str:
        """`2' 0" to 5' 0"`"""
        return self.standing.along

    @property
    def size(self) -> str:
        """How it stands: along the bay, into the aisle, and up."""
        stay, piece = self.standing.stay, self.standing.piece
        return format_sides(stay.to_in16 - stay.from_in16, stay.depth_in16, piece.height_in16)


def walk_sheet(session: Session, mall: Mall, day: date, walk: Walk | None = None) -> list[SheetRow]:
    """What should stand where on a day, in walking order: aisle by aisle, along each bay; with a walk's marks.

    What was to be gone or fetched before, and is not said to be, is looked for too. Of a walk that is over it is what it was.
    """
    marks: Mapping[int, WalkMark] = {} if walk is None else marks_of(session, walk)
    there = looked_for(session, mall.id, day) if walk is None else listed(session, mall, walk, marks)
    there.sort(key=_in_order)
    return [SheetRow(one, day, marks.get(one.stay.id)) for one in there]


def _in_order(one: Standing) -> Any:
    """By its bay, and along that; what was measured along the bay as it was before it was cut anew comes last."""
    codes = map(natural, (one.bay.aisle, one.bay.code))
    return *codes, one.was_until is not None, one.stay.from_in16, one.stay.starts_on


# --- walking --------------------------------------------------------------------------------------------------------------


def begin_walk(session: Session, now: datetime, mall: Mall, *, by: By) -> Walk:
    """A walk of today. One that somebody has begun today and not told of yet is gone on with. Refuses where nothing stands."""
    lock(session, mall)
    today = today_at(session, now, mall.id)
    begun = select(Walk).where(Walk.mall_id == mall.id, Walk.on_date == today).order_by(Walk.id.desc()).limit(1)
    walk = session.scalar(begun)
    if walk is not None and walk.told_at is None:
        return walk
    if not walk_sheet(session, mall, today):
        raise Refusal(f"Nothing has floor in the aisles of {mall.name} today: there is nothing to look for.")
    walk = Walk(mall_id=mall.id, on_date=today, user_id=by.user_id, created_at=now)
    session.add(walk)
    session.flush()
    _log(session, now, walk, "walk begun", by, mall.code)
    return walk


def mark(session: Session, now: datetime, walk: Walk, stay: Stay, how: str, note: str = "", *, by: By) -> WalkMark:
    """How a piece was found: in place, out of place or not there. What is found has moved in.

    What was to be gone before is out of place as long as it stands; not there, it is said to be gone. Refuses a mark that is
    none, a piece that is not on the walk's list, and a walk that is over.
    """
    _require_open(session, now, walk)
    lock(session, stay)
    note = _line(note, LONGEST_MARK_NOTE)
    if how not in MARKS:
        raise Refusal(f"The mark is {how!r}: choose {joined(MARKS, 'or')}.")
    row = _row(session, walk, stay)
    was, is_late = row.mark if row else "", _is_late(session, walk, stay)
    if not (row and is_late) and not looked_for(session, walk.mall_id, walk.on_date, None, Stay.id == stay.id):
        raise Refusal("That piece has no floor on the day of this walk: write what stands there in the note of the walk.")
    if is_late and how == "in place":
        piece = session.get_one(OverflowPiece, stay.piece_id)
        raise Refusal(
            f"{piece.name} should be gone since {shown_day(stay.ends_on)} and has no place: mark it out of place if it still "
            "stands, or not there."
        )
    if row is None:
        row = WalkMark(walk_id=walk.id, stay_id=stay.id, mark=how, note=note)
        session.add(row)
    row.mark, row.note = how, note
    if is_late and how == "not there":
        if stay.gone_said_at is None:
            end_stay(session, now, stay, on=stay.ends_on, by=by)
    elif is_late:
        _unsay_gone(session, now, stay, was, by)
    elif how == "not there":
        if stay.moved_in_on == walk.on_date:
            stay.moved_in_on = None
    elif stay.moved_in_on is None and walk.on_date <= stay.ends_on:
        stay.moved_in_on = walk.on_date
    session.flush()
    _log_mark(session, now, walk, stay, "piece marked", by, f"{how}{f' ({note})' if note else ''}")
    return row


def take_back_mark(session: Session, now: datetime, walk: Walk, stay: Stay, *, by: By) -> None:
    """A piece that nobody has looked at after all."""
    _require_open(session, now, walk)
    lock(session, stay)
    row = _row(session, walk, stay)
    if row is not None:
        if _is_late(session, walk, stay):
            _unsay_gone(session, now, stay, row.mark, by)
        session.delete(row)
        session.flush()
        _log_mark(session, now, walk, stay, "mark taken back", by, row.mark)


def _row(session: Session, walk: Walk, stay: Stay) -> WalkMark | None:
    return session.scalar(select(WalkMark).where(WalkMark.walk_id == walk.id, WalkMark.stay_id == stay.id))


def _is_late(session: Session, walk: Walk, stay: Stay) -> bool:
    """Whether its dealer was to take it away before the walk."""
    late = select(Stay.id).where(Stay.id == stay.id, Stay.kind == "asked", is_past(walk.on_date))
    return session.scalar(late) is not None


def _unsay_gone(session: Session, now: datetime, stay: Stay, was: str, by: By) -> None:
    """Take back that it is gone, as far as this walk said so by its mark before: its last day stays, and its dealer's word."""
    if was != "not there" or stay.gone_said_at is None:
        return
    piece = session.get_one(OverflowPiece, stay.piece_id)
    if stay.gone_said_by is not None and is_own(session, stay.gone_said_by, piece.dealer_id):
        return
    is_there(stay)
    session.flush()
    log_stay(session, now, stay, "piece stays after all", by, f"until {stay.ends_on}")
    ask_survey(session, now, session.get_one(Mall, session.get_one(BayRow, stay.bay_id).mall_id))


def note_walk(session: Session, now: datetime, walk: Walk, note: str, *, by: By) -> None:
    """What was seen besides, such as what stands there and is on no list."""
    _require_open(session, now, walk)
    walk.note = _line(note, LONGEST_NOTE)
    session.flush()
    _log(session, now, walk, "walk noted", by)


def finish_walk(session: Session, now: datetime, walk: Walk, *, by: By) -> int:
    """Tell dealers what was found out of place or not there; how many. A walk tells once: pressed again it tells nobody.

    What has no mark was not looked at, and nobody is told of it. Refuses a walk without any mark.
    """
    mall = session.get_one(Mall, walk.mall_id)
    lock(session, mall, walk)
    dealers = len({one.standing.dealer.id for one in found_on(session, walk)})
    if walk.told_at is not None:
        return dealers
    if not marks_of(session, walk):
        raise Refusal("Nothing is marked on this walk: mark what you found in place, out of place or not there.")
    walk.told_at = now
    session.flush()
    _log(session, now, walk, "dealers told of a walk", by, f"{dealers} told")
    if dealers:
        telling.tell_found(session, now, walk)
    return dealers


def _require_open(session: Session, now: datetime, walk: Walk) -> None:
    """Hold the walk, so that nothing is marked while dealers are told; the mall before it, as all who change who stands there."""
    lock(session, session.get_one(Mall, walk.mall_id), walk)
    today = today_at(session, now, walk.mall_id)
    if walk.on_date != today:
        raise Refusal(f"This walk is of {shown_day(walk.on_date)}, and stays as it is: begin one of today.")
    if walk.told_at is not None:
        raise Refusal("Dealers were told what this walk found: begin another for what you find now.")


def _line(text: str, most: int) -> str:
    text = " ".join(text.split())
    if len(text) > most:
        raise Refusal(f"The note has {len(text)} characters: {most} are the most.")
    return text


def _log(session: Session, now: datetime, walk: Walk, action: str, by: By, detail: str = "") -> None:
    audit.record(session, now, action, SUBJECT, walk.id, user_id=by.user_id, request_id=by.request_id, detail=detail)


def _log_mark(session: Session, now: datetime, walk: Walk, stay: Stay, action: str, by: By, how: str) -> None:
    piece, bay = session.get_one(OverflowPiece, stay.piece_id), session.get_one(BayRow, stay.bay_id)
    _log(session, now, walk, action, by, f"{piece.name} in bay {bay.code}: {how}")
