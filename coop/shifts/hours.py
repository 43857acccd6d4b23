"""When a mall is open: its weekday hours, its choices on holidays and its exceptions, set and read as the calendar of a month."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from datetime import date, datetime

from sqlalchemy import delete, func, select
from sqlalchemy.orm import Session

from coop.core import audit
from coop.core.errors import Refusal
from coop.core.periods import Month
from coop.core.templating import day as written
from coop.floor.models import Mall
from coop.floor.service import hold_mall
from coop.leases.editing import By
from coop.leases.holding import lock, today_at
from coop.shifts.domain.hours import (
    CLOSED,
    DAY_MINUTES,
    WEEKDAYS,
    Dated,
    DayHours,
    HolidayHours,
    Hours,
    day_hours,
    days_from,
    holidays_between,
    hours_words,
)
from coop.shifts.models import HolidayChoice, OpeningException, OpeningHours
from coop.shifts.rules import NOBODY, TurnRules, dated_rules

HOW_WORDS = {"open": "open as on any such weekday", "short": "open short", "closed": "closed"}


Weekly = Mapping[int, list[Dated[Hours]]]
"""Dated hours by weekday, 0 is Monday."""


@dataclass(frozen=True)
class OpeningRows:
    """Everything a mall's hours follow from."""

    weekly: Weekly
    choices: Mapping[str, list[Dated[HolidayHours]]]
    exceptions: Mapping[date, tuple[Hours, str]]


def weekly_rows(rows: Iterable[OpeningHours]) -> Weekly:
    """A mall's rows by weekday."""
    weekly: dict[int, list[Dated[Hours]]] = {}
    for row in rows:
        weekly.setdefault(row.weekday, []).append(Dated(row.starts_on, Hours(row.opens_min, row.closes_min)))
    return weekly


def opening_rows(session: Session, mall_id: int) -> OpeningRows:
    """The rows of a mall's hours: three queries whatever the days asked for."""
    weekly = weekly_rows(session.scalars(select(OpeningHours).where(OpeningHours.mall_id == mall_id)))
    choices: dict[str, list[Dated[HolidayHours]]] = {}
    for choice in session.scalars(
        select(HolidayChoice).where(HolidayChoice.mall_id == mall_id).order_by(HolidayChoice.starts_on)
    ):
        value = HolidayHours(choice.how, Hours(choice.opens_min, choice.closes_min))
        choices.setdefault(choice.name, []).append(Dated(choice.starts_on, value))
    exceptions = {
        row.on_date: (Hours(row.opens_min, row.closes_min), row.why)
        for row in session.scalars(select(OpeningException).where(OpeningException.mall_id == mall_id))
    }
    return OpeningRows(weekly, choices, exceptions)


def calendar_between(session: Session, mall: Mall, first: date, last: date) -> dict[date, DayHours]:
    """The hours of each day from one to another, both included; holidays are those of the rules of each month's first day."""
    rows, rules = opening_rows(session, mall.id), [made for _, made in dated_rules(session, mall.id)]
    named: dict[date, str] = {}
    month = Month.of(first)
    while month.first_day <= last:
        code = next((made for made in rules if made.starts_on <= month.first_day), TurnRules()).holidays_of
        named |= holidays_between(code, month.first_day, month.last_day)
        month = month.next
    return {day: day_hours(day, rows.weekly, named.get(day, ""), rows.choices, rows.exceptions) for day in days_from(first, last)}


def calendar_of(session: Session, mall: Mall, month: Month) -> dict[date, DayHours]:
    """The hours of each day of a month."""
    return calendar_between(session, mall, month.first_day, month.last_day)


def hours_are_set(session: Session, mall_id: int) -> bool:
    return bool(session.scalar(select(func.count()).where(OpeningHours.mall_id == mall_id, OpeningHours.opens_min.is_not(None))))


# --- set ------------------------------------------------------------------------------------------------------------------


def require_hours(hours: Hours, what: str) -> None:
    """Raises Refusal for hours that cannot be: one end alone, backwards, outside the day."""
    opens, closes = hours
    if (opens is None) != (closes is None):
        raise Refusal(f"{what} has an opening or a closing alone: write both, or neither for closed.")
    if opens is not None and closes is not None and not 0 <= opens < closes <= DAY_MINUTES:
        raise Refusal(f"{what} closes before it opens: write the earlier time first.")


def set_week(session: Session, now: datetime, mall: Mall, starts_on: date, week: Mapping[int, Hours], *, by: By = NOBODY) -> None:
    """The hours by weekday (0 is Monday) from a day on; a weekday that is not named keeps its own.

    What was set from the same day before is replaced. A rota published by then keeps its turns.
    """
    hold_mall(session, mall.id)
    for weekday, hours in week.items():
        require_hours(hours, WEEKDAYS[weekday])
    session.execute(
        delete(OpeningHours).where(
            OpeningHours.mall_id == mall.id, OpeningHours.starts_on == starts_on, OpeningHours.weekday.in_(list(week))
        )
    )
    for weekday, (opens, closes) in sorted(week.items()):
        session.add(OpeningHours(mall_id=mall.id, starts_on=starts_on, weekday=weekday, opens_min=opens, closes_min=closes))
    session.flush()
    said = ", ".join(f"{WEEKDAYS[weekday][:3]} {hours_words(hours)}" for weekday, hours in sorted(week.items()))
    _log(session, now, by, "opening hours set", mall, f"from {starts_on}: {said}")


def take_back_week(session: Session, now: datetime, mall: Mall, starts_on: date, *, by: By = NOBODY) -> None:
    """Remove hours that have not begun. Refuses those that have."""
    hold_mall(session, mall.id)
    if starts_on <= today_at(session, now, mall.id):
        raise Refusal(f"These hours hold since {written(starts_on)}: set others from a later day on.")
    session.execute(delete(OpeningHours).where(OpeningHours.mall_id == mall.id, OpeningHours.starts_on == starts_on))
    _log(session, now, by, "opening hours taken back", mall, f"from {starts_on}")


def set_exception(
    session: Session, now: datetime, mall: Mall, on_date: date, hours: Hours, why: str, *, by: By = NOBODY
) -> OpeningException:
    """Hours of a date's own, or closed; what the date had before is replaced. Refuses a day that is past."""
    hold_mall(session, mall.id)
    _require_to_come(session, now, mall, on_date)
    require_hours(hours, written(on_date))
    why = " ".join(why.split())
    if len(why) > 120:
        raise Refusal(f"The reason has {len(why)} letters: 120 is the most.")
    row = session.scalar(select(OpeningException).where(OpeningException.mall_id == mall.id, OpeningException.on_date == on_date))
    if row is None:
        row = OpeningException(mall_id=mall.id, on_date=on_date)
        session.add(row)
    row.opens_min, row.closes_min = hours
    row.why, row.made_at = why, now
    session.flush()
    _log(session, now, by, "hours of a date set", mall, f"{on_date}: {hours_words(hours)} {why}".strip())
    return row


def remove_exception(session: Session, now: datetime, mall: Mall, row: OpeningException, *, by: By = NOBODY) -> None:
    """Let a date to come have the hours of its holiday or weekday again. Turns that were closed with it stay closed."""
    hold_mall(session, mall.id)
    lock(session, row)
    _require_to_come(session, now, mall, row.on_date)
    _log(session, now, by, "hours of a date taken back", mall, str(row.on_date))
    session.delete(row)
    session.flush()


def _require_to_come(session: Session, now: datetime, mall: Mall, on_date: date) -> None:
    today = today_at(session, now, mall.id)
    if on_date < today:
        raise Refusal(f"{written(on_date)} is past: choose today or a later day.")


def choose_holiday(
    session: Session,
    now: datetime,
    mall: Mall,
    name: str,
    how: str,
    hours: Hours = CLOSED,
    *,
    starts_on: date,
    by: By = NOBODY,
) -> HolidayChoice:
    """What a mall does on a holiday from a day on; a choice from the same day is replaced."""
    hold_mall(session, mall.id)
    if how not in HOW_WORDS:
        raise Refusal(f"{name} is {how!r}: choose one of {', '.join(HOW_WORDS)}.")
    if how == "short":
        require_hours(hours, name)
        if hours == CLOSED:
            raise Refusal(f"{name} is open short, but has no hours: write from when to when.")
    else:
        hours = CLOSED
    row = session.scalar(
        select(HolidayChoice).where(
            HolidayChoice.mall_id == mall.id, HolidayChoice.name == name, HolidayChoice.starts_on == starts_on
        )
    )
    if row is None:
        row = HolidayChoice(mall_id=mall.id, name=name, starts_on=starts_on)
        session.add(row)
    row.how = how
    row.opens_min, row.closes_min = hours
    session.flush()
    said = hours_words(hours) if how == "short" else HOW_WORDS[how]
    _log(session, now, by, "holiday chosen", mall, f"{name} from {starts_on}: {said}")
    return row


def _log(session: Session, now: datetime, by: By, action: str, mall: Mall, detail: str) -> None:
    audit.record(
        session,
        now,
        action,
        "opening hours",
        mall.id,
        user_id=by.user_id,
        request_id=by.request_id,
        detail=f"{mall.code} {detail}",
    )
