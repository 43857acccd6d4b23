"""The steps of a month-end up to the lock: each says done, or refuses with its reason and where to mend it."""

from __future__ import annotations

import calendar
from collections.abc import Callable
from dataclasses import dataclass
from datetime import datetime

from sqlalchemy.orm import Session

from coop.books.queries import SALE_KINDS, dealer_movements, last_closed, tax_movements
from coop.books.service import check_trial_balance, close_period, ensure_period, lock_period, seal_period
from coop.closing.queries import close_first, first_months, items_sold, period_of, sales_between
from coop.core import clock
from coop.core.errors import Refusal
from coop.core.money import format_dollars
from coop.core.periods import Month
from coop.dealers.models import Dealer
from coop.floor.models import Mall
from coop.leases.posting import INCOME, post_commissions, post_rents
from coop.leases.queries import charges_of
from coop.leases.settling import post_late_fees
from coop.sales.queries import month_sales, unclaimed_in, unfinished_imports
from coop.sales.taxing import recomputed_tax
from coop.statements.service import counted
from coop.tax.filing import move_tax_to_dealers
from coop.tax.queries import charged_by_account


@dataclass(frozen=True)
class Outcome:
    """What a step says of itself, in a sentence."""

    report: str


class StepRefused(Refusal):
    """A step cannot be done: the reason as a sentence, and the path of the page where it is mended."""

    def __init__(self, report: str, mend: str = "") -> None:
        super().__init__(report)
        self.mend = mend


StepBody = Callable[[Session, datetime, Mall, Month], Outcome]


def require_turn(session: Session, now: datetime, mall: Mall, month: Month) -> None:
    """Refuse a month that is not over at the mall, that another must close before, or that lies before a closed one."""
    if clock.local_date(now, mall.timezone) <= month.last_day:
        start = month.next
        raise StepRefused(
            f"{month.name} is not over yet at {mall.name}: it can close from {calendar.month_name[start.month]} 1, {start.year}."
        )
    earlier = close_first(session, mall.id, month)
    if earlier is not None:
        raise StepRefused(
            f"{earlier.name} is still open at {mall.name}: months close in their order, so close that one first.",
            f"/office/months/{mall.code}/{earlier}",
        )
    last = last_closed(session, mall.id)
    first = first_months(session).get(mall.id)
    if last is not None and month <= last and first is not None and month < first:
        raise StepRefused(f"{month.name} was kept on paper: the books of {mall.name} begin with {first.name}.")
    if last is not None and month < last and period_of(session, mall.id, month) is None:
        raise StepRefused(f"{month.name} lies before {last.name}, which is closed at {mall.name}: it takes no entry any more.")


def check_sales(session: Session, now: datetime, mall: Mall, month: Month) -> Outcome:
    """The month is over and it is its turn, and no file of sales stopped half-way."""
    require_turn(session, now, mall, month)
    stopped = unfinished_imports(session, mall.id)
    if stopped:
        raise StepRefused(f"The import of {stopped[0].file_name} stopped before its last row: run the same import again.")
    ensure_period(session, mall.id, month)
    sales = month_sales(session, mall.id, month)
    net = sum(s.net_cents for s in sales.values())
    return Outcome(f"Net sales of {format_dollars(net)}.")


def carry_unclaimed(session: Session, now: datetime, mall: Mall, month: Month) -> Outcome:
    """Unclaimed sales stay a liability and are carried, never income."""
    count, amount = unclaimed_in(session, mall.id, month)
    if not count:
        return Outcome("There are none.")
    are = "is" if count == 1 else "are"
    return Outcome(f"{counted(count, 'unclaimed line')}, {format_dollars(amount)} in all, {are} carried.")


def post_rent(session: Session, now: datetime, mall: Mall, month: Month) -> Outcome:
    """What of the month's rent is not posted yet, once: what its sales decide, what changed since; and its late fees."""
    posted = post_rents(session, now, mall, month, sales_between=sales_between(session, mall.id))
    late = post_late_fees(session, now, mall, on=month.last_day)
    total = sum(c.amount_cents for c in charges_of(session, mall.id, month) if c.kind != "commission")
    fees = f" {counted(late, 'late fee')} charged now." if late else ""
    return Outcome(f"{format_dollars(total)} in all; {counted(posted, 'charge')} posted now.{fees}")


def post_commission(session: Session, now: datetime, mall: Mall, month: Month) -> Outcome:
    """Commission on each dealer's net sales, once a month, rounded once."""
    sales = month_sales(session, mall.id, month)
    net = {dealer_id: s.net_cents for dealer_id, s in sales.items() if dealer_id is not None}
    posted = post_commissions(session, now, mall, month, net, sold_by=items_sold(session, mall.id, month))
    total = sum(c.amount_cents for c in charges_of(session, mall.id, month) if c.kind == "commission")
    return Outcome(f"{format_dollars(total)} in all; {counted(posted, 'charge')} posted now.")


def check_tax(session: Session, now: datetime, mall: Mall, month: Month) -> Outcome:
    """Each tax account's movement equals the tax its tickets were charged, and what their lines come to when taxed again.

    Where the dealers owe the tax, what was collected passes to them first.
    """
    moved = move_tax_to_dealers(session, now, mall, month)
    period = period_of(session, mall.id, month)
    ledger = tax_movements(session, period.id) if period else {}
    charged = {account: amount for account, amount in charged_by_account(session, mall.id, month).items() if amount}
    ledger = {account: amount for account, amount in ledger.items() if amount}
    if ledger != charged:
        off = sum(ledger.values()) - sum(charged.values())
        raise StepRefused(f"The tax accounts and the tickets differ by {format_dollars(off)}: tell whoever keeps the program.")
    again = recomputed_tax(session, mall, month)
    if again != charged:
        off = sum(charged.values()) - sum(again.values())
        raise StepRefused(
            f"The tickets' lines, taxed again by the rates of their days, come to {format_dollars(abs(off))} "
            f"{'less' if off > 0 else 'more'} than was charged: tell whoever keeps the program."
        )
    said = f"{format_dollars(sum(charged.values()))} was collected." if charged else "No tax was collected."
    return Outcome(said + (f" {counted(moved, 'entry', 'entries')} passed to dealers who owe it." if moved else ""))


def check_dealers(session: Session, now: datetime, mall: Mall, month: Month) -> Outcome:
    """Every dealer's account moved by exactly the month's lines and charges."""
    period = period_of(session, mall.id, month)
    movements = dealer_movements(session, period.id) if period else {}
    sales = month_sales(session, mall.id, month)
    expected: dict[tuple[int, str], int] = {}
    for dealer_id, sold in sales.items():
        if dealer_id is not None:
            expected[(dealer_id, "sales")] = sold.net_cents - sold.trade_ins_cents
    for charge in charges_of(session, mall.id, month):
        key = (charge.dealer_id, charge.kind)
        expected[key] = expected.get(key, 0) - charge.amount_cents
    actual: dict[tuple[int, str], int] = {}
    for (dealer_id, kind), amount in movements.items():
        if kind in SALE_KINDS or kind in INCOME:
            key = (dealer_id, "sales" if kind in SALE_KINDS else kind)
            actual[key] = actual.get(key, 0) + amount
    wrong = sorted(d for d, _ in expected.keys() | actual.keys() if _differs(d, expected, actual))
    if wrong:
        codes = [session.get_one(Dealer, d).code for d in dict.fromkeys(wrong)]
        raise StepRefused(f"The ledger differs from the month's lines for {', '.join(codes)}: tell whoever keeps the program.")
    agree = len({d for d, _ in actual})
    return Outcome(f"{counted(agree, 'dealer')} {'agrees' if agree == 1 else 'agree'}.")


def _differs(dealer_id: int, expected: dict[tuple[int, str], int], actual: dict[tuple[int, str], int]) -> bool:
    kinds = {kind for d, kind in expected.keys() | actual.keys() if d == dealer_id}
    return any(expected.get((dealer_id, k), 0) != actual.get((dealer_id, k), 0) for k in kinds)


def check_balance(session: Session, now: datetime, mall: Mall, month: Month) -> Outcome:
    """The month's entries sum to zero, and each of them balances. The books as a whole are proved by `coop check`."""
    period = period_of(session, mall.id, month)
    faults = check_trial_balance(session, period.id) if period else []
    if faults:
        raise StepRefused(" ".join(faults[:5]))
    return Outcome("Debits and credits are equal.")


def lock_month(session: Session, now: datetime, mall: Mall, month: Month) -> Outcome:
    """Close the month for good: with every posting in flight let in, the checks made again, and its entries sealed."""
    period = ensure_period(session, mall.id, month)
    lock_period(session, period.id)
    if period.state == "closed":
        return Outcome("It was locked before.")
    for body in BEFORE_LOCK.values():
        body(session, now, mall, month)
    seal_period(session, now, period, "close")
    close_period(session, now, period)
    return Outcome(f"{month.name} takes no more entries.")


BEFORE_LOCK: dict[str, StepBody] = {
    "sales": check_sales,
    "unclaimed": carry_unclaimed,
    "rent": post_rent,
    "commission": post_commission,
    "tax": check_tax,
    "dealers": check_dealers,
    "balance": check_balance,
}
BODIES: dict[str, StepBody] = {**BEFORE_LOCK, "lock": lock_month}
TITLES = {
    "sales": "Sales are all in",
    "unclaimed": "Unclaimed sales are carried",
    "rent": "Rent is posted",
    "commission": "Commission is posted",
    "tax": "Tax collected agrees with the tickets",
    "dealers": "Every dealer's account agrees with the month's lines",
    "balance": "The month's entries balance",
    "lock": "The month is locked",
    "statements": "Statements are made",
    "mail": "Statements are mailed",
}
"""Every step in its order, with its name for people."""
