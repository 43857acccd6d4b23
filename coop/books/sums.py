"""Sums of accounts over days and months, whatever years lie behind.

A closed month takes no entry, so what it sums to is found once and remembered by the process, for each database; only open
months, and one that a span of days cuts through, are added up again.

Every query here begins with the entries of months and names no column of an account: where SQLite sees one, it begins with the
accounts of a kind, and looks up all that was ever posted to them for the sum of a month.
"""

from __future__ import annotations

from collections.abc import Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import date, datetime, timedelta
from weakref import WeakKeyDictionary

from sqlalchemy import ColumnElement, Connection, Engine, case, event, func, select
from sqlalchemy.orm import Session

from coop.books.domain.tree import AccountSum
from coop.books.models import Account, Entry, Period, Posting
from coop.floor.models import Mall

Sums = Sequence[tuple[int, int, int]]
"""Account id, debits, credits; both positive, in cents."""
_CLOSED: WeakKeyDictionary[Engine, dict[tuple[int, datetime, tuple[str, ...]], Sums]] = WeakKeyDictionary()
"""Of each database, by period, the moment it was closed and the kinds of entry that count (none: all of them).

One that was restored remembers nothing of what it replaced. What a transaction added up is remembered once it has committed.
"""
_LEARNED = "closed sums"


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
    return _named(session, _totals(session, first, last, whose))


def balances_before(
    session: Session, day: date, *, whose: Whose = EVERYBODY, accounts: Collection[int] | None = None
) -> dict[int, int]:
    """Every account's balance when a day begins, or that of a few, by account id: cents, debit positive.

    What was never posted to is not there. A few are added up from what was posted to them alone.
    """
    if accounts is None:
        totals = _totals(session, day, day - timedelta(days=1), whose)
        return {account_id: total.before for account_id, total in totals.items()}
    rows = session.execute(
        select(Posting.account_id, func.sum(Posting.amount_cents))
        .join(Entry, Entry.id == Posting.entry_id)
        .where(Posting.account_id.in_(accounts), Entry.business_date < day)
        .group_by(Posting.account_id)
    )
    return {account_id: int(cents) for account_id, cents in rows}


def month_sums(
    session: Session, periods: Sequence[Period], kinds: tuple[str, ...], accounts: Collection[int] | None = None
) -> list[tuple[Period, Sums]]:
    """Each month's sums by entries of some kinds, of every account; or of a few, by id, and then added up from these alone."""
    if accounts is not None:
        found = _added_up(session, [period.id for period in periods], kinds, accounts)
        return [(period, found[period.id]) for period in periods]
    going_on = [period for period in periods if period.closed_at is None]
    found = _added_up(session, [period.id for period in going_on], kinds)
    return _remembered(session, periods, kinds) + [(period, found[period.id]) for period in going_on]


def _totals(session: Session, first: date, last: date, whose: Whose) -> dict[int, _Total]:
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
    return totals


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


def _remembered(session: Session, periods: Iterable[Period], kinds: tuple[str, ...] = ()) -> list[tuple[Period, Sums]]:
    """The sums of closed periods, added up where this process has not yet."""
    known = _CLOSED.get(_engine(session), {})
    # A month may have been closed by this very transaction, and be open again if it is rolled back.
    learned = session.info.setdefault(_LEARNED, {})
    wanted = {(period.id, period.closed_at, kinds): period for period in periods if period.closed_at is not None}
    missing = [key for key in wanted if key not in known and key not in learned]
    added_up = _added_up(session, [period_id for period_id, _, _ in missing], kinds)
    learned.update({key: added_up[key[0]] for key in missing})
    return [(period, known[key] if key in known else learned[key]) for key, period in wanted.items()]


def add_up_anew(session: Session) -> None:
    """Forget what closed months came to: whoever proves the books reads them, and no memory of them."""
    session.info.pop(_LEARNED, None)
    _CLOSED.pop(_engine(session), None)


def _engine(session: Session) -> Engine:
    bind = session.get_bind()
    return bind.engine if isinstance(bind, Connection) else bind


@event.listens_for(Session, "after_commit")
def _remember(session: Session) -> None:
    if _LEARNED in session.info and not session.in_nested_transaction():
        _CLOSED.setdefault(_engine(session), {}).update(session.info.pop(_LEARNED))


@event.listens_for(Session, "after_rollback")
def _forget(session: Session) -> None:
    session.info.pop(_LEARNED, None)


def _added_up(
    session: Session, period_ids: Sequence[int], kinds: tuple[str, ...], accounts: Collection[int] | None = None
) -> dict[int, list[tuple[int, int, int]]]:
    found: dict[int, list[tuple[int, int, int]]] = {period_id: [] for period_id in period_ids}
    if not found:
        return found
    wanted = select(Entry.period_id, Posting.account_id, *_debits_and_credits()).join(Posting, Posting.entry_id == Entry.id)
    if kinds:
        wanted = wanted.where(Entry.kind.in_(kinds))
    if accounts is not None:
        wanted = wanted.where(Posting.account_id.in_(accounts))
    rows = session.execute(wanted.where(Entry.period_id.in_(found)).group_by(Entry.period_id, Posting.account_id))
    for period_id, account_id, debits, credits in rows:
        found[period_id].append((account_id, int(debits), int(credits)))
    return found


def _named(session: Session, totals: Mapping[int, _Total]) -> list[AccountSum]:
    rows = session.execute(select(Account.id, Account.path, Account.kind).order_by(Account.path))
    return [
        AccountSum(path, total.before, total.debits, total.credits, kind == "dealer", total.before_year)
        for account_id, path, kind in rows
        if (total := totals.get(account_id)) is not None
    ]
