"""The list of a month's turns with who came: how each stands, in a word, and what waits for the manager."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime

from coop.core.listing import Column, Listed, Listing, OneOf, Words
from coop.core.templating import joined
from coop.floor.models import Mall
from coop.shifts.attending import Seen
from coop.shifts.wording import clock, hours_of, minute_of, weekday_of

STATES = {
    "to come": "to come",
    "on": "on now",
    "worked": "worked",
    "late": "came late",
    "missed": "did not come",
    "unwritten": "not signed in",
    "closed": "the mall stayed closed",
    "uncovered": "nobody had it",
}
DECIDED = {"excused": "excused", "owed": "owed on", "charged": "charged"}


@dataclass(frozen=True)
class Day:
    """A turn as the list shows it."""

    seen: Seen
    mall: Mall
    state: str
    """One of STATES."""

    @property
    def day(self) -> str:
        return weekday_of(self.seen.turn.on_date)

    @property
    def hours(self) -> str:
        return hours_of(self.seen.turn.starts_at, self.seen.turn.ends_at, self.mall.timezone)

    @property
    def said(self) -> str:
        """`Desk on Tue, Nov 3, 10 am to 2 pm`"""
        return f"{self.seen.post} on {self.day}, {self.hours}"

    @property
    def came(self) -> str:
        """`9:55 am to 2:03 pm`; empty where nobody came."""
        there = self.seen.attendance
        if there is None or there.signed_in_at is None:
            return ""
        return joined([self.clock(at) for at in (there.signed_in_at, there.signed_out_at) if at is not None], "to")

    def clock(self, at: datetime) -> str:
        return clock(minute_of(at, self.mall.timezone))

    @property
    def missed(self) -> str:
        """Who did not come, or came late."""
        return self.seen.missed.name if self.seen.missed else self.seen.who

    @property
    def decision(self) -> str:
        return DECIDED.get(self.seen.decision, "")

    @property
    def stands(self) -> str:
        """How it stands in words, with what was decided: `did not come, excused`."""
        words = STATES[self.state]
        if self.seen.missed:
            words = f"{self.seen.missed.name} did not come"
        return f"{words}, {self.decision}" if self.decision else words

    @property
    def may_be_decided(self) -> bool:
        return (
            self.seen.turn.state == "standing"
            and self.seen.attendance is not None
            and (self.seen.was_missed or self.seen.attendance.late)
        )


def day_of(seen: Seen, mall: Mall, now: datetime) -> Day:
    return Day(seen, mall, _state(seen, now))


def _state(seen: Seen, now: datetime) -> str:
    turn, there = seen.turn, seen.attendance
    if turn.state == "closed":
        return "closed"
    if there is not None and seen.came:
        if there.late:
            return "late"
        return "on" if there.signed_out_at is None and now < turn.ends_at else "worked"
    if seen.was_missed:
        return "missed"
    if turn.ends_at > now:
        return "to come"
    return "unwritten" if seen.member else "uncovered"


DAYS: Listing[Day] = Listing(
    columns=(
        Column("day", "Day", lambda row: row.seen.turn.on_date.isoformat(), by=lambda row: row.seen.turn.starts_at),
        Column(
            "turn", "Turn", lambda row: f"{row.seen.post}, {row.hours}", by=lambda row: (row.seen.post, row.seen.turn.starts_at)
        ),
        Column("who", "Who", lambda row: row.seen.who, by=lambda row: row.seen.who.lower()),
        Column("came", "Came", lambda row: row.came),
        Column("stands", "How it stands", lambda row: row.stands, by=lambda row: list(STATES).index(row.state)),
    ),
    usual="day",
    filters=(
        Words("who", "Who", of=lambda row: (row.seen.who, row.missed)),
        OneOf("state", "How it stands", tuple(STATES.items()), of=lambda row: row.state),
    ),
)


def listed_days(rows: list[Day], asked: Mapping[str, str]) -> Listed[Day]:
    return DAYS.pick(rows, asked)
