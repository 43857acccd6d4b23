"""What waits for a person in the office, for its first page: each with where it is dealt with and, where it has one, by when.

The number of queries is the same however much there is; `tests/integration/web/test_today.py` counts them.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from datetime import date, datetime
from typing import Any

from flask import url_for
from sqlalchemy.orm import Session

from coop.core.clock import local_date
from coop.core.errors import Refusal
from coop.core.periods import Month, shown_day
from coop.floor.models import Mall
from coop.office.overflow_waiting import beyond_lease_counts, must_move_counts, overdue_counts
from coop.office.waiting_counts import Days, Found, count_all
from coop.office.waiting_months import StandingMonth, standing_months, uncounted_before
from coop.tax.due import DueRow, due_rows


@dataclass(frozen=True)
class Waiting:
    """Things of one kind that wait, with where they are dealt with."""

    count: int
    words: str
    address: str
    by: date | None = None
    late: bool = False
    """Whether that day is past."""
    at_once: bool = False
    """It stands before all else: somebody may be in danger."""


def waiting_things(session: Session, now: datetime, malls: Sequence[Mall]) -> list[Waiting]:
    """What is not to wait at all, then what is late, then by the day it has to be done, then what has none.

    Of one day it is in the order in which it stops a month-end.
    """
    days = {mall.id: local_date(now, mall.timezone) for mall in malls}
    today = days[min(days)] if days else local_date(now, "UTC")
    codes = {mall.id: mall.code for mall in malls}
    names = {mall.code: mall.name for mall in malls}
    rows = [
        *_drawers(session, days, codes, names),
        *_months(session, days, codes, names),
        *_lent_floor(session, days, codes, names),
        *_counted(session, now, days, codes, names, today),
        *_returns(session, today),
    ]
    return sorted(rows, key=lambda row: (not row.at_once, not row.late, row.by is None, row.by or date.max))


# --- drawers and months ---------------------------------------------------------------------------------------------------


def _drawers(session: Session, days: Days, codes: Mapping[int, str], names: Mapping[str, str]) -> list[Waiting]:
    found = uncounted_before(session, days, codes)
    return [
        Waiting(
            len(drawers),
            f"{said(len(drawers), 'drawer')} of {names[code]} to count, {month.name}",
            url_for("drawers.listed", mall_code=code, month=month),
            month.last_day,
            over,
        )
        for (code, month, over), drawers in sorted(found.items())
    ]


def _months(session: Session, days: Days, codes: Mapping[int, str], names: Mapping[str, str]) -> list[Waiting]:
    return [_month(row, names[row.code]) for row in standing_months(session, days, codes)]


def _month(row: StandingMonth, name: str) -> Waiting:
    words = (
        f"Month-end of {row.month.name}, {name}: stopped"
        if row.stopped
        else f"{row.month.name}, {name}: over and ready for its month-end"
    )
    address = url_for("office.month", mall_code=row.code, month=row.month)
    return Waiting(1, words, address, row.by, row.late)


# --- floor lent in the aisles ---------------------------------------------------------------------------------------------


def _lent_floor(session: Session, days: Days, codes: Mapping[int, str], names: Mapping[str, str]) -> list[Waiting]:
    rows = []
    moving, asked_back = must_move_counts(session, days)
    for mall_id, count in sorted(moving.items()):
        code, pieces = codes[mall_id], said(count, "piece")
        words = f"{pieces} in the aisles of {names[code]} must move today"
        rows.append(Waiting(count, words, url_for("overflow.plan", mall_code=code), days[mall_id], at_once=True))
    for mall_id, until in sorted(asked_back.items()):
        code, count = codes[mall_id], len(until)
        last = shown_day(until[-1])
        words = f"{said(count, 'piece')} in the aisles of {names[code]} where nothing may stand, asked back until {last}"
        rows.append(Waiting(count, words, url_for("overflow.plan", mall_code=code), until[0], at_once=True))
    for mall_id, (count, first) in sorted(overdue_counts(session, days).items()):
        code, pieces = codes[mall_id], "1 sold piece" if count == 1 else f"{count} sold pieces"
        words = f"{pieces} in the aisles of {names[code]} not fetched in time"
        rows.append(Waiting(count, words, url_for("overflow.sold", mall_code=code), first, late=True))
    for mall_id, count in sorted(beyond_lease_counts(session, days).items()):
        code, pieces = codes[mall_id], "1 piece has" if count == 1 else f"{count} pieces have"
        words = f"{pieces} floor in the aisles of {names[code]} on days without a lease"
        rows.append(Waiting(count, words, url_for("overflow.plan", mall_code=code)))
    return rows


# --- what is counted ------------------------------------------------------------------------------------------------------


@dataclass(frozen=True)
class _Kind:
    """How things of a kind are called, what is to be done with them, and where."""

    words: str
    todo: str | Callable[[Found], str]
    address: Callable[[Found, str], str]
    """From what was found and its mall's code."""
    has_day: bool = False


def _at(endpoint: str, **more: Any) -> Callable[[Found, str], str]:
    """A page of the whole co-op, or of the mall where it has one."""
    return lambda _found, code: url_for(endpoint, **_of_mall(code), **more)


def _of_mall(code: str) -> dict[str, Any]:
    return {"mall_code": code} if code else {}


def _month_of(found: Found) -> Month:
    assert found.day is not None, "what is told with its month has a day"
    return Month.of(found.day)


_KINDS: dict[str, _Kind] = {
    "claims": _Kind("claim", "to decide", _at("sales.unclaimed")),
    "places": _Kind("tax place", "to set: it sells without one", lambda _found, _code: url_for("tax.places")),
    "unclaimed": _Kind("unclaimed sale", "older than the house allows, to settle", _at("sales.unclaimed")),
    "bank lines": _Kind(
        "line of the bank",
        lambda found: f"not matched in {_month_of(found).name}, which is closed",
        lambda found, _code: url_for("bank.month", month=_month_of(found)),
    ),
    "journals": _Kind("entry", "by hand to approve", _at("books.hand")),
    "openings": _Kind("file of balances from paper", "to sign", _at("opening.page")),
    "runs": _Kind("payout run", "to approve", _at("payouts.first"), has_day=True),
    "runs to pay": _Kind("payout run", "approved, to pay", _at("payouts.first"), has_day=True),
    "releases": _Kind("release", "to approve", _at("releases.first")),
    "patronage": _Kind("sharing of a surplus", "to approve", _at("year.patronage")),
    "rotas": _Kind(
        "rota",
        lambda found: f"to publish, {_month_of(found).name}",
        lambda found, code: url_for("rota.month", mall_code=code, month=_month_of(found)),
        has_day=True,
    ),
    "floor drafts": _Kind("draft of overflow", "ready to be published", _at("overflow.draft")),
    "floor requests": _Kind("request for floor", "waiting, and no draft is made", _at("overflow.requests")),
    "open turns": _Kind(
        "turn",
        "uncovered within two weeks",
        lambda found, code: url_for("rota.month", mall_code=code, month=_month_of(found)),
        has_day=True,
    ),
    "no-shows": _Kind(
        "no-show",
        lambda found: f"of {_month_of(found).name} to decide",
        lambda found, code: url_for("rota_days.attendance", mall_code=code, month=_month_of(found), _anchor="to-do"),
    ),
    "offers": _Kind("offer", "running out", _at("leases.work", _anchor="offers"), has_day=True),
    "leaving": _Kind("lease", "ending: go through the move-out", _at("leases.work", _anchor="noticed"), has_day=True),
    "renewals": _Kind("lease", "ending without renewal", _at("leases.work", _anchor="renewals"), has_day=True),
    "layaways": _Kind("layaway", "overdue", _at("layaways.listed"), has_day=True),
    "disputes": _Kind("disputed charge", "to decide", _at("leases.work", _anchor="late")),
    "questions": _Kind("question", "to answer", _at("questions.first")),
    "failed": _Kind("letter", "refused", _at("office.letters", state="failed")),
    "given_up": _Kind("letter", "given up", _at("office.letters", state="given_up")),
    "jobs": _Kind("piece of work", "that failed", _at("office.work")),
}
"""In the order in which they are told."""
_PLURALS = {
    "entry": "entries",
    "line of the bank": "lines of the bank",
    "file of balances from paper": "files of balances from paper",
    "sharing of a surplus": "sharings of a surplus",
    "piece of work": "pieces of work",
    "draft of overflow": "drafts of overflow",
    "request for floor": "requests for floor",
}


def said(count: int, word: str) -> str:
    """`1 claim`, `3 claims`."""
    return f"1 {word}" if count == 1 else f"{count:,} {_PLURALS.get(word, f'{word}s')}"


def _counted(
    session: Session, now: datetime, days: Days, codes: Mapping[int, str], names: Mapping[str, str], today: date
) -> list[Waiting]:
    found = count_all(session, now, days, today)
    order = list(_KINDS)
    rows = []
    for one in sorted(found, key=lambda one: (order.index(one.kind), codes.get(one.mall_id or 0, ""), one.day or date.min)):
        kind, code = _KINDS[one.kind], codes.get(one.mall_id or 0, "")
        by = one.day if kind.has_day else None
        here = days.get(one.mall_id or 0, today)
        todo = kind.todo if isinstance(kind.todo, str) else kind.todo(one)
        words = f"{said(one.count, kind.words)}{f' of {names[code]}' if code else ''} {todo}"
        rows.append(Waiting(one.count, words, kind.address(one, code), by, by is not None and by < here))
    return rows


# --- returns --------------------------------------------------------------------------------------------------------------


def _returns(session: Session, today: date) -> list[Waiting]:
    """Returns of periods that are over and not filed; several of one office in one line."""
    try:
        rows = due_rows(session, today)
    except Refusal as refusal:
        return [Waiting(1, str(refusal), url_for("tax.jurisdictions"))]
    by_office: dict[str, list[DueRow]] = {}
    for row in rows:
        if row.over and row.filed is None:
            by_office.setdefault(row.office, []).append(row)
    return [_return(office, due) for office, due in by_office.items()]


def _return(office: str, due: Sequence[DueRow]) -> Waiting:
    first = min(due, key=lambda row: row.due_on)
    if len(due) == 1:
        words = f"Sales-tax return of {first.period.name} to file, {office}"
        return Waiting(
            1, words, url_for("tax.worksheet", office_slug=first.slug, first=first.period.first), first.due_on, first.late
        )
    return Waiting(len(due), f"{len(due)} sales-tax returns to file, {office}", url_for("tax.due"), first.due_on, first.late)
