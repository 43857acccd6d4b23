"""Deposits: taken, used and returned, each as an entry against `Liabilities:Deposits` of dealer and mall, with its frozen line.

What is held is a lease's lines added up; `check_deposits` proves that the ledger says the same. Local law may limit a deposit and
say by when it goes back: the page that settles one says so.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import date, datetime

from sqlalchemy import ColumnElement, case, func, select
from sqlalchemy.orm import Session

from coop.books.accounts import bank_account, dealer_account, ensure_account, income_account
from coop.books.domain.entries import EntryDraft
from coop.books.models import Account, Entry, Posting
from coop.books.queries import dealer_balances_before, first_days, last_closed
from coop.books.service import post_entry
from coop.core import audit
from coop.core.clock import local_date
from coop.core.errors import Refusal
from coop.core.money import format_cents, format_dollars
from coop.core.periods import Month
from coop.core.templating import day
from coop.dealers.models import Dealer
from coop.floor.models import Mall
from coop.leases.domain import TermsError
from coop.leases.domain.deposit import Deduction, DepositSettled, settle_deposit
from coop.leases.models import DepositLine, Lease
from coop.leases.posting import post_fee, post_rents

KIND = "deposit"
"""Of its entries."""
OWED = "owed on the account"
DAMAGE = "Damages"
_HELD: ColumnElement[int] = func.coalesce(
    func.sum(case((DepositLine.kind == "taken", DepositLine.amount_cents), else_=-DepositLine.amount_cents)), 0
)


@dataclass(frozen=True)
class Held:
    """What is agreed and what is held of one lease's deposit, in cents."""

    lease_id: int
    dealer_id: int
    dealer: str
    agreed_cents: int
    held_cents: int


def deposit_account(session: Session, mall: Mall, dealer: Dealer) -> int:
    """The deposits of a dealer's leases at a mall: hers, so a liability."""
    path = f"Liabilities:Deposits:{mall.code}:{dealer.code}"
    return ensure_account(session, path, "deposit", mall_id=mall.id, dealer_id=dealer.id)


def deposit_held(session: Session, lease: Lease) -> int:
    """Cents held of a lease's deposit."""
    return int(session.scalar(select(_HELD).where(DepositLine.lease_id == lease.id)) or 0)


def deposits_held(session: Session, mall_id: int, *, through: date | None = None) -> list[Held]:
    """Every lease of a mall that has a deposit agreed or held, by dealer's code, in one query."""
    lines = select(DepositLine.lease_id, _HELD.label("held")).group_by(DepositLine.lease_id)
    if through is not None:
        lines = lines.where(DepositLine.on <= through)
    sums = lines.subquery()
    held = func.coalesce(sums.c.held, 0)
    rows = session.execute(
        select(Lease.id, Dealer.id, Dealer.code, Lease.deposit_cents, held)
        .join(Dealer, Dealer.id == Lease.dealer_id)
        .outerjoin(sums, sums.c.lease_id == Lease.id)
        .where(Lease.mall_id == mall_id, (held != 0) | ((Lease.deposit_cents > 0) & Lease.settled_on.is_(None)))
        .order_by(Dealer.code, Lease.id)
    )
    return [Held(lease_id, dealer_id, code, agreed, int(cents)) for lease_id, dealer_id, code, agreed, cents in rows]


def held_of_dealer(session: Session, mall_id: int, dealer_id: int, *, before: date) -> int:
    """Cents held of a dealer's deposits at a mall when a day begins, by the ledger."""
    return -int(
        session.scalar(
            select(func.coalesce(func.sum(Posting.amount_cents), 0))
            .join(Account, Account.id == Posting.account_id)
            .join(Entry, Entry.id == Posting.entry_id)
            .where(
                Account.kind == "deposit",
                Account.mall_id == mall_id,
                Account.dealer_id == dealer_id,
                Entry.business_date < before,
            )
        )
        or 0
    )


def take_deposit(
    session: Session,
    now: datetime,
    lease: Lease,
    amount_cents: int,
    *,
    on: date,
    reference: str = "",
    from_account: bool = False,
    user_id: int | None = None,
) -> DepositLine:
    """Take a deposit: paid into the bank, or out of what the dealer has to her account.

    Refuses an amount that is not above zero, a day to come, the same amount twice on one day under one reference, and from the
    account more than is on it.
    """
    mall, dealer = _hold(session, lease)
    _require_above_zero(amount_cents, "taken")
    if on > local_date(now, mall.timezone):
        raise Refusal(f"The deposit is taken on {day(on)}, a day to come: enter the day it was taken.")
    if from_account:
        there = dealer_balances_before(session, mall.id, date.max, dealer_id=dealer.id).get(dealer.id, 0)
        if there < amount_cents:
            raise Refusal(
                f"{format_dollars(amount_cents)} cannot be taken from the account of {dealer.code}: "
                f"{format_dollars(max(0, there))} is on it. Take it as a payment instead."
            )
    source = dealer_account(session, mall, dealer) if from_account else bank_account(session)
    memo = "Deposit, from this account" if from_account else "Deposit"
    account = deposit_account(session, mall, dealer)
    postings = ((source, amount_cents), (account, -amount_cents))
    line = _add_line(session, now, lease, "taken", amount_cents, on, reference, memo, postings)
    detail = f"{format_dollars(amount_cents)} on {on}"
    audit.record(session, now, "deposit taken", "lease", lease.id, user_id=user_id, detail=detail)
    return line


def use_deposit(
    session: Session, now: datetime, lease: Lease, amount_cents: int, *, on: date, reason: str, damage: bool = False
) -> DepositLine:
    """Use part of a deposit: for what the dealer owes on her account, or (`damage`) as the co-op's income.

    Refuses without a reason, and more than is held; for what she owes, more than that.
    """
    mall, dealer = _hold(session, lease)
    if not reason.strip():
        raise Refusal("The deduction has no reason: say what it is for.")
    _require_held(session, lease, dealer, amount_cents, "used")
    if damage:
        target, memo = income_account(session, mall, DAMAGE), f"Deposit kept: {reason}"
    else:
        owes = -min(0, dealer_balances_before(session, mall.id, date.max, dealer_id=dealer.id).get(dealer.id, 0))
        if amount_cents > owes:
            raise Refusal(
                f"{dealer.code} owes {format_dollars(owes)}, less than the {format_dollars(amount_cents)} to be used of the "
                "deposit: use at most what is owed, and return the rest."
            )
        target, memo = dealer_account(session, mall, dealer), f"Your deposit, used: {reason}"
    postings = ((deposit_account(session, mall, dealer), amount_cents), (target, -amount_cents))
    return _add_line(session, now, lease, "deducted", amount_cents, on, reason, memo, postings)


def return_deposit(
    session: Session, now: datetime, lease: Lease, amount_cents: int, *, on: date, reference: str = ""
) -> DepositLine:
    """Give back a deposit, or part of it, from the bank. Refuses more than is held."""
    mall, dealer = _hold(session, lease)
    _require_held(session, lease, dealer, amount_cents, "returned")
    postings = ((deposit_account(session, mall, dealer), amount_cents), (bank_account(session), -amount_cents))
    return _add_line(session, now, lease, "returned", amount_cents, on, reference, "Deposit returned", postings)


def settle_lease_deposit(
    session: Session, now: datetime, lease: Lease, *, on: date, damages: Sequence[Deduction] = (), reference: str = ""
) -> DepositSettled:
    """Settle a deposit when a dealer has moved out: what she owes is taken from it, then damages; what is left goes back.

    The rent to the lease's last day is posted first, in arrears too, that of earlier open months with it. Damage that the deposit
    does not cover is charged to her account. Refuses a damage without a reason or not above zero.
    """
    mall, dealer = _hold(session, lease)
    if lease.ends_on is not None:
        for month in _months_open(session, mall, lease.starts_on, lease.ends_on):
            post_rents(session, now, mall, month, lease=lease)
    owes = -min(0, dealer_balances_before(session, mall.id, date.max, dealer_id=dealer.id).get(dealer.id, 0))
    deductions = [*([Deduction(OWED, owes)] if owes else ()), *damages]
    try:
        settled = settle_deposit(deposit_held(session, lease), deductions)
    except TermsError as error:
        raise Refusal(str(error)) from error
    for n, kept in enumerate(settled.kept):
        damage = not (owes and n == 0)
        if kept.kept_cents:
            use_deposit(session, now, lease, kept.kept_cents, on=on, reason=kept.reason, damage=damage)
        if kept.owing_cents and damage:
            key = f"damage:{lease.id}:{n}"
            working = f"more than the deposit covered, {format_dollars(kept.kept_cents)} of it kept from there"
            post_fee(session, now, lease, kept.owing_cents, key=key, label=kept.reason, working=working, on=on)
    if settled.returned_cents:
        return_deposit(session, now, lease, settled.returned_cents, on=on, reference=reference)
    return settled


def _months_open(session: Session, mall: Mall, first: date, last: date) -> Iterator[Month]:
    """The months of a span that are not closed, and its last one anyhow; none from before the books."""
    closed, begun = last_closed(session, mall.id), first_days(session).get(mall.id, last)
    month = min(Month.of(last), max(Month.of(first), closed.next if closed else Month.of(begun)))
    while month <= Month.of(last):
        yield month
        month = month.next


def check_deposits(session: Session) -> list[str]:
    """A sentence for each dealer and mall whose deposit lines are not what the ledger holds."""
    lines = {
        (mall_id, dealer_id): int(held)
        for mall_id, dealer_id, held in session.execute(
            select(Lease.mall_id, Lease.dealer_id, _HELD)
            .join(DepositLine, DepositLine.lease_id == Lease.id)
            .group_by(Lease.mall_id, Lease.dealer_id)
        )
    }
    ledger = {
        (mall_id, dealer_id): -int(amount)
        for mall_id, dealer_id, amount in session.execute(
            select(Account.mall_id, Account.dealer_id, func.sum(Posting.amount_cents))
            .join(Posting, Posting.account_id == Account.id)
            .where(Account.kind == "deposit")
            .group_by(Account.mall_id, Account.dealer_id)
        )
        if mall_id is not None and dealer_id is not None
    }
    faults = []
    for mall_id, dealer_id in lines.keys() | ledger.keys():
        if lines.get((mall_id, dealer_id), 0) != ledger.get((mall_id, dealer_id), 0):
            mall, dealer = session.get_one(Mall, mall_id), session.get_one(Dealer, dealer_id)
            by_lines, by_ledger = (format_cents(sums.get((mall_id, dealer_id), 0)) for sums in (lines, ledger))
            faults.append(f"Deposits of {dealer.code} at {mall.code} are {by_lines} by their lines, {by_ledger} in the ledger.")
    return sorted(faults)


# --- one line -----------------------------------------------------------------------------------------------------------


def _hold(session: Session, lease: Lease) -> tuple[Mall, Dealer]:
    """The lease's mall and dealer, with the lease held, so that two who use one deposit do so one after the other."""
    session.execute(select(Lease.id).where(Lease.id == lease.id).with_for_update(key_share=True))
    return session.get_one(Mall, lease.mall_id), session.get_one(Dealer, lease.dealer_id)


def _require_above_zero(amount_cents: int, what: str) -> None:
    if amount_cents <= 0:
        raise Refusal(f"The amount {what} is {format_dollars(amount_cents)}: write one above zero.")


def _require_held(session: Session, lease: Lease, dealer: Dealer, amount_cents: int, what: str) -> None:
    _require_above_zero(amount_cents, what)
    held = deposit_held(session, lease)
    if amount_cents > held:
        raise Refusal(
            f"{format_dollars(amount_cents)} is to be {what} of the deposit of {dealer.code}, of which "
            f"{format_dollars(held)} is held: write at most that."
        )


def _add_line(
    session: Session,
    now: datetime,
    lease: Lease,
    kind: str,
    amount_cents: int,
    on: date,
    reason: str,
    memo: str,
    postings: tuple[tuple[int, int], ...],
) -> DepositLine:
    reason = reason.strip()
    if len(reason) > 150:
        raise Refusal(f"The reason or reference has {len(reason)} letters: 150 is the most.")
    before = session.scalars(select(DepositLine).where(DepositLine.lease_id == lease.id)).all()
    if any((line.kind, line.amount_cents, line.on, line.reason) == (kind, amount_cents, on, reason) for line in before):
        raise Refusal(
            f"{format_dollars(amount_cents)} was {kind} on {day(on)} already: "
            "if it is a second time, give it a reference of its own."
        )
    entry_id = post_entry(
        session,
        now,
        EntryDraft(
            mall_id=lease.mall_id,
            business_date=on,
            kind=KIND,
            source_kind="deposit",
            source_id=f"{lease.id}/{len(before) + 1}",
            purpose=kind,
            postings=postings,
            memo=memo,
        ),
    )
    line = DepositLine(lease_id=lease.id, kind=kind, amount_cents=amount_cents, on=on, reason=reason, entry_id=entry_id)
    session.add(line)
    session.flush()
    return line
