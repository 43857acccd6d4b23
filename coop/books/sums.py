"""Every account's balance before a span of days and its movement in it, whatever years lie behind.

A closed month takes no entry, so what it sums to is found once and remembered by the process, for each database; only open
months, and one that the span cuts through, are added up again.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import date, datetime
from weakref import WeakKeyDictionary

from sqlalchemy import ColumnElement, Connection, Engine, case, func, select
from sqlalchemy.orm import Session

from coop.books.domain.tree import AccountSum
from coop.books.models import Account, Entry, Period, Posting
from coop.floor.models import Mall

Sums = Sequence[tuple[int, int, int]]
"""Account id, debits, credits; both positive, in cents."""
_CLOSED: WeakKeyDictionary[Engine, dict[tuple[int, datetime], Sums]] = WeakKeyDictionary()
"""Of each database, by period and the moment it was closed: one that was restored remembers nothing of what it replaced."""


@dataclass(frozen=True)
class Whose:
    """Whose entries are read: everybody's, one mall's, or the co-op's own (of no mall)."""

    mall: Mall | None = None
    own: bool = False

    @property
    def code(self) -> str:
        return "co-op" if self.own else self.mall.code if self.mall else ""


EVERYBODY = Whose()


@dataclass
class _Total:
    """One account's sums, as they are added up; cents."""

    before: int = 0
    debits: int = 0
    credits: int = 0
    before_year: int = 0

    def add(self, debits: int, credits: int, *, before: bool, before_year: bool) -> None:
        if before:
            self.before += debits - credits
        else:
            self.debits, self.credits = self.debits + debits, self.credits + credits
        if before_year:
            self.before_year += debits - credits


def account_sums(session: Session, first: date, last: date, *, whose: Whose = EVERYBODY) -> list[AccountSum]:
    """Every account's balance before a span of days of one year and its movement in it, by path. Four queries at most."""
    year = date(last.year, 1, 1)
    periods = _periods(session, last, whose)
    whole = [p for p in periods if p.closed_at is not None and p.last_day <= last and not p.first_day < first <= p.last_day]
    totals: dict[int, _Total] = {}
    for period, sums in _remembered(session, whole):
        for account_id, debits, credits in sums:
            total = totals.setdefault(account_id, _Total())
            total.add(debits, credits, before=period.first_day < first, before_year=period.first_day < year)
    done = {period.id for period in whole}
    rest = [period.id for period in periods if period.id not in done]
    if rest:
        sides = (Entry.business_date < first, Entry.business_date < year)
        rows = session.execute(
            select(Posting.account_id, *sides, *_debits_and_credits())
            .join(Entry, Entry.id == Posting.entry_id)
            .where(Entry.period_id.in_(rest), Entry.business_date <= last)
            .group_by(Posting.account_id, *sides)
        )
        for account_id, before, before_year, debits, credits in rows:
            total = totals.setdefault(account_id, _Total())
            total.add(int(debits), int(credits), before=bool(before), before_year=bool(before_year))
    return _named(session, totals)


def _periods(session: Session, last: date, whose: Whose) -> Sequence[Period]:
    """Every period that has a day up to `last`."""
    wanted = select(Period).where(Period.first_day <= last)
    if whose.own:
        wanted = wanted.where(Period.mall_id.is_(None))
    elif whose.mall is not None:
        wanted = wanted.where(Period.mall_id == whose.mall.id)
    return session.scalars(wanted).all()


def _debits_and_credits() -> tuple[ColumnElement[int], ColumnElement[int]]:
    amount = Posting.amount_cents
    return (
        func.coalesce(func.sum(case((amount > 0, amount), else_=0)), 0),
        func.coalesce(func.sum(case((amount < 0, -amount), else_=0)), 0),
    )


def _remembered(session: Session, periods: Iterable[Period]) -> list[tuple[Period, Sums]]:
    """The sums of closed periods, added up where this process has not yet."""
    bind = session.get_bind()
    known = _CLOSED.setdefault(bind.engine if isinstance(bind, Connection) else bind, {})
    wanted = {(period.id, period.closed_at): period for period in periods if period.closed_at is not None}
    missing: dict[int, list[tuple[int, int, int]]] = {key[0]: [] for key in wanted if key not in known}
    if missing:
        rows = session.execute(
            select(Entry.period_id, Posting.account_id, *_debits_and_credits())
            .join(Posting, Posting.entry_id == Entry.id)
            .where(Entry.period_id.in_(missing))
            .group_by(Entry.period_id, Posting.account_id)
        )
        for period_id, account_id, debits, credits in rows:
            missing[period_id].append((account_id, int(debits), int(credits)))
        known.update({key: missing[key[0]] for key in wanted if key[0] in missing})
    return [(period, known[key]) for key, period in wanted.items()]


def _named(session: Session, totals: Mapping[int, _Total]) -> list[AccountSum]:
    rows = session.execute(select(Account.id, Account.path, Account.kind).order_by(Account.path))
    return [
        AccountSum(path, total.before, total.debits, total.credits, kind == "dealer", total.before_year)
        for account_id, path, kind in rows
        if (total := totals.get(account_id)) is not None
    ]
