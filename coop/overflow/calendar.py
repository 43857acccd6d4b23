"""Days of lent floor for a dealer's calendar: a piece moves in, moves to another bay, has its last day. Whole days, iCalendar."""

from __future__ import annotations

from datetime import UTC, date, datetime, timedelta

from icalendar import Alarm, Event
from sqlalchemy import select
from sqlalchemy.orm import Session

from coop.core.clock import local_date
from coop.core.periods import shown_day
from coop.dealers.models import Dealer
from coop.floor.models import Mall
from coop.overflow.domain.fitting import CAUTION, cautions
from coop.overflow.queries import own_stays
from coop.overflow.reading import Standing, piece_of
from coop.overflow.rules import rules_by_day

_DAY = timedelta(days=1)
_ALARM = timedelta(hours=-6)
"""On the eve, at six."""


def floor_events(session: Session, now: datetime, member_id: int, *, kept: timedelta, mail_domain: str) -> list[Event]:
    """Events of a member's pieces in the aisles, those of days that are no longer past than `kept`.

    A stay's days keep their UIDs, and its SEQUENCE counts how often it was changed; floor that is taken back is left out, and so
    leaves the calendar that reads this.
    Source: RFC 5545 (UID, SEQUENCE, DTSTAMP, whole days as VALUE=DATE with DTEND not in the event, TRANSP).
    """
    dealers = session.scalars(select(Dealer.id).where(Dealer.member_id == member_id)).all()
    first = local_date(now, "UTC") - kept
    rows = own_stays(session, dealers, first)
    malls = {mall.id: mall for mall in session.scalars(select(Mall).where(Mall.id.in_({one.bay.mall_id for one in rows})))}
    begins = {(one.piece.id, one.stay.starts_on) for one in rows}
    ends = {(one.piece.id, one.stay.ends_on): one for one in rows}
    made_at = now.astimezone(UTC).replace(hour=0, minute=0, second=0, microsecond=0)
    rules_of = {mall_id: rules_by_day(session, mall_id) for mall_id in malls}
    events = []
    for one in rows:
        stay, mall = one.stay, malls[one.bay.mall_id]
        before = ends.get((one.piece.id, stay.starts_on - _DAY))
        if stay.starts_on >= first and (stay.kind == "asked" or before is not None):
            rules = rules_of[mall.id](stay.starts_on)
            said = _moves_in(one, before, cautions(piece_of(one.piece), rules.pieces))
            events.append(_event(one, mall, "in", stay.starts_on, said, made_at, mail_domain))
        # What moves on to another bay the next day has no last day yet.
        if stay.ends_on >= first and (one.piece.id, stay.ends_on + _DAY) not in begins:
            events.append(_event(one, mall, "out", stay.ends_on, _last_day(one), made_at, mail_domain))
    return events


def _event(
    one: Standing, mall: Mall, which: str, day: date, said: tuple[str, list[str]], made_at: datetime, mail_domain: str
) -> Event:
    summary, sentences = said
    event = Event()
    event.add("uid", f"floor-{which}-{one.stay.id}@{mail_domain}")
    event.add("dtstamp", made_at)
    event.add("sequence", one.stay.version - 1)
    event.add("dtstart", day)
    event.add("dtend", day + _DAY)
    event.add("summary", summary)
    event.add("location", "\n".join([f"Bay {one.bay.code}, {mall.name}", *mall.address.splitlines()]).strip())
    event.add("description", "\n".join(sentences))
    event.add("status", "CONFIRMED")
    event.add("transp", "TRANSPARENT")
    alarm = Alarm()
    alarm.add("action", "DISPLAY")
    alarm.add("description", summary)
    alarm.add("trigger", _ALARM)
    event.add_component(alarm)
    return event


def _moves_in(one: Standing, before: Standing | None, said: tuple[str, ...]) -> tuple[str, list[str]]:
    name, bay = one.piece.name, one.bay.code
    along = f"Bay {bay} in aisle {one.bay.aisle}, {one.along_it}{', with its side to the aisle' if one.stay.turned else ''}."
    until = f"It has floor until {shown_day(one.stay.ends_on)}."
    summary = f"{name} moves into bay {bay}" if before is None else f"{name} moves from bay {before.bay.code} to bay {bay}"
    return summary, [along, until, *said, CAUTION]


def _last_day(one: Standing) -> tuple[str, list[str]]:
    stay, name, bay = one.stay, one.piece.name, one.bay.code
    if stay.kind == "sold":
        return f"{name} is fetched from bay {bay}", ["It is sold: today is the last day for its buyer to fetch it.", CAUTION]
    asked_back = [f"It was asked back: {stay.recall_why.rstrip('.')}."] if stay.recalled_at else []
    return f"{name} leaves bay {bay}", ["Today is its last day there: take it away by the end of it.", *asked_back, CAUTION]
