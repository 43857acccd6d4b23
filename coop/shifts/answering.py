"""Availability: when a member never can, would rather not, would like to or could stand in; given until a month's deadline.

A month goes by what stood when its answers closed: what is said or taken back later counts from the next one on. Standing in is
about turns that somebody misses, so that may be said at any time.
"""

from __future__ import annotations

from collections import defaultdict
from datetime import UTC, date, datetime, time, timedelta
from zoneinfo import ZoneInfo

from sqlalchemy import or_, select
from sqlalchemy.orm import Session

from coop.core import audit
from coop.core.clock import local_date
from coop.core.db import insert_ignoring
from coop.core.errors import Refusal
from coop.core.periods import Month, add_months
from coop.core.templating import day as written
from coop.dealers.models import Dealer, Member
from coop.floor.models import Mall
from coop.leases.models import Lease
from coop.shifts.domain.hours import DAY_MINUTES, EVERY_DAY
from coop.shifts.domain.spans import Said, covers, falls_on
from coop.shifts.models import AVAILABLE_KINDS, Availability, MonthAnswer, Rota, Turn
from coop.shifts.owing import workers_of
from coop.shifts.rules import rules_on
from coop.shifts.wording import minute_of

STAND_IN = "stand in"
MOST_RUNNING = 60
"""Of one member: more are a mistake, or nobody can plan by them."""
_FURTHEST = 24
"""Months ahead of which something may be said."""
_DAY = timedelta(days=1)


# --- the deadline ---------------------------------------------------------------------------------------------------------


def last_day_to_answer(session: Session, mall: Mall, month: Month) -> date:
    """The last day, by the mall's clock, on which availability for a month is given."""
    return month.previous.first_day.replace(day=rules_on(session, mall.id, month.first_day).answers_day)


def answers_close(session: Session, mall: Mall, month: Month) -> datetime:
    """The moment from which nothing that is said counts for a month any more: its deadline, or its rota's publication before."""
    midnight = datetime.combine(last_day_to_answer(session, mall, month) + _DAY, time(), ZoneInfo(mall.timezone)).astimezone(UTC)
    of_month = (Rota.mall_id == mall.id, Rota.first_day == month.first_day)
    # A rota that is published goes by consent: what is said of its days from then on is no word about it.
    published_at = session.scalar(select(Rota.published_at).where(*of_month))
    return min(midnight, published_at) if published_at is not None else midnight


def own_malls(session: Session, now: datetime, member_id: int) -> list[Mall]:
    """Malls at which a member has a lease that has not ended, by code; every other member's turns are no concern there."""
    runs = or_(Lease.ends_on.is_(None), Lease.ends_on >= now.date() - _DAY)
    held = select(Lease.mall_id).join(Dealer, Dealer.id == Lease.dealer_id).where(Dealer.member_id == member_id, runs)
    return list(session.scalars(select(Mall).where(Mall.id.in_(held)).order_by(Mall.code)))


def first_open_month(session: Session, now: datetime, member_id: int) -> Month:
    """The first month whose answers are still taken at one of the member's malls. Refuses a member without a lease."""
    malls = own_malls(session, now, member_id)
    if not malls:
        raise Refusal("You hold no lease, so no turn waits for you: availability is given by those who do.")
    found = []
    for mall in malls:
        month = Month.of(local_date(now, mall.timezone)).next
        while now >= answers_close(session, mall, month):
            month = month.next
        found.append(month)
    return min(found)


# --- saying ---------------------------------------------------------------------------------------------------------------


def give_availability(
    session: Session, now: datetime, member: Member, said: Said, *, user_id: int | None = None, request_id: str = ""
) -> Availability:
    """Write down what a member says. Refuses, naming it, what cannot be meant, and days of a month whose answers are closed."""
    _require_meant(said)
    first = _first_day(said)
    if first is None:
        until = f" and {written(said.ends_on)}" if said.ends_on else ""
        raise Refusal(f"None of these weekdays lies between {written(said.starts_on)}{until}: choose others, or later days.")
    open_month = first_open_month(session, now, member.id)
    if first > add_months(open_month.first_day, _FURTHEST):
        raise Refusal(f"{written(first)} is more than two years away: say it when it is nearer.")
    if said.kind != STAND_IN and first < open_month.first_day:
        raise Refusal(
            f"Answers for {Month.of(first).name} are closed: begin on {written(open_month.first_day)} or later, for "
            f"{open_month.name} is the next month it counts for."
        )
    session.execute(select(Member.id).where(Member.id == member.id).with_for_update(key_share=True))
    running = standing(session, member.id)
    if any(as_said(row) == said for row in running):
        raise Refusal("You have said this already: it stands below.")
    if len(running) >= MOST_RUNNING:
        raise Refusal(f"You have said {len(running)} things already: take back what is over, then say this.")
    row = Availability(
        member_id=member.id,
        kind=said.kind,
        starts_on=said.starts_on,
        ends_on=said.ends_on,
        weekdays=said.weekdays,
        every_weeks=said.every_weeks,
        from_min=said.from_min,
        to_min=said.to_min,
        said_at=now,
        ended_at=None,
    )
    session.add(row)
    session.flush()
    audit.record(session, now, "availability given", "member", member.id, user_id=user_id, request_id=request_id)
    return row


def _require_meant(said: Said) -> None:
    if said.kind not in AVAILABLE_KINDS:
        raise Refusal(f"{said.kind!r} is not known: choose one of {', '.join(AVAILABLE_KINDS)}.")
    if said.ends_on is not None and said.ends_on < said.starts_on:
        raise Refusal(f"It ends on {written(said.ends_on)}, before it begins on {written(said.starts_on)}: turn the two round.")
    if not 1 <= said.weekdays <= EVERY_DAY:
        raise Refusal("No weekday is chosen: tick at least one.")
    if not 1 <= said.every_weeks <= 52:
        raise Refusal(f"Every {said.every_weeks} weeks cannot be: write 1 to 52.")
    if not 0 <= said.from_min < said.to_min <= DAY_MINUTES:
        raise Refusal("The part of the day ends before it begins: turn the two times round.")


def _first_day(said: Said) -> date | None:
    """The first day it is said of; None when its dates hold none of its weekdays."""
    # Every weekday and week comes within a year and its last weeks.
    last = min(said.ends_on or date.max, said.starts_on + timedelta(weeks=54))
    days = (said.starts_on + timedelta(days=n) for n in range((last - said.starts_on).days + 1))
    return next((on for on in days if falls_on(said, on)), None)


def take_back(
    session: Session, now: datetime, row: Availability, *, user_id: int | None = None, request_id: str = ""
) -> list[Month]:
    """End what a member said; the months whose answers are closed, for which it counts all the same. Refuses one ended before."""
    session.refresh(row, with_for_update={"key_share": True})
    if row.ended_at is not None:
        raise Refusal("That is taken back already.")
    row.ended_at = now
    session.flush()
    audit.record(session, now, "availability taken back", "member", row.member_id, user_id=user_id, request_id=request_id)
    return [] if row.kind == STAND_IN else _still_counts(session, now, row)


def _still_counts(session: Session, now: datetime, row: Availability) -> list[Month]:
    months: set[Month] = set()
    for mall in own_malls(session, now, row.member_id):
        month = Month.of(local_date(now, mall.timezone))
        while now >= (closed := answers_close(session, mall, month)):
            if row.said_at < closed and _touches_month(as_said(row), month):
                months.add(month)
            month = month.next
    return sorted(months)


def answer_month(
    session: Session, now: datetime, member: Member, month: Month, *, user_id: int | None = None, request_id: str = ""
) -> None:
    """A member has said all there is to say for a month: what stands is meant. Twice is once. Refuses a month that is closed."""
    open_month = first_open_month(session, now, member.id)
    if month < open_month:
        raise Refusal(f"Answers for {month.name} are closed: {open_month.name} is the next month they count for.")
    row = insert_ignoring(session, MonthAnswer, "member_id", "first_day")
    session.execute(row.values(member_id=member.id, first_day=month.first_day, answered_at=now))
    audit.record(session, now, "month answered", "member", member.id, user_id=user_id, request_id=request_id, detail=str(month))


# --- reading --------------------------------------------------------------------------------------------------------------


def as_said(row: Availability) -> Said:
    return Said(row.kind, row.starts_on, row.ends_on, row.weekdays, row.every_weeks, row.from_min, row.to_min)


def standing(session: Session, member_id: int) -> list[Availability]:
    """What a member has said and not taken back, as long as it is not over; the first to begin first."""
    rows = select(Availability).where(Availability.member_id == member_id, Availability.ended_at.is_(None))
    return list(session.scalars(rows.order_by(Availability.starts_on, Availability.id)))


def has_answered(session: Session, member_id: int, month: Month) -> bool:
    """Whether a member has said that all is said for a month."""
    rows = select(MonthAnswer.id).where(MonthAnswer.member_id == member_id, MonthAnswer.first_day == month.first_day)
    return session.scalar(rows) is not None


def answers(session: Session, mall: Mall, month: Month) -> dict[int, tuple[Said, ...]]:
    """What members said of a month that counts at a mall, by member; whoever said nothing of it is not named.

    Named with nothing is who said only that all is said. Standing in is left out: it is no wish for the rota.
    """
    closes = answers_close(session, mall, month)
    found: dict[int, list[Said]] = defaultdict(list)
    answered = select(MonthAnswer.member_id).where(MonthAnswer.first_day == month.first_day, MonthAnswer.answered_at < closes)
    for member_id in session.scalars(answered.order_by(MonthAnswer.member_id)):
        found[member_id] = []
    rows = select(Availability).where(
        Availability.kind != STAND_IN,
        Availability.said_at < closes,
        or_(Availability.ended_at.is_(None), Availability.ended_at >= closes),
        Availability.starts_on <= month.last_day,
        or_(Availability.ends_on.is_(None), Availability.ends_on >= month.first_day),
    )
    for row in session.scalars(rows.order_by(Availability.id)):
        if _touches_month(as_said(row), month):
            found[row.member_id].append(as_said(row))
    return {member_id: tuple(said) for member_id, said in found.items()}


def _touches_month(said: Said, month: Month) -> bool:
    return any(falls_on(said, on) for on in month.each_day())


def stand_ins(session: Session, turn: Turn) -> list[int]:
    """Members who said that they could stand in for all of a turn's hours, hold a lease there, and have no other turn then."""
    mall = session.get_one(Mall, turn.mall_id)
    there = [w.member_id for w in workers_of(session, mall, Month.of(turn.on_date)) if w.is_there(turn.on_date)]
    busy = select(Turn.member_id).where(
        Turn.member_id.in_(there), Turn.state == "standing", Turn.starts_at < turn.ends_at, Turn.ends_at > turn.starts_at
    )
    free = set(there) - set(session.scalars(busy)) - {turn.member_id}
    rows = select(Availability).where(
        Availability.kind == STAND_IN,
        Availability.member_id.in_(free),
        Availability.ended_at.is_(None),
        Availability.starts_on <= turn.on_date,
        or_(Availability.ends_on.is_(None), Availability.ends_on >= turn.on_date),
    )
    begins, ends = span_of(turn, mall)
    said = session.scalars(rows.order_by(Availability.id)).all()
    return list(dict.fromkeys(row.member_id for row in said if covers(as_said(row), turn.on_date, begins, ends)))


def span_of(turn: Turn, mall: Mall) -> tuple[int, int]:
    """A turn's minutes after midnight of its day; beyond 1440 where it goes on past midnight."""
    begins, ends = minute_of(turn.starts_at, mall.timezone), minute_of(turn.ends_at, mall.timezone)
    return begins, ends if ends > begins else ends + DAY_MINUTES
