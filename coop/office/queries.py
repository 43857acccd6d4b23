"""What the office's pages read. No page's number of queries grows with its rows."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, datetime
from typing import Any

from sqlalchemy import CompoundSelect, func, or_, select, union_all
from sqlalchemy.orm import Session, joinedload

from coop.books.models import Period
from coop.closing.models import MonthClose
from coop.closing.queries import close_first, close_of, first_months, group_of, period_of, step_faults
from coop.core.clock import local_date
from coop.core.documents import Document
from coop.core.jobs import BEHIND_LAST, Job
from coop.core.mail import Outbox
from coop.core.periods import Month
from coop.dealers.models import Dealer
from coop.floor.models import Mall
from coop.leases.models import Lease
from coop.statements.models import Statement

PAGE = 50
"""Rows of one page of a list."""


@dataclass(frozen=True)
class MonthRow:
    """A mall's month and how its month-end stands."""

    month: Month
    closed: bool
    close: MonthClose | None
    moving: bool
    """Whether work of its month-end is still to come or under way."""
    behind: bool = False
    """Whether some of that waits until nothing else is to be done: papers that nobody waits for."""
    faults: Sequence[str] = ()
    """A sentence for each step that failed by a fault of the program (`month_row` only)."""
    first: Month | None = None
    """The month that must close before this one (`month_row` only)."""
    over: bool = True
    """Whether its last day is over at the mall (`month_row` only)."""

    @property
    def steps_done(self) -> int:
        return sum(step.state == "done" for step in self.close.steps) if self.close else 0

    @property
    def finished(self) -> bool:
        return bool(self.close and self.close.finished_at)

    @property
    def stopped(self) -> bool:
        """Whether it waits for a person: a step was refused, or its work ended without the month-end ending."""
        return bool(
            self.close and not self.finished and (not self.moving or any(step.state == "refused" for step in self.close.steps))
        )


@dataclass(frozen=True)
class MallMonths:
    mall: Mall
    months: Sequence[MonthRow]


def malls(session: Session) -> Sequence[Mall]:
    return session.scalars(select(Mall).order_by(Mall.code)).all()


def mall_by_code(session: Session, code: str) -> Mall | None:
    return session.scalar(select(Mall).where(Mall.code == code))


def office_timezone(session: Session) -> str:
    """The zone the office reads moments in that belong to no mall: the first mall's."""
    return session.scalar(select(Mall.timezone).order_by(Mall.id).limit(1)) or "UTC"


def _days(session: Session, now: datetime) -> dict[int, tuple[Month, Month]]:
    """Each mall's first month and its last: the current one, or a later one its books have. By mall id."""
    latest = select(Period.mall_id, func.max(Period.first_day)).where(Period.mall_id.is_not(None)).group_by(Period.mall_id)
    booked = {mall_id: Month.of(day) for mall_id, day in session.execute(latest)}
    current = {mall.id: Month.of(local_date(now, mall.timezone)) for mall in malls(session)}
    first = first_months(session)
    return {
        mall_id: (first[mall_id], max(month, booked.get(mall_id, month)))
        for mall_id, month in current.items()
        if mall_id in first
    }


def mall_months(session: Session, now: datetime) -> Sequence[MallMonths]:
    """Every mall with its months from the first to the current one, the latest first: those too in which nothing was sold.

    Of a month-end that has finished only that is told: a row has its steps while they go on.
    """
    unfinished = session.scalars(select(MonthClose).where(MonthClose.finished_at.is_(None)))
    closes = {(close.mall_id, close.first_day): close for close in unfinished}
    moving = moving_closes(session, [close.id for close in closes.values()])
    shut: CompoundSelect[Any, Any] = union_all(
        select(Period.mall_id, Period.first_day).where(Period.state == "closed", Period.mall_id.is_not(None)),
        select(MonthClose.mall_id, MonthClose.first_day).where(MonthClose.finished_at.is_not(None)),
    )
    closed = {(mall_id, first_day) for mall_id, first_day in session.execute(shut)}
    rows: dict[int, list[MonthRow]] = {}
    for mall_id, (first, month) in _days(session, now).items():
        while month >= first:
            close = closes.get((mall_id, month.first_day))
            waits = moving.get(close.id) if close else None
            rows.setdefault(mall_id, []).append(
                MonthRow(month, (mall_id, month.first_day) in closed, close, waits is not None, bool(waits))
            )
            month = month.previous
    return [MallMonths(mall, rows.get(mall.id, [])) for mall in malls(session)]


def month_row(session: Session, now: datetime, mall_id: int, month: Month) -> MonthRow | None:
    """A mall's month, or None when the mall had not begun or it is still to come."""
    span = _days(session, now).get(mall_id)
    if span is None or not span[0] <= month <= span[1]:
        return None
    period = period_of(session, mall_id, month)
    close = close_of(session, mall_id, month)
    waits = moving_closes(session, [close.id]).get(close.id) if close else None
    return MonthRow(
        month,
        period is not None and period.state == "closed",
        close,
        waits is not None,
        bool(waits),
        step_faults(session, close) if close else (),
        close_first(session, mall_id, month),
        month.last_day < local_date(now, session.get_one(Mall, mall_id).timezone),
    )


def moving_closes(session: Session, close_ids: Sequence[int]) -> dict[int, bool]:
    """Those of these month-ends that have work waiting or running: id -> whether some of it waits behind all other work."""
    groups = {group_of(close_id): close_id for close_id in close_ids}
    found = session.execute(
        select(Job.group_key, func.max(BEHIND_LAST))
        .where(Job.group_key.in_(groups), Job.state.in_(("queued", "running")))
        .group_by(Job.group_key)
    )
    return {groups[group]: bool(behind) for group, behind in found if group is not None}


@dataclass(frozen=True)
class Made:
    """A dealer's statement of a month, and the last mail that carried it."""

    number: str
    has_document: bool
    mail_id: int | None
    mail_state: str
    """Empty when no mail was made: the letter is printed."""


def statements_of_month(session: Session, mall_id: int, first_day: date) -> dict[str, Made]:
    """The month's statements by dealer code."""
    # The last mail of a statement is its own, or the latest made from that by a resend.
    latest = (
        select(func.max(Outbox.id))
        .where(or_(Outbox.id == Statement.outbox_id, Outbox.resend_of_id == Statement.outbox_id))
        .correlate(Statement)
        .scalar_subquery()
    )
    rows = session.execute(
        select(Dealer.code, Statement.number, Statement.document_id, Outbox.id, Outbox.state)
        .select_from(Statement)
        .join(Dealer, Dealer.id == Statement.dealer_id)
        .outerjoin(Outbox, Outbox.id == latest)
        .where(Statement.mall_id == mall_id, Statement.first_day == first_day)
    )
    return {
        code: Made(number, document_id is not None, mail_id, state or "") for code, number, document_id, mail_id, state in rows
    }


def statement_by_number(session: Session, number: str) -> Statement | None:
    return session.scalar(select(Statement).where(Statement.number == number))


def statement_of_mail(session: Session, mail: Outbox) -> Statement | None:
    """The statement a mail carries, through its document."""
    if mail.document_id is None:
        return None
    return session.scalar(select(Statement).where(Statement.document_id == mail.document_id))


def document(session: Session, document_id: int | None) -> Document | None:
    return session.get(Document, document_id) if document_id is not None else None


def mail(session: Session, mail_id: int) -> Outbox | None:
    return session.get(Outbox, mail_id)


@dataclass(frozen=True)
class Carried:
    """Whose statement a mail carries, and of what."""

    dealer: str
    name: str
    month: Month
    mall_name: str


def statements_of_mails(session: Session, mail_ids: Sequence[int]) -> dict[int, Carried]:
    """What each of these mails carries, by mail id; a mail that is no statement's is not there."""
    rows = session.execute(
        select(Outbox.id, Dealer, Statement.first_day, Mall.name)
        .join(Statement, or_(Statement.outbox_id == Outbox.id, Statement.outbox_id == Outbox.resend_of_id))
        .join(Dealer, Dealer.id == Statement.dealer_id)
        .join(Mall, Mall.id == Statement.mall_id)
        .where(Outbox.id.in_(mail_ids))
        .options(joinedload(Dealer.member))
    )
    return {
        mail_id: Carried(dealer.code, dealer.trade_name or dealer.member.name, Month.of(first_day), mall_name)
        for mail_id, dealer, first_day, mall_name in rows
    }


# --- leases -----------------------------------------------------------------------------------------------------------------


def final_statement_made(session: Session, lease: Lease, last_day: date) -> bool:
    """Whether a statement of the month of a lease's last day, or of a later one, was made for its dealer."""
    query = select(Statement.id).where(
        Statement.mall_id == lease.mall_id,
        Statement.dealer_id == lease.dealer_id,
        Statement.first_day >= Month.of(last_day).first_day,
    )
    return session.scalar(query.limit(1)) is not None
