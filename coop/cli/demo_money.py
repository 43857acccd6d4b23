"""The money of the demo: its drawers counted and taken to the bank, the bank's lines brought and matched, its payouts."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, datetime, timedelta
from decimal import Decimal
from fractions import Fraction

from sqlalchemy import func, select
from sqlalchemy.orm import Session

from coop.books.accounts import bank_account, tender_account
from coop.books.bank_lines import bring_file
from coop.books.bank_matching import FROM_LINE, match_proposed
from coop.books.bank_months import month_sheet, reconcile_month
from coop.books.banking import Bill, enter_bill, settle_cards, take_to_bank
from coop.books.domain.matching import check_in
from coop.books.models import BankLine, Entry, Posting
from coop.books.payments import receive_payment
from coop.books.queries import dealer_balances_before
from coop.cli.demo_coop import BOOKKEEPER, MANAGER, TAX_OFFICE, Months, dealer_of, turn_of, user_of
from coop.core.behind import put_behind
from coop.core.csv_text import csv_text
from coop.core.money import plain_cents, round_half_up
from coop.core.periods import Month, shown_days
from coop.dealers.models import Dealer
from coop.floor.models import Mall
from coop.payouts.holding import TO_DECIDE, decide_hold, hold_reasons
from coop.payouts.models import PayoutRun
from coop.payouts.paying_out import mark_paid
from coop.payouts.runs import approve_run, cancel_run, changed_since, files_group, prepare_run
from coop.sales.drawers import count_drawer
from coop.tax.domain.returns import FilingPeriod
from coop.tax.filing import file_return

FLOAT_CENTS = 200_00
OPEN_DAYS = 2
"""What was posted in a month's last days the bank has not seen by its end."""
_FIRST_CHECK, _CHECKS_A_RUN = 2001, 100
LEASE_DEPOSIT = "deposit"
"""Kind of an entry that takes a deposit on a lease."""
_CARD_FEE_PERCENT = Decimal("2.6")
_CARD_DAYS = 5
_CARD_DAYS_AFTER = 2
"""What the card company keeps, of how many days' sales, and when the rest reaches the bank. Common practice, no source."""


def bring_bank(session: Session, now: datetime, month: Month) -> None:
    """Bring the bank's lines of a month, match them, enter its bills and cards, and reconcile it."""
    malls = {mall.code: mall for mall in session.scalars(select(Mall).order_by(Mall.id))}
    batches = [batch for mall in malls.values() for batch in _card_batches(session, mall, month)]
    lines = _bank_lines(session, month, batches)
    bring_file(session, now, f"bank-{month}.csv", lines.encode())
    for batch in batches:
        settle_cards(session, now, _line_id(session, batch.words, batch.on), batch.mall, batch.gross_cents, days=batch.days)
    for bill in _BILLS:
        line_id = _line_id(session, bill.words, month.first_day.replace(day=bill.day))
        enter_bill(session, now, line_id, Bill(bill.account, malls[bill.mall] if bill.mall else None))
    match_proposed(session, now, month=month)
    said = "Lines that fit several entries wait for a person." if month_sheet(session, month).lines else ""
    reconcile_month(session, now, month, bank_cents=_at_bank(session, month.last_day), explanation=said)


def _line_id(session: Session, words: str, on: date) -> int:
    return session.scalars(select(BankLine.id).where(BankLine.words == words, BankLine.on == on)).one()


def _balance(session: Session, account_id: int, through: date) -> int:
    total = (
        select(func.coalesce(func.sum(Posting.amount_cents), 0))
        .join(Entry, Entry.id == Posting.entry_id)
        .where(Posting.account_id == account_id, Entry.business_date <= through)
    )
    return int(session.scalar(total) or 0)


def take_week_to_bank(session: Session, now: datetime, mall: Mall, on: date, number: int) -> None:
    """Take what is above the float, and the checks, to the bank as they stood in the evening before."""
    cash, checks = (tender_account(session, mall, tender) for tender in ("cash", "check"))
    evening = on - timedelta(days=1)
    cash_cents, checks_cents = max(0, _balance(session, cash, evening) - FLOAT_CENTS), _balance(session, checks, evening)
    if cash_cents or checks_cents > 0:
        slip = f"{mall.code[0]}{number:04d}"
        take_to_bank(session, now, mall, on=on, cash_cents=cash_cents, checks_cents=max(0, checks_cents), reference=slip)


def count_month(session: Session, now: datetime, mall: Mall, on: date, off_cents: int) -> None:
    """Count a mall's drawer in the evening of a month's last day; it is off by so much."""
    counted = max(0, _balance(session, tender_account(session, mall, "cash"), on) + off_cents)
    count_drawer(session, now, mall, key=f"demo/{mall.code}/{on}", drawer="", on=on, counted_cents=counted)


@dataclass(frozen=True)
class _Bill:
    """What the co-op pays every month by the bank."""

    account: str
    mall: str
    day: int
    cents: int

    @property
    def words(self) -> str:
        return f"{self.account} {self.mall}".strip().upper()


_BILLS = (
    _Bill("Rent", "FERRY", 3, 6_400_00),
    _Bill("Rent", "DAIRY", 3, 3_400_00),
    _Bill("Supplies", "FERRY", 9, 145_00),
    _Bill("Utilities", "FERRY", 14, 980_00),
    _Bill("Utilities", "DAIRY", 14, 610_00),
    _Bill("Insurance", "", 15, 540_00),
    _Bill("Advertising", "", 21, 260_00),
    _Bill("Wages", "", 28, 2_900_00),
)


@dataclass(frozen=True)
class _CardBatch:
    """Some days' card sales of a mall, as the card company pays them out."""

    mall: Mall
    first: date
    last: date
    gross_cents: int

    @property
    def on(self) -> date:
        return self.last + timedelta(days=_CARD_DAYS_AFTER)

    @property
    def net_cents(self) -> int:
        return self.gross_cents - round_half_up(Fraction(_CARD_FEE_PERCENT) * self.gross_cents / 100)

    @property
    def days(self) -> str:
        return shown_days(self.first, self.last)

    @property
    def words(self) -> str:
        return f"CARD SETTLEMENT {self.mall.code}"


def _card_batches(session: Session, mall: Mall, month: Month) -> list[_CardBatch]:
    """Those that reach the bank in a month: of its own days, and the last ones of the month before."""
    rows = session.execute(
        select(Entry.business_date, func.sum(Posting.amount_cents))
        .join(Posting, Posting.entry_id == Entry.id)
        .where(
            Posting.account_id == tender_account(session, mall, "card"),
            Entry.business_date.between(month.previous.first_day, month.last_day),
            Entry.source_kind != FROM_LINE,
        )
        .group_by(Entry.business_date)
    )
    sold = {on: int(cents) for on, cents in rows}
    found = []
    for one in (month.previous, month):
        first = one.first_day
        while first <= one.last_day:
            last = min(first + timedelta(days=_CARD_DAYS - 1), one.last_day)
            gross = sum(cents for on, cents in sold.items() if first <= on <= last)
            batch = _CardBatch(mall, first, last, gross)
            if gross > 0 and month.first_day <= batch.on <= month.last_day:
                found.append(batch)
            first = last + timedelta(days=1)
    return found


def _bank_lines(session: Session, month: Month, batches: Sequence[_CardBatch]) -> str:
    """The bank's file of a month: what it has of the entries, a check and a day's deposits each in one line, and the cards."""
    rows = session.execute(
        select(Entry.business_date, Entry.kind, Entry.memo, Entry.id, func.sum(Posting.amount_cents))
        .join(Posting, Posting.entry_id == Entry.id)
        .where(
            Posting.account_id == bank_account(session),
            Entry.business_date > month.previous.last_day - timedelta(days=OPEN_DAYS),
            Entry.business_date <= month.last_day - timedelta(days=OPEN_DAYS),
            Entry.source_kind != FROM_LINE,
        )
        .group_by(Entry.id, Entry.business_date, Entry.kind, Entry.memo)
        .order_by(Entry.business_date, Entry.id)
    )
    seen: dict[tuple[date, str, str], int] = {}
    for on, kind, memo, entry_id, cents in rows:
        check = check_in(memo)
        # What is paid on a day as deposits on leases goes to the bank on one slip.
        words = "CHECK" if check else "DEPOSIT" if kind == LEASE_DEPOSIT and cents > 0 else f"{memo} {entry_id}".upper()
        days = 1 + int(check) % 6 if check else 1
        key = (max(on + timedelta(days=days), month.first_day), words, check)
        seen[key] = seen.get(key, 0) + int(cents)
    for bill in _BILLS:
        seen[(month.first_day.replace(day=bill.day), bill.words, "")] = -bill.cents
    for batch in batches:
        seen[(batch.on, batch.words, "")] = batch.net_cents
    balance, lines = _at_bank(session, month.previous.last_day), []
    for (on, words, check), cents in sorted(seen.items()):
        balance += cents
        lines.append((on.isoformat(), words, check, plain_cents(cents), plain_cents(balance)))
    return csv_text(("Date", "Description", "Check Number", "Amount", "Balance"), lines)


def _at_bank(session: Session, through: date) -> int:
    """The bank's balance after a day: the account began with nothing, and its files miss no line."""
    return int(session.scalar(select(func.coalesce(func.sum(BankLine.amount_cents), 0)).where(BankLine.on <= through)) or 0)


def decide_holds(session: Session, now: datetime, month: Month) -> None:
    """Say of each payout that a person has to decide on that it waits."""
    dealers = {dealer.id: dealer for dealer in session.scalars(select(Dealer))}
    for dealer_id, reasons in hold_reasons(session, now, month).items():
        for reason in reasons:
            if reason.kind in TO_DECIDE and reason.pays is None:
                said = "Until it is talked over"
                decide_hold(session, now, month, dealers[dealer_id], kind=reason.kind, pays=False, reason=said)


def approve_payouts(session: Session, now: datetime, months: Months, month: Month) -> date | None:
    """Somebody else than who closed the month approves what is paid for it, by check; the day it is paid. None: nobody is.

    Prepared anew where what came back since leaves less for somebody.
    """
    run = _run_of(session, month)
    if run is not None and changed_since(session, now, run):
        manager = user_of(session, MANAGER)
        cancel_run(session, now, run, user_id=manager)
        run = prepare_run(session, now, month, user_id=manager)
    if run is None:
        return None
    first_check = _FIRST_CHECK + _CHECKS_A_RUN * months.closed.index(month)
    approve_run(session, now, run, user_id=user_of(session, BOOKKEEPER), first_check=first_check)
    return run.pay_on


def pay_out(session: Session, now: datetime, month: Month) -> None:
    """The checks of a month go out."""
    run = _run_of(session, month)
    if run is not None:
        mark_paid(session, now, run, on=run.pay_on, user_id=user_of(session, BOOKKEEPER))
        put_behind(session, turn_of(month), kind="payouts.files", group_key=files_group(run))


def _run_of(session: Session, month: Month) -> PayoutRun | None:
    return session.scalar(select(PayoutRun).where(PayoutRun.first_day == month.first_day, PayoutRun.state != "cancelled"))


def bring_check(session: Session, now: datetime, mall: Mall, number: int, month: Month, on: date) -> None:
    """A dealer whose month ended below zero brings a check for what was missing."""
    dealer = dealer_of(session, number)
    owed = -dealer_balances_before(session, mall.id, month.next.first_day, dealer_id=dealer.id).get(dealer.id, 0)
    if owed > 0:
        receive_payment(
            session, now, mall, dealer, amount_cents=owed, paid_by="check", on=on, reference=f"{number}{on:%m%d}", user_id=None
        )


def file_tax(session: Session, now: datetime, month: Month, on: date) -> None:
    """File a month's sales tax, and pay it."""
    file_return(session, now, TAX_OFFICE, FilingPeriod(month, "month"), filed_on=on)
    put_behind(session, turn_of(month), kind="tax.render")
