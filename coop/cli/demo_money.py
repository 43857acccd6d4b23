"""The money of the demo: its drawers counted and taken to the bank, the bank's lines brought and matched, its payouts."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, date, datetime, time, timedelta
from decimal import Decimal
from fractions import Fraction
from zoneinfo import ZoneInfo

from sqlalchemy import func, select
from sqlalchemy.orm import Session

from coop.books.accounts import bank_account, tender_account
from coop.books.bank_lines import bring_file
from coop.books.bank_matching import FROM_LINE, match_proposed
from coop.books.bank_months import month_sheet, reconcile_month
from coop.books.banking import settle_cards, take_to_bank
from coop.books.domain.matching import check_in
from coop.books.models import BankLine, Entry, Posting
from coop.cli import demo_coop
from coop.cli.context import Coop
from coop.core.csv_text import csv_text
from coop.core.db import transaction
from coop.core.money import format_cents, round_half_up
from coop.core.periods import Month
from coop.core.runner import run_group_with_processes
from coop.dealers.models import Dealer, UserAccount
from coop.floor.models import Mall
from coop.payouts.holding import TO_DECIDE, decide_hold, hold_reasons
from coop.payouts.models import PayoutRun
from coop.payouts.paying_out import mark_paid
from coop.payouts.runs import approve_run, files_group
from coop.sales.drawers import count_drawer

FLOAT_CENTS = 200_00
_SHORT_CENTS = 35
"""By which each month's count is short."""
OPEN_DAYS = 2
"""What was posted in a month's last days the bank has not seen by its end."""
FIRST_CHECK = 2001
LEASE_DEPOSIT = "deposit"
"""Kind of an entry that takes a deposit on a lease."""
_CARD_FEE_PERCENT = Decimal("2.6")
_CARD_DAYS = 5
_CARD_DAYS_AFTER = 2
"""What the card company keeps, of how many days' sales, and when the rest reaches the bank. Common practice, no source."""


def settle_month(coop: Coop, now: datetime, month: Month) -> None:
    """Count the drawers, take what is in them to the bank, and bring and match the bank's lines."""
    with transaction(coop.sessions) as session:
        malls = session.scalars(select(Mall).order_by(Mall.id)).all()
        for mall in malls:
            _empty_drawer(session, now, mall, month)
        batches = [batch for mall in malls for batch in _card_batches(session, mall, month)]
        lines = _bank_lines(session, month, batches)
        bring_file(session, now, f"bank-{month}.csv", lines.encode())
        for batch in batches:
            wanted = select(BankLine.id).where(BankLine.words == batch.words, BankLine.on == batch.on)
            line_id = session.scalars(wanted).one()
            settle_cards(session, now, line_id, batch.mall, batch.gross_cents, days=batch.days)
        match_proposed(session, now, month=month)
        said = "Lines that fit several entries wait for a person." if month_sheet(session, month).lines else ""
        reconcile_month(session, now, month, bank_cents=_at_bank(session, month.last_day), explanation=said)


def _balance(session: Session, account_id: int, through: date) -> int:
    total = (
        select(func.coalesce(func.sum(Posting.amount_cents), 0))
        .join(Entry, Entry.id == Posting.entry_id)
        .where(Posting.account_id == account_id, Entry.business_date <= through)
    )
    return int(session.scalar(total) or 0)


def _empty_drawer(session: Session, now: datetime, mall: Mall, month: Month) -> None:
    cash, checks = (tender_account(session, mall, tender) for tender in ("cash", "check"))
    banked_on = month.last_day - timedelta(days=OPEN_DAYS + 1)
    take_to_bank(
        session,
        now,
        mall,
        cash_cents=max(0, _balance(session, cash, banked_on) - FLOAT_CENTS),
        checks_cents=_balance(session, checks, banked_on),
        on=banked_on,
        reference=f"slip {month}",
    )
    counted = _balance(session, cash, month.last_day) - _SHORT_CENTS
    key = f"demo/{mall.code}/{month}"
    count_drawer(session, now, mall, key=key, drawer="", on=month.last_day, counted_cents=counted)


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
        return f"{self.first} to {self.last}"

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
            Entry.business_date.between(month.first_day, month.last_day - timedelta(days=OPEN_DAYS)),
            Entry.source_kind != FROM_LINE,
        )
        .group_by(Entry.id, Entry.business_date, Entry.kind, Entry.memo)
        .order_by(Entry.business_date, Entry.id)
    )
    seen: dict[tuple[date, str, str], int] = {}
    for on, kind, memo, entry_id, cents in rows:
        check = check_in(memo)
        # What is paid on a day as deposits on leases goes to the bank on one slip.
        words = "CHECK" if check else "DEPOSIT" if kind == LEASE_DEPOSIT else f"{memo} {entry_id}".upper()
        key = (on + timedelta(days=1), words, check)
        seen[key] = seen.get(key, 0) + int(cents)
    for batch in batches:
        seen[(batch.on, batch.words, "")] = batch.net_cents
    balance, lines = _at_bank(session, month.previous.last_day), []
    for (on, words, check), cents in sorted(seen.items()):
        balance += cents
        lines.append((on.isoformat(), words, check, format_cents(cents, grouped=False), format_cents(balance, grouped=False)))
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


def pay_out(coop: Coop, month: Month) -> None:
    """On the tenth of the next month the run is approved by the manager, its papers are made, and it is paid."""
    tenth = datetime.combine(month.next.first_day.replace(day=10), time(12), ZoneInfo(demo_coop.TIMEZONE)).astimezone(UTC)
    with transaction(coop.sessions) as session:
        manager = session.scalars(select(UserAccount.id).where(UserAccount.email == "manager@example.org")).one()
        run = session.scalars(select(PayoutRun).where(PayoutRun.first_day == month.first_day)).one()
        approve_run(session, tenth, run, user_id=manager, first_check=FIRST_CHECK)
        group = files_group(run)
    run_group_with_processes(coop.settings, group, lambda _state: None)
    with transaction(coop.sessions) as session:
        run = session.scalars(select(PayoutRun).where(PayoutRun.first_day == month.first_day)).one()
        mark_paid(session, tenth, run, on=month.next.first_day.replace(day=10), user_id=manager)
