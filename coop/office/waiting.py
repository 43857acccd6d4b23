"""What waits for a person in the office, counted for its first page. Three queries, however much there is."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date, datetime
from typing import Any

from flask import url_for
from sqlalchemy import Select, and_, func, literal, select, union_all
from sqlalchemy.orm import Session

from coop.books.models import Account, Entry, Journal, Period, Posting
from coop.core.periods import Month
from coop.floor.models import Mall
from coop.office.tax_queries import today
from coop.payouts.models import PayoutRun, Release
from coop.sales.models import Claim, DrawerCount, TicketLine
from coop.statements.models import StatementQuestion

_DRAWER = "Assets:Drawer:"


@dataclass(frozen=True)
class Waiting:
    """Things of one kind that wait, with where they are dealt with."""

    count: int
    words: str
    address: str


def waiting_things(session: Session, now: datetime) -> list[Waiting]:
    """In the order in which they stop a month-end; nothing for what does not wait."""
    first_day = Month.of(today(session, now)).first_day
    asked = union_all(
        _count("journals", select(Journal.id).where(Journal.state == "entered")),
        _count("runs", select(PayoutRun.id).where(PayoutRun.state == "prepared")),
        _count("questions", select(StatementQuestion.id).where(StatementQuestion.answered_at.is_(None))),
        _count("releases", select(Release.id).where(Release.state == "asked")),
        select(literal("claims"), Mall.code, func.count(Claim.id))
        .join(TicketLine, TicketLine.id == Claim.line_id)
        .join(Mall, Mall.id == TicketLine.mall_id)
        .where(Claim.state == "asked")
        .group_by(Mall.code),
    )
    found = {(kind, code): int(count) for kind, code, count in session.execute(asked) if count}
    rows = [
        Waiting(len(names), f"{_said(len(names), 'drawer')} of {code} to count, {month.name}", _drawers(code, month))
        for (code, month), names in sorted(_uncounted(session, first_day).items(), key=lambda row: (row[0][1], row[0][0]))
    ]
    for (kind, code), count in sorted(found.items(), key=lambda row: (list(_KINDS).index(row[0][0]), row[0][1])):
        words, what, endpoint = _KINDS[kind]
        at = {"mall_code": code} if code else {}
        rows.append(Waiting(count, f"{_said(count, words)}{f' of {code}' if code else ''} {what}", url_for(endpoint, **at)))
    return rows


_KINDS = {
    "claims": ("claim", "to decide", "sales.unclaimed"),
    "journals": ("entry", "by hand to approve", "books.hand"),
    "runs": ("payout run", "to approve", "payouts.first"),
    "releases": ("release", "to approve", "releases.first"),
    "questions": ("question", "to answer", "questions.first"),
}
"""Each as it is called and what is to be done, and where."""


def _said(count: int, word: str) -> str:
    if count == 1:
        return f"1 {word}"
    return f"{count} {word.removesuffix('y')}ies" if word.endswith("y") else f"{count} {word}s"


def _drawers(code: str, month: Month) -> str:
    return url_for("drawers.listed", mall_code=code, month=month)


def _count(kind: str, rows: Select[Any]) -> Select[Any, Any, Any]:
    return select(literal(kind), literal(""), func.count()).select_from(rows.subquery())


def _uncounted(session: Session, before: date) -> dict[tuple[str, Month], list[str]]:
    """By mall's code and month: the drawers in which cash moved in an open month that is over, and that nobody counted since."""
    moved = session.execute(
        select(Mall.id, Mall.code, Account.path, func.max(Entry.business_date))
        .select_from(Period)
        .join(Entry, Entry.period_id == Period.id)
        .join(Posting, Posting.entry_id == Entry.id)
        .join(Account, and_(Account.id == Posting.account_id, Account.path.like(f"{_DRAWER}%")))
        .join(Mall, Mall.id == Account.mall_id)
        .where(Period.state == "open", Period.first_day < before)
        .group_by(Mall.id, Mall.code, Account.path)
    ).all()
    counts = session.execute(
        select(DrawerCount.mall_id, DrawerCount.drawer, func.max(DrawerCount.on)).group_by(
            DrawerCount.mall_id, DrawerCount.drawer
        )
    )
    last = {(mall_id, drawer): on for mall_id, drawer, on in counts}
    found: dict[tuple[str, Month], list[str]] = {}
    for mall_id, code, path, moved_on in moved:
        drawer = path.removeprefix(f"{_DRAWER}{code}").removeprefix(":")
        counted = last.get((mall_id, drawer))
        if counted is None or counted < moved_on:
            found.setdefault((code, Month.of(moved_on)), []).append(drawer)
    return found
