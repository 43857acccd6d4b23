"""Any order of sales, returns, charges, payouts, reversals, seals and closes over two malls: the books hold after every step."""

from __future__ import annotations

import shutil
import tempfile
from datetime import UTC, date, datetime
from pathlib import Path
from typing import Any

import pytest
from hypothesis import HealthCheck, settings
from hypothesis import strategies as st
from hypothesis.stateful import RuleBasedStateMachine, initialize, invariant, precondition, rule, run_state_machine_as_test
from sqlalchemy import Engine, func, select
from sqlalchemy.orm import Session

from coop.books import queries
from coop.books.accounts import dealer_account, income_account, tender_account
from coop.books.checking import check_books
from coop.books.domain.entries import EntryDraft
from coop.books.models import Account, Entry, Period, Posting
from coop.books.service import (
    close_period,
    lock_period,
    pay_dealer,
    post_entry,
    posting_date,
    reverse_entry,
    seal_period,
    seal_periods,
)
from coop.core.db import make_engine, make_sessions, transaction
from coop.core.errors import Refusal
from coop.core.periods import Month
from coop.dealers.models import Dealer
from coop.floor.models import Mall
from tests.factories.people import make_coop, make_dealer, make_mall

NOW = datetime(2026, 11, 3, 15, 0, tzinfo=UTC)
MALLS, DEALERS = st.sampled_from(["MAIN", "EAST"]), st.sampled_from(["D01", "D02", "D03"])
CENTS = st.integers(1, 1_000_00)
DAYS = st.dates(date(2026, 8, 1), date(2026, 11, 30))
FIRST = Month(2026, 8)


class Books(RuleBasedStateMachine):
    """The model: what each dealer is owed at each mall, what has been posted, which months are closed and what they held."""

    template: Path

    def __init__(self) -> None:
        super().__init__()
        self.folder = Path(tempfile.mkdtemp(prefix="coop-books-"))
        shutil.copyfile(self.template, self.folder / "coop.sqlite3")
        self.engine: Engine = make_engine(f"sqlite:///{self.folder / 'coop.sqlite3'}")
        self.sessions = make_sessions(self.engine)
        self.number = 0
        self.owed: dict[tuple[str, str], int] = {}
        self.posted: list[tuple[int, str, str, int, date]] = []
        """(entry, mall, dealer, what it added to what the dealer is owed, date) of what may be reversed."""
        self.closed: dict[str, Month] = {}
        """By mall, the last month closed."""
        self.held: dict[int, list[Any]] = {}
        """By closed period, its entries and postings as they were."""

    @initialize()
    def found(self) -> None:
        with transaction(self.sessions) as session:
            make_coop(session, NOW)
            for code in ("MAIN", "EAST"):
                make_mall(session, NOW, code)
            for code in ("D01", "D02", "D03"):
                make_dealer(session, NOW, code)

    def teardown(self) -> None:
        self.engine.dispose()
        shutil.rmtree(self.folder)

    # --- what is done ---------------------------------------------------------------------------------------------------

    def find(self, session: Session, mall: str, dealer: str) -> tuple[Mall, Dealer]:
        return (
            session.scalars(select(Mall).where(Mall.code == mall)).one(),
            session.scalars(select(Dealer).where(Dealer.code == dealer)).one(),
        )

    def is_closed(self, mall: str, day: date) -> bool:
        return mall in self.closed and Month.of(day) <= self.closed[mall]

    def post(self, mall: str, dealer: str, kind: str, cents: int, day: date) -> None:
        """Post for a dealer, more owed for positive cents; on a closed day it is refused and nothing changes."""
        self.number += 1
        try:
            with transaction(self.sessions) as session:
                at, who = self.find(session, mall, dealer)
                other = income_account(session, at, "Fees") if kind == "fee" else tender_account(session, at, "cash")
                postings = ((dealer_account(session, at, who), -cents), (other, cents))
                draft = EntryDraft(at.id, day, kind, "test", str(self.number), kind, postings)
                entry_id = post_entry(session, NOW, draft)
        except Refusal:
            assert self.is_closed(mall, day)
            return
        assert not self.is_closed(mall, day)
        self.posted.append((entry_id, mall, dealer, cents, day))
        self.owed[mall, dealer] = self.owed.get((mall, dealer), 0) + cents

    @rule(mall=MALLS, dealer=DEALERS, cents=CENTS, day=DAYS)
    def sell(self, mall: str, dealer: str, cents: int, day: date) -> None:
        self.post(mall, dealer, "sale", cents, day)

    @rule(mall=MALLS, dealer=DEALERS, cents=CENTS, day=DAYS)
    def take_back(self, mall: str, dealer: str, cents: int, day: date) -> None:
        self.post(mall, dealer, "return", -cents, day)

    @rule(mall=MALLS, dealer=DEALERS, cents=CENTS, day=DAYS)
    def charge(self, mall: str, dealer: str, cents: int, day: date) -> None:
        self.post(mall, dealer, "fee", -cents, day)

    @rule(mall=MALLS, dealer=DEALERS, cents=CENTS, day=DAYS)
    def pay(self, mall: str, dealer: str, cents: int, day: date) -> None:
        self.number += 1
        try:
            with transaction(self.sessions) as session:
                at, who = self.find(session, mall, dealer)
                pay_dealer(session, NOW, at, who, amount_cents=cents, on=day, reference=str(self.number))
        except Refusal:
            assert self.is_closed(mall, day)
            return
        assert not self.is_closed(mall, day)
        self.owed[mall, dealer] = self.owed.get((mall, dealer), 0) - cents

    @rule(data=st.data(), day=DAYS)
    @precondition(lambda self: self.posted)
    def reverse(self, data: st.DataObject, day: date) -> None:
        """Of what is in a closed month too: dated in an open one."""
        entry_id, mall, dealer, cents, _ = data.draw(st.sampled_from(self.posted))
        with transaction(self.sessions) as session:
            once = session.scalar(select(Entry.id).where(Entry.reverses_id == entry_id)) is None
        try:
            with transaction(self.sessions) as session:
                reversal = session.get_one(Entry, reverse_entry(session, NOW, entry_id, on=day, memo="Wrong"))
                assert not self.is_closed(mall, reversal.business_date)
                assert reversal.business_date == posting_date(session, reversal.mall_id, day)
        except Refusal:
            assert not once
            return
        assert once
        self.owed[mall, dealer] -= cents

    @rule()
    def seal(self) -> None:
        with transaction(self.sessions) as session:
            seal_periods(session, NOW)

    @rule(mall=MALLS)
    def close(self, mall: str) -> None:
        """The oldest open month of a mall."""
        with transaction(self.sessions) as session:
            owner = session.scalars(select(Mall.id).where(Mall.code == mall)).one()
            period = session.scalars(
                select(Period).where(Period.mall_id == owner, Period.state == "open").order_by(Period.first_day)
            ).first()
            if period is None:
                return
            lock_period(session, period.id)
            seal_period(session, NOW, period, "close")
            close_period(session, NOW, period)
            self.closed[mall] = Month.of(period.first_day)
            self.held[period.id] = self.contents(session, period.id)

    def contents(self, session: Session, period_id: int) -> list[Any]:
        rows = session.execute(
            select(Entry, Account.path, Posting.amount_cents)
            .join(Posting, Posting.entry_id == Entry.id)
            .join(Account, Account.id == Posting.account_id)
            .where(Entry.period_id == period_id)
            .order_by(Posting.id)
        )
        return [
            (e.id, e.business_date, e.kind, e.source_id, e.reverses_id, e.memo, e.posted_at, path, amount)
            for e, path, amount in rows
        ]

    # --- what is always so ----------------------------------------------------------------------------------------------

    @invariant()
    def holds(self) -> None:
        with transaction(self.sessions) as session:
            assert check_books(session) == []
            assert (session.scalar(select(func.sum(Posting.amount_cents))) or 0) == 0
            owed = {}
            for mall in session.scalars(select(Mall)):
                balances = queries.dealer_balances_before(session, mall.id, date(2100, 1, 1))
                owed |= {(mall.code, session.get_one(Dealer, d).code): amount for d, amount in balances.items()}
            assert owed == self.owed
            assert {period_id: self.contents(session, period_id) for period_id in self.held} == self.held
            open_months = session.execute(
                select(Mall.code, Period.first_day).join(Mall, Mall.id == Period.mall_id).where(Period.state == "open")
            )
            assert not [month for code, month in open_months if self.is_closed(code, month)]


@pytest.fixture
def machine(sqlite_template: Path) -> type[Books]:
    Books.template = sqlite_template
    return Books


def test_any_order_of_events_keeps_the_books(machine: type[Books]) -> None:
    run_state_machine_as_test(
        machine,
        settings=settings(max_examples=25, stateful_step_count=25, deadline=None, suppress_health_check=[HealthCheck.too_slow]),
    )
