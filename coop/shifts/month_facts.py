"""A mall's month of turns read from the database as plain facts: for the solver, for judging, for saying how turns are shared."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, replace
from datetime import date, datetime, timedelta
from decimal import Decimal

from sqlalchemy import and_, exists, func, or_, select
from sqlalchemy.orm import Session

from coop.core.periods import Month
from coop.floor.models import Mall
from coop.shifts.answering import answers
from coop.shifts.domain.posing import EXEMPT, LEFT, SHARED, Elsewhere, House, MonthFacts, Seat, Someone
from coop.shifts.domain.spans import Said, covers, touches
from coop.shifts.hours import calendar_of
from coop.shifts.models import Rota, Turn, TurnPair
from coop.shifts.owing import Worker, balances, owed_of_month, workers_of
from coop.shifts.rules import TurnRules, rules_on
from coop.shifts.turn_models import Attendance, TurnAccount
from coop.shifts.wording import minute_of

YEAR = 12
"""Months over which turns are shared out fairly, this one with them."""
_BESIDE = timedelta(days=14)
"""How far beyond the month's ends turns are looked at: rest, weeks and days in a row reach no further."""


def read_facts(session: Session, rota: Rota) -> MonthFacts:
    """Everything a draft or a judgement of a rota goes by, in a fixed number of queries."""
    mall, month = session.get_one(Mall, rota.mall_id), Month.of(rota.first_day)
    rules = rules_on(session, mall.id, month.first_day)
    turns = session.scalars(select(Turn).where(Turn.rota_id == rota.id, Turn.state == "standing").order_by(Turn.id)).all()
    seats = tuple(_seat(turn, month, mall.timezone) for turn in turns)
    workers = workers_of(session, mall, month)
    members = [worker.member_id for worker in workers]
    pairs = _pairs(session, month)
    calendar = calendar_of(session, mall, month)
    return MonthFacts(
        first_day=month.first_day,
        days=month.days,
        seats=seats,
        people=tuple(_people(session, mall, month, rules, workers, seats)),
        house=House(
            rules.most_day,
            rules.most_week,
            rules.most_in_row,
            rules.rest_minutes,
            rules.keys_at_ends,
            rules.least_people,
            {
                (on - month.first_day).days: (hours.opens_min, hours.closes_min)
                for on, hours in calendar.items()
                if rules.least_weekdays >> on.weekday() & 1 and hours.opens_min is not None and hours.closes_min is not None
            },
        ),
        elsewhere=tuple(_elsewhere(session, rota, month, members)),
        apart=pairs["apart"],
        together=tuple(pairs["together"]),
    )


def _pairs(session: Session, month: Month) -> dict[str, dict[tuple[int, int], frozenset[int]]]:
    """Pairs that hold in a month, by how, with the days on which they do."""
    rows = (
        select(TurnPair)
        .where(TurnPair.starts_on <= month.last_day, or_(TurnPair.ended_on.is_(None), TurnPair.ended_on >= month.first_day))
        .order_by(TurnPair.id)
    )
    found: dict[str, dict[tuple[int, int], frozenset[int]]] = {"apart": {}, "together": {}}
    for row in session.scalars(rows):
        days = frozenset(
            day for day, on in enumerate(month.each_day()) if row.starts_on <= on and (row.ended_on is None or on <= row.ended_on)
        )
        of, pair = found[row.how], (row.one_id, row.other_id)
        if days:
            of[pair] = of.get(pair, frozenset()) | days
    return found


def _seat(turn: Turn, month: Month, timezone: str) -> Seat:
    starts = minute_of(turn.starts_at, timezone)
    return Seat(
        id=turn.id,
        day=(turn.on_date - month.first_day).days,
        post_id=turn.post_id,
        starts_min=starts,
        # By the clock's hours, as people see them; on the night it changes a turn may last an hour more or less.
        ends_min=_end(turn.ends_at, starts, timezone),
        number=turn.seat,
        needs_keys=turn.needs_keys,
        opens=turn.opens,
        closes=turn.closes,
        holiday=bool(turn.holiday),
        member_id=turn.member_id,
        locked=turn.locked,
    )


def _end(ends_at: datetime, starts: int, timezone: str) -> int:
    ends = minute_of(ends_at, timezone)
    return ends if ends > starts else ends + 1440


def _people(
    session: Session, mall: Mall, month: Month, rules: TurnRules, workers: Iterable[Worker], seats: Iterable[Seat]
) -> Iterable[Someone]:
    workers = list(workers)
    members = [worker.member_id for worker in workers]
    since = first_of_year(month)
    waiting = waiting_months(session, since, month)
    owed, carried = owed_of_month(session, mall, month), carried_to(session, mall, month, waiting)
    said = answers(session, mall, month)
    had, owed_before = turns_had(session, since, month, members), owed_over(session, since, month, members, waiting)
    spans = sorted({(seat.day, seat.kind, seat.starts_min, seat.ends_min) for seat in seats})
    days = list(enumerate(month.each_day()))
    for worker in workers:
        member = worker.member_id
        this = owed[member].turns if member in owed else Decimal(0)
        # Below zero is owed: what is carried adds to what is due, and what was worked beyond takes off.
        due = max(Decimal(0), this - carried.get(member, Decimal(0)))
        mine = said.get(member, ())
        untrained = frozenset(day for day, on in days if not (worker.is_there(on) and worker.is_trained(on)))
        keyless = frozenset(day for day, on in days if not (worker.is_there(on) and worker.holds_keys(on)))
        yield Someone(
            id=member,
            name=worker.name,
            trained=len(untrained) < month.days,
            keys=len(keyless) < month.days,
            untrained_on=untrained,
            keyless_on=keyless,
            away=_away(worker, month),
            owed=int(due * 100),
            owed_year=int((this + owed_before.get(member, Decimal(0))) * 100),
            had=had.get(member, {}),
            says={
                (day, kind): word
                for day, kind, begins, ends in spans
                if (word := _word(mine, month.first_day + timedelta(days=day), begins, ends))
            },
            silent=rules.silence == "never" and member not in said,
        )


def _away(worker: Worker, month: Month) -> dict[int, str]:
    days: dict[int, str] = {}
    for number, on in enumerate(month.each_day()):
        if not worker.is_there(on):
            days[number] = LEFT
        elif worker.is_exempt(on):
            days[number] = EXEMPT
    return days


def _word(said: Iterable[Said], on: date, begins: int, ends: int) -> str:
    """What is said of a span: `never` before `rather not` before `like`. A wish covers all of it, what stands in the way any."""
    words = {s.kind for s in said if s.kind in ("never", "rather not") and touches(s, on, begins, ends)}
    words |= {s.kind for s in said if s.kind == "like" and covers(s, on, begins, ends)}
    return next((word for word in ("never", "rather not", "like") if word in words), "")


def _elsewhere(session: Session, rota: Rota, month: Month, members: list[int]) -> Iterable[Elsewhere]:
    """Turns of its members that are of other rotas: at other malls, and of the months beside; drafts of other malls count too."""
    near = (month.first_day - _BESIDE, month.last_day + _BESIDE)
    rows = (
        select(Turn.member_id, Turn.on_date, Turn.starts_at, Turn.ends_at, Mall.timezone)
        .join(Mall, Mall.id == Turn.mall_id)
        .where(Turn.rota_id != rota.id, Turn.state == "standing", Turn.member_id.in_(members), Turn.on_date.between(*near))
        .order_by(Turn.id)
    )
    for member_id, on, starts_at, ends_at, timezone in session.execute(rows):
        assert member_id is not None
        starts = minute_of(starts_at, timezone)
        yield Elsewhere(member_id, (on - month.first_day).days, starts, _end(ends_at, starts, timezone))


def moved_elsewhere(session: Session, facts: MonthFacts, moved: Mapping[Turn, int | None]) -> MonthFacts:
    """The same month once turns of other rotas have gone to other members."""
    there, people = list(facts.elsewhere), {person.id for person in facts.people}
    for turn, member in moved.items():
        timezone, day = session.get_one(Mall, turn.mall_id).timezone, (turn.on_date - facts.first_day).days
        starts = minute_of(turn.starts_at, timezone)
        span = day, starts, _end(turn.ends_at, starts, timezone)
        if turn.member_id is not None and (was := Elsewhere(turn.member_id, *span)) in there:
            there.remove(was)
        if member in people and -_BESIDE.days <= day < facts.days + _BESIDE.days:
            there.append(Elsewhere(member, *span))
    return replace(facts, elsewhere=tuple(there))


# --- the year -------------------------------------------------------------------------------------------------------------


def first_of_year(month: Month) -> date:
    """First day of the twelve months that end with a month."""
    return date(month.year - 1, month.month + 1, 1) if month.month < YEAR else date(month.year, 1, 1)


def turns_had(session: Session, first: date, before: Month, members: Iterable[int]) -> dict[int, dict[str, int]]:
    """By member: weekend, holiday, opening and closing turns from a day on before a month, of published rotas of every mall."""
    rows = (
        select(Turn.member_id, Turn.on_date, Turn.holiday, Turn.opens, Turn.closes)
        .join(Rota, Rota.id == Turn.rota_id)
        .where(
            Rota.state == "published",
            Turn.state == "standing",
            Turn.member_id.in_(list(members)),
            Turn.on_date >= first,
            Turn.on_date < before.first_day,
        )
    )
    had: dict[int, dict[str, int]] = defaultdict(lambda: dict.fromkeys(SHARED, 0))
    for member_id, on, holiday, opens, closes in session.execute(rows):
        assert member_id is not None
        is_one: Mapping[str, bool] = {
            "weekend": on.weekday() >= 5,
            "holiday": bool(holiday),
            "opening": opens,
            "closing": closes,
        }
        for name in SHARED:
            had[member_id][name] += is_one[name]
    return dict(had)


@dataclass(frozen=True)
class Waiting:
    """A published rota of which no month-end has written a line, with what its month owes by the rules, by member."""

    rota: Rota
    owed: Mapping[int, Decimal]


def waiting_months(session: Session, first: date, before: Month) -> list[Waiting]:
    """Months from a day on before a month that are published and not counted, of every mall."""
    counted = exists().where(
        TurnAccount.mall_id == Rota.mall_id, TurnAccount.first_day == Rota.first_day, TurnAccount.kind.in_(("owed", "worked"))
    )
    rows = select(Rota, Mall).join(Mall, Mall.id == Rota.mall_id)
    rows = rows.where(Rota.state == "published", Rota.first_day >= first, Rota.first_day < before.first_day, ~counted)
    return [
        Waiting(rota, {member: each.turns for member, each in owed_of_month(session, mall, Month.of(rota.first_day)).items()})
        for rota, mall in session.execute(rows.order_by(Rota.first_day, Rota.mall_id)).all()
    ]


def owed_over(
    session: Session, first: date, before: Month, members: Iterable[int], waiting: Iterable[Waiting]
) -> dict[int, Decimal]:
    """By member: turns owed from a day on before a month, at every mall: as month-ends wrote them, and in months that wait."""
    within = (TurnAccount.first_day >= first, TurnAccount.first_day < before.first_day)
    written = select(TurnAccount.member_id, func.sum(TurnAccount.turns)).where(TurnAccount.kind == "owed", *within)
    owed: dict[int, Decimal] = defaultdict(Decimal)
    for member_id, turns in session.execute(
        written.where(TurnAccount.member_id.in_(list(members))).group_by(TurnAccount.member_id)
    ):
        owed[member_id] -= Decimal(turns)
    for one in waiting:
        for member_id, turns in one.owed.items():
            owed[member_id] += turns
    return dict(owed)


def carried_to(session: Session, mall: Mall, month: Month, waiting: Iterable[Waiting]) -> dict[int, Decimal]:
    """By member: the balance at a mall that a month begins with. Below zero is owed.

    A month is drafted while the one before it runs: months that wait are taken as they stand, else a draft would make up for what
    the last one has made up for already.
    """
    carried: dict[int, Decimal] = defaultdict(Decimal)
    carried |= {member: turns for (_, member), turns in balances(session, [mall.id], before=month).items()}
    for one in waiting:
        if one.rota.mall_id != mall.id:
            continue
        for member, owed in one.owed.items():
            carried[member] -= owed
        counts = ["standing", "closed"] if rules_on(session, mall.id, one.rota.first_day).closed == "worked" else ["standing"]
        missed = and_(Attendance.missed_at.is_not(None), Attendance.signed_in_at.is_(None), Attendance.decision.in_(("", "owed")))
        whose = func.coalesce(Turn.for_member_id, Turn.member_id)
        rows = (
            select(whose, func.count(Turn.id))
            .where(Turn.rota_id == one.rota.id, Turn.state.in_(counts), Turn.member_id.is_not(None))
            .where(~exists().where(Attendance.turn_id == Turn.id, missed))
            .group_by(whose)
        )
        for member, turns in session.execute(rows):
            carried[member] += turns
    return dict(carried)
