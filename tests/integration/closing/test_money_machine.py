"""Any order of all that moves money: each dealer's statement proves itself and equals the ledger, every list its account.

The machine does what people do, through the services, on days that only go on. A service may refuse; then nothing has changed.
After every step all that `coop check` proves of the books holds, and a statement built now of each dealer proves itself.
"""

from __future__ import annotations

import shutil
import sqlite3
from datetime import datetime, timedelta
from decimal import Decimal
from pathlib import Path

import pytest
from hypothesis import HealthCheck, Phase, settings
from hypothesis import strategies as st
from hypothesis.stateful import rule, run_state_machine_as_test
from sqlalchemy import select
from sqlalchemy.orm import Session

from coop.books.bank_lines import bring_file
from coop.books.bank_matching import match_proposed, open_items, undo_match
from coop.books.bank_months import bank_standing, reconcile_month
from coop.books.banking import enter_fee, enter_interest, enter_unknown, take_to_bank
from coop.books.domain.hand import HandLine
from coop.books.journal import approve_journal, enter_journal, refuse_journal, reverse_by_hand
from coop.books.models import BankLine, BankMatch, Entry, Journal
from coop.books.payments import bounce_check, charge_back, checks_of, receive_payment
from coop.books.queries import first_days, last_closed
from coop.books.service import seal_periods
from coop.closing.steps import BODIES
from coop.core.db import make_engine, make_sessions, transaction
from coop.core.errors import Refusal
from coop.core.money import plain_cents
from coop.core.periods import Month
from coop.dealers.models import Dealer
from coop.floor.models import Mall
from coop.leases.deposits import return_deposit, take_deposit, use_deposit
from coop.leases.turn_charges import charge_overflow, charge_turn
from coop.payouts.holding import decide_hold, hold_reasons
from coop.payouts.models import PayoutLine, PayoutRun
from coop.payouts.patronage import approve_patronage, propose_patronage
from coop.payouts.paying_out import mark_paid, mark_stale, return_payment
from coop.payouts.releases import approve_release, ask_releases, due_on
from coop.payouts.runs import approve_run, cancel_run, prepare_run
from coop.sales.drawers import checks_waiting, count_drawer, drawers_of, put_float
from coop.sales.uncounted import uncounted
from coop.statements.service import freeze_statement
from coop.tax.domain.returns import FilingPeriod
from coop.tax.filing import file_return
from tests.factories.tax import OFFICE
from tests.integration.closing.money_hall import CENTS, CODES, DEALERS, MALLS, SMALL, ZONE, found
from tests.integration.closing.money_register import Register


class Money(Register):
    """Leases, money by hand, drawers, the bank, payouts, releases, and months that end."""

    # --- leases ---------------------------------------------------------------------------------------------------------

    @rule(mall=MALLS, dealer=DEALERS, cents=CENTS, how=st.sampled_from(["taken", "from the account", "used", "returned"]))
    def move_deposit(self, mall: str, dealer: str, cents: int, how: str) -> None:
        def body(session: Session) -> None:
            lease = self.lease(session, mall, dealer)
            if how in ("taken", "from the account"):
                from_account = how != "taken"
                take_deposit(session, self.now, lease, cents, on=self.today, reference=self.key(), from_account=from_account)
            elif how == "used":
                use_deposit(session, self.now, lease, cents, on=self.today, reason="A broken pane", damage=True)
            else:
                return_deposit(session, self.now, lease, cents, on=self.today, reference=self.key())

        self.act(f"deposit {how}", body)

    @rule(mall=MALLS, dealer=DEALERS, cents=SMALL, turn=st.booleans(), credit=st.booleans())
    def charge(self, mall: str, dealer: str, cents: int, turn: bool, credit: bool) -> None:
        """A turn missed, or worked beyond what is owed; overflow floor."""

        def body(session: Session) -> None:
            lease, how = self.lease(session, mall, dealer), {"key": self.key(), "label": "Charge", "working": "by the rule"}
            if turn:
                charge_turn(session, self.now, lease, -cents if credit else cents, on=self.today, **how)
            else:
                charge_overflow(session, self.now, lease, cents, on=self.today, **how)

        self.act("turn charged" if turn else "overflow charged", body)

    # --- money ----------------------------------------------------------------------------------------------------------

    @rule(mall=MALLS, dealer=DEALERS, cents=CENTS, by=st.sampled_from(["check", "cash"]))
    def receive(self, mall: str, dealer: str, cents: int, by: str) -> None:
        def body(session: Session) -> None:
            at, who = self.mall(session, mall), self.dealer(session, dealer)
            receive_payment(session, self.now, at, who, amount_cents=cents, paid_by=by, on=self.today, reference=self.key())

        self.act("payment received", body)

    @rule(data=st.data(), dealer=DEALERS)
    def bounce(self, data: st.DataObject, dealer: str) -> None:
        def body(session: Session) -> None:
            who = self.dealer(session, dealer)
            paid = checks_of(session, who.id)
            if not paid:
                raise Refusal("there is none")
            check = data.draw(st.sampled_from(paid))
            at = session.get_one(Mall, check.mall_id)
            how = {"on": self.today, "reference": self.key(), "bank_fee_cents": 12_00}
            bounce_check(session, self.now, at, who, check.entry_id, **how)

        self.act("check bounced", body)

    @rule(mall=MALLS, dealer=DEALERS, cents=SMALL, borne_by=st.sampled_from(["dealer", "co-op"]))
    def charged_back(self, mall: str, dealer: str, cents: int, borne_by: str) -> None:
        def body(session: Session) -> None:
            at, who = self.mall(session, mall), self.dealer(session, dealer)
            how = {"on": self.today, "reference": self.key(), "reason": "Buyer disputes", "borne_by": borne_by}
            charge_back(session, self.now, at, dealer=who, amount_cents=cents, **how)

        self.act("charged back", body)

    @rule(mall=MALLS, dealer=DEALERS, cents=CENTS)
    def enter(self, mall: str, dealer: str, cents: int) -> None:
        def body(session: Session) -> None:
            at, path = self.mall(session, mall), f"Liabilities:Dealers:{mall}:{dealer}"
            lines = [HandLine(path, -cents), HandLine(f"Expenses:Write-offs:{mall}", cents)]
            how = {"on": self.today, "lines": lines, "reason": "Water damage", "new_accounts": True, "user_id": 1}
            enter_journal(session, self.now, key=self.key(), mall=at, **how)

        self.act("journal entered", body)

    @rule(data=st.data(), approves=st.booleans(), by=st.sampled_from([1, 2]))
    def decide_journal(self, data: st.DataObject, approves: bool, by: int) -> None:
        def body(session: Session) -> None:
            journal = self.one(session, Journal, data, Journal.state == "entered")
            if approves:
                approve_journal(session, self.now, journal.id, user_id=by)
            else:
                refuse_journal(session, self.now, journal.id, "Not ours", user_id=by)

        self.act("journal decided", body)

    @rule(data=st.data())
    def reverse(self, data: st.DataObject) -> None:
        def body(session: Session) -> None:
            entry = self.one(session, Entry, data)
            reverse_by_hand(session, self.now, entry.id, key=self.key(), on=self.today, reason="Typed twice", user_id=1)

        self.act("reversed", body)

    # --- drawers, bank, payouts -----------------------------------------------------------------------------------------

    def drawer_cents(self, session: Session, mall: str) -> int:
        return next((d.balance_cents for d in drawers_of(session, self.mall(session, mall), self.today) if not d.name), 0)

    @rule(mall=MALLS, off=st.integers(-2_00, 2_00))
    def count_cash(self, mall: str, off: int) -> None:
        def body(session: Session) -> None:
            counted = max(0, self.drawer_cents(session, mall) + off)
            how = {"drawer": "", "on": self.today, "counted_cents": counted, "counted_by": 1, "seconded_by": 2}
            count_drawer(session, self.now, self.mall(session, mall), key=self.key(), **how)

        self.act("drawer counted", body)

    @rule(mall=MALLS, cents=CENTS, float_first=st.booleans())
    def bank_it(self, mall: str, cents: int, float_first: bool) -> None:
        """Cash and checks to the bank, or cash from there into the drawer."""

        def body(session: Session) -> None:
            at = self.mall(session, mall)
            if float_first:
                put_float(session, self.now, at, key=self.key(), drawer="", amount_cents=cents, on=self.today)
                return
            cash = max(0, min(cents, self.drawer_cents(session, mall)))
            take_to_bank(session, self.now, at, self.today, cash, min(cents, checks_waiting(session, at)), self.key())

        self.act("float put in" if float_first else "taken to the bank", body)

    @rule(cents=CENTS, into=st.booleans())
    def read_bank(self, cents: int, into: bool) -> None:
        """The bank's file: all that is open in the books as the bank saw it, and a line of its own."""

        def body(session: Session) -> None:
            lines = [(item.cents, next(iter(sorted(item.references)), "")) for item in open_items(session)]
            lines.append((cents if into else -cents, self.key()))
            rows = [f"{self.today},{plain_cents(amount)},{ref},LINE {self.key()}" for amount, ref in lines]
            content = "\n".join(["Date,Amount,Check Number,Description", *rows])
            bring_file(session, self.now, f"{self.key()}.csv", content.encode())

        self.act("bank file", body)

    @rule(data=st.data(), how=st.sampled_from(["match", "fee", "interest", "unknown", "undo"]))
    def go_through_bank(self, data: st.DataObject, how: str) -> None:
        def body(session: Session) -> None:
            if how == "match":
                match_proposed(session, self.now)
                return
            if how == "undo":
                undo_match(session, self.now, self.one(session, BankMatch, data).id)
                return
            make = {"fee": enter_fee, "interest": enter_interest, "unknown": enter_unknown}[how]
            make(session, self.now, self.one(session, BankLine, data).id)

        self.act(f"bank, {how}", body)

    @rule(data=st.data(), how=st.sampled_from(["prepare", "approve", "pay", "pay", "return", "stale", "cancel", "approve own"]))
    def pay_out(self, data: st.DataObject, how: str) -> None:
        def body(session: Session) -> None:
            if how == "prepare":
                prepare_run(session, self.now, Month.of(self.today).previous, user_id=1)
            elif how.startswith("approve"):
                run = self.one(session, PayoutRun, data, PayoutRun.state == "prepared")
                approve_run(session, self.now, run, user_id=1 if how == "approve own" else 2, first_check=1000 * run.number)
                assert how != "approve own"
            elif how == "pay":
                mark_paid(session, self.now, self.one(session, PayoutRun, data), on=self.today, user_id=1)
            elif how == "cancel":
                cancel_run(session, self.now, self.one(session, PayoutRun, data), user_id=1)
            elif how == "return":
                return_payment(session, self.now, self.one(session, PayoutLine, data), on=self.today, reason="R02 account closed")
            else:
                mark_stale(session, self.now, self.one(session, PayoutLine, data), on=self.today)

        self.act(f"payout, {how}", body)

    @rule(data=st.data(), what=st.sampled_from(["gift certificates", "unclaimed sales", "stale payouts"]), approves=st.booleans())
    def release(self, data: st.DataObject, what: str, approves: bool) -> None:
        def body(session: Session) -> None:
            due = due_on(session, self.today, what)
            if not due:
                raise Refusal("there is none")
            one = data.draw(st.sampled_from(due))
            for asked in ask_releases(session, self.now, [(one.what, one.thing_id)], user_id=1):
                if approves:
                    approve_release(session, self.now, asked, user_id=2)

        self.act(f"release of {what}", body)

    @rule(cents=CENTS, approves=st.booleans())
    def share_surplus(self, cents: int, approves: bool) -> None:
        def body(session: Session) -> None:
            terms = {"surplus_cents": cents, "cash_percent": Decimal(30), "on": self.today, "user_id": 1}
            patronage = propose_patronage(session, self.now, self.today.year - 1, **terms)
            if approves:
                approve_patronage(session, self.now, patronage, user_id=2)

        self.act("patronage", body)

    # --- months ---------------------------------------------------------------------------------------------------------

    @rule(days=st.integers(1, 20))
    def wait(self, days: int) -> None:
        self.now += timedelta(days=days)

    def file(self) -> None:
        """The state's return of the month before."""
        period = FilingPeriod(Month.of(self.today).previous, "month")
        self.act("return filed", lambda session: file_return(session, self.now, OFFICE, period, filed_on=self.today))

    @rule(pays=st.sampled_from(["", "prepare", "approve", "pay", "pay"]), day=st.integers(1, 25), files=st.booleans())
    def end_month(self, pays: str, day: int, files: bool) -> None:
        """A month is over: both malls close it, its return is filed, and payouts are prepared, approved and paid."""
        month = Month.of(self.today)
        self.now = datetime(month.next.year, month.next.month, day, 12, 0, tzinfo=ZONE)
        for mall in ("MAIN", "EAST"):
            self.close(mall)
        assert self.act("sealed", lambda session: seal_periods(session, self.now)), "and the co-op's own month closed"
        if files:
            self.file()

        def body(session: Session) -> None:
            run = prepare_run(session, self.now, month, user_id=1)
            if run is None:
                raise Refusal("nobody is to be paid")
            if pays in ("approve", "pay"):
                approve_run(session, self.now, run, user_id=2, first_check=1000 * run.number)
            if pays == "pay":
                mark_paid(session, self.now, run, on=self.today, user_id=1)

        if pays:
            self.act(f"month's payout, {pays}", body)

    @rule(mall=MALLS)
    def close(self, mall: str) -> None:
        """The month whose turn it is, if it is over: counted, reconciled, closed, and stated to every dealer."""
        with transaction(self.sessions) as session:
            at = self.mall(session, mall)
            last, begun = last_closed(session, at.id), first_days(session).get(at.id)
        month = last.next if last else Month.of(begun) if begun else None
        if month is None or self.today <= month.last_day:
            return

        def prepare(session: Session) -> None:
            """What the steps ask for: drawers counted, journal entries decided, the bank reconciled or explained."""
            at = self.mall(session, mall)
            if uncounted(session, at, month):
                cash = next(d.balance_cents for d in drawers_of(session, at, self.today) if not d.name)
                who = {"drawer": "", "counted_by": 1, "seconded_by": 2}
                count_drawer(session, self.now, at, key=self.key(), on=self.today, counted_cents=max(0, cash), **who)
            for journal in session.scalars(select(Journal).where(Journal.state == "entered", Journal.on <= month.last_day)):
                refuse_journal(session, self.now, journal.id, "Too late", user_id=2)
            if bank_standing(session, month).in_use:
                reconcile_month(session, self.now, month, bank_cents=1_00, explanation="The bank's statement is on its way")

        def decide(session: Session) -> None:
            for dealer in session.scalars(select(Dealer)).all():
                for reasons in hold_reasons(session, self.now, month, dealer_id=dealer.id).values():
                    for reason in reasons:
                        why = {"pays": True, "reason": "She has paid the desk", "user_id": 1}
                        decide_hold(session, self.now, month, dealer, kind=reason.kind, **why)

        assert self.act("made ready to close", prepare)
        for name, step in BODIES.items():
            if name == "holds":
                assert self.act("holds decided", decide)
            assert self.act(f"close, {name}", lambda session, do=step: do(session, self.now, self.mall(session, mall), month))

        def state(session: Session) -> None:
            for code in CODES:
                freeze_statement(session, self.now, self.mall(session, mall), self.dealer(session, code), month)

        assert self.act("stated", state)


@pytest.fixture
def machine(sqlite_template: Path, tmp_path: Path) -> type[Money]:
    founded = tmp_path / "founded.sqlite3"
    shutil.copyfile(sqlite_template, founded)
    engine = make_engine(f"sqlite:///{founded}")
    with transaction(make_sessions(engine)) as session:
        found(session)
    engine.dispose()
    with sqlite3.connect(founded) as connection:
        connection.execute("PRAGMA wal_checkpoint(TRUNCATE)")
    Money.template = founded
    return Money


def test_any_order_of_events_keeps_statements_and_lists(machine: type[Money]) -> None:
    run_state_machine_as_test(
        machine,
        settings=settings(
            max_examples=6,
            stateful_step_count=30,
            deadline=None,
            suppress_health_check=list(HealthCheck),
            # Not what it would explain of a failure: that takes longer than all the rest.
            phases=[Phase.explicit, Phase.reuse, Phase.generate, Phase.shrink],
        ),
    )
