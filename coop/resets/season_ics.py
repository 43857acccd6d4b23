"""The season's calendar as iCalendar, by the `icalendar` library: a whole-day event a step."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from datetime import UTC, datetime

from icalendar import Calendar, Event

from coop.resets.domain.season import Step


def season_ics(steps: Sequence[Step], now: datetime, *, booth: str, place: str, key: str, mail_domain: str) -> bytes:
    """The steps as an iCalendar stream. `key` is of the booth and the day it must stand: taken again, a step is itself again.

    Source: RFC 5545 (UID, DTSTAMP, whole days as VALUE=DATE with DTEND not in the event, TRANSP); RFC 7986 (NAME).
    """
    calendar = Calendar()
    calendar.add("prodid", "-//coop//resets//EN")
    calendar.add("version", "2.0")
    calendar.add("calscale", "GREGORIAN")
    calendar.add("method", "PUBLISH")
    calendar.add("name", f"Season of {booth}")
    made_at = now.astimezone(UTC).replace(microsecond=0)
    seen: Counter[str] = Counter()
    for step in steps:
        seen[step.kind] += 1
        event = Event()
        event.add("uid", f"season-{key}-{step.kind.replace(' ', '-')}-{seen[step.kind]}@{mail_domain}")
        event.add("dtstamp", made_at)
        event.add("dtstart", step.on)
        event.add("dtend", step.ends_before)
        event.add("summary", f"{booth}: {step.words}")
        event.add("location", place)
        event.add("transp", "TRANSPARENT")
        calendar.add_component(event)
    return bytes(calendar.to_ical())
