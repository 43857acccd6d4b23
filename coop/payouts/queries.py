"""Reads of payouts: what each dealer would be paid for a month, and runs. No number of queries grows with the dealers."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import date, datetime

from sqlalchemy import Select, func, select, true
from sqlalchemy.orm import Session, selectinload

from coop.books.models import Account, Entry, Period, Posting
from coop.books.queries import SALE_KINDS, first_days, last_closed
from coop.books.rules import rules_on
from coop.books.sums import balances_before
from coop.core.clock import local_date
from coop.core.periods import Month
from coop.dealers.models import Dealer
from coop.floor.models import Mall
from coop.leases.posting import INCOME
from coop.leases.rents import month_rents
from coop.payouts.domain.payable import Payable, Standing, payable
from coop.payouts.models import AchOrigin, PayoutLine, PayoutPart, PayoutRun

PAYOUT, RETURNED = "payout", "returned"
"""Kinds of entry: money paid to a dealer, and a payment that came back."""
UNPAID = ("prepared", "approved")
METHODS = {"ach": "bank transfer", "check": "check", "hand": "by hand"}


def malls_in(session: Session, month: Month) -> list[Mall]:
    """The malls whose books had begun in a month, by code."""
    begun = [mall_id for mall_id, day in first_days(session).items() if day <= month.last_day]
    return list(session.scalars(select(Mall).where(Mall.id.in_(begun)).order_by(Mall.code)))


def open_malls(session: Session, month: Month) -> list[Mall]:
    """Those of them that have yet to close it."""
    closed = {mall.id: last_closed(session, mall.id) for mall in malls_in(session, month)}
    return [mall for mall in malls_in(session, month) if (last := closed[mall.id]) is None or last < month]


def payables(session: Session, month: Month, *, dealer_id: int | None = None, besides: int | None = None) -> dict[int, Payable]:
    """What each dealer would be paid for a month if nothing held it, by dealer id: those with a part of some amount.

    `domain/payable.py` has the rule. `besides` is a run whose own amounts do not count as given. Raises a Refusal where next
    month's rent is netted and cannot be computed.
    """
    malls = malls_in(session, month)
    pending = _pending(session, besides)
    rents = _next_rents(session, malls, month, dealer_id)
    standings: dict[int, list[tuple[int, Standing]]] = {}
    for key, at in _moves(session, month, malls, dealer_id).items():
        whole = replace(at, pending_cents=pending.get(key, 0), next_rent_cents=rents.pop(key, 0))
        standings.setdefault(key[1], []).append((key[0], whole))
    for (mall_id, dealer), rent in rents.items():
        # One who begins next month has nothing in the books here yet.
        standings.setdefault(dealer, []).append((mall_id, Standing(next_rent_cents=rent)))
    found = {dealer: payable(dealer, sorted(each, key=lambda one: one[0])) for dealer, each in standings.items()}
    return {dealer: one for dealer, one in sorted(found.items()) if one.parts}


def _moves(session: Session, month: Month, malls: Sequence[Mall], dealer_id: int | None) -> dict[tuple[int, int], Standing]:
    """Each dealer's account at each mall as it stood at the month's end and has moved since: (mall id, dealer id) -> standing."""
    since = month.next.first_day
    here = [mall.id for mall in malls]
    of_dealer = true() if dealer_id is None else Account.dealer_id == dealer_id
    found = session.execute(
        select(Account.id, Account.mall_id, Account.dealer_id).where(
            Account.kind == "dealer", Account.mall_id.in_(here), of_dealer
        )
    )
    accounts = {account_id: (mall_id, dealer) for account_id, mall_id, dealer in found if mall_id and dealer}
    few = None if dealer_id is None else accounts.keys()
    standings = {
        accounts[account_id]: Standing(stated_cents=-cents)
        for account_id, cents in balances_before(session, since, accounts=few).items()
        if account_id in accounts
    }
    later = session.execute(select(Period.id, Period.state).where(Period.mall_id.in_(here), Period.first_day >= since))
    closed = {period_id: state == "closed" for period_id, state in later}
    # By the entries of those months: a query that names the accounts' kind looks up all that was ever posted to them.
    moved = session.execute(
        select(Entry.period_id, Posting.account_id, Entry.kind, -func.sum(Posting.amount_cents))
        .join(Posting, Posting.entry_id == Entry.id)
        .where(Entry.period_id.in_(closed), true() if few is None else Posting.account_id.in_(few))
        .group_by(Entry.period_id, Posting.account_id, Entry.kind)
    )
    for period_id, account_id, kind, cents in moved:
        if account_id in accounts:
            at = standings.get(accounts[account_id], Standing())
            standings[accounts[account_id]] = _and_moved(at, kind, int(cents), closed=closed[period_id])
    return standings


def _and_moved(at: Standing, kind: str, cents: int, *, closed: bool) -> Standing:
    """A standing after entries of a kind, which were so much in the dealer's favor."""
    if kind in (PAYOUT, RETURNED):
        return replace(at, paid_cents=at.paid_cents - cents)
    if kind in SALE_KINDS:
        return replace(at, sales_cents=at.sales_cents + cents)
    if kind in INCOME:
        return replace(at, charged_cents=at.charged_cents - cents) if closed else at
    return replace(at, other_cents=at.other_cents + cents)


def _pending(session: Session, besides: int | None) -> dict[tuple[int, int], int]:
    """What runs that are not paid yet give: (mall id, dealer id) -> cents."""
    rows = (
        select(PayoutPart.mall_id, PayoutLine.dealer_id, func.sum(PayoutPart.amount_cents))
        .join(PayoutLine, PayoutLine.id == PayoutPart.line_id)
        .join(PayoutRun, PayoutRun.id == PayoutLine.run_id)
        .where(PayoutRun.state.in_(UNPAID), true() if besides is None else PayoutRun.id != besides)
        .group_by(PayoutPart.mall_id, PayoutLine.dealer_id)
    )
    return {(mall_id, dealer): int(cents) for mall_id, dealer, cents in session.execute(rows)}


def _next_rents(session: Session, malls: Sequence[Mall], month: Month, dealer_id: int | None) -> dict[tuple[int, int], int]:
    """Next month's rent where the house rules net it: (mall id, dealer id) -> cents. A closed month has it in the books."""
    rents: dict[tuple[int, int], int] = {}
    if rules_on(session, month.last_day).next_rent != "netted":
        return rents
    for mall in malls:
        last = last_closed(session, mall.id)
        if last is not None and last > month:
            continue
        for draft in month_rents(session, mall, month.next, dealer_id=dealer_id):
            key = (mall.id, draft.dealer_id)
            rents[key] = rents.get(key, 0) + draft.rent.amount_cents
    return {key: cents for key, cents in rents.items() if cents > 0}


def coop_today(session: Session, now: datetime) -> date:
    """The co-op's own calendar date: that at its first mall."""
    return local_date(now, coop_zone(session))


def coop_zone(session: Session) -> str:
    """The time zone of the co-op's own days: its first mall's."""
    return session.scalar(select(Mall.timezone).order_by(Mall.id).limit(1)) or "UTC"


def codes_of(session: Session) -> dict[int, str]:
    """Every dealer's code, by id."""
    return dict(session.execute(select(Dealer.id, Dealer.code)).all())


# --- runs ---------------------------------------------------------------------------------------------------------------


def last_check(session: Session) -> int | None:
    """The highest number among the checks of approved and paid runs; None before the first one."""
    last = (
        select(PayoutRun.first_check + func.count(PayoutLine.id) - 1)
        .join(PayoutLine, PayoutLine.run_id == PayoutRun.id)
        .where(PayoutRun.state.in_(("approved", "paid")), PayoutLine.method == "check", PayoutRun.first_check.is_not(None))
        .group_by(PayoutRun.id, PayoutRun.first_check)
    )
    return max((number for number in session.scalars(last) if number is not None), default=None)


def run_by_number(session: Session, number: int) -> PayoutRun | None:
    return session.scalar(select(PayoutRun).where(PayoutRun.number == number))


def lines_of(session: Session, run: PayoutRun) -> Sequence[PayoutLine]:
    """A run's lines with their parts, by the dealer's code."""
    return session.scalars(
        select(PayoutLine)
        .join(Dealer, Dealer.id == PayoutLine.dealer_id)
        .where(PayoutLine.run_id == run.id)
        .options(selectinload(PayoutLine.parts))
        .order_by(Dealer.code)
        .execution_options(populate_existing=True)
    ).all()


def unpaid_runs(session: Session) -> Sequence[PayoutRun]:
    """Runs on their way: prepared or approved."""
    return session.scalars(select(PayoutRun).where(PayoutRun.state.in_(UNPAID)).order_by(PayoutRun.number)).all()


@dataclass(frozen=True)
class RunRow:
    """A run as a list shows it."""

    run: PayoutRun
    lines: int
    amount_cents: int


PAYEES, PAID_CENTS = func.count(PayoutLine.id), func.coalesce(func.sum(PayoutLine.amount_cents), 0)


def runs_query() -> Select[PayoutRun, int, int]:
    """Every run with how many it pays, and how much."""
    lines = select(PayoutRun, PAYEES, PAID_CENTS).outerjoin(PayoutLine, PayoutLine.run_id == PayoutRun.id)
    return lines.group_by(PayoutRun.id)


def run_rows(session: Session, *, most: int = 50) -> list[RunRow]:
    """Runs, the newest first, with what they pay."""
    rows = session.execute(runs_query().order_by(PayoutRun.number.desc()).limit(most))
    return [RunRow(run, count, int(cents)) for run, count, cents in rows]


def origin_of(session: Session) -> AchOrigin | None:
    """The bank's terms as they were set last."""
    return session.scalar(select(AchOrigin).order_by(AchOrigin.id.desc()).limit(1))


def waiting_month(session: Session) -> Month | None:
    """The newest month that every mall with books in it has closed: the one to pay. None before the first."""
    closed = [last for mall_id in first_days(session) if (last := last_closed(session, mall_id)) is not None]
    months = sorted({month for last in closed for month in (last, last.previous)}, reverse=True)
    return next((month for month in months if malls_in(session, month) and not open_malls(session, month)), None)
