"""A month of a mall's rota as its page shows it: days with their turns, members with what they have, what stands against it."""

from __future__ import annotations

from collections import Counter, defaultdict
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import date, datetime
from decimal import Decimal

from sqlalchemy import select
from sqlalchemy.orm import Session

from coop.core.clock import local_date
from coop.core.jobs import Job
from coop.core.periods import Month
from coop.dealers.models import Dealer, Member
from coop.floor.models import Mall
from coop.office.rota_list import answered
from coop.shifts.answering import last_day_to_answer
from coop.shifts.domain.hours import DayHours
from coop.shifts.hours import calendar_of
from coop.shifts.judging import UNCOVERED, Broken, judge
from coop.shifts.models import Post, Rota, Turn, TurnHelper
from coop.shifts.owing import Worker, balances, owed_of_month, workers_of
from coop.shifts.planning import rota_of
from coop.shifts.rules import rules_on
from coop.shifts.wording import hours_of, turn_said


@dataclass(frozen=True)
class TurnCell:
    """A turn as it stands in its day."""

    turn: Turn
    post: str
    hours: str
    said: str
    """For sentences: `Desk on Sat, Dec 5, 10 am to 2 pm`."""
    name: str
    """Who is to come; empty: nobody yet."""
    code: str
    helper: str = ""
    """The member's helper, who comes for the member."""
    whose: str = ""
    """Whose owed turn it works off, where that is somebody else."""
    broken: tuple[Broken, ...] = ()

    @property
    def is_open(self) -> bool:
        return self.turn.state == "standing" and self.turn.member_id is None

    @property
    def is_wrong(self) -> bool:
        return any(one.hard for one in self.broken)


@dataclass(frozen=True)
class DayCell:
    on: date
    hours: DayHours
    turns: Sequence[TurnCell]
    is_past: bool

    @property
    def is_weekend(self) -> bool:
        return self.on.weekday() >= 5

    @property
    def uncovered(self) -> int:
        return sum(cell.is_open for cell in self.turns)


@dataclass(frozen=True)
class MemberRow:
    """What a member has of a month, beside what the member owes.

    Turns worked for somebody else count for that one, and those of a day the mall stays closed as the house rules say.
    """

    member_id: int
    name: str
    code: str
    turns: int
    weekend: int
    holiday: int
    owed: Decimal
    working: str
    before: Decimal
    """The account before the month: below zero is owed."""
    has_answered: bool
    takes_part: bool = True

    @property
    def after(self) -> Decimal:
        return self.before + self.turns - self.owed


@dataclass(frozen=True)
class Broke:
    """A rule that is broken, with the turn it is told of."""

    fault: Broken
    cell: TurnCell | None


@dataclass(frozen=True)
class MonthOfTurns:
    """Everything the page shows; without a rota, what there would be."""

    mall: Mall
    month: Month
    rota: Rota | None
    today: date
    days: Sequence[DayCell] = ()
    members: Sequence[MemberRow] = ()
    faults: Sequence[Broke] = ()
    answers_by: date | None = None
    job: Job | None = None
    cells: Mapping[int, TurnCell] = field(default_factory=dict)
    """By the turn's id."""

    @property
    def published(self) -> bool:
        return self.rota is not None and self.rota.state == "published"

    @property
    def drafting(self) -> bool:
        return self.job is not None and self.job.state in ("queued", "running")

    @property
    def turns(self) -> int:
        return sum(cell.turn.state == "standing" for cell in self.cells.values())

    @property
    def uncovered(self) -> list[TurnCell]:
        return [cell for day in self.days for cell in day.turns if cell.is_open]

    @property
    def hard(self) -> list[Broke]:
        return [one for one in self.faults if one.fault.hard]

    @property
    def soft(self) -> list[Broke]:
        return [one for one in self.faults if not one.fault.hard]

    def row_of(self, member_id: str) -> MemberRow | None:
        """The row of a member whom an address names."""
        return next((row for row in self.members if str(row.member_id) == member_id), None)

    def turns_of(self, row: MemberRow) -> list[TurnCell]:
        """Turns that a member is to come to."""
        return [cell for cell in self.cells.values() if cell.turn.member_id == row.member_id]

    @property
    def silent(self) -> list[MemberRow]:
        return [row for row in self.members if not row.has_answered and row.takes_part]


def job_of(session: Session, rota: Rota) -> Job | None:
    """The draft under way, or the last."""
    return session.get(Job, rota.job_id) if rota.job_id is not None else None


def month_of(session: Session, now: datetime, mall: Mall, month: Month) -> MonthOfTurns:
    """The month with its rota, if it has one."""
    rota = rota_of(session, mall.id, month)
    today = local_date(now, mall.timezone)
    workers = workers_of(session, mall, month)
    by = last_day_to_answer(session, mall, month)
    if rota is None:
        rows = _members(session, mall, month, workers, [], {})
        return MonthOfTurns(mall, month, None, today, members=rows, answers_by=by)
    turns = list(
        session.scalars(
            select(Turn).where(Turn.rota_id == rota.id).order_by(Turn.starts_at, Turn.ends_at, Turn.post_id, Turn.seat)
        )
    )
    people = _people(session, workers, turns)
    broken = _seen(judge(session, rota))
    cells = _cells(session, mall, turns, people, broken)
    by_day: dict[date, list[TurnCell]] = defaultdict(list)
    for cell in cells.values():
        by_day[cell.turn.on_date].append(cell)
    calendar = calendar_of(session, mall, month)
    days = [DayCell(on, calendar[on], by_day.get(on, []), on < today) for on in month.each_day()]
    faults = [Broke(one, cells.get(one.turn_id) if one.turn_id is not None else None) for one in broken]
    rows = _members(session, mall, month, workers, turns, people)
    return MonthOfTurns(mall, month, rota, today, days, rows, faults, by, job_of(session, rota), cells)


def cells_of(
    session: Session, mall: Mall, workers: Sequence[Worker], turns: Sequence[Turn], broken: Iterable[Broken]
) -> dict[int, TurnCell]:
    """These turns of a rota as they stand in their days, by id, with what the rota breaks."""
    return _cells(session, mall, turns, _people(session, workers, turns), _seen(broken))


def _seen(broken: Iterable[Broken]) -> list[Broken]:
    """What stands against a rota and is to be said; what is uncovered is seen in its day."""
    return [one for one in worth_saying(broken) if one.rule != UNCOVERED]


def worth_saying(broken: Iterable[Broken]) -> list[Broken]:
    """What is broken without saying one thing twice: key holders are missed once a turn, and not where nobody stands yet."""
    found, keyless = [], set()
    for one in broken:
        if one.rule == "keys" and (not one.hard or one.turn_id in keyless):
            continue
        found.append(one)
        if one.rule == "keys":
            keyless.add(one.turn_id)
    return found


_People = Mapping[int | None, tuple[str, str]]
"""Name and dealer's code by member."""


def _people(session: Session, workers: Iterable[Worker], turns: Iterable[Turn]) -> dict[int | None, tuple[str, str]]:
    """Those who take part, and who has a turn without taking part any more."""
    found: dict[int | None, tuple[str, str]] = {one.member_id: (one.name, one.dealer_code) for one in workers}
    wanted = {one for turn in turns for one in (turn.member_id, turn.for_member_id) if one is not None} - found.keys()
    if wanted:
        rows = session.execute(
            select(Member.id, Member.name, Dealer.code)
            .outerjoin(Dealer, Dealer.member_id == Member.id)
            .where(Member.id.in_(wanted))
            .order_by(Dealer.code.desc())
        )
        found |= {member_id: (name, code or "") for member_id, name, code in rows}
    return found


def _cells(session: Session, mall: Mall, turns: Sequence[Turn], people: _People, broken: Iterable[Broken]) -> dict[int, TurnCell]:
    posts = {post.id: post.name for post in session.scalars(select(Post).where(Post.mall_id == mall.id))}
    helper_ids = {turn.helper_id for turn in turns if turn.helper_id is not None}
    helpers = (
        {one.id: one.name for one in session.scalars(select(TurnHelper).where(TurnHelper.id.in_(helper_ids)))}
        if helper_ids
        else {}
    )
    of_turn: dict[int, list[Broken]] = defaultdict(list)
    for one in broken:
        if one.turn_id is not None:
            of_turn[one.turn_id].append(one)
    return {
        turn.id: TurnCell(
            turn,
            posts[turn.post_id],
            hours_of(turn.starts_at, turn.ends_at, mall.timezone),
            turn_said(posts[turn.post_id], turn.on_date, turn.starts_at, turn.ends_at, mall.timezone),
            *people.get(turn.member_id, ("", "")),
            helpers.get(turn.helper_id or 0, ""),
            people.get(turn.for_member_id, ("", ""))[0],
            tuple(of_turn[turn.id]),
        )
        for turn in turns
    }


def _members(
    session: Session, mall: Mall, month: Month, workers: Sequence[Worker], turns: Iterable[Turn], people: _People
) -> list[MemberRow]:
    """Those who take part, by name; and who has a turn although not."""
    owed = owed_of_month(session, mall, month)
    before = balances(session, [mall.id], before=month)
    closed_counts = rules_on(session, mall.id, month.first_day).closed == "worked"
    have: dict[int, Counter[str]] = defaultdict(Counter)
    for turn in turns:
        whose = turn.for_member_id or turn.member_id
        if whose is not None and (turn.state == "standing" or closed_counts):
            have[whose].update({"turns": 1, "weekend": int(turn.on_date.weekday() >= 5), "holiday": int(bool(turn.holiday))})
    given = answered(session, month, {one.member_id for one in workers})
    there = {one.member_id for one in workers}
    rows = []
    for member_id, name, code in [
        *((one.member_id, one.name, one.dealer_code) for one in workers),
        *((other, *people[other]) for other in have.keys() - there),
    ]:
        mine, due = have[member_id], owed.get(member_id)
        rows.append(
            MemberRow(
                member_id,
                name,
                code,
                mine["turns"],
                mine["weekend"],
                mine["holiday"],
                due.turns if due else Decimal(0),
                due.working if due else "",
                before.get((mall.id, member_id), Decimal(0)),
                member_id in given,
                member_id in there,
            )
        )
    return sorted(rows, key=lambda row: (row.name, row.code))
