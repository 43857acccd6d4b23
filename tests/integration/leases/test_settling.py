"""What dealers owe and how old it is, from charges and ledger; late fees; disputes."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import date, datetime

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from sqlalchemy import event, select

from coop.books.service import ensure_period, reverse_entry
from coop.core.db import Sessions
from coop.core.errors import Refusal
from coop.core.periods import Month
from coop.dealers.models import UserAccount
from coop.leases.models import Charge, Dispute
from coop.leases.posting import post_commissions, post_fee
from coop.leases.rules import set_rules
from coop.leases.settling import (
    accounts_of,
    arrears_of,
    arrears_of_dealer,
    close_dispute,
    give_back,
    open_dispute,
    post_late_fees,
)
from tests.factories.books import shut
from tests.factories.hall import ADVANCE, Hall
from tests.factories.people import make_dealer

MARCH, APRIL, MAY = (Month(2026, n) for n in (3, 4, 5))
SQLITE = pytest.mark.parametrize("database_url", ["sqlite"], indirect=True)


def on(month: int, day: int) -> date:
    return date(2026, month, day)


@pytest.fixture
def hall(sessions: Sessions, now: datetime) -> Iterator[Hall]:
    with sessions() as session:
        yield Hall(session, now, **ADVANCE)


def late(hall: Hall, *days: date) -> list[int]:
    return [post_late_fees(hall.session, hall.at(day), hall.mall) for day in days]


def fees(hall: Hall) -> list[tuple[str, int, str]]:
    return [(c[0], c[3], c[4]) for c in hall.charged(hall.ida) if c[1] == "Late fee"]


# --- arrears ------------------------------------------------------------------------------------------------------------


def test_arrears_by_age_for_every_dealer(hall: Hall) -> None:
    for dealer in (hall.ida, hall.amos):
        hall.lease(dealer, hall.booth if dealer is hall.ida else hall.case, starts_on=on(3, 1))
    for month in (MARCH, APRIL):
        hall.post(month, month.first_day)
    hall.pay(hall.ida, 100_00, on(3, 20))
    hall.pay(hall.amos, 100_00, on(4, 2), "2")
    rows = {row.dealer: row.arrears for row in arrears_of(hall.session, hall.mall.id, on(4, 10))}
    assert rows["D01"].ages == (0, 270_00, 170_00, 0, 0)
    assert rows["D02"].ages == (0, 0, 0, 0, 0)
    assert (rows["D01"].late_cents, rows["D02"].credit_cents) == (440_00, 10_00)
    assert arrears_of_dealer(hall.session, hall.mall.id, hall.ida.id, on(4, 10)) == rows["D01"]


def test_commission_is_due_at_months_end_and_sales_are_credited_then(hall: Hall) -> None:
    hall.lease(hall.ida, starts_on=on(3, 1))
    hall.sell(hall.ida, 80_00, on(3, 9))
    post_commissions(hall.session, hall.now, hall.mall, MARCH, {hall.ida.id: 80_00})
    assert [row.dealer for row in arrears_of(hall.session, hall.mall.id, on(3, 30))] == []
    assert arrears_of_dealer(hall.session, hall.mall.id, hall.ida.id, on(3, 31)).credit_cents == 72_00


def test_a_payout_is_of_what_was_credited_last_not_of_the_next_month_s_rent(hall: Hall) -> None:
    hall.lease(hall.ida, hall.booth, starts_on=on(4, 1))
    hall.sell(hall.ida, 1000_00, on(3, 9))
    hall.post(APRIL, on(4, 1))
    assert arrears_of_dealer(hall.session, hall.mall.id, hall.ida.id, on(4, 1)).open_cents == 0
    hall.pay(hall.ida, -1000_00, on(4, 5), kind="payout")
    assert arrears_of_dealer(hall.session, hall.mall.id, hall.ida.id, on(4, 6)).late_cents == 270_00
    assert late(hall, on(4, 11)) == [1]


def test_a_bounced_check_paid_nothing(hall: Hall) -> None:
    hall.lease(hall.ida, hall.booth, starts_on=on(4, 1))
    hall.post(APRIL, on(4, 1))
    check = hall.pay(hall.ida, 270_00, on(4, 3))
    reverse_entry(hall.session, hall.now, check, on=on(4, 8), memo="Check came back")
    account = accounts_of(hall.session, hall.mall.id, on(4, 9))[hall.ida.id]
    assert (len(account.owed), account.paid) == (1, [])
    assert arrears_of_dealer(hall.session, hall.mall.id, hall.ida.id, on(4, 7)).open_cents == 0
    assert arrears_of_dealer(hall.session, hall.mall.id, hall.ida.id, on(4, 8)).open_cents == 270_00


MOVES = st.lists(
    st.tuples(
        st.sampled_from(["pay", "payout", "sell", "return", "rent", "fee", "reverse", "correct"]),
        st.integers(1, 28),
        st.integers(1, 500_00),
    ),
    max_size=12,
)


@SQLITE
@settings(max_examples=40, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(moves=MOVES)
def test_what_is_open_less_what_waits_is_what_the_ledger_says(
    sessions: Sessions, now: datetime, moves: list[tuple[str, int, int]]
) -> None:
    with sessions() as session:
        hall = Hall(session, now, **ADVANCE)
        lease = hall.lease(hall.ida, hall.booth, starts_on=on(3, 1))
        paid = []
        for n, (what, day, cents) in enumerate(moves):
            when = on(3 + n % 2, day)
            if what in ("pay", "payout", "correct"):
                kind = {"pay": "payment", "payout": "payout", "correct": "correction"}[what]
                amount = -cents if what != "pay" else cents
                paid.append(hall.pay(hall.ida, amount, when, str(n), kind=kind))
            elif what in ("sell", "return"):
                paid.append(hall.sell(hall.ida, cents if what == "sell" else -cents, when, str(n)))
            elif what == "rent":
                hall.post(Month.of(when), when)
            elif what == "fee":
                post_fee(session, now, lease, cents, key=f"fee {n}", label="Fee", working="", on=when)
            elif paid:
                reverse_entry(session, now, paid.pop(), on=on(4, 28), memo="")
        arrears = arrears_of_dealer(session, hall.mall.id, hall.ida.id, APRIL.last_day)
        assert arrears.credit_cents - arrears.open_cents == hall.owed(hall.ida)
        session.rollback()


def test_arrears_of_all_ask_as_often_as_of_one(hall: Hall) -> None:
    asked: list[str] = []
    event.listen(hall.session.get_bind(), "before_cursor_execute", lambda *args: asked.append(args[2]))
    counts = []
    for n in range(1, 4):
        for each in range(n):
            lease = hall.lease(make_dealer(hall.session, hall.now, f"E{n}X{each}"))
            post_fee(hall.session, hall.now, lease, 5_00, key="key", label="Key", working="", on=on(4, 9))
        asked.clear()
        assert len(arrears_of(hall.session, hall.mall.id, on(5, 9))) == n * (n + 1) // 2
        counts.append(len(asked))
    assert counts == [6, 6, 6]  # Charges; accounts, months, their sales, other money; and the dealers' codes.


# --- late fees ----------------------------------------------------------------------------------------------------------


def test_rent_in_arrears_is_late_after_the_next_months_grace_day_and_once(hall: Hall) -> None:
    set_rules(hall.session, hall.mall, on(1, 1), rent_posts="arrears", late_how="percent")
    hall.lease(hall.ida, hall.booth, starts_on=on(3, 1), ends_on=on(3, 31))
    hall.post(MARCH, on(3, 31))
    assert late(hall, on(3, 31), on(4, 10), on(4, 11), on(4, 30), on(5, 11)) == [0, 0, 1, 0, 0]
    assert fees(hall) == [("Apr 11", 27_00, "10% of $270.00 overdue after Apr 10, 2026")]


def test_no_late_fee_on_a_fee_or_on_what_is_no_charge(hall: Hall) -> None:
    lease = hall.lease(hall.ida)
    post_fee(hall.session, hall.now, lease, 50_00, key="key", label="Key", working="", on=on(3, 20))
    hall.sell(hall.ida, -40_00, on(3, 20))
    hall.pay(hall.ida, -30_00, on(4, 2), kind="payout")
    assert late(hall, on(4, 11)) == [0]


def test_no_late_fee_on_what_was_in_dispute_when_the_grace_day_ended(hall: Hall) -> None:
    hall.lease(hall.ida, hall.booth, starts_on=on(4, 1))
    hall.post(APRIL, on(4, 1))
    charge = hall.session.scalars(select(Charge)).one()
    dispute = open_dispute(hall.session, charge, on=on(4, 8), reason="The roof leaks into it")
    assert late(hall, on(4, 11)) == [0]
    arrears = arrears_of_dealer(hall.session, hall.mall.id, hall.ida.id, on(4, 11))
    assert (arrears.disputed_cents, arrears.late_cents) == (270_00, 0)
    close_dispute(hall.session, dispute, on=on(4, 20), outcome="It was mended on the day")
    arrears = arrears_of_dealer(hall.session, hall.mall.id, hall.ida.id, on(4, 20))
    assert (arrears.disputed_cents, arrears.late_cents) == (0, 270_00)  # From the day of the decision.
    assert late(hall, on(4, 21)) == [0]  # It was in dispute when the grace day ended.
    hall.post(MAY, on(5, 1))
    assert late(hall, on(5, 11)) == [1]
    assert fees(hall) == [("May 11", 27_00, "the greater of $25.00 and 10% of $270.00 overdue after May 10, 2026 ($27.00)")]


def test_no_late_fee_without_a_rule_or_in_a_closed_month(hall: Hall) -> None:
    hall.lease(hall.ida, hall.booth, starts_on=on(4, 1))
    hall.post(APRIL, on(4, 1))
    set_rules(hall.session, hall.mall, on(4, 1), late_how="none")
    assert late(hall, on(4, 30)) == [0]
    set_rules(hall.session, hall.mall, on(4, 30), late_how="flat")
    shut(hall.session, hall.now, ensure_period(hall.session, hall.mall.id, APRIL))
    assert late(hall, on(4, 30), on(4, 30)) == [1, 0]
    assert fees(hall) == [("May 01", 25_00, "$25.00, as $270.00 overdue after Apr 10, 2026")]


# --- disputes -----------------------------------------------------------------------------------------------------------


def test_disputes_that_are_refused(hall: Hall) -> None:
    hall.lease(hall.ida, hall.booth, starts_on=on(4, 1))
    hall.post(APRIL, on(4, 1))
    charge = hall.session.scalars(select(Charge)).one()
    with pytest.raises(Refusal, match="The dispute of Booth 12 has no reason"):
        open_dispute(hall.session, charge, on=on(4, 8), reason=" ")
    dispute = open_dispute(hall.session, charge, on=on(4, 8), reason="Too wide")
    with pytest.raises(Refusal, match="Booth 12 is in dispute since Apr 8, 2026 already"):
        open_dispute(hall.session, charge, on=on(4, 9), reason="Too wide")
    with pytest.raises(Refusal, match="ends on Apr 7, 2026, before it began on Apr 8, 2026: turn the dates round"):
        close_dispute(hall.session, dispute, on=on(4, 7), outcome="x")
    with pytest.raises(Refusal, match="The outcome is empty"):
        close_dispute(hall.session, dispute, on=on(4, 9), outcome="")
    close_dispute(hall.session, dispute, on=on(4, 9), outcome="It is as measured")
    with pytest.raises(Refusal, match="decided on Apr 9, 2026 already"):
        close_dispute(hall.session, dispute, on=on(4, 9), outcome="x")
    with pytest.raises(Refusal, match="a new dispute begins after that"):
        open_dispute(hall.session, charge, on=on(4, 9), reason="Too wide")
    free = Charge(label="Booth 12", amount_cents=0)
    with pytest.raises(Refusal, match="there is nothing to dispute"):
        open_dispute(hall.session, free, on=on(4, 9), reason="x")


def test_what_is_given_back_is_a_credit_of_the_charges_own_kind_and_never_more_than_the_charge(hall: Hall) -> None:
    """Of 270.00 of April's rent, paid 100.00: 126.00 is given back in May, so 44.00 is open; later at most 144.00 can be."""
    hall.lease(hall.ida, hall.booth, starts_on=on(4, 1), ends_on=on(4, 30))
    hall.post(APRIL, on(4, 1))
    hall.pay(hall.ida, 100_00, on(4, 2))
    shut(hall.session, hall.now, ensure_period(hall.session, hall.mall.id, APRIL))
    charge = hall.session.scalars(select(Charge)).one()
    dispute = open_dispute(hall.session, charge, on=on(5, 2), reason="The hall was closed for two weeks")

    def back(cents: int, day: date, of: Dispute = dispute, user_id: int | None = None) -> None:
        give_back(hall.session, hall.at(day), of, cents, on=day, user_id=user_id)

    with pytest.raises(Refusal, match="The dispute of Booth 12 is open: decide it first"):
        back(126_00, on(5, 4))
    close_dispute(hall.session, dispute, on=on(5, 4), outcome="Half is given back")
    with pytest.raises(Refusal, match=r"Booth 12 leaves \$270.00 to give back: write that or less"):
        back(270_01, on(5, 4))
    with pytest.raises(Refusal, match="write an amount above zero"):
        back(0, on(5, 4))
    hers = UserAccount(email="ida@example.org", member_id=hall.ida.member_id, password_hash="", created_at=hall.now)
    hall.session.add(hers)
    hall.session.flush()
    with pytest.raises(Refusal, match="You cannot decide on a credit of your own"):
        back(126_00, on(5, 4), user_id=hers.id)
    back(126_00, on(5, 4))
    working = "of $270.00 charged for April 2026, disputed: Half is given back"
    assert hall.charged(hall.ida)[-1] == ("May 04", "Given back: Booth 12", "0", -126_00, working)
    credit = hall.session.scalars(select(Charge).where(Charge.amount_cents < 0)).one()
    assert (credit.kind, credit.lease_id) == ("rent", charge.lease_id)
    assert hall.owed(hall.ida) == -44_00
    assert arrears_of_dealer(hall.session, hall.mall.id, hall.ida.id, on(5, 4)).late_cents == 44_00
    with pytest.raises(Refusal, match="once is enough"):
        back(1_00, on(5, 4))
    again = open_dispute(hall.session, charge, on=on(5, 5), reason="All of it")
    close_dispute(hall.session, again, on=on(5, 6), outcome="The rest too")
    with pytest.raises(Refusal, match=r"Booth 12 leaves \$144.00 to give back"):
        back(144_01, on(5, 6), again)
    back(144_00, on(5, 6), again)
    assert hall.owed(hall.ida) == 100_00
