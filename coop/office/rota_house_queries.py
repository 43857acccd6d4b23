"""What the office's pages of a mall's turns read: hours, holidays, posts, members, and what is still to be set."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date, timedelta
from decimal import Decimal

from sqlalchemy import or_, select
from sqlalchemy.orm import Session

from coop.core.periods import Month
from coop.core.templating import day as written
from coop.dealers.models import Dealer, Member
from coop.floor.models import Mall
from coop.shifts.domain.demand import Need, Seat, seats_in, thin_spans
from coop.shifts.domain.hours import CLOSED, WEEKDAYS, DayHours, Hours, clock_span, hours_words, latest_on, weekday_words
from coop.shifts.domain.owed import Owed, turns_words
from coop.shifts.hours import HOW_WORDS, OpeningRows, Weekly, calendar_between, hours_are_set
from coop.shifts.models import OpeningException, Post, PostNeed, Rota, TurnFact, TurnHelper, TurnPair
from coop.shifts.owing import balances, owed_of_month, workers_of
from coop.shifts.people import fact_rows, helpers_of
from coop.shifts.posts import needs_of
from coop.shifts.rules import TurnRules, dated_rules, rules_on


@dataclass(frozen=True)
class Setup:
    """What a mall's turns need first, and whether it is there, in the order it is set."""

    hours: bool
    posts: bool
    rules: bool

    @property
    def is_done(self) -> bool:
        return self.hours and self.posts and self.rules

    @property
    def next(self) -> str:
        return "hours" if not self.hours else "posts" if not self.posts else "rules" if not self.rules else ""


def setup_of(session: Session, mall_id: int) -> Setup:
    need = select(PostNeed.id).join(Post, Post.id == PostNeed.post_id).where(Post.mall_id == mall_id).limit(1)
    return Setup(hours_are_set(session, mall_id), session.scalar(need) is not None, bool(dated_rules(session, mall_id)))


# --- hours ----------------------------------------------------------------------------------------------------------------


@dataclass(frozen=True)
class WeekOfHours:
    """The hours by weekday that hold from a day on."""

    starts_on: date
    lines: tuple[tuple[str, str], ...]
    """(days, hours) of weekdays, neighbours with the same hours together: `Monday to Friday`, `10 am to 6 pm`."""


def weeks_of(weekly: Weekly) -> list[WeekOfHours]:
    """Every set of weekday hours of a mall, as they hold from its day on, oldest first."""
    starts = sorted({dated.starts_on for of_day in weekly.values() for dated in of_day})
    return [WeekOfHours(day, _lines(week_on(weekly, day))) for day in starts]


def week_on(weekly: Weekly, day: date) -> dict[int, Hours]:
    """Hours by weekday on a day; closed where none are set."""
    return {n: latest_on(weekly.get(n, ()), day) or CLOSED for n in range(7)}


def _lines(week: Mapping[int, Hours]) -> tuple[tuple[str, str], ...]:
    groups: list[list[int]] = []
    for n in range(7):
        if groups and week[groups[-1][-1]] == week[n]:
            groups[-1].append(n)
        else:
            groups.append([n])
    said = ((weekday_words(sum(1 << n for n in group)), hours_words(week[group[0]])) for group in groups)
    return tuple((f"{days[0].upper()}{days[1:]}", hours) for days, hours in said)


@dataclass(frozen=True)
class HolidayRow:
    day: date
    name: str
    hours: DayHours
    how: str
    """What was chosen for it, in words; empty: nothing."""


def holidays_of_year(session: Session, mall: Mall, today: date, rows: OpeningRows) -> list[HolidayRow]:
    """The public holidays of the coming twelve months with what the mall does on them."""
    days = calendar_between(session, mall, today, today + timedelta(days=365))
    found = []
    for day, hours in days.items():
        if hours.holiday:
            choice = latest_on(rows.choices.get(hours.holiday, ()), day)
            found.append(HolidayRow(day, hours.holiday, hours, HOW_WORDS[choice.how] if choice else ""))
    return found


def dates_to_come(session: Session, mall_id: int, today: date) -> Sequence[OpeningException]:
    rows = select(OpeningException).where(OpeningException.mall_id == mall_id, OpeningException.on_date >= today)
    return session.scalars(rows.order_by(OpeningException.on_date)).all()


def is_published(session: Session, mall_id: int, day: date) -> bool:
    """Whether the rota of a day's month is published."""
    rows = select(Rota.id).where(Rota.mall_id == mall_id, Rota.first_day == day.replace(day=1), Rota.state == "published")
    return session.scalar(rows) is not None


# --- posts ----------------------------------------------------------------------------------------------------------------


@dataclass(frozen=True)
class Demand:
    """What a month asks for and what its members owe."""

    month: Month
    seats: int
    owed: Decimal
    members: int
    thin: tuple[str, ...]
    """Where fewer stand than the rules want, a sentence each."""


def demand_of(session: Session, mall: Mall, month: Month) -> Demand:
    rules = rules_on(session, mall.id, month.first_day)
    calendar = calendar_between(session, mall, month.first_day, month.last_day)
    seats = seats_in(calendar, needs_of(session, mall.id, month.first_day, month.last_day), mall.timezone)
    owed = owed_of_month(session, mall, month)
    return Demand(
        month, len(seats), sum((one.turns for one in owed.values()), Decimal(0)), len(owed), _thin(rules, calendar, seats)
    )


def _thin(rules: TurnRules, calendar: Mapping[date, DayHours], seats: Sequence[Seat]) -> tuple[str, ...]:
    """One sentence for each weekday, of the first of its usual days that is thin."""
    told: dict[int, str] = {}
    for day, hours in sorted(calendar.items()):
        if not rules.least_weekdays >> day.weekday() & 1 or hours.why or day.weekday() in told:
            continue
        spans = thin_spans(hours, [seat for seat in seats if seat.on_date == day], rules.least_people)
        if spans:
            when = " and ".join(f"{clock_span(begins, ends)} ({there})" for begins, ends, there in spans)
            told[day.weekday()] = (
                f"On {WEEKDAYS[day.weekday()]}s the posts need fewer than the {rules.least_people} people of the rules: {when}."
            )
    return tuple(told[n] for n in sorted(told))


@dataclass(frozen=True)
class PostRow:
    post: Post
    now: tuple[Need, ...]
    to_come: tuple[Need, ...]


def post_rows(session: Session, mall_id: int, today: date) -> list[PostRow]:
    """Posts by name with the needs that hold today and those to come."""
    needs = needs_of(session, mall_id, today)
    rows = []
    for post in session.scalars(select(Post).where(Post.mall_id == mall_id).order_by(Post.name)):
        own = [need for need in needs if need.post_id == post.id]
        rows.append(
            PostRow(
                post,
                tuple(need for need in own if need.starts_on <= today),
                tuple(need for need in own if need.starts_on > today),
            )
        )
    return rows


# --- members --------------------------------------------------------------------------------------------------------------


def _days(fact: TurnFact, today: date) -> str:
    from_day = f"{'since' if fact.starts_on <= today else 'from'} {written(fact.starts_on)}"
    return f"{from_day} until {written(fact.ends_on)}" if fact.ends_on else from_day


def fact_said(fact: TurnFact, today: date) -> str:
    """`Treasurer, 1 turn less, since Jan 1, 2026`; `exempt (ill) since Nov 3, 2026 until Nov 20, 2026`"""
    what = {
        "trained": "trained",
        "keys": "holds a key",
        "office": f"{fact.words}, {turns_words(fact.less or Decimal(0))} less,",
        "exempt": f"exempt{f' ({fact.words})' if fact.words else ''}",
    }[fact.kind]
    return f"{what} {_days(fact, today)}"


@dataclass(frozen=True)
class Standing:
    """How one member stands at a mall."""

    takes_part: bool
    owed: Owed | None
    balance: Decimal


def standing_of(session: Session, mall: Mall, member_id: int, today: date) -> Standing:
    """How a member stands at a mall this month, who takes part in it or the next."""
    month = Month.of(today)
    parts = any(one.member_id == member_id for which in (month, month.next) for one in workers_of(session, mall, which))
    owed, had = owed_of_month(session, mall, month), balances(session, [mall.id])
    return Standing(parts, owed.get(member_id), had.get((mall.id, member_id), Decimal(0)))


def facts_of_member(session: Session, mall_id: int, member_id: int, today: date) -> list[TurnFact]:
    """What holds of a member at a mall today or will, oldest first."""
    return fact_rows(session, mall_id, today, date.max, member_ids=[member_id]).get(member_id, [])


def helpers_named(session: Session, member_id: int, today: date) -> list[TurnHelper]:
    return helpers_of(session, today, member_ids=[member_id]).get(member_id, [])


def pairs_running(session: Session, today: date) -> list[tuple[TurnPair, str, str]]:
    """Pairs that hold today or will, with both names, by name."""
    pairs = session.scalars(select(TurnPair).where(or_(TurnPair.ended_on.is_(None), TurnPair.ended_on >= today))).all()
    ids = {member_id for pair in pairs for member_id in (pair.one_id, pair.other_id)}
    found = session.execute(select(Member.id, Member.name).where(Member.id.in_(ids)))
    names = {row.id: row.name for row in found}
    rows = [(pair, names[pair.one_id], names[pair.other_id]) for pair in pairs]
    return sorted(rows, key=lambda row: row[1:])


def codes_of(session: Session, member_id: int) -> list[str]:
    return list(session.scalars(select(Dealer.code).where(Dealer.member_id == member_id).order_by(Dealer.code)))
