"""The money of the demo: its drawers counted and taken to the bank, the bank's lines brought and matched, its payouts."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import UTC, date, datetime, time, timedelta
from zoneinfo import ZoneInfo

from sqlalchemy import func, select
from sqlalchemy.orm import Session

from coop.books.accounts import bank_account, tender_account
from coop.books.bank_lines import bring_file
from coop.books.bank_matching import match_proposed
from coop.books.bank_months import month_sheet, reconcile_month
from coop.books.banking import take_to_bank
from coop.books.models import Entry, Posting
from coop.cli import demo_coop
from coop.cli.context import Coop
from coop.core.csv_text import csv_text
from coop.core.db import transaction
from coop.core.money import format_cents
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


def settle_month(coop: Coop, now: datetime, month: Month) -> None:
    """Count the drawers, take what is in them to the bank, match the bank's lines, and decide what holds payouts."""
    with transaction(coop.sessions) as session:
        for mall in session.scalars(select(Mall).order_by(Mall.id)).all():
            _empty_drawer(session, now, mall, month)
        lines = _bank_lines(session, month)
        bring_file(session, now, f"bank-{month}.csv", lines.encode())
        match_proposed(session, now, month=month)
        said = "Lines that fit several entries wait for a person." if month_sheet(session, month).lines else ""
        reconcile_month(session, now, month, bank_cents=_at_bank(session, month), explanation=said)


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


def _seen(session: Session, month: Month) -> Sequence[tuple[date, str, int]]:
    """What the bank has of a month's entries: (day, words, cents)."""
    rows = session.execute(
        select(Entry.business_date, Entry.memo, Entry.source_id, func.sum(Posting.amount_cents))
        .join(Posting, Posting.entry_id == Entry.id)
        .where(
            Posting.account_id == bank_account(session),
            Entry.business_date.between(month.first_day, month.last_day - timedelta(days=OPEN_DAYS)),
        )
        .group_by(Entry.id, Entry.business_date, Entry.memo, Entry.source_id)
        .order_by(Entry.business_date, Entry.id)
    )
    return [(day + timedelta(days=1), f"{memo} {source}".upper(), int(cents)) for day, memo, source, cents in rows]


def _bank_lines(session: Session, month: Month) -> str:
    rows = [(day.isoformat(), words, format_cents(cents, grouped=False)) for day, words, cents in _seen(session, month)]
    return csv_text(("Date", "Description", "Amount"), rows)


def _at_bank(session: Session, month: Month) -> int:
    """The bank's balance at a month's end: what it has seen of this month and of those before."""
    first = session.scalar(select(func.min(Entry.business_date))) or month.first_day
    one, total = Month.of(first), 0
    while one <= month:
        total += sum(cents for _, _, cents in _seen(session, one))
        one = one.next
    return total


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
