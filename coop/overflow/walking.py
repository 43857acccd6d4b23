"""Walks along the aisles: what should stand where on a day, how each piece was found, and its dealer told, once a walk.

A mark may be changed on the day of its walk until dealers are told; then another walk is begun.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date, datetime

from sqlalchemy import select
from sqlalchemy.orm import Session

from coop.core import audit
from coop.core.errors import Refusal
from coop.core.geometry import format_length, format_sides
from coop.core.periods import shown_day
from coop.core.words import joined
from coop.floor.models import Mall
from coop.leases.editing import By
from coop.leases.holding import lock, today_at
from coop.overflow import telling
from coop.overflow.models import MARKS, BayRow, Stay, Walk, WalkMark
from coop.overflow.queries import found_on, is_unfetched, marks_of, standing_now
from coop.overflow.reading import Standing

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
        """The day by which it was to be fetched, where that is past."""
        return self.standing.stay.ends_on if self.standing.is_late_on(self.day) else None

    @property
    def along(self) -> str:
        """`2' 0" to 5' 0"`"""
        stay = self.standing.stay
        return f"{format_length(stay.from_in16)} to {format_length(stay.to_in16)}"

    @property
    def size(self) -> str:
        """How it stands: along the bay, into the aisle, and up."""
        stay, piece = self.standing.stay, self.standing.piece
        return format_sides(stay.to_in16 - stay.from_in16, stay.depth_in16, piece.height_in16)


def walk_sheet(session: Session, mall: Mall, day: date, walk: Walk | None = None) -> list[SheetRow]:
    """What should stand where on a day, in walking order: aisle by aisle, along each bay; with a walk's marks.

    A sold piece that was to be fetched before and was not is still there, as far as anybody knows.
    """
    marks: Mapping[int, WalkMark] = {} if walk is None else marks_of(session, walk)
    # What is said to be gone is looked for no more; what the walk had found by then stays on it.
    there = sorted(
        (one for one in standing_now(session, mall.id, day) if one.stay.id in marks or not one.stay.is_gone(day)),
        key=lambda one: (*map(numbers_in_order, (one.bay.aisle, one.bay.code)), one.stay.from_in16),
    )
    return [SheetRow(one, day, marks.get(one.stay.id)) for one in there]


def numbers_in_order(code: str) -> list[tuple[int, str]]:
    """So that A2 comes before A10."""
    return [(int(part), "") if part.isdigit() else (0, part) for part in re.findall(r"[0-9]+|[^0-9]+", code)]


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

    Refuses a mark that is none, a piece that is not on the walk's list, and a walk that is over.
    """
    _require_open(session, now, walk)
    lock(session, stay)
    note = _line(note, LONGEST_MARK_NOTE)
    if how not in MARKS:
        raise Refusal(f"The mark is {how!r}: choose {joined(MARKS, 'or')}.")
    if _mall_of(session, stay) != walk.mall_id or not _is_looked_for(session, stay, walk.on_date):
        raise Refusal("That piece has no floor on the day of this walk: write what stands there in the note of the walk.")
    row = session.scalar(select(WalkMark).where(WalkMark.walk_id == walk.id, WalkMark.stay_id == stay.id))
    if row is None:
        row = WalkMark(walk_id=walk.id, stay_id=stay.id, mark=how, note=note)
        session.add(row)
    row.mark, row.note = how, note
    if how == "not there":
        if stay.moved_in_on == walk.on_date:
            stay.moved_in_on = None
    elif stay.moved_in_on is None and walk.on_date <= stay.ends_on:
        stay.moved_in_on = walk.on_date
    session.flush()
    return row


def take_back_mark(session: Session, now: datetime, walk: Walk, stay: Stay) -> None:
    """A piece that nobody has looked at after all."""
    _require_open(session, now, walk)
    row = session.scalar(select(WalkMark).where(WalkMark.walk_id == walk.id, WalkMark.stay_id == stay.id))
    if row is not None:
        session.delete(row)
        session.flush()


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
    """Hold the walk, so that nothing is marked while dealers are told."""
    lock(session, walk)
    today = today_at(session, now, walk.mall_id)
    if walk.on_date != today:
        raise Refusal(f"This walk is of {shown_day(walk.on_date)}, and stays as it is: begin one of today.")
    if walk.told_at is not None:
        raise Refusal("Dealers were told what this walk found: begin another for what you find now.")


def _is_looked_for(session: Session, stay: Stay, day: date) -> bool:
    has_floor = stay.state == "stands" and stay.starts_on <= day <= stay.ends_on
    return has_floor or is_unfetched(session, stay, day)


def _mall_of(session: Session, stay: Stay) -> int:
    return session.get_one(BayRow, stay.bay_id).mall_id


def _line(text: str, most: int) -> str:
    text = " ".join(text.split())
    if len(text) > most:
        raise Refusal(f"The note has {len(text)} characters: {most} are the most.")
    return text


def _log(session: Session, now: datetime, walk: Walk, action: str, by: By, detail: str = "") -> None:
    audit.record(session, now, action, SUBJECT, walk.id, user_id=by.user_id, request_id=by.request_id, detail=detail)
