"""The seats of a month: who must stand where and when, from the mall's hours and what its posts need."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from datetime import UTC, date, datetime, time, timedelta
from itertools import pairwise
from zoneinfo import ZoneInfo

from coop.shifts.domain.hours import DayHours, clock, clock_span, weekday_words


@dataclass(frozen=True)
class Need:
    """What a post needs on weekdays (bit 0 is Monday) of dates: people, and how many of them hold a key.

    `from_what` and `to_what` are `clock`, `open` or `close`: minutes after midnight, or from when the mall opens or closes.
    """

    id: int
    post_id: int
    post: str
    kind: str
    starts_on: date
    ends_on: date | None
    weekdays: int
    from_what: str
    from_min: int
    to_what: str
    to_min: int
    people: int
    key_holders: int = 0

    def holds_on(self, day: date) -> bool:
        return (
            self.starts_on <= day and (self.ends_on is None or day <= self.ends_on) and bool(self.weekdays >> day.weekday() & 1)
        )


@dataclass(frozen=True)
class Seat:
    """One person's place: at a post, on a day, from a moment to a moment (UTC), and its minutes by the mall's clock."""

    post_id: int
    post: str
    kind: str
    seat: int
    """1 up, of those who begin at the post at this moment."""
    on_date: date
    from_min: int
    to_min: int
    starts_at: datetime
    ends_at: datetime
    opens: bool
    """Is there when the mall opens."""
    closes: bool
    """Is there when the mall closes."""
    needs_keys: bool
    holiday: str = ""

    @property
    def words(self) -> str:
        """`Desk, 10 am to 2 pm`"""
        return f"{self.post}, {clock_span(self.from_min, self.to_min)}"


def moment(day: date, minutes: int, timezone: str) -> datetime:
    """The moment in UTC of so many minutes after midnight on a day's clock; below 0 or past 1440 it is the day before or after.

    When the clocks go back, the first of two; a time that they jump over is as much later.
    """
    return (datetime.combine(day, time()) + timedelta(minutes=minutes)).replace(tzinfo=ZoneInfo(timezone)).astimezone(UTC)


def span_on(need: Need, hours: DayHours) -> tuple[int, int] | None:
    """From and to of a need in minutes of a day with these hours; None where nothing of it is left, or the mall is closed.

    What is by the clock is kept within the hours. What is counted from opening may begin before it, and is over by closing; what
    is counted from closing may end after it, and does not begin before opening. So a short day has shorter spans, or fewer.
    """
    if hours.opens_min is None or hours.closes_min is None:
        return None
    opens, closes = hours.opens_min, hours.closes_min

    def at(what: str, minutes: int) -> int:
        if what == "open":
            return min(opens + minutes, closes)
        if what == "close":
            return max(closes + minutes, opens)
        return min(max(minutes, opens), closes)

    begins, ends = at(need.from_what, need.from_min), at(need.to_what, need.to_min)
    return (begins, ends) if begins < ends else None


def seats_on(day: date, hours: DayHours, needs: Iterable[Need], timezone: str) -> list[Seat]:
    """The seats of a day, by beginning, end and post."""
    spans = [(span, need) for need in needs if need.holds_on(day) and (span := span_on(need, hours))]
    seats: list[Seat] = []
    taken: dict[tuple[int, datetime], int] = {}
    for (begins, ends), need in sorted(spans, key=lambda found: (*found[0], found[1].post, found[1].id)):
        starts_at, ends_at = moment(day, begins, timezone), moment(day, ends, timezone)
        if ends_at <= starts_at:  # all of it lies in the hour that the clocks jump over
            continue
        for place in range(need.people):
            number = taken[need.post_id, starts_at] = taken.get((need.post_id, starts_at), 0) + 1
            seats.append(
                Seat(
                    post_id=need.post_id,
                    post=need.post,
                    kind=need.kind,
                    seat=number,
                    on_date=day,
                    from_min=begins,
                    to_min=ends,
                    starts_at=starts_at,
                    ends_at=ends_at,
                    opens=begins <= (hours.opens_min or 0) < ends,
                    closes=begins < (hours.closes_min or 0) <= ends,
                    needs_keys=place < need.key_holders,
                    holiday=hours.holiday,
                )
            )
    return seats


def seats_in(calendar: Mapping[date, DayHours], needs: Iterable[Need], timezone: str) -> list[Seat]:
    """The seats of the days of a calendar, by day, beginning, end and post."""
    needs = list(needs)
    return [seat for day in sorted(calendar) for seat in seats_on(day, calendar[day], needs, timezone)]


def thin_spans(hours: DayHours, seats: Iterable[Seat], least: int) -> list[tuple[int, int, int]]:
    """Where the seats of a day are fewer than `least` while the mall is open: from, to (minutes) and how many there are."""
    if hours.opens_min is None or hours.closes_min is None:
        return []
    seats = list(seats)
    opens, closes = hours.opens_min, hours.closes_min
    edges = sorted({opens, closes} | {edge for s in seats for edge in (s.from_min, s.to_min) if opens < edge < closes})
    thin: list[tuple[int, int, int]] = []
    for begins, ends in pairwise(edges):
        there = sum(s.from_min <= begins < s.to_min for s in seats)
        if there >= least:
            continue
        if thin and thin[-1][1] == begins and thin[-1][2] == there:
            thin[-1] = (thin[-1][0], ends, there)
        else:
            thin.append((begins, ends, there))
    return thin


def _end_words(what: str, minutes: int) -> str:
    if what == "clock":
        return clock(minutes)
    at = "opening" if what == "open" else "closing"
    if not minutes:
        return at
    hours, rest = divmod(abs(minutes), 60)
    long = " and ".join(f"{count} {what}{'s' * (count != 1)}" for count, what in ((hours, "hour"), (rest, "minute")) if count)
    return f"{long} {'before' if minutes < 0 else 'after'} {at}"


def need_words(need: Need) -> str:
    """`Monday to Friday, from opening to 2 pm: 2 people, 1 with a key`; `1 person with a key`; `2 people, all with a key`"""
    people = "1 person" if need.people == 1 else f"{need.people} people"
    keys = f", {'all' if need.key_holders == need.people else need.key_holders} with a key" if need.key_holders else ""
    if need.people == 1:
        keys = keys.replace(", all", "")
    begins, ends = _end_words(need.from_what, need.from_min), _end_words(need.to_what, need.to_min)
    days = weekday_words(need.weekdays)
    return f"{days[0].upper()}{days[1:]}, from {begins} to {ends}: {people}{keys}"
