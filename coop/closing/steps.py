"""The steps of a month-end: each says done, or refuses with its reason and where to mend it. A few may be let pass."""

from __future__ import annotations

import calendar
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from datetime import datetime

from sqlalchemy import select, update
from sqlalchemy.orm import Session

from coop.books.bank_months import require_reconciled
from coop.books.checking import check_trial_balance
from coop.books.journal import waiting_journals
from coop.books.queries import SALE_KINDS, dealer_movements, last_closed, tax_movements
from coop.books.rules import rules_on
from coop.books.service import (
    close_coop_months,
    close_period,
    coop_closes_through,
    ensure_period,
    hold_coop_months,
    lock_period,
    seal_period,
)
from coop.closing.models import CloseStep, MonthClose
from coop.closing.queries import close_first, close_of, first_months, items_sold, override_of, period_of, sales_between
from coop.core import clock
from coop.core.errors import Refusal
from coop.core.money import format_dollars
from coop.core.periods import Month
from coop.core.templating import joined
from coop.dealers.models import Dealer
from coop.floor.models import Mall
from coop.leases.card_costs import CARD, post_card_costs
from coop.leases.posting import INCOME, NoLease, post_commissions, post_rents
from coop.leases.queries import charged_by_kind
from coop.leases.settling import post_late_fees
from coop.leases.turn_charges import OVERFLOW
from coop.overflow.charging import charged_otherwise, post_overflow
from coop.payouts.holding import hold_reasons, is_held, undecided
from coop.payouts.models import PayoutLine
from coop.payouts.queries import open_malls
from coop.payouts.runs import prepare_run
from coop.sales.card_cost import card_parts
from coop.sales.devices import devices_of, waiting_devices
from coop.sales.queries import claimed_from_before, month_sales, unclaimed_in, unfinished_imports
from coop.sales.taxing import recomputed_tax
from coop.sales.uncounted import uncounted
from coop.shifts.month_end import post_turns, worked_by_dealer
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


_WAITS_FOR = "Waits for "
"""How the payouts of a month begin that another mall has yet to close."""
SHOWN = 10
"""Sentences and codes that a step says at most."""
MAY_PASS = ("drawers", "devices", "bank")
"""What the manager may let pass with a reason: what lies outside of the books, and may be past mending."""
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
    if last is None or month > last:
        return
    if period_of(session, mall.id, month) is None:
        raise StepRefused(f"{month.name} lies before {last.name}, which is closed at {mall.name}: it takes no entry any more.")
    first = first_months(session).get(mall.id)
    if first is not None and month < first:
        raise StepRefused(f"{month.name} was kept on paper: the books of {mall.name} begin with {first.name}.")


def check_drawers(session: Session, now: datetime, mall: Mall, month: Month) -> Outcome:
    """Every drawer in which cash moved was counted since."""
    _require_none(uncounted(session, mall, month))
    return Outcome("Every drawer in which cash moved is counted.")


def check_devices(session: Session, now: datetime, mall: Mall, month: Month) -> Outcome:
    """Every device that rings up sales has said, after the month, that nothing waits on it."""
    _require_none(waiting_devices(session, mall, month))
    devices = len(devices_of(session, mall))
    return Outcome(
        f"{counted(devices, 'device')} {'has' if devices == 1 else 'have'} nothing left to send."
        if devices
        else "There are none."
    )


def check_bank(session: Session, now: datetime, mall: Mall, month: Month) -> Outcome:
    """The co-op's bank account of the month is reconciled, or its difference explained."""
    return Outcome(require_reconciled(session, month))


def check_holds(session: Session, now: datetime, mall: Mall, month: Month) -> Outcome:
    """A person has said of every payout that something holds whether it goes out; nobody of their own."""
    _require_none(undecided(session, now, mall, month))
    return Outcome("Nothing waits for a decision.")


def _require_none(sentences: Sequence[str]) -> None:
    if sentences:
        more = f" And {len(sentences) - SHOWN:,} more." if len(sentences) > SHOWN else ""
        raise StepRefused(" ".join(sentences[:SHOWN]) + more)


def check_sales(session: Session, now: datetime, mall: Mall, month: Month) -> Outcome:
    """The month is over and it is its turn, and no file of sales stopped half-way."""
    require_turn(session, now, mall, month)
    stopped = unfinished_imports(session, mall.id)
    if stopped:
        raise StepRefused(f"The import of {stopped[0].file_name} stopped before its last row: run the same import again.")
    ensure_period(session, mall.id, month)
    return Outcome(net_sales_said(session, mall, month))


def net_sales_said(session: Session, mall: Mall, month: Month) -> str:
    """What was sold on a month's days, as every page has it, and what of it, and of days before, dealers are credited with."""
    sales = month_sales(session, mall.id, month)
    before = claimed_from_before(session, mall.id, month)
    nobodys = sales[None].net_cents if None in sales else 0
    credited = sum(s.net_cents for s in sales.values()) - nobodys
    said = f"Net sales of {format_dollars(credited + nobodys - before)}"
    if before or nobodys:
        said += f": {format_dollars(credited)} credited to dealers"
        said += f" ({format_dollars(before)} of it sold before and claimed now)" if before else ""
        said += f", {format_dollars(nobodys)} unclaimed" if nobodys else ""
    return f"{said}."


def carry_unclaimed(session: Session, now: datetime, mall: Mall, month: Month) -> Outcome:
    """Unclaimed sales stay a liability and are carried, never income."""
    count, amount = unclaimed_in(session, mall.id, month)
    if not count:
        return Outcome("There are none.")
    are = "is" if count == 1 else "are"
    return Outcome(f"{counted(count, 'unclaimed line')}, {format_dollars(amount)} in all, {are} carried.")


def post_month_turns(session: Session, now: datetime, mall: Mall, month: Month) -> Outcome:
    """Turns owed, worked and missed are in the accounts, with what they cost or bring; rent and commission go by them."""
    return Outcome(post_turns(session, now, mall, month).words)


def post_rent(session: Session, now: datetime, mall: Mall, month: Month) -> Outcome:
    """What of the month's rent is not posted yet, once: what its sales decide, what changed since, lent floor; and late fees."""
    posted = post_rents(
        session,
        now,
        mall,
        month,
        sales_between=sales_between(session, mall.id),
        turns=worked_by_dealer(session, mall, month),
    )
    posted += post_overflow(session, now, mall, month)
    late = post_late_fees(session, now, mall, on=month.last_day)
    charged = charged_by_kind(session, mall.id, month)
    total = sum(cents for (_, kind), cents in charged.items() if kind != "commission")
    floor = sum(cents for (_, kind), cents in charged.items() if kind == OVERFLOW)
    said = f"{format_dollars(total)} in all; {counted(posted, 'charge')} posted now."
    said += f" {format_dollars(floor)} of it is for overflow." if floor else ""
    said += f" {counted(late, 'late fee')} charged now." if late else ""
    return Outcome(" ".join([said, *charged_otherwise(session, mall, month)[:SHOWN]]))


def post_commission(session: Session, now: datetime, mall: Mall, month: Month) -> Outcome:
    """Commission on each dealer's net sales, once a month, rounded once."""
    sales = month_sales(session, mall.id, month)
    net = {dealer_id: s.net_cents for dealer_id, s in sales.items() if dealer_id is not None}
    posted = post_commissions(
        session,
        now,
        mall,
        month,
        net,
        sold_by=items_sold(session, mall.id, month),
        turns=worked_by_dealer(session, mall, month),
    )
    total = sum(cents for (_, kind), cents in charged_by_kind(session, mall.id, month).items() if kind == "commission")
    return Outcome(f"{format_dollars(total)} in all; {counted(posted, 'charge')} posted now.")


def post_card_cost(session: Session, now: datetime, mall: Mall, month: Month) -> Outcome:
    """Each dealer's part of the card cost, where the house rules of the month's last day pass it on."""
    percent = rules_on(session, month.last_day).card_percent
    parts = card_parts(session, mall.id, month) if percent else {}
    posted = post_card_costs(session, now, mall, month, parts, percent)
    total = sum(cents for (_, kind), cents in charged_by_kind(session, mall.id, month).items() if kind == CARD)
    if not percent and not total and not posted:
        return Outcome("The co-op bears it.")
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
    movements = dealer_movements(session, period) if period else {}
    sales = month_sales(session, mall.id, month)
    expected: dict[tuple[int, str], int] = {}
    for dealer_id, sold in sales.items():
        if dealer_id is not None:
            expected[(dealer_id, "sales")] = sold.net_cents - sold.trade_ins_cents
    for key, cents in charged_by_kind(session, mall.id, month).items():
        expected[key] = expected.get(key, 0) - cents
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
    """No entry by hand still waits for the month, at its last mall none of the co-op's own either; its entries balance.

    The books as a whole are proved by `coop check`.
    """
    waiting = waiting_journals(session, mall.id, month)
    through = coop_closes_through(session, (mall.id, month))
    if through is not None:
        waiting += waiting_journals(session, None, through)
    if waiting:
        wait = "entry by hand waits" if len(waiting) == 1 else "entries by hand wait"
        raise StepRefused(
            f"{len(waiting)} {wait} for a second person, and cannot be posted once the month is closed: approve or refuse first.",
            "/office/books/by-hand",
        )
    period = period_of(session, mall.id, month)
    faults = check_trial_balance(session, period.id) if period else []
    if faults:
        raise StepRefused(" ".join(faults[:5]))
    return Outcome("Debits and credits are equal.")


def lock_month(session: Session, now: datetime, mall: Mall, month: Month) -> Outcome:
    """Close the month for good: with every posting in flight let in, the checks made again, and its entries sealed.

    The last mall of a month closes and seals the co-op's own with it.
    """
    hold_coop_months(session, mall.id, month)
    period = ensure_period(session, mall.id, month)
    lock_period(session, period.id)
    if period.state == "closed":
        return Outcome("It was locked before.")
    for name in BEFORE_LOCK:
        do_step(session, now, name, mall, month)
    seal_period(session, now, period, "close")
    close_period(session, now, period)
    close_coop_months(session, now)
    return Outcome(f"{month.name} takes no more entries.")


def prepare_payouts(session: Session, now: datetime, mall: Mall, month: Month) -> Outcome:
    """Everybody's payout of the month over all malls, once the last of them has closed it; and whom it leaves out."""
    waits_for = [one.code for one in open_malls(session, month)]
    if waits_for:
        return Outcome(f"{_WAITS_FOR}{joined(waits_for)}: payouts are prepared when the last mall has closed {month.name}.")
    close = close_of(session, mall.id, month)
    run = prepare_run(session, now, month, user_id=close.started_by if close else None)
    if run is None:
        said = "Nobody is to be paid."
    else:
        amounts = session.scalars(select(PayoutLine.amount_cents).where(PayoutLine.run_id == run.id)).all()
        said = f"Run {run.number} pays {counted(len(amounts), 'dealer')} {format_dollars(sum(amounts))}, once it is approved."
    _tell_who_waited(session, month, f"They are in run {run.number}." if run else said)
    reasons = hold_reasons(session, now, month)
    codes = {dealer.id: dealer.code for dealer in session.scalars(select(Dealer).where(Dealer.id.in_(reasons)))}
    held = sorted(
        f"{codes[dealer_id]} ({'; '.join(reason.words for reason in each if reason.pays is not True)})"
        for dealer_id, each in reasons.items()
        if is_held(each)
    )
    if held:
        more = f", and {len(held) - SHOWN:,} more" if len(held) > SHOWN else ""
        said += f" Held: {', '.join(held[:SHOWN])}{more}."
    return Outcome(said)


def _tell_who_waited(session: Session, month: Month, what_came: str) -> None:
    """What came of the payouts, for the month-ends that ended before the last mall closed: they said whom they wait for."""
    closes = select(MonthClose.id).where(MonthClose.first_day == month.first_day)
    session.execute(
        update(CloseStep)
        .where(
            CloseStep.name == "payouts",
            CloseStep.state == "done",
            CloseStep.close_id.in_(closes),
            CloseStep.report.startswith(_WAITS_FOR),
        )
        .values(report=f"The last mall has closed {month.name} since. {what_came}")
    )


BEFORE_LOCK: dict[str, StepBody] = {
    "sales": check_sales,
    "drawers": check_drawers,
    "devices": check_devices,
    "unclaimed": carry_unclaimed,
    "turns": post_month_turns,
    "rent": post_rent,
    "commission": post_commission,
    "card": post_card_cost,
    "tax": check_tax,
    "dealers": check_dealers,
    "bank": check_bank,
    "balance": check_balance,
    "holds": check_holds,
}
BODIES: dict[str, StepBody] = {**BEFORE_LOCK, "lock": lock_month, "payouts": prepare_payouts}
TITLES = {
    "sales": "Sales are all in",
    "drawers": "Drawers are counted",
    "devices": "Desk devices have sent all they rang up",
    "unclaimed": "Unclaimed sales are carried",
    "turns": "Turns are counted",
    "rent": "Rent is posted",
    "commission": "Commission is posted",
    "card": "Card cost is posted",
    "tax": "Tax collected agrees with the tickets",
    "dealers": "Every dealer's account agrees with the month's lines",
    "bank": "The bank account is reconciled",
    "balance": "The month's entries balance",
    "holds": "Holds on payouts are decided",
    "lock": "The month is locked",
    "payouts": "Payouts are prepared",
    "statements": "Statements are made",
    "mail": "Statements are mailed",
}
"""Every step in its order, with its name for people. No payout waits for paper or for a mail server."""
MENDS = {
    "sales": "/office/sales/{mall}",
    "drawers": "/office/sales/drawers/{mall}?month={month}",
    "devices": "/office/sales/drawers/{mall}?month={month}",
    "unclaimed": "/office/sales/{mall}/unclaimed",
    "turns": "/office/rota/{mall}/{month}/attendance",
    "rent": "/office/leases/{mall}/rates",
    "commission": "/office/leases/{mall}",
    "card": "/office/leases/{mall}",
    "tax": "/office/tax/",
    "dealers": "/office/books/months/{month}?mall={mall}",
    "bank": "/office/bank/months/{month}",
    "balance": "/office/books/months/{month}?mall={mall}",
    "holds": "/office/payouts/holds?month={month}",
    "lock": "/office/books/months/{month}?mall={mall}",
    "payouts": "/office/payouts/",
}
"""The page where what a step refuses is mended, unless it says another."""


def do_step(session: Session, now: datetime, name: str, mall: Mall, month: Month) -> Outcome:
    """Do a step. What it refuses may have been let pass; else the refusal says where it is mended."""
    try:
        return BODIES[name](session, now, mall, month)
    except Refusal as refused:
        passed = override_of(session, mall.id, month, name) if name in MAY_PASS else None
        if passed is not None:
            return Outcome(f"Let pass: {passed.reason} What it said: {refused}")
        if isinstance(refused, StepRefused) and refused.mend:
            raise
        mend = f"/office/leases/{mall.code}/new?dealer={refused.dealer}" if isinstance(refused, NoLease) else MENDS[name]
        raise StepRefused(str(refused), mend.format(mall=mall.code, month=month)) from refused
