"""Which charges are open and how old, by dealer, from charges and ledger; disputes; the late fee.

A dealer's account is read as charges and money. Rent is due on the day it is dated, commission, card cost, turns and fees at
month's end; the month's sales are credited at its end; a payout takes back what was credited last, for it is paid out of that.
What else is taken from the account (a month of more returns than sales, a correction, a chargeback) is owed too, but bears no
late fee. So, once a month's sales are credited, what is open less what waits as credit is what the ledger says she owes.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable
from dataclasses import dataclass, field, replace
from datetime import date, datetime
from typing import Any

from sqlalchemy import and_, func, or_, select, true
from sqlalchemy.orm import Session, aliased

from coop.books.models import Entry, Period, Posting
from coop.books.queries import SALE_KINDS, dealer_accounts
from coop.books.service import posting_date
from coop.books.sums import month_sums
from coop.core.clock import local_date
from coop.core.errors import Refusal
from coop.core.jobs import name_job, short_job
from coop.core.money import format_dollars
from coop.core.periods import Month
from coop.core.templating import day as written
from coop.dealers.models import Dealer
from coop.dealers.second_person import require_not_own
from coop.floor.models import Mall
from coop.leases import queries
from coop.leases.domain import Rent
from coop.leases.domain.late import LATE, OTHER, late_fee
from coop.leases.domain.settlement import Arrears, Owed, Paid, arrears
from coop.leases.holding import lock
from coop.leases.models import Charge, Dispute
from coop.leases.posting import INCOME, ChargeDraft, Due, follows_the_clock, hold_charges, post_due
from coop.leases.rules import rules_on

AT_MONTH_END = ("commission", "card", "late", "fee", "turn")
"""Kinds of charge that are due at the end of the month they were posted in."""
PAYOUT = "payout"
GIVEN_BACK = "dispute"
"""The part before the colon of what a charge is for that gives back what was disputed: `dispute:3`, of dispute 3."""


@dataclass
class DealerAccount:
    """One dealer's charges and money at a mall, as settlements take them."""

    owed: list[Owed] = field(default_factory=list)
    paid: list[Paid] = field(default_factory=list)


@dataclass(frozen=True)
class DealerArrears:
    """What a dealer has open on a day, by age."""

    dealer_id: int
    dealer: str
    arrears: Arrears

    @property
    def late_cents(self) -> int:
        """Past due, and not in dispute."""
        return self.arrears.late_cents


def accounts_of(
    session: Session, mall_id: int, through: date, *, money_through: date | None = None, dealer_id: int | None = None
) -> dict[int, DealerAccount]:
    """Every dealer's charges and money at a mall up to a day, by dealer id, in two queries (or one dealer's).

    `money_through` is the last day of money read, where that is another one.
    """
    accounts: defaultdict[int, DealerAccount] = defaultdict(DealerAccount)
    for charge_id, dealer, kind, cents, on, opened_on, closed_on in _charges(session, mall_id, through, dealer_id):
        if cents < 0:
            accounts[dealer].paid.append(Paid(f"{charge_id:09d}", on, -cents))
        else:
            due_on = Month.of(on).last_day if kind in AT_MONTH_END else on
            accounts[dealer].owed.append(Owed(f"{charge_id:09d}", due_on, cents, kind, opened_on, closed_on))
    payouts: list[tuple[int, str, date, int]] = []
    for dealer, key, kind, on, cents in _money(session, mall_id, money_through or through, dealer_id):
        if kind == PAYOUT and cents < 0:
            payouts.append((dealer, key, on, -cents))
        elif cents > 0:
            accounts[dealer].paid.append(Paid(key, on, cents))
        elif cents < 0:
            accounts[dealer].owed.append(Owed(key, on, -cents, OTHER))
    for dealer, key, on, cents in sorted(payouts, key=lambda p: (p[2], p[1])):
        _take_back(accounts[dealer], key, on, cents)
    return dict(accounts)


def _charges(session: Session, mall_id: int, through: date, dealer_id: int | None) -> Iterable[Any]:
    """Rows of charges that posted something, with their day and the days of their last dispute."""
    newest = select(func.max(Dispute.id)).where(Dispute.charge_id == Charge.id).correlate(Charge).scalar_subquery()
    rows = (
        select(
            Charge.id,
            Charge.dealer_id,
            Charge.kind,
            Charge.amount_cents,
            Entry.business_date,
            Dispute.opened_on,
            Dispute.closed_on,
        )
        .join(Entry, Entry.id == Charge.entry_id)
        .outerjoin(Dispute, Dispute.id == newest)
        .where(Charge.mall_id == mall_id, Entry.business_date <= through)
        .order_by(Charge.id)
    )
    return session.execute(rows if dealer_id is None else rows.where(Charge.dealer_id == dealer_id))


def _money(session: Session, mall_id: int, through: date, dealer_id: int | None) -> Iterable[tuple[int, str, str, date, int]]:
    """What else moved each dealer's account: (dealer id, key, kind, day, cents, positive to her). A month's sales are one.

    What was reversed by a day, a bounced check say, is left out with its reversal.
    """
    accounts = dealer_accounts(session, mall_id, dealer_id=dealer_id)
    few = None if dealer_id is None else accounts.keys()
    periods = session.scalars(select(Period).where(Period.mall_id == mall_id, Period.first_day <= through)).all()
    over = [period for period in periods if period.last_day <= through]
    for period, sums in month_sums(session, over, SALE_KINDS, few):
        for account_id, debits, credits in sums:
            if account_id in accounts:
                yield accounts[account_id], f"sales {period.id:09d}", SALE_KINDS[0], period.last_day, credits - debits
    original, reversal = aliased(Entry), aliased(Entry)
    rows = (
        select(Posting.account_id, Entry.id, Entry.kind, Entry.business_date, func.sum(Posting.amount_cents))
        .join(Entry, Entry.id == Posting.entry_id)
        .outerjoin(original, original.id == Entry.reverses_id)
        .outerjoin(reversal, and_(reversal.reverses_id == Entry.id, reversal.business_date <= through))
        .where(
            Entry.period_id.in_([period.id for period in periods]),
            Entry.kind.not_in((*SALE_KINDS, *INCOME)),
            Entry.business_date <= through,
            true() if few is None else Posting.account_id.in_(few),
            # A sale or a charge that was reversed stands, and what puts it right is money of its own day.
            reversal.id.is_(None),
            or_(original.id.is_(None), original.kind.in_((*SALE_KINDS, *INCOME))),
        )
        .group_by(Posting.account_id, Entry.id, Entry.kind, Entry.business_date)
    )
    for account_id, entry_id, kind, on, cents in session.execute(rows):
        if account_id in accounts:
            yield accounts[account_id], f"entry {entry_id:09d}", kind, on, -int(cents)


def _take_back(account: DealerAccount, key: str, on: date, cents: int) -> None:
    """A payout: out of the money that came last before it. What is more than that is owed."""
    left = []
    for paid in sorted(account.paid, key=lambda p: (p.on, p.key), reverse=True):
        taken = min(cents, paid.amount_cents) if paid.on <= on else 0
        cents -= taken
        if taken < paid.amount_cents:
            left.append(replace(paid, amount_cents=paid.amount_cents - taken))
    account.paid = left
    if cents:
        account.owed.append(Owed(key, on, cents, OTHER))


def arrears_of(session: Session, mall_id: int, on: date) -> list[DealerArrears]:
    """Every dealer of a mall with something open or waiting as credit on a day, by code; the queries do not grow with them."""
    accounts = accounts_of(session, mall_id, on)
    codes = {row.id: row.code for row in session.execute(select(Dealer.id, Dealer.code))}
    found = [DealerArrears(dealer_id, codes[dealer_id], arrears(a.owed, a.paid, on)) for dealer_id, a in accounts.items()]
    return sorted((row for row in found if row.arrears.open_cents or row.arrears.credit_cents), key=lambda row: row.dealer)


def arrears_of_dealer(session: Session, mall_id: int, dealer_id: int, on: date) -> Arrears:
    """One dealer's."""
    account = accounts_of(session, mall_id, on, dealer_id=dealer_id).get(dealer_id, DealerAccount())
    return arrears(account.owed, account.paid, on)


# --- late fees ----------------------------------------------------------------------------------------------------------


def post_late_fees(session: Session, now: datetime, mall: Mall, *, on: date | None = None) -> int:
    """Charge the month's late fee to each dealer who is late on a day (today, if none is given); how many were charged.

    By what was open when the grace day ended, once a month and dealer, and by the house rules of the day: without a late fee in
    them, or before the grace day has passed, nothing.
    """
    on = on or local_date(now, mall.timezone)
    rule = rules_on(session, mall.id, on).late_rule
    if rule is None or on.day <= rule.grace_day:
        return 0
    hold_charges(session, mall)
    first_day = Month.of(on).first_day
    late = select(Charge.dealer_id).where(Charge.mall_id == mall.id, Charge.what == LATE, Charge.first_day == first_day)
    charged = set(session.scalars(late))
    leases = queries.latest_leases(session, mall.id, on)
    accounts = accounts_of(session, mall.id, on, money_through=on.replace(day=rule.grace_day))
    due = []
    for dealer_id, account in sorted(accounts.items()):
        rent = late_fee(rule, account.owed, account.paid, on)
        if rent.amount_cents and dealer_id not in charged and dealer_id in leases:
            draft = ChargeDraft(leases[dealer_id].id, dealer_id, LATE, LATE, "Late fee", rent, on)
            due.append(Due(draft, None))
    return post_due(session, now, mall, Month.of(on), due)


@short_job("leases.late")
def _late_fees_of_malls(session: Session, now: datetime, args: dict[str, Any]) -> None:
    """Every day: a job for each mall that has house rules with a late fee, once its grace day has passed."""
    for mall in session.scalars(select(Mall).order_by(Mall.id)):
        today = local_date(now, mall.timezone)
        rule = rules_on(session, mall.id, today).late_rule
        if rule is not None and today.day > rule.grace_day and follows_the_clock(session, mall, Month.of(today)):
            name_job(session, now, "leases.late_of", {"mall_id": mall.id}, queue="default")


@short_job("leases.late_of")
def _late_fees_of_mall(session: Session, now: datetime, args: dict[str, Any]) -> None:
    post_late_fees(session, now, session.get_one(Mall, args["mall_id"]))


# --- disputes -----------------------------------------------------------------------------------------------------------


def open_dispute(session: Session, charge: Charge, *, on: date, reason: str) -> Dispute:
    """A charge its dealer disputes: from this day no payment settles it and no late fee runs on it, until it is decided."""
    if not reason.strip():
        raise Refusal(f"The dispute of {charge.label} has no reason: say what is disputed.")
    if len(reason) > 400:
        raise Refusal(f"The reason has {len(reason)} letters: 400 is the most.")
    if charge.amount_cents <= 0:
        raise Refusal(f"{charge.label} of {format_dollars(charge.amount_cents)} asks for nothing: there is nothing to dispute.")
    lock(session, charge)
    latest = session.scalar(select(Dispute).where(Dispute.charge_id == charge.id).order_by(Dispute.id.desc()).limit(1))
    if latest is not None and latest.closed_on is None:
        raise Refusal(f"{charge.label} is in dispute since {written(latest.opened_on)} already.")
    if latest is not None and latest.closed_on is not None and on <= latest.closed_on:
        raise Refusal(f"{charge.label} was in dispute until {written(latest.closed_on)}: a new dispute begins after that.")
    dispute = Dispute(charge_id=charge.id, opened_on=on, reason=reason.strip(), outcome="")
    session.add(dispute)
    session.flush()
    return dispute


def close_dispute(session: Session, dispute: Dispute, *, on: date, outcome: str) -> None:
    """Say how a dispute was decided. What is given back with it is a charge of its own (`give_back`)."""
    lock(session, dispute)
    if dispute.closed_on is not None:
        raise Refusal(f"The dispute was decided on {written(dispute.closed_on)} already.")
    if on < dispute.opened_on:
        raise Refusal(
            f"The dispute ends on {written(on)}, before it began on {written(dispute.opened_on)}: turn the dates round."
        )
    if not 0 < len(outcome.strip()) <= 400:
        raise Refusal("The outcome is empty or too long: say in a sentence how the dispute was decided.")
    dispute.closed_on, dispute.outcome = on, outcome.strip()
    session.flush()


def most_to_give_back(session: Session, charge: Charge) -> int:
    """What may still be given back of a charge after a dispute: all of it, less what was after an earlier one; in cents."""
    ids = session.scalars(select(Dispute.id).where(Dispute.charge_id == charge.id))
    given = select(func.coalesce(func.sum(Charge.amount_cents), 0)).where(
        Charge.dealer_id == charge.dealer_id, Charge.what.in_([f"{GIVEN_BACK}:{dispute_id}" for dispute_id in ids])
    )
    return charge.amount_cents + int(session.scalar(given) or 0)


def given_back(session: Session, dispute: Dispute) -> Charge | None:
    """The charge, below zero, by which something was given back when a dispute was decided."""
    return session.scalar(select(Charge).where(Charge.what == f"{GIVEN_BACK}:{dispute.id}"))


def give_back(
    session: Session, now: datetime, dispute: Dispute, amount_cents: int, *, on: date, user_id: int | None = None
) -> None:
    """Give back, all or in part, a charge whose dispute is decided: a credit of the charge's own kind, on an open day.

    Refuses what is not above zero, more than the charge less what was given back of it before, a dispute that is open, a second
    time, and a manager who gives back a charge of that manager's own booth.
    """
    charge = session.get_one(Charge, dispute.charge_id)
    lock(session, dispute)
    if dispute.closed_on is None:
        raise Refusal(f"The dispute of {charge.label} is open: decide it first.")
    if amount_cents <= 0:
        raise Refusal(f"{format_dollars(amount_cents)} is to be given back: write an amount above zero, or none.")
    require_not_own(session, user_id, charge.dealer_id, "a credit of your own")
    mall = session.get_one(Mall, charge.mall_id)
    hold_charges(session, mall)
    if given_back(session, dispute) is not None:
        raise Refusal(f"Something was given back of {charge.label} when it was decided: once is enough.")
    most = most_to_give_back(session, charge)
    if amount_cents > most:
        raise Refusal(f"{charge.label} leaves {format_dollars(most)} to give back: write that or less.")
    day = posting_date(session, mall.id, on)
    month = Month.of(charge.first_day).name
    working = f"of {format_dollars(charge.amount_cents)} charged for {month}, disputed: {dispute.outcome}"
    draft = ChargeDraft(
        charge.lease_id,
        charge.dealer_id,
        charge.kind,
        f"{GIVEN_BACK}:{dispute.id}",
        f"Given back: {charge.label}"[:120],
        Rent(-amount_cents, working),
        day,
    )
    post_due(session, now, mall, Month.of(day), [Due(draft, None)])
