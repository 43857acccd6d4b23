"""Reads of the books."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date

from sqlalchemy import func, select, true
from sqlalchemy.orm import Session

from coop.books.models import Account, Entry, Period, Posting
from coop.core.periods import Month

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
    """The first day of each mall's first month in the books (no entry is outside of one): mall id -> day."""
    rows = session.execute(select(Period.mall_id, func.min(Period.first_day)).group_by(Period.mall_id))
    return {mall_id: day for mall_id, day in rows if mall_id is not None}


def last_closed(session: Session, mall_id: int) -> Month | None:
    """The last month of a mall that is closed; None when none is."""
    day = session.scalar(select(func.max(Period.first_day)).where(Period.mall_id == mall_id, Period.state == "closed"))
    return None if day is None else Month.of(day)


def dealer_balances_before(session: Session, mall_id: int, day: date, *, dealer_id: int | None = None) -> dict[int, int]:
    """What the co-op owed each dealer of a mall at the start of a day, in cents: dealer id -> owed (negative: owes)."""
    rows = session.execute(
        select(Account.dealer_id, func.sum(Posting.amount_cents))
        .join(Posting, Posting.account_id == Account.id)
        .join(Entry, Entry.id == Posting.entry_id)
        .where(
            Account.kind == "dealer",
            Account.mall_id == mall_id,
            Entry.business_date < day,
            true() if dealer_id is None else Account.dealer_id == dealer_id,
        )
        .group_by(Account.dealer_id)
    )
    return {dealer_id: -int(amount) for dealer_id, amount in rows if dealer_id is not None}


def dealer_movements(session: Session, period_id: int) -> dict[tuple[int, str], int]:
    """Each dealer's movement in a period by kind of entry: (dealer id, kind) -> cents, positive is owed to the dealer."""
    rows = session.execute(
        select(Account.dealer_id, Entry.kind, func.sum(Posting.amount_cents))
        .join(Posting, Posting.account_id == Account.id)
        .join(Entry, Entry.id == Posting.entry_id)
        .where(Account.kind == "dealer", Entry.period_id == period_id)
        .group_by(Account.dealer_id, Entry.kind)
    )
    return {(dealer_id, kind): -int(amount) for dealer_id, kind, amount in rows if dealer_id is not None}


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
