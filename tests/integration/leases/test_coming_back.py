"""A check that comes back and a chargeback: what the dealer owes then, how late it is; charges and credits of turns."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import date, datetime
from typing import Any

import pytest
from sqlalchemy import select
from sqlalchemy.orm import Session

from coop.books.accounts import bank_account, tender_account
from coop.books.domain.entries import EntryDraft
from coop.books.models import Entry
from coop.books.payments import charge_back, checks_of, receive_payment
from coop.books.queries import balances, dealer_entries
from coop.books.service import ensure_period, post_entry
from coop.core.db import Sessions
from coop.core.errors import Refusal
from coop.core.periods import Month
from coop.dealers.models import Dealer, UserAccount
from coop.leases.bounced import bounce_check
from coop.leases.models import Charge
from coop.leases.settling import accounts_of, arrears_of_dealer, post_late_fees
from coop.leases.turn_charges import charge_overflow, charge_turn
from tests.factories.books import shut
from tests.factories.hall import ADVANCE, Hall

APRIL, MAY = Month(2026, 4), Month(2026, 5)


def on(month: int, day: int) -> date:
    return date(2026, month, day)


@pytest.fixture
def hall(sessions: Sessions, now: datetime) -> Iterator[Hall]:
    """Ida owes the rent of April, $270.00, and pays it by check on the third."""
    with sessions() as session:
        made = Hall(session, now, **ADVANCE)
        made.lease(made.ida, made.booth, starts_on=on(4, 1))
        made.post(APRIL, on(4, 1))
        yield made


def pay(hall: Hall, reference: str = "1187", *, by: str = "check", day: date | None = None) -> int:
    return receive_payment(
        hall.session,
        hall.now,
        hall.mall,
        hall.ida,
        amount_cents=270_00,
        paid_by=by,
        on=day or on(4, 3),
        reference=reference,
    )


def bounce(hall: Hall, entry_id: int, day: date, **more: Any) -> int:
    return bounce_check(hall.session, hall.now, hall.mall, hall.ida, entry_id, **{"on": day, "reference": "N-5", **more})


def deposit(hall: Hall, cents: int) -> None:
    """Take checks to the bank."""
    waiting, bank = tender_account(hall.session, hall.mall, "check"), bank_account(hall.session)
    draft = EntryDraft(hall.mall.id, on(4, 4), "to bank", "bank", "1", "to bank", ((bank, cents), (waiting, -cents)))
    post_entry(hall.session, hall.now, draft)


def stands(hall: Hall, *paths: str) -> list[int]:
    there = {b.path: b.amount_cents for b in balances(hall.session)}
    return [there.get(path, 0) for path in paths]


def user_of(session: Session, now: datetime, dealer: Dealer) -> int:
    """A sign-in of the member behind a dealer."""
    user = UserAccount(email="ida@example.org", member_id=dealer.member_id, password_hash="", created_at=now)
    session.add(user)
    session.flush()
    return user.id


# --- a dealer's check ---------------------------------------------------------------------------------------------------


def test_a_bounced_check_opens_what_it_paid_and_the_late_fee_follows(hall: Hall) -> None:
    paid = pay(hall)
    deposit(hall, 270_00)
    assert arrears_of_dealer(hall.session, hall.mall.id, hall.ida.id, on(4, 7)).open_cents == 0
    entry = hall.session.get_one(Entry, bounce(hall, paid, on(4, 8)))
    assert (entry.kind, entry.reverses_id, entry.memo) == ("bounced", paid, "Your payment of Apr 3, 2026 came back unpaid, N-5")
    account = accounts_of(hall.session, hall.mall.id, on(4, 9))[hall.ida.id]
    assert (len(account.owed), account.paid) == (1, [])  # The rent again, not a debt beside it.
    arrears = arrears_of_dealer(hall.session, hall.mall.id, hall.ida.id, on(4, 9))
    assert (arrears.ages, arrears.late_cents) == ((0, 270_00, 0, 0, 0), 270_00)
    assert arrears_of_dealer(hall.session, hall.mall.id, hall.ida.id, on(4, 7)).open_cents == 0
    assert [post_late_fees(hall.session, hall.at(day), hall.mall) for day in (on(4, 10), on(4, 11))] == [0, 1]
    assert hall.charged(hall.ida)[-1][3:] == (
        27_00,
        "the greater of $25.00 and 10% of $270.00 overdue after Apr 10, 2026 ($27.00)",
    )
    assert stands(hall, "Assets:Bank", "Assets:Checks-to-deposit:MAIN", "Liabilities:Dealers:MAIN:D01") == [0, 0, 297_00]


def test_a_check_that_bounces_after_the_grace_day_is_late_from_the_next(hall: Hall) -> None:
    bounce(hall, pay(hall), on(4, 20))
    assert post_late_fees(hall.session, hall.at(on(4, 21)), hall.mall) == 0
    assert arrears_of_dealer(hall.session, hall.mall.id, hall.ida.id, on(5, 2)).days_31_60_cents == 270_00
    hall.post(MAY, on(5, 1))
    assert post_late_fees(hall.session, hall.at(on(5, 11)), hall.mall) == 1


def test_a_check_that_was_not_at_the_bank_leaves_the_checks(hall: Hall) -> None:
    pay(hall, "1186")
    deposit(hall, 270_00)
    bounce(hall, pay(hall, "1187"), on(4, 8))
    assert stands(hall, "Assets:Bank", "Assets:Checks-to-deposit:MAIN") == [270_00, 0]


def test_the_banks_fee_is_the_co_ops_or_passed_on(hall: Hall) -> None:
    bounce(hall, pay(hall, "1"), on(4, 8), bank_fee_cents=12_00)
    bounce(hall, pay(hall, "2"), on(4, 9), bank_fee_cents=15_00, passed_on=True)
    assert stands(hall, "Expenses:Bank-fees", "Income:Fees:MAIN", "Liabilities:Dealers:MAIN:D01") == [27_00, -15_00, 285_00]
    assert hall.charged(hall.ida)[-1] == ("Apr 09", "Check that came back", "0", 15_00, "the bank's fee, notice N-5")


def test_a_month_that_closed_since_keeps_the_check_and_the_next_takes_it_back(hall: Hall) -> None:
    paid = pay(hall)
    shut(hall.session, hall.now, ensure_period(hall.session, hall.mall.id, APRIL))
    bounce(hall, paid, on(4, 29))
    entries = dealer_entries(hall.session, hall.mall.id, hall.ida.id, MAY.first_day, MAY.last_day, besides=())
    assert [(e.business_date, e.kind, e.amount_cents) for e in entries] == [(on(5, 1), "bounced", -270_00)]


def test_checks_that_cannot_bounce(hall: Hall) -> None:
    paid, cash, rent = pay(hall), pay(hall, "7", by="cash"), hall.session.scalars(select(Charge.entry_id)).one() or 0
    assert [row.entry_id for row in checks_of(hall.session, hall.ida.id)] == [paid]
    for entry_id, day, more, sentence in (
        (rent, on(4, 8), {}, "is no payment of D01 at MAIN"),
        (cash, on(4, 8), {}, "was no check"),
        (paid, on(4, 2), {}, "before it was paid on Apr 3, 2026"),
        (paid, on(4, 8), {"reference": " "}, "The reference is empty"),
        (paid, on(4, 8), {"bank_fee_cents": -1}, "The bank's fee is -\\$0.01"),
    ):
        with pytest.raises(Refusal, match=sentence):
            bounce(hall, entry_id, day, **more)
    with pytest.raises(Refusal, match="is no payment of D02"):
        bounce_check(hall.session, hall.now, hall.mall, hall.amos, paid, on=on(4, 8), reference="N-5")
    bounce(hall, paid, on(4, 8))
    with pytest.raises(Refusal, match="was taken back already"):
        bounce(hall, paid, on(4, 9))
    assert checks_of(hall.session, hall.ida.id) == []


# --- what a buyer paid --------------------------------------------------------------------------------------------------


def take_back(hall: Hall, reference: str = "CB-1", **more: Any) -> int:
    asked = {"dealer": hall.ida, "amount_cents": 40_00, "reason": "a disputed card payment", "borne_by": "dealer", **more}
    return charge_back(hall.session, hall.now, hall.mall, on=on(4, 20), reference=reference, **asked)


def test_a_chargeback_is_borne_by_the_dealer_or_the_co_op(hall: Hall) -> None:
    take_back(hall)
    take_back(hall, "CB-2", borne_by="co-op")
    take_back(hall, "CB-3", borne_by="co-op", dealer=None)
    assert stands(hall, "Assets:Bank", "Expenses:Write-offs:MAIN", "Liabilities:Dealers:MAIN:D01") == [-120_00, 80_00, 310_00]
    arrears = arrears_of_dealer(hall.session, hall.mall.id, hall.ida.id, on(4, 30))
    assert (arrears.open_cents, arrears.late_cents) == (310_00, 310_00)
    entries = dealer_entries(hall.session, hall.mall.id, hall.ida.id, APRIL.first_day, APRIL.last_day, besides=("rent",))
    assert [e.memo for e in entries] == ["Taken back by the bank: a disputed card payment, CB-1"]


def test_chargebacks_that_are_refused(hall: Hall) -> None:
    take_back(hall)
    for more, sentence in (
        ({}, "with the reference CB-1 is posted already"),
        ({"reference": "cb-1"}, "with the reference cb-1 is posted already"),
        ({"amount_cents": 0}, "must be above zero"),
        ({"borne_by": "buyer"}, "it is one of dealer, co-op"),
        ({"dealer": None}, "Say which dealer bears"),
        ({"reason": ""}, "The reason is empty"),
        ({"reference": " "}, "The reference is empty"),
    ):
        with pytest.raises(Refusal, match=sentence):
            take_back(hall, **more)
    with pytest.raises(Refusal, match="a second person has to"):
        take_back(hall, "CB-4", borne_by="co-op", user_id=user_of(hall.session, hall.now, hall.ida))


# --- turns and overflow -------------------------------------------------------------------------------------------------


def test_turns_are_charged_or_credited_and_overflow_charged_once(hall: Hall) -> None:
    (lease,) = hall.session.scalars(select(Charge.lease_id))
    of = hall.session.get_one(type(hall.lease(hall.amos)), lease)
    charge_turn(hall.session, hall.now, of, 25_00, key="no-show 1", label="Turn not worked", working="1 × $25.00", on=on(4, 9))
    charge_turn(hall.session, hall.now, of, -40_00, key="beyond 1", label="Turns beyond", working="2 × $20.00", on=on(4, 10))
    charge_overflow(hall.session, hall.now, of, 30_00, key="bay 3", label="Overflow", working="1 × $30.00", on=on(4, 12))
    assert [row[:4] for row in hall.charged(hall.ida)[1:]] == [
        ("Apr 09", "Turn not worked", "0", 25_00),
        ("Apr 10", "Turns beyond", "0", -40_00),
        ("Apr 12", "Overflow", "0", 30_00),
    ]
    assert stands(hall, "Income:Turns:MAIN", "Income:Overflow-rent:MAIN") == [15_00, -30_00]
    # The credit settled $40.00 of the rent on its day; a turn is due at the month's end, overflow rent on its day.
    assert arrears_of_dealer(hall.session, hall.mall.id, hall.ida.id, on(4, 29)).ages == (25_00, 260_00, 0, 0, 0)
    shut(hall.session, hall.now, ensure_period(hall.session, hall.mall.id, APRIL))
    with pytest.raises(Refusal, match="Turn not worked of D01 is posted in April 2026 already"):
        charge_turn(hall.session, hall.now, of, 25_00, key="no-show 1", label="Turn not worked", working="1", on=on(4, 9))
    charge_overflow(hall.session, hall.now, of, 30_00, key="bay 4", label="Overflow", working="1 × $30.00", on=on(4, 30))
    assert hall.charged(hall.ida)[-1][:2] == ("May 01", "Overflow")


def test_turns_that_are_refused(hall: Hall) -> None:
    lease = hall.lease(hall.amos, starts_on=on(4, 5))
    good = {"key": "1", "label": "Turn", "working": "1 × $5.00", "on": on(4, 9)}
    for charge, cents, more, sentence in (
        (charge_turn, 0, {}, "Turn is \\$0.00"),
        (charge_overflow, -1, {}, "write a rent above zero"),
        (charge_turn, 5, {"key": "x" * 32}, "has 32 characters"),
        (charge_turn, 5, {"working": " "}, "how it was computed"),
        (charge_turn, 5, {"on": on(4, 4)}, "The lease begins on Apr 5, 2026"),
        (charge_turn, -5, {"user_id": user_of(hall.session, hall.now, hall.amos)}, "a second person has to"),
    ):
        with pytest.raises(Refusal, match=sentence):
            charge(hall.session, hall.now, lease, cents, **{**good, **more})
    assert hall.charged(hall.amos) == []
