"""A member's turns as a calendar: iCalendar by the `icalendar` library, for a program that reads it again and again."""

from __future__ import annotations

from collections.abc import Iterable
from datetime import UTC, datetime, timedelta

from icalendar import Alarm, Calendar, Event
from sqlalchemy import func, select
from sqlalchemy.orm import Session

from coop.core.templating import joined
from coop.shifts.models import Turn
from coop.shifts.queries import PUBLISHED, STANDING, TurnRow, also_on, turn_rows
from coop.shifts.turn_models import TurnChange

TURNS = "turns"
"""Kind of the feeds of a member's turns (`dealers.feeds`)."""
KEPT = timedelta(days=92)
"""How long what is over stays in it."""
REFRESHED = timedelta(hours=1)
_ALARM = timedelta(hours=-2)


def calendar_of_turns(session: Session, now: datetime, member_id: int, *, mail_domain: str, more: Iterable[Event] = ()) -> bytes:
    """A member's published turns as an iCalendar stream, and `more` after them; equal events give equal bytes all day.

    A turn keeps its UID whoever has it, and its SEQUENCE counts what happened to it; one that is given away or closed is left
    out, and so leaves the calendar that reads this. Times are in UTC, which every program shows by its own clock.
    Source: RFC 5545 (UID, SEQUENCE, DTSTAMP, UTC date-times); RFC 7986 (NAME, REFRESH-INTERVAL).
    """
    rows = turn_rows(session, PUBLISHED, STANDING, Turn.member_id == member_id, Turn.ends_at > now - KEPT)
    beside = also_on(session, [row.turn for row in rows])
    happened = _happened(session, [row.turn.id for row in rows])
    calendar = Calendar()
    calendar.add("prodid", "-//coop//turns//EN")
    calendar.add("version", "2.0")
    calendar.add("calscale", "GREGORIAN")
    calendar.add("method", "PUBLISH")
    calendar.add("name", "My turns and days")
    calendar.add("refresh-interval", REFRESHED, parameters={"VALUE": "DURATION"})
    made_at = now.astimezone(UTC).replace(hour=0, minute=0, second=0, microsecond=0)
    for row in rows:
        times, last = happened.get(row.turn.id, (1, made_at))
        calendar.add_component(_event(row, beside.get(row.turn.id, []), times - 1, last, made_at, mail_domain))
    for event in more:
        calendar.add_component(event)
    return bytes(calendar.to_ical())


def _event(row: TurnRow, beside: list[TurnRow], sequence: int, last: datetime, made_at: datetime, mail_domain: str) -> Event:
    event = Event()
    event.add("uid", f"turn-{row.turn.id}@{mail_domain}")
    event.add("dtstamp", made_at)
    event.add("last-modified", last.astimezone(UTC).replace(microsecond=0))
    event.add("sequence", sequence)
    event.add("dtstart", row.turn.starts_at.astimezone(UTC))
    event.add("dtend", row.turn.ends_at.astimezone(UTC))
    event.add("summary", f"{row.post}, {row.mall.name}")
    event.add("location", "\n".join([row.mall.name, *row.mall.address.splitlines()]).strip())
    event.add("description", _description(row, beside))
    event.add("status", "CONFIRMED")
    event.add("transp", "OPAQUE")
    alarm = Alarm()
    alarm.add("action", "DISPLAY")
    alarm.add("description", row.said)
    alarm.add("trigger", _ALARM)
    event.add_component(alarm)
    return event


def _description(row: TurnRow, beside: list[TurnRow]) -> str:
    sentences = [f"{row.said}."]
    if row.helper:
        sentences.append(f"{row.helper} comes for you.")
    if row.for_member:
        sentences.append(f"It counts as {row.for_member}’s turn.")
    if beside:
        sentences.append(f"With you: {joined(list(dict.fromkeys(one.member for one in beside)))}.")
    if row.turn.opens or row.turn.closes:
        what = " and ".join(word for word, is_so in (("open", row.turn.opens), ("close", row.turn.closes)) if is_so)
        sentences.append(f"You {what} the mall.")
    return "\n".join(sentences)


def _happened(session: Session, turn_ids: list[int]) -> dict[int, tuple[int, datetime]]:
    """How many times something happened to each turn since it was published, that with it, and when last."""
    rows = (
        select(TurnChange.turn_id, func.count(TurnChange.id), func.max(TurnChange.at))
        .where(TurnChange.turn_id.in_(turn_ids))
        .group_by(TurnChange.turn_id)
    )
    return {turn_id: (times, last) for turn_id, times, last in session.execute(rows)}
