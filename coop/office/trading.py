"""What the malls sold today and in the month so far, beside the days they can be held against: whole days, by the books.

A ticket counts on its day in the books. Today is not over, and says so; every other figure is of days that are.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import date, timedelta
from fractions import Fraction

from sqlalchemy import func, select, union_all
from sqlalchemy.orm import Session

from coop.core.charts import Chart, Point
from coop.core.money import round_half_up
from coop.core.periods import Month, shown_days
from coop.core.templating import day as written
from coop.core.templating import short_day
from coop.floor.models import Mall
from coop.sales.models import Ticket

WEEK = timedelta(days=7)
WEEKS = 4
DRAWN = 28
"""Days of the chart: whole ones, up to yesterday."""


@dataclass(frozen=True)
class Row:
    """What one mall sold, or all of them, in cents; None where there is no such day in the books."""

    name: str
    today_cents: int
    week_before_cents: int | None
    average_cents: int | None
    """Of the same weekday in the four weeks before, or in as many as there are."""
    month_cents: int
    year_before_cents: int | None


@dataclass(frozen=True)
class Trading:
    """The sales of the first page."""

    today: date
    rows: Sequence[Row]
    whole: Row | None
    """All malls together, where there are several."""
    first_day: date
    last_day: date
    """The month so far, through yesterday; on its first day the month before."""
    year_before: tuple[date, date]
    chart: Chart

    @property
    def weekday(self) -> str:
        return f"{self.today:%A}"

    @property
    def month_is_over(self) -> bool:
        return self.last_day == Month.of(self.last_day).last_day

    @property
    def has_year_before(self) -> bool:
        return any(row.year_before_cents is not None for row in self.rows)


def trading(session: Session, malls: Sequence[Mall], days: Mapping[int, date]) -> Trading | None:
    """Today's sales by mall on the day it is there; None where no mall has sold anything yet. Two queries."""
    first_sale = select(func.min(Ticket.posting_date)).where(Ticket.mall_id == Mall.id).scalar_subquery()
    began = {mall_id: day for mall_id, day in session.execute(select(Mall.id, first_sale)) if day is not None}
    if not began:
        return None
    earliest, latest = min(days.values()), max(days.values())
    sold = _sold(session, days, earliest, latest)
    rows = [_row(mall.name, days[mall.id], began.get(mall.id), sold.get(mall.id, {})) for mall in malls]
    today = days[min(days)]
    first, last = _month_so_far(today)
    return Trading(
        today=today,
        rows=rows,
        whole=_together(rows) if len(rows) > 1 else None,
        first_day=first,
        last_day=last,
        year_before=(_year_before(first), _year_before(last)),
        chart=_chart(today, sold),
    )


def _month_so_far(today: date) -> tuple[date, date]:
    """From the first of yesterday's month to yesterday."""
    last = today - timedelta(days=1)
    return Month.of(last).first_day, last


def _year_before(day: date) -> date:
    month = Month(day.year - 1, day.month)
    return date(month.year, month.month, min(day.day, month.days))


def _sold(session: Session, mall_ids: Iterable[int], earliest: date, latest: date) -> dict[int, dict[date, int]]:
    """Net sales by mall and day, of all days that the page needs."""
    first = min(_month_so_far(earliest)[0], earliest - WEEKS * WEEK)
    then = _year_before(_month_so_far(earliest)[0]), _year_before(_month_so_far(latest)[1])
    parts = [
        select(Ticket.mall_id, Ticket.posting_date, func.sum(Ticket.net_cents))
        .where(Ticket.mall_id.in_(mall_ids), Ticket.posting_date.between(*span))
        .group_by(Ticket.mall_id, Ticket.posting_date)
        for span in ((first, latest), then)
    ]
    found: dict[int, dict[date, int]] = {}
    for mall_id, day, amount in session.execute(union_all(*parts)):
        found.setdefault(mall_id, {})[day] = int(amount)
    return found


def _row(name: str, today: date, began: date | None, sold: Mapping[date, int]) -> Row:
    def between(first: date, last: date) -> int:
        return sum(amount for day, amount in sold.items() if first <= day <= last)

    weekdays = [sold.get(day, 0) for n in range(1, WEEKS + 1) if began is not None and (day := today - n * WEEK) >= began]
    first, last = _month_so_far(today)
    then = _year_before(first), _year_before(last)
    return Row(
        name=name,
        today_cents=sold.get(today, 0),
        week_before_cents=weekdays[0] if weekdays else None,
        average_cents=round_half_up(Fraction(sum(weekdays), len(weekdays))) if weekdays else None,
        month_cents=between(first, last),
        year_before_cents=between(*then) if began is not None and began <= then[1] else None,
    )


def _together(rows: Sequence[Row]) -> Row:
    def known(of: Callable[[Row], int | None]) -> int | None:
        there = [amount for row in rows if (amount := of(row)) is not None]
        return sum(there) if there else None

    return Row(
        "All malls",
        sum(row.today_cents for row in rows),
        known(lambda row: row.week_before_cents),
        known(lambda row: row.average_cents),
        sum(row.month_cents for row in rows),
        known(lambda row: row.year_before_cents),
    )


def _chart(today: date, sold: Mapping[int, Mapping[date, int]]) -> Chart:
    days = [today - timedelta(days=n) for n in range(DRAWN, 0, -1)]
    points = [
        Point(short_day(day), sum(of_mall.get(day, 0) for of_mall in sold.values()), f"{day:%A}, {written(day)}") for day in days
    ]
    return Chart(f"Net sales by day, {shown_days(days[0], days[-1])}", points, heading="Day", small=True)
