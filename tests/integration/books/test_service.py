"""Posting, reversing, paying, dating, sealing: what the services do and what they refuse."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import date, datetime, timedelta
from decimal import Decimal

import pytest
from sqlalchemy import func, select
from sqlalchemy.exc import IntegrityError
from sqlalchemy.orm import Session

from coop.books import queries
from coop.books.accounts import bank_account, dealer_account, ensure_account, income_account, tender_account, unclaimed_account
from coop.books.checking import check_books
from coop.books.domain.entries import GENESIS, EntryDraft, UnbalancedError
from coop.books.domain.hand import HandLine
from coop.books.journal import enter_journal, refuse_journal
from coop.books.models import Account, Entry, Period, Posting, Seal
from coop.books.rules import Rules, rules_on, set_rules
from coop.books.service import (
    close_coop_months,
    close_period,
    ensure_period,
    pay_dealer,
    post_entries,
    post_entry,
    posting_date,
    reverse_entry,
    seal_period,
    seal_periods,
)
from coop.core.db import Sessions, transaction
from coop.core.errors import Refusal
from coop.core.periods import Month
from coop.dealers.models import Dealer
from coop.floor.models import Mall
from tests.factories.books import AUGUST, NOVEMBER, OCTOBER, SEPTEMBER, bank_charge, sale, shut
from tests.factories.people import make_coop, make_dealer, make_mall


class Office:
    """Two malls and two dealers, and a session."""

    def __init__(self, session: Session, now: datetime) -> None:
        self.session, self.now = session, now
        make_coop(session, now)
        self.main, self.east = make_mall(session, now, "MAIN"), make_mall(session, now, "EAST")
        self.ida, self.amos = make_dealer(session, now, "D01"), make_dealer(session, now, "D02")

    def sell(self, cents: int, on: date, source_id: str, *, mall: Mall | None = None, dealer: Dealer | None = None) -> int:
        draft = sale(self.session, mall or self.main, dealer or self.ida, cents, on, source_id)
        return post_entry(self.session, self.now, draft)

    def owed(self, dealer: Dealer, mall: Mall | None = None, on: date = date(2030, 1, 1)) -> int:
        return queries.dealer_balances_before(self.session, (mall or self.main).id, on).get(dealer.id, 0)

    def shut(self, month: Month, mall: Mall | None = None) -> None:
        shut(self.session, self.now, ensure_period(self.session, (mall or self.main).id, month))


@pytest.fixture
def office(sessions: Sessions, now: datetime) -> Iterator[Office]:
    """Left without a commit where the test judges what a service says; what the database says at a commit is in test_attacks."""
    with sessions() as session:
        yield Office(session, now)


# --- accounts -----------------------------------------------------------------------------------------------------------


def test_accounts_are_named_for_what_they_are(office: Office) -> None:
    s, main = office.session, office.main
    made = [
        dealer_account(s, main, office.ida),
        dealer_account(s, office.east, office.ida),
        unclaimed_account(s, main),
        tender_account(s, main, "cash"),
        tender_account(s, main, "card"),
        tender_account(s, main, "check"),
        income_account(s, main, "Booth-rent"),
        bank_account(s),
    ]
    rows = {account.id: account for account in s.scalars(select(Account))}
    assert [rows[account_id].path for account_id in made] == [
        "Liabilities:Dealers:MAIN:D01",
        "Liabilities:Dealers:EAST:D01",
        "Liabilities:Unclaimed:MAIN",
        "Assets:Drawer:MAIN",
        "Assets:Card-clearing:MAIN",
        "Assets:Checks-to-deposit:MAIN",
        "Income:Booth-rent:MAIN",
        "Assets:Bank",
    ]
    assert (rows[made[0]].mall_id, rows[made[0]].dealer_id, rows[made[0]].kind) == (main.id, office.ida.id, "dealer")
    assert dealer_account(s, main, office.ida) == made[0]


def test_an_account_made_in_a_transaction_that_came_to_nothing_is_made_again(sessions: Sessions, now: datetime) -> None:
    with transaction(sessions) as session:
        make_coop(session, now)
        make_mall(session, now)
    with sessions() as session:
        mall = session.scalars(select(Mall)).one()
        ensure_account(session, "Income:Nothing", "income")
        session.rollback()
        again = ensure_account(session, "Income:Nothing", "income")
        assert session.scalars(select(Account.path).where(Account.id == again)).one() == "Income:Nothing"
        assert mall.code == "MAIN"


# --- posting ------------------------------------------------------------------------------------------------------------


def test_entries_are_posted_in_order_with_what_they_were_given(office: Office) -> None:
    drafts = [sale(office.session, office.main, office.ida, 100 + n, date(2026, 10, 1 + n % 28), f"t{n}") for n in range(40)]
    ids = post_entries(office.session, office.now, drafts)
    posted = office.session.scalars(select(Entry).where(Entry.id.in_(ids)).order_by(Entry.id)).all()
    assert [(e.id, e.source_id, e.business_date, e.posted_at) for e in posted] == [
        (i, d.source_id, d.business_date, office.now) for i, d in zip(ids, drafts, strict=True)
    ]
    assert [sorted(p.amount_cents for p in e.postings) for e in posted] == [[-100 - n, 100 + n] for n in range(40)]
    assert office.owed(office.ida) == sum(100 + n for n in range(40))


def test_a_batch_over_months_and_malls(office: Office) -> None:
    s = office.session
    post_entries(
        s,
        office.now,
        [
            sale(s, office.main, office.ida, 100, date(2026, 10, 31), "a"),
            sale(s, office.east, office.ida, 200, date(2026, 9, 30), "b"),
            sale(s, office.main, office.amos, 300, date(2026, 11, 1), "c"),
            bank_charge(s, 400, date(2026, 10, 2), "d"),
        ],
    )
    periods = s.execute(select(Period.mall_id, Period.first_day).order_by(Period.mall_id, Period.first_day)).all()
    assert {tuple(period) for period in periods} == {
        (None, OCTOBER.first_day),
        (office.main.id, OCTOBER.first_day),
        (office.main.id, NOVEMBER.first_day),
        (office.east.id, SEPTEMBER.first_day),
    }
    assert (office.owed(office.ida), office.owed(office.ida, office.east), office.owed(office.amos)) == (100, 200, 300)


def test_nothing_to_post(office: Office) -> None:
    assert post_entries(office.session, office.now, []) == []


def test_one_event_posts_once(office: Office) -> None:
    office.sell(100, date(2026, 10, 1), "once")
    with pytest.raises(IntegrityError):
        office.sell(100, date(2026, 10, 2), "once")


def test_a_draft_that_is_off_by_a_cent_posts_nothing_of_its_batch(office: Office) -> None:
    good = sale(office.session, office.main, office.ida, 100, date(2026, 10, 1), "good")
    bad = EntryDraft(office.main.id, date(2026, 10, 1), "sale", "ticket", "bad", "sale", ((1, 100), (2, -99)))
    with pytest.raises(UnbalancedError, match="ticket bad"):
        post_entries(office.session, office.now, [good, bad])
    assert office.session.scalar(select(func.count(Entry.id))) == 0


def test_a_closed_month_refuses_the_whole_batch(office: Office) -> None:
    office.sell(100, date(2026, 9, 1), "first")
    office.shut(SEPTEMBER)
    drafts = [sale(office.session, office.main, office.ida, 100, day, str(day)) for day in (date(2026, 10, 1), date(2026, 9, 30))]
    with pytest.raises(Refusal, match="September 2026 is closed and takes no entry: date it in an open month"):
        post_entries(office.session, office.now, drafts)
    assert office.session.scalar(select(func.count(Entry.id))) == 1


# --- reversing ----------------------------------------------------------------------------------------------------------


def test_a_reversal_is_the_opposite_and_names_what_it_puts_right(office: Office) -> None:
    entry_id = office.sell(12_34, date(2026, 10, 6), "wrong")
    reversal = office.session.get_one(
        Entry, reverse_entry(office.session, office.now, entry_id, on=date(2026, 10, 9), memo="Rung up twice")
    )
    original = office.session.get_one(Entry, entry_id)
    assert (reversal.reverses_id, reversal.business_date, reversal.memo) == (entry_id, date(2026, 10, 9), "Rung up twice")
    assert [(p.account_id, p.amount_cents) for p in reversal.postings] == [
        (p.account_id, -p.amount_cents) for p in original.postings
    ]
    assert office.owed(office.ida) == 0


def test_a_reversal_for_a_closed_month_is_dated_in_the_next(office: Office) -> None:
    entry_id = office.sell(12_34, date(2026, 9, 6), "wrong")
    office.shut(SEPTEMBER)
    reversal = reverse_entry(office.session, office.now, entry_id, on=date(2026, 9, 9), memo="Rung up twice")
    assert office.session.get_one(Entry, reversal).business_date == date(2026, 10, 1)
    assert (office.owed(office.ida, on=OCTOBER.first_day), office.owed(office.ida)) == (12_34, 0)


def test_what_cannot_be_reversed(office: Office) -> None:
    entry_id = office.sell(12_34, date(2026, 10, 6), "wrong")
    reversal = reverse_entry(office.session, office.now, entry_id, on=date(2026, 10, 9), memo="x")
    for wanted, said in (
        (entry_id, f"Entry {entry_id} is reversed already"),
        (reversal, f"Entry {reversal} is itself a reversal: post the event again instead"),
        (999, "There is no entry 999"),
    ):
        with pytest.raises(Refusal, match=said):
            reverse_entry(office.session, office.now, wanted, on=date(2026, 10, 10), memo="x")
    assert office.owed(office.ida) == 0


# --- paying -------------------------------------------------------------------------------------------------------------


def test_a_payout_leaves_the_bank_and_the_dealer_s_account(office: Office) -> None:
    office.sell(500_00, date(2026, 9, 6), "sold")
    pay_dealer(office.session, office.now, office.main, office.ida, amount_cents=450_00, on=date(2026, 10, 10), reference="1041")
    bank = [b.amount_cents for b in queries.balances(office.session) if b.path == "Assets:Bank"]
    assert (office.owed(office.ida), bank) == (50_00, [-450_00])
    assert office.owed(office.ida, on=date(2026, 10, 10)) == 500_00


def test_what_cannot_be_paid(office: Office) -> None:
    def pay(**changes: object) -> None:
        wanted = {"amount_cents": 100, "on": date(2026, 10, 10), "reference": "1041"} | changes
        pay_dealer(office.session, office.now, office.main, office.ida, **wanted)  # type: ignore[arg-type]

    for amount, said in ((0, "not 0.00"), (-5, "not -0.05")):
        with pytest.raises(Refusal, match=rf"The amount paid to D01 must be above zero, {said}"):
            pay(amount_cents=amount)
    pay()
    with pytest.raises(Refusal, match="A payout with the reference 1041 is posted already"):
        pay(amount_cents=200)
    office.shut(OCTOBER)
    with pytest.raises(Refusal, match="October 2026 is closed"):
        pay(reference="1042")


# --- months -------------------------------------------------------------------------------------------------------------


def test_what_belongs_to_a_closed_month_is_dated_on_the_first_open_day(office: Office) -> None:
    dates = {date(2026, 8, 3): "own", date(2026, 9, 30): "own", date(2026, 10, 1): "own"}
    for wanted in dates:
        assert posting_date(office.session, office.main.id, wanted) == wanted
    office.sell(1, date(2026, 9, 1), "x")
    office.shut(SEPTEMBER)
    moved = {wanted: posting_date(office.session, office.main.id, wanted) for wanted in dates}
    assert moved == {
        date(2026, 8, 3): date(2026, 10, 1),
        date(2026, 9, 30): date(2026, 10, 1),
        date(2026, 10, 1): date(2026, 10, 1),
    }
    assert posting_date(office.session, office.east.id, date(2026, 9, 30)) == date(2026, 9, 30)
    assert posting_date(office.session, None, date(2026, 9, 30)) == date(2026, 9, 30)


def test_months_open_once_and_never_behind_a_closed_one(office: Office) -> None:
    period = ensure_period(office.session, office.main.id, SEPTEMBER)
    assert ensure_period(office.session, office.main.id, SEPTEMBER) is period
    assert ensure_period(office.session, office.east.id, SEPTEMBER) is not period
    assert (period.first_day, period.last_day, period.state) == (date(2026, 9, 1), date(2026, 9, 30), "open")
    office.shut(SEPTEMBER)
    with pytest.raises(Refusal, match="August 2026 lies before September 2026, which is closed"):
        ensure_period(office.session, office.main.id, AUGUST)
    assert ensure_period(office.session, office.main.id, SEPTEMBER).state == "closed"
    assert ensure_period(office.session, office.east.id, AUGUST).state == "open"


def test_months_close_in_their_order(office: Office) -> None:
    ensure_period(office.session, office.main.id, SEPTEMBER)
    october = ensure_period(office.session, office.main.id, OCTOBER)
    with pytest.raises(Refusal, match="September 2026 is still open: months close in their order"):
        close_period(office.session, office.now, october)
    office.shut(SEPTEMBER)
    office.shut(OCTOBER)
    assert (october.state, october.closed_at) == ("closed", office.now)


# --- house rules --------------------------------------------------------------------------------------------------------


def test_rules_of_a_closed_month_stay(office: Office) -> None:
    """Its card cost went by them, and its statements say so."""
    s, now = office.session, office.now
    set_rules(s, now, Rules(card_percent=Decimal(3)), starts_on=date(2026, 9, 1))
    office.sell(100, date(2026, 9, 1), "one")
    office.shut(SEPTEMBER)
    for day in (date(2026, 9, 1), date(2026, 9, 30)):
        with pytest.raises(Refusal, match="The books are closed up to Sep 30, 2026, by the rules of then: begin these on Oct 1"):
            set_rules(s, now, Rules(), starts_on=day)
    set_rules(s, now, Rules(), starts_on=date(2026, 10, 1))
    assert [rules_on(s, day).card_percent for day in (date(2026, 9, 30), date(2026, 10, 1))] == [3, 0]


# --- the co-op's own months ---------------------------------------------------------------------------------------------


def test_the_coops_own_month_closes_when_the_last_mall_has_closed_it(office: Office) -> None:
    """What the bank asked for in a closed month, say, would change what was reconciled: it is dated in the open one."""
    s, now = office.session, office.now
    post_entry(s, now, bank_charge(s, 4_00, date(2026, 9, 3), "september"))
    ensure_period(s, office.east.id, SEPTEMBER)
    office.shut(SEPTEMBER)
    assert close_coop_months(s, now) == 0, "East has it open"
    office.shut(SEPTEMBER, office.east)
    assert seal_periods(s, now) == 0, "it is closed and sealed, and no other has anything new"
    assert (ensure_period(s, None, SEPTEMBER).state, close_coop_months(s, now)) == ("closed", 0)
    assert posting_date(s, None, date(2026, 9, 20)) == date(2026, 10, 1)
    with pytest.raises(Refusal, match="September 2026 is closed and takes no entry"):
        post_entry(s, now, bank_charge(s, 4_00, date(2026, 9, 20), "late"))
    assert [(seal.chain, seal.reason) for seal in s.scalars(select(Seal)) if seal.chain == "co-op"] == [("co-op", "close")]
    assert check_books(s) == []


def test_a_month_without_entries_of_the_coops_own_closes_too(office: Office) -> None:
    office.sell(100, date(2026, 9, 1), "one")
    office.sell(100, date(2026, 11, 2), "east begins later", mall=office.east)
    office.shut(SEPTEMBER)
    assert close_coop_months(office.session, office.now) == 1
    with pytest.raises(Refusal, match="August 2026 lies before September 2026, which is closed"):
        post_entry(office.session, office.now, bank_charge(office.session, 4_00, date(2026, 8, 20), "late"))


def test_an_entry_of_the_coops_own_that_waits_keeps_its_month_open(office: Office) -> None:
    s, now = office.session, office.now
    office.shut(SEPTEMBER)
    lines = [HandLine("Expenses:Audit", 400_00), HandLine("Assets:Bank", -400_00)]
    how = {"mall": None, "on": date(2026, 9, 9), "lines": lines, "reason": "Audit of the year, bill 7", "new_accounts": True}
    made = enter_journal(s, now, key="audit", **how)
    assert close_coop_months(s, now) == 0
    refuse_journal(s, now, made.id, "Not ours", user_id=None)
    assert close_coop_months(s, now) == 1


# --- seals --------------------------------------------------------------------------------------------------------------


def test_seals_chain_over_months_within_a_mall_and_not_across(sessions: Sessions, now: datetime) -> None:
    with transaction(sessions) as session:
        office = Office(session, now)
        for n, day in enumerate((date(2026, 9, 1), date(2026, 9, 2), date(2026, 10, 1))):
            office.sell(100, day, f"main {n}")
            assert seal_periods(session, now) == 1
        office.sell(100, date(2026, 10, 2), "east", mall=office.east)
        post_entry(session, now, bank_charge(session, 400, date(2026, 10, 2), "charge"))
        assert seal_periods(session, now) == 2
        office.sell(100, date(2026, 9, 3), "main 3")
        office.shut(SEPTEMBER)
        assert seal_periods(session, now) == 0
        assert seal_period(session, now, ensure_period(session, office.main.id, SEPTEMBER), "day") is None
    with transaction(sessions) as session:
        seals = session.scalars(select(Seal).order_by(Seal.chain, Seal.number)).all()
        assert [(s.chain, s.number, s.reason, s.entries) for s in seals] == [
            ("EAST", 1, "day", 1),
            ("MAIN", 1, "day", 1),
            ("MAIN", 2, "day", 1),
            ("MAIN", 3, "day", 1),
            ("MAIN", 4, "close", 1),
            ("co-op", 1, "day", 1),
        ]
        main = [s for s in seals if s.chain == "MAIN"]
        assert [s.previous_sha256 for s in main] == [GENESIS, *(s.sha256 for s in main[:-1])]
        assert check_books(session) == []


def test_a_month_without_entries_closes_without_a_seal(sessions: Sessions, now: datetime) -> None:
    with transaction(sessions) as session:
        office = Office(session, now)
        office.shut(SEPTEMBER)
    with transaction(sessions) as session:
        assert session.scalar(select(func.count(Seal.id))) == 0
        assert check_books(session) == []


def test_a_month_closed_without_its_seal_is_told(office: Office) -> None:
    office.sell(100, date(2026, 9, 1), "x")
    close_period(office.session, office.now, ensure_period(office.session, office.main.id, SEPTEMBER))
    assert check_books(office.session) == ["September 2026 is closed with 1 entries, of which 0 are under a seal."]


# --- queries ------------------------------------------------------------------------------------------------------------


def test_what_the_books_are_asked(office: Office) -> None:
    """Two sales, one of them returned, a payout: at MAIN for Ida; one sale for Amos."""
    s, main, ida = office.session, office.main, office.ida
    office.sell(80_00, date(2026, 9, 30), "old")
    office.sell(50_00, date(2026, 10, 1), "new")
    wrong = office.sell(20_00, date(2026, 10, 2), "wrong")
    reverse_entry(s, office.now, wrong, on=date(2026, 10, 3), memo="Returned")
    pay_dealer(s, office.now, main, ida, amount_cents=80_00, on=date(2026, 10, 10), reference="1041")
    office.sell(7_00, date(2026, 10, 1), "other", dealer=office.amos)
    october = ensure_period(s, main.id, OCTOBER)
    assert queries.dealer_balances_before(s, main.id, OCTOBER.first_day) == {ida.id: 80_00}
    assert queries.dealer_balances_before(s, main.id, NOVEMBER.first_day) == {ida.id: 50_00, office.amos.id: 7_00}
    assert queries.dealer_balances_before(s, main.id, NOVEMBER.first_day, dealer_id=ida.id) == {ida.id: 50_00}
    assert queries.dealer_movements(s, october) == {
        (ida.id, "sale"): 70_00,
        (ida.id, "correction"): -20_00,
        (ida.id, "payout"): -80_00,
        (office.amos.id, "sale"): 7_00,
    }
    listed = queries.dealer_entries(s, main.id, ida.id, OCTOBER.first_day, OCTOBER.last_day, besides=["sale"])
    assert [(e.business_date, e.kind, e.memo, e.amount_cents) for e in listed] == [
        (date(2026, 10, 3), "correction", "Returned", -20_00),
        (date(2026, 10, 10), "payout", "Payout 1041", -80_00),
    ]
    drawer = tender_account(s, main, "cash")
    assert queries.account_movement(s, october.id, drawer) == 57_00
    assert {b.path: b.amount_cents for b in queries.balances(s)} == {
        "Assets:Bank": -80_00,
        "Assets:Drawer:MAIN": 137_00,
        "Liabilities:Dealers:MAIN:D01": -50_00,
        "Liabilities:Dealers:MAIN:D02": -7_00,
    }
    assert {b.path: b.amount_cents for b in queries.balances(s, through=date(2026, 9, 30))} == {
        "Assets:Drawer:MAIN": 80_00,
        "Liabilities:Dealers:MAIN:D01": -80_00,
    }


def test_a_large_batch_is_posted_whole(sessions: Sessions, now: datetime) -> None:
    """More than one statement's worth."""
    with transaction(sessions) as session:
        office = Office(session, now)
        days = [date(2026, 9, 1) + timedelta(days=n % 50) for n in range(2100)]
        drafts = [sale(session, office.main, office.ida, 1 + n, day, f"t{n}") for n, day in enumerate(days)]
        ids = post_entries(session, now, drafts)
        assert len(set(ids)) == 2100
    with transaction(sessions) as session:
        assert session.scalar(select(func.sum(Posting.amount_cents)).where(Posting.amount_cents > 0)) == 2100 * 2101 // 2
        assert check_books(session) == []
