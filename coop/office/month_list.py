"""The list of months: by mall and year, how each stands, what was sold, how many statements were made, what is being made."""

from __future__ import annotations

import itertools
from collections import defaultdict
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import date, datetime

from sqlalchemy import func, select
from sqlalchemy.orm import Session

from coop.closing.steps import TITLES
from coop.core.jobs import Job
from coop.core.periods import Month
from coop.floor.models import Mall
from coop.office.queries import MonthRow, mall_months
from coop.sales.models import Ticket
from coop.statements.models import Statement

SHOWN = 12
"""Months back whose years are shown unasked."""


@dataclass(frozen=True)
class Making:
    """Documents being made: what, and how far it is; no total where that is not known."""

    words: str
    done: int = 0
    total: int = 0


@dataclass(frozen=True)
class MonthLine:
    """A month of the list."""

    row: MonthRow
    net_cents: int
    statements: int
    making: Sequence[Making]


@dataclass(frozen=True)
class YearOfMonths:
    year: int
    lines: Sequence[MonthLine]

    @property
    def net_cents(self) -> int:
        return sum(line.net_cents for line in self.lines)

    @property
    def statements(self) -> int:
        return sum(line.statements for line in self.lines)

    @property
    def waits_behind(self) -> bool:
        """Whether papers of a month are made only when nothing else is to be done."""
        return any(line.row.behind for line in self.lines)


@dataclass(frozen=True)
class MallYears:
    """A mall with the years that are shown, the latest first, and those that are not."""

    mall: Mall
    years: Sequence[YearOfMonths]
    others: Sequence[int]


def mall_years(session: Session, now: datetime, *, year: int | None = None) -> list[MallYears]:
    """Each mall's months of one year; of no one year, those of its last twelve months and of months that are open.

    The number of queries does not grow with malls or months.
    """
    found = mall_months(session, now)
    shown = {one.mall.id: _shown(one.months, year) for one in found}
    wanted = [row.month.first_day for rows in shown.values() for row in rows]
    if not wanted:
        return [MallYears(one.mall, [], _years(one.months)) for one in found]
    first, last = min(wanted), Month.of(max(wanted)).last_day
    net, statements, binding = _net(session, shown, first, last), _statements(session, first, last), _binding(session)
    made = []
    for one in found:
        lines = [
            MonthLine(
                row,
                net.get((one.mall.id, row.month.first_day), 0),
                statements.get((one.mall.id, row.month.first_day), 0),
                [*_steps(row), *binding.get((one.mall.id, str(row.month)), [])],
            )
            for row in shown[one.mall.id]
        ]
        years = [YearOfMonths(at, list(of)) for at, of in itertools.groupby(lines, key=lambda line: line.row.month.year)]
        there = {of.year for of in years}
        made.append(MallYears(one.mall, years, [at for at in _years(one.months) if at not in there]))
    return made


def _years(rows: Sequence[MonthRow]) -> list[int]:
    return sorted({row.month.year for row in rows}, reverse=True)


def _shown(rows: Sequence[MonthRow], year: int | None) -> list[MonthRow]:
    if year is not None:
        return [row for row in rows if row.month.year == year]
    years = {row.month.year for n, row in enumerate(rows) if n < SHOWN or not row.closed}
    return [row for row in rows if row.month.year in years]


def _net(session: Session, mall_ids: Iterable[int], first: date, last: date) -> dict[tuple[int, date], int]:
    """Net sales by mall and month, on their days in the books."""
    # By day, which the index of days has in order: by month, every ticket would be looked up on its own.
    rows = session.execute(
        select(Ticket.mall_id, Ticket.posting_date, func.sum(Ticket.net_cents))
        .where(Ticket.mall_id.in_(mall_ids), Ticket.posting_date.between(first, last))
        .group_by(Ticket.mall_id, Ticket.posting_date)
    )
    net: dict[tuple[int, date], int] = defaultdict(int)
    for mall_id, day, amount in rows:
        net[mall_id, Month.of(day).first_day] += int(amount)
    return net


def _statements(session: Session, first: date, last: date) -> dict[tuple[int, date], int]:
    """How many have their paper, by mall and month."""
    rows = session.execute(
        select(Statement.mall_id, Statement.first_day, func.count(Statement.document_id))
        .where(Statement.first_day.between(first, last))
        .group_by(Statement.mall_id, Statement.first_day)
    )
    return {(mall_id, day): int(count) for mall_id, day, count in rows}


def _steps(row: MonthRow) -> list[Making]:
    """The steps of a month-end under way that say how far they are: statements, letters. What waits behind is not begun yet."""
    steps = row.close.steps if row.close and not row.finished else []
    going_on = [step for step in steps if step.state == "running" and step.progress_total]
    if row.behind and not any(step.progress_done for step in going_on):
        return []
    return [Making(TITLES.get(step.name, step.name), step.progress_done, step.progress_total) for step in going_on]


def _binding(session: Session) -> dict[tuple[int, str], list[Making]]:
    """Files of statements for printing that are being made, by mall and month."""
    found: dict[tuple[int, str], list[Making]] = {}
    for job in _books(session):
        found.setdefault((job.args["mall_id"], job.args["month"]), []).append(Making("The file for printing is being made"))
    return found


def _books(session: Session) -> Sequence[Job]:
    going_on = Job.state.in_(("queued", "running"))
    return session.scalars(select(Job).where(going_on, Job.kind == "statements.book").order_by(Job.id)).all()


def books_being_made(session: Session, mall_id: int, month: Month) -> set[bool]:
    """Which files of a month are being made: of all its statements (false), of those that go by no mail (true)."""
    return {
        job.args["without_mail"] for job in _books(session) if (job.args["mall_id"], job.args["month"]) == (mall_id, str(month))
    }
