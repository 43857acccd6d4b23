"""What the desk's pages show of a mall's day: its turns with who is there, and whom to call where nobody is."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from datetime import date, datetime, timedelta

from sqlalchemy import and_, or_, select
from sqlalchemy.orm import Session

from coop.core.clock import local_date
from coop.core.periods import Month
from coop.dealers.models import Member
from coop.floor.models import Mall
from coop.sales.drawers import drawers_of
from coop.shifts.answering import stand_ins
from coop.shifts.attending import EARLY, Seen, turns_seen
from coop.shifts.models import Turn, TurnHelper
from coop.shifts.owing import workers_of
from coop.shifts.people import helpers_of
from coop.shifts.rules import rules_on
from coop.shifts.wording import clock, hours_of, minute_of

SOON = timedelta(hours=2)
"""Before a turn that nobody has, from which somebody is called."""


@dataclass(frozen=True)
class Call:
    """Somebody to call about a turn: what for, and the number if there is one."""

    name: str
    phone: str
    why: str


def said_of(seen: Seen, mall: Mall) -> str:
    """A turn of today in words: `Desk, 10 am to 2 pm`."""
    return f"{seen.post}, {hours_of(seen.turn.starts_at, seen.turn.ends_at, mall.timezone)}"


@dataclass(frozen=True)
class DeskTurn:
    """A turn of the day as the desk sees it at a moment."""

    seen: Seen
    mall: Mall
    now: datetime
    late_after: datetime
    """From then on whoever was to come is awaited."""
    calls: tuple[Call, ...] = ()

    @property
    def id(self) -> int:
        return self.seen.turn.id

    @property
    def said(self) -> str:
        """`Desk, 10 am to 2 pm`"""
        return said_of(self.seen, self.mall)

    @property
    def state(self) -> str:
        """`closed`, `on`, `gone`, `over`, `awaited`, `uncovered`, `open` (one may sign in) or `later`."""
        turn, seen = self.seen.turn, self.seen
        if turn.state == "closed":
            return "closed"
        if seen.came:
            return "on" if seen.is_on else "gone"
        if self.now >= turn.ends_at:
            return "over"
        if seen.member is None:
            return "uncovered"
        if self.now >= self.late_after:
            return "awaited"
        return "open" if self.may_sign_in else "later"

    @property
    def may_sign_in(self) -> bool:
        turn = self.seen.turn
        return turn.state == "standing" and not self.seen.came and turn.starts_at - EARLY <= self.now < turn.ends_at

    @property
    def opens_at(self) -> str:
        """When one may sign in, by the mall's clock."""
        return clock(minute_of(self.seen.turn.starts_at - EARLY, self.mall.timezone))

    def clock(self, at: datetime | None) -> str:
        return clock(minute_of(at, self.mall.timezone)) if at is not None else ""

    @property
    def wants_call(self) -> bool:
        """Nobody is there who should be, or nobody has a turn that is near."""
        if self.state == "awaited":
            return True
        return self.state == "uncovered" and self.now >= self.seen.turn.starts_at - SOON


@dataclass(frozen=True)
class DeskDay:
    """A mall's day at a moment."""

    today: date
    turns: Sequence[DeskTurn] = field(default_factory=tuple)

    def of(self, *states: str) -> list[DeskTurn]:
        return [turn for turn in self.turns if turn.state in states]

    @property
    def to_call(self) -> list[DeskTurn]:
        return [turn for turn in self.turns if turn.wants_call]


def day_of(session: Session, mall: Mall, now: datetime) -> DeskDay:
    """The turns of today, and those that began yesterday and are not over; with whom to call where nobody is there."""
    today = local_date(now, mall.timezone)
    running = and_(Turn.starts_at <= now, Turn.ends_at > now)
    rows = turns_seen(session, Turn.mall_id == mall.id, or_(Turn.on_date == today, running))
    return DeskDay(today, tuple(turn_of(session, mall, seen, now) for seen in rows))


def turn_of(session: Session, mall: Mall, seen: Seen, now: datetime, *, calls: bool = False) -> DeskTurn:
    """A turn as the desk sees it; with `calls`, whom to call about it whether or not anybody is missing."""
    grace = timedelta(minutes=rules_on(session, mall.id, Month.of(seen.turn.on_date).first_day).late_minutes)
    made = DeskTurn(seen, mall, now, seen.turn.starts_at + grace)
    if not (calls or made.wants_call):
        return made
    return DeskTurn(seen, mall, now, made.late_after, tuple(_calls(session, seen)))


def _calls(session: Session, seen: Seen) -> Iterable[Call]:
    if seen.member is not None and not seen.came:
        if seen.helper is not None:
            yield Call(seen.helper.name, seen.helper.phone, f"comes for {seen.member.name}")
        yield Call(seen.member.name, seen.member.phone, "has the turn")
    could = stand_ins(session, seen.turn)
    members = {member.id: member for member in session.scalars(select(Member).where(Member.id.in_(could)))}
    for member_id in could:
        yield Call(members[member_id].name, members[member_id].phone, "could stand in")


def helpers_for(session: Session, seen: Seen) -> list[TurnHelper]:
    """Helpers whom a turn's member has named."""
    if seen.member is None:
        return []
    return helpers_of(session, seen.turn.on_date, member_ids=[seen.member.id]).get(seen.member.id, [])


def others_for(session: Session, mall: Mall, seen: Seen) -> list[tuple[int, str]]:
    """Members of the mall who are free at a turn's time, and might stand in: (id, name) by name."""
    turn = seen.turn
    there = {
        worker.member_id: worker.name
        for worker in workers_of(session, mall, Month.of(turn.on_date))
        if worker.is_there(turn.on_date) and worker.member_id != turn.member_id
    }
    busy = select(Turn.member_id).where(
        Turn.member_id.in_(there), Turn.state == "standing", Turn.starts_at < turn.ends_at, Turn.ends_at > turn.starts_at
    )
    taken = set(session.scalars(busy))
    return sorted(((one, name) for one, name in there.items() if one not in taken), key=lambda found: found[1].lower())


def wants_count(session: Session, mall: Mall, today: date) -> bool:
    """Whether the mall has a drawer in which there ever was money."""
    return any(drawer.account_id is not None for drawer in drawers_of(session, mall, today))
