"""Reads of the books."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from datetime import date

from sqlalchemy import ColumnElement, and_, case, func, select, true
from sqlalchemy.orm import Session

from coop.books import sums
from coop.books.domain.export import ExportEntry, LedgerHead, opening_of
from coop.books.models import Account, Entry, Opening, Period, Posting
from coop.core.periods import Month
from coop.floor.models import Mall

SALE_KINDS = ("sale", "return", "claim")
"""Kinds of entry that credit a dealer with sales: a claim is that of an item nobody's until then."""
LAYAWAY = "layaway"
"""Source kind of the entries of layaways."""


@dataclass(frozen=True)
class DealerEntry:
    """One entry's effect on a dealer's account, in cents: positive is owed to the dealer."""

    business_date: date
    kind: str
    memo: str
    amount_cents: int


@dataclass(frozen=True)
class Balance:
    """An account's sum in cents, debit positive."""

    account_id: int
    path: str
    amount_cents: int


def balances(session: Session, *, through: date | None = None) -> list[Balance]:
    """Every account's balance, up to and with a business date."""
    rows = (
        select(Account.id, Account.path, func.coalesce(func.sum(Posting.amount_cents), 0))
        .join(Posting, Posting.account_id == Account.id)
        .group_by(Account.id, Account.path)
        .order_by(Account.path)
    )
    if through is not None:
        rows = rows.join(Entry, Entry.id == Posting.entry_id).where(Entry.business_date <= through)
    return [Balance(account_id, path, int(amount)) for account_id, path, amount in session.execute(rows)]


def first_days(session: Session) -> dict[int, date]:
    """The first day of each mall's first month in the books (no entry is outside of one): mall id -> day.

    The month before, which holds balances from paper, is none of them.
    """
    paper = select(func.max(Opening.first_day)).where(Opening.state == "signed").scalar_subquery()
    rows = session.execute(select(Period.mall_id, func.min(Period.first_day), paper).group_by(Period.mall_id))
    return {mall_id: max(day, begun or day) for mall_id, day, begun in rows if mall_id is not None}


def last_closed(session: Session, mall_id: int) -> Month | None:
    """The last month of a mall that is closed; None when none is."""
    day = session.scalar(select(func.max(Period.first_day)).where(Period.mall_id == mall_id, Period.state == "closed"))
    return None if day is None else Month.of(day)


def dealer_accounts(session: Session, mall_id: int, *, dealer_id: int | None = None) -> dict[int, int]:
    """Each dealer's account at a mall (or one dealer's): account id -> dealer id."""
    query = select(Account.id, Account.dealer_id).where(Account.kind == "dealer", Account.mall_id == mall_id)
    rows = session.execute(query if dealer_id is None else query.where(Account.dealer_id == dealer_id))
    return {account_id: dealer for account_id, dealer in rows if dealer is not None}


def dealer_balances_before(session: Session, mall_id: int, day: date, *, dealer_id: int | None = None) -> dict[int, int]:
    """What the co-op owed each dealer of a mall at the start of a day, in cents: dealer id -> owed (negative: owes)."""
    accounts = dealer_accounts(session, mall_id, dealer_id=dealer_id)
    whose = sums.Whose(session.get_one(Mall, mall_id))
    found = sums.balances_before(session, day, whose=whose, accounts=None if dealer_id is None else accounts)
    return {dealer: -found[account_id] for account_id, dealer in accounts.items() if account_id in found}


def dealer_movements(session: Session, period: Period) -> dict[tuple[int, str], int]:
    """Each dealer's movement in a mall's period by kind of entry: (dealer id, kind) -> cents, positive is owed to the dealer."""
    accounts = {} if period.mall_id is None else dealer_accounts(session, period.mall_id)
    rows = session.execute(
        select(Posting.account_id, Entry.kind, func.sum(Posting.amount_cents))
        .join(Entry, Entry.id == Posting.entry_id)
        .where(Entry.period_id == period.id)
        .group_by(Posting.account_id, Entry.kind)
    )
    return {(accounts[account_id], kind): -int(amount) for account_id, kind, amount in rows if account_id in accounts}


def tax_movements(session: Session, period_id: int) -> dict[int, int]:
    """Each tax account's movement by tickets and layaways in a period: account id -> cents collected."""
    rows = session.execute(
        select(Account.id, func.sum(Posting.amount_cents))
        .join(Posting, Posting.account_id == Account.id)
        .join(Entry, Entry.id == Posting.entry_id)
        .where(Account.kind == "tax", Entry.period_id == period_id, Entry.source_kind.in_(("ticket", LAYAWAY)))
        .group_by(Account.id)
    )
    return {account_id: -int(amount) for account_id, amount in rows}


def account_movement(session: Session, period_id: int, account_id: int) -> int:
    """One account's movement in a period, debit positive."""
    return int(
        session.scalar(
            select(func.coalesce(func.sum(Posting.amount_cents), 0))
            .join(Entry, Entry.id == Posting.entry_id)
            .where(Entry.period_id == period_id, Posting.account_id == account_id)
        )
        or 0
    )


def dealer_entries(
    session: Session, mall_id: int, dealer_id: int, first: date, last: date, *, besides: Sequence[str]
) -> list[DealerEntry]:
    """A dealer's entries over days, leaving out some kinds, in the order posted."""
    rows = session.execute(
        select(Entry.business_date, Entry.kind, Entry.memo, Posting.amount_cents)
        .join(Posting, Posting.entry_id == Entry.id)
        .join(Account, Account.id == Posting.account_id)
        .where(
            Account.kind == "dealer",
            Account.mall_id == mall_id,
            Account.dealer_id == dealer_id,
            Entry.business_date >= first,
            Entry.business_date <= last,
            Entry.kind.not_in(besides),
        )
        .order_by(Entry.business_date, Entry.id)
    )
    return [DealerEntry(day, kind, memo, -amount) for day, kind, memo, amount in rows]


def ledger_head(session: Session, *, month: Month | None = None, mall: Mall | None = None) -> LedgerHead | None:
    """What an export of the ledger begins and ends with: of a month or of all of it, of all entries or of one mall's.

    None when there is nothing: no entry up to the month's end. To be read in one snapshot with `ledger_entries`.
    """
    whose = true() if mall is None else Entry.mall_id == mall.id
    span = session.execute(select(func.min(Entry.business_date), func.max(Entry.business_date)).where(whose)).one()
    if span[0] is None or (month is not None and month.last_day < span[0]):
        return None
    first, last = span if month is None else (month.first_day, month.last_day)
    within = Entry.business_date >= first
    rows = session.execute(
        select(
            Account.path,
            func.coalesce(func.sum(case((within, 0), else_=Posting.amount_cents)), 0),
            func.coalesce(func.sum(case((within, Posting.amount_cents), else_=0)), 0),
            func.coalesce(func.sum(case((within, 1), else_=0)), 0),
            func.coalesce(func.sum(case((and_(within, Posting.amount_cents > 0), Posting.amount_cents), else_=0)), 0),
        )
        .join(Posting, Posting.account_id == Account.id)
        .join(Entry, Entry.id == Posting.entry_id)
        .where(Entry.business_date <= last, whose)
        .group_by(Account.path)
    ).all()
    opening = opening_of({path: int(before) for path, before, *_ in rows})
    closing = dict(opening)
    for path, _before, moved, postings, _debits in rows:
        if postings:
            closing[path] = closing.get(path, 0) + int(moved)
    return LedgerHead(
        first_day=first,
        last_day=last,
        scope="the whole co-op" if mall is None else f"mall {mall.code}",
        entries=session.scalar(select(func.count(Entry.id)).where(*_between(first, last), whose)) or 0,
        postings=sum(int(row[3]) for row in rows),
        debits_cents=sum(int(row[4]) for row in rows),
        opening=opening,
        closing=closing,
    )


def ledger_entries(session: Session, head: LedgerHead, *, mall: Mall | None = None) -> Iterator[ExportEntry]:
    """The entries of a head's days by business date and number, streamed: never more than a few thousand rows at once."""
    rows = session.execute(
        select(
            Entry.id,
            Entry.business_date,
            func.coalesce(Mall.code, ""),
            Entry.kind,
            Entry.source_kind,
            Entry.source_id,
            Entry.purpose,
            Entry.reverses_id,
            Entry.memo,
            Account.path,
            Posting.amount_cents,
        )
        .join(Posting, Posting.entry_id == Entry.id)
        .join(Account, Account.id == Posting.account_id)
        .outerjoin(Mall, Mall.id == Entry.mall_id)
        .where(*_between(head.first_day, head.last_day), true() if mall is None else Entry.mall_id == mall.id)
        .order_by(Entry.business_date, Entry.id, Posting.id)
        .execution_options(yield_per=5000)
    )
    entry: ExportEntry | None = None
    postings: list[tuple[str, int]] = []
    for row in rows:
        if entry is not None and row[0] != entry.id:
            yield replace(entry, postings=tuple(postings))
            entry, postings = None, []
        if entry is None:
            entry = ExportEntry(*row[:9], postings=())
        postings.append((row[9], row[10]))
    if entry is not None:
        yield replace(entry, postings=tuple(postings))


def _between(first: date, last: date) -> tuple[ColumnElement[bool], ...]:
    return (Entry.business_date >= first, Entry.business_date <= last)
