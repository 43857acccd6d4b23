"""What the office's pages read. No page's number of queries grows with its rows."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date

from sqlalchemy import func, or_, select
from sqlalchemy.orm import Session

from coop.books.models import Period
from coop.closing.models import MonthClose
from coop.closing.service import group_of
from coop.core.audit import AuditLog
from coop.core.documents import Document
from coop.core.jobs import Job
from coop.core.mail import Outbox
from coop.core.periods import Month
from coop.dealers.models import Dealer, UserAccount
from coop.floor.models import Mall
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


def mall_months(session: Session) -> Sequence[MallMonths]:
    """Every mall with the months its books have, the latest first."""
    closes = {(close.mall_id, close.first_day): close for close in session.scalars(select(MonthClose))}
    moving = _moving(session, [close.id for close in closes.values() if close.finished_at is None])
    rows: dict[int, list[MonthRow]] = {}
    periods = select(Period).where(Period.mall_id.is_not(None)).order_by(Period.first_day.desc())
    for period in session.scalars(periods):
        assert period.mall_id is not None
        close = closes.get((period.mall_id, period.first_day))
        rows.setdefault(period.mall_id, []).append(
            MonthRow(Month.of(period.first_day), period.state == "closed", close, close is not None and close.id in moving)
        )
    return [MallMonths(mall, rows.get(mall.id, [])) for mall in malls(session)]


def month_row(session: Session, mall_id: int, month: Month) -> MonthRow | None:
    """A mall's month, or None when its books have no such month."""
    period = session.scalar(select(Period).where(Period.mall_id == mall_id, Period.first_day == month.first_day))
    close = session.scalar(select(MonthClose).where(MonthClose.mall_id == mall_id, MonthClose.first_day == month.first_day))
    if period is None and close is None:
        return None
    closed = period is not None and period.state == "closed"
    return MonthRow(month, closed, close, close is not None and bool(_moving(session, [close.id])))


def _moving(session: Session, close_ids: Sequence[int]) -> set[int]:
    """Which of these month-ends have work that is waiting or running."""
    groups = {group_of(close_id): close_id for close_id in close_ids}
    found = session.scalars(
        select(Job.group_key).where(Job.group_key.in_(groups), Job.state.in_(("queued", "running"))).distinct()
    )
    return {groups[group] for group in found if group is not None}


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


def log_lines(session: Session, *, before: int | None) -> Sequence[tuple[AuditLog, str | None]]:
    """One page of the log, the newest first, each with who did it, and one row more when there is another page."""
    wanted = (
        select(AuditLog, UserAccount.email)
        .outerjoin(UserAccount, UserAccount.id == AuditLog.user_id)
        .order_by(AuditLog.id.desc())
        .limit(PAGE + 1)
    )
    if before is not None:
        wanted = wanted.where(AuditLog.id < before)
    return [(line, email) for line, email in session.execute(wanted)]
