"""Deposits taken, used and returned: their lines are the ledger, whatever is done, and no more goes out than came in."""

from __future__ import annotations

import threading
from collections.abc import Iterator
from datetime import date, datetime

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from sqlalchemy import select, text

from coop.books.checking import check_books
from coop.books.queries import balances
from coop.core.audit import AuditLog
from coop.core.db import Sessions, transaction
from coop.core.errors import Refusal
from coop.core.periods import Month
from coop.leases.deposits import (
    Held,
    check_deposits,
    deposit_held,
    deposits_held,
    held_of_dealer,
    return_deposit,
    settle_lease_deposit,
    take_deposit,
    use_deposit,
)
from coop.leases.domain.deposit import Deduction
from coop.leases.models import DepositLine, Lease
from tests.factories.hall import Hall

TODAY = date(2026, 4, 9)
SQLITE = pytest.mark.parametrize("database_url", ["sqlite"], indirect=True)


@pytest.fixture
def hall(sessions: Sessions, now: datetime) -> Iterator[Hall]:
    with sessions() as session:
        yield Hall(session, now)


def paths(hall: Hall) -> dict[str, int]:
    return {b.path: b.amount_cents for b in balances(hall.session) if b.amount_cents}


def test_a_deposit_from_its_beginning_to_its_end(hall: Hall) -> None:
    lease = hall.lease(hall.ida, hall.booth, starts_on=date(2026, 4, 1))
    lease.deposit_cents = 270_00
    take_deposit(hall.session, hall.now, lease, 270_00, on=TODAY, reference="check 41")
    assert paths(hall) == {"Assets:Bank": 270_00, "Liabilities:Deposits:MAIN:D01": -270_00}
    logged = hall.session.scalars(select(AuditLog).where(AuditLog.subject_kind == "lease", AuditLog.action.contains("deposit")))
    assert [(row.action, row.detail) for row in logged] == [("deposit taken", "$270.00 on 2026-04-09")]
    assert deposits_held(hall.session, hall.mall.id) == [Held(lease.id, hall.ida.id, "D01", 270_00, 270_00)]
    assert deposits_held(hall.session, hall.mall.id, through=date(2026, 4, 8))[0].held_cents == 0
    assert [held_of_dealer(hall.session, hall.mall.id, hall.ida.id, before=day) for day in (TODAY, date(2026, 5, 1))] == [
        0,
        270_00,
    ]
    hall.post(Month(2026, 4))
    use_deposit(hall.session, hall.now, lease, 100_00, on=TODAY, reason="rent of April")
    use_deposit(hall.session, hall.now, lease, 20_00, on=TODAY, reason="a broken pane", damage=True)
    return_deposit(hall.session, hall.now, lease, 150_00, on=TODAY)
    assert paths(hall) == {
        "Assets:Bank": 120_00,
        "Income:Booth-rent:MAIN": -270_00,
        "Income:Damages:MAIN": -20_00,
        "Liabilities:Dealers:MAIN:D01": 170_00,
    }
    assert (deposit_held(hall.session, lease), check_deposits(hall.session)) == (0, [])


def test_a_deposit_out_of_her_own_account(hall: Hall) -> None:
    lease = hall.lease(hall.ida)
    hall.sell(hall.ida, 60_00, TODAY)
    with pytest.raises(Refusal, match=r"\$60.01 cannot be taken from the account of D01: \$60.00 is on it"):
        take_deposit(hall.session, hall.now, lease, 60_01, on=TODAY, from_account=True)
    take_deposit(hall.session, hall.now, lease, 60_00, on=TODAY, from_account=True)
    assert (hall.owed(hall.ida), deposit_held(hall.session, lease)) == (0, 60_00)


@pytest.mark.parametrize(
    ("damages", "rent", "returned", "owed", "income"),
    [
        ([], False, 100_00, 0, 0),
        ([Deduction("Pane", 30_00)], False, 70_00, 0, 30_00),
        # What she owes goes first; the pane that is not covered is charged.
        ([Deduction("Pane", 30_00)], True, 0, -(270_00 - 100_00) - 30_00, 0),
    ],
)
def test_settling_at_the_end(hall: Hall, damages: list[Deduction], rent: bool, returned: int, owed: int, income: int) -> None:
    lease = hall.lease(hall.ida, hall.booth, starts_on=date(2026, 4, 1))
    take_deposit(hall.session, hall.now, lease, 100_00, on=TODAY)
    if rent:
        hall.post(Month(2026, 4))
    settled = settle_lease_deposit(hall.session, hall.now, lease, on=TODAY, damages=damages)
    assert (settled.returned_cents, hall.owed(hall.ida)) == (returned, owed)
    assert -paths(hall).get("Income:Damages:MAIN", 0) == income
    assert (deposit_held(hall.session, lease), check_deposits(hall.session)) == (0, [])


def test_the_rent_of_the_last_days_is_posted_before_a_deposit_goes_back(hall: Hall) -> None:
    lease = hall.lease(hall.ida, hall.booth, starts_on=date(2026, 4, 1), ends_on=date(2026, 4, 10))
    hall.lease(hall.amos, hall.case, starts_on=date(2026, 4, 1))
    take_deposit(hall.session, hall.now, lease, 100_00, on=TODAY)
    settled = settle_lease_deposit(hall.session, hall.now, lease, on=date(2026, 4, 12))
    # 270.00 x 10/30
    assert (settled.returned_cents, hall.owed(hall.ida), hall.charged(hall.amos)) == (10_00, 0, [])


def test_the_rent_of_an_earlier_open_month_is_posted_too(hall: Hall) -> None:
    hall.sell(hall.amos, 10_00, date(2026, 3, 5))
    lease = hall.lease(hall.ida, hall.booth, starts_on=date(2026, 2, 1), ends_on=date(2026, 4, 10))
    take_deposit(hall.session, hall.now, lease, 500_00, on=TODAY)
    settled = settle_lease_deposit(hall.session, hall.now, lease, on=date(2026, 4, 12))
    # March whole and 10 days of April; February is from before the books.
    assert (settled.returned_cents, hall.owed(hall.ida)) == (500_00 - 270_00 - 90_00, 0)


def test_two_leases_are_settled_in_one_month(hall: Hall) -> None:
    """Damage beyond the deposit is charged under each."""
    for space in (hall.booth, hall.case):
        lease = hall.lease(hall.ida, space, starts_on=date(2026, 4, 1))
        settle_lease_deposit(hall.session, hall.now, lease, on=TODAY, damages=[Deduction("Pane", 30_00)])
    # The second settlement finds the first's 30.00 owed, and no deposit to take it from.
    assert hall.owed(hall.ida) == -60_00


def test_deposits_that_are_refused(hall: Hall) -> None:
    lease = hall.lease(hall.ida)
    session, now = hall.session, hall.now
    with pytest.raises(Refusal, match=r"The amount taken is -\$1.00: write one above zero"):
        take_deposit(session, now, lease, -1_00, on=TODAY)
    with pytest.raises(Refusal, match=r"The deposit is taken on Jan 1, 2036, a day to come: enter the day it was taken"):
        take_deposit(session, now, lease, 1_00, on=date(2036, 1, 1))
    take_deposit(session, now, lease, 100_00, on=TODAY)
    with pytest.raises(Refusal, match=r"\$100.00 was taken on Apr 9, 2026 already"):
        take_deposit(session, now, lease, 100_00, on=TODAY)
    with pytest.raises(Refusal, match=r"\$100.01 is to be returned of the deposit of D01, of which \$100.00 is held"):
        return_deposit(session, now, lease, 100_01, on=TODAY)
    with pytest.raises(Refusal, match="The deduction has no reason"):
        use_deposit(session, now, lease, 1_00, on=TODAY, reason="")
    with pytest.raises(Refusal, match=r"D01 owes \$0.00, less than the \$1.00"):
        use_deposit(session, now, lease, 1_00, on=TODAY, reason="rent")
    with pytest.raises(Refusal, match="Deduction 1 has no reason"):
        settle_lease_deposit(session, now, lease, on=TODAY, damages=[Deduction(" ", 1_00)])
    with pytest.raises(Refusal, match="150 is the most"):
        return_deposit(session, now, lease, 1_00, on=TODAY, reference="x" * 151)
    assert deposit_held(session, lease) == 100_00


MOVES = st.lists(
    st.tuples(st.sampled_from(["take", "own", "use", "damage", "return", "settle"]), st.booleans(), st.integers(0, 300_00)),
    max_size=10,
)


@SQLITE
@settings(max_examples=30, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(moves=MOVES)
def test_whatever_is_done_the_lines_are_the_ledger(sessions: Sessions, now: datetime, moves: list[tuple[str, bool, int]]) -> None:
    with sessions() as session:
        hall = Hall(session, now)
        leases = [hall.lease(dealer, starts_on=date(2026, 1, 1)) for dealer in (hall.ida, hall.amos)]
        hall.hold(leases[0], hall.booth, date(2026, 1, 1))
        hall.post(Month(2026, 4))
        hall.sell(hall.amos, 500_00, TODAY)
        for n, (what, second, cents) in enumerate(moves):
            lease, said = leases[second], f"{n}"
            before = deposit_held(session, lease)
            try:
                if what in ("take", "own"):
                    take_deposit(session, now, lease, cents, on=TODAY, reference=said, from_account=what == "own")
                elif what == "return":
                    return_deposit(session, now, lease, cents, on=TODAY, reference=said)
                elif what == "settle":
                    settle_lease_deposit(session, now, lease, on=TODAY, reference=said)
                else:
                    use_deposit(session, now, lease, cents, on=TODAY, reason=said, damage=what == "damage")
            except Refusal:
                assert deposit_held(session, lease) == before
            assert deposit_held(session, lease) >= 0
        assert check_deposits(session) == []
        sums = {held.lease_id: held.held_cents for held in deposits_held(session, hall.mall.id)}
        assert all(sums.get(lease.id, 0) == deposit_held(session, lease) for lease in leases)
        session.rollback()


def test_a_line_that_is_not_in_the_ledger_is_found(sessions: Sessions, now: datetime) -> None:
    with transaction(sessions) as session:
        hall = Hall(session, now)
        lease = hall.lease(hall.ida)
        take_deposit(session, now, lease, 100_00, on=TODAY)
        session.execute(
            text(
                "INSERT INTO deposit_line (lease_id, kind, amount_cents, on_day, reason, entry_id) "
                "VALUES (:l, 'taken', 5, :d, '', 1)"
            ),
            {"l": lease.id, "d": TODAY},
        )
        assert check_deposits(session) == ["Deposits of D01 at MAIN are 100.05 by their lines, 100.00 in the ledger."]
        session.rollback()


def test_two_return_one_deposit_at_once(sessions: Sessions, now: datetime) -> None:
    with transaction(sessions) as session:
        hall = Hall(session, now)
        lease_id = hall.lease(hall.ida).id
        take_deposit(session, now, session.get_one(Lease, lease_id), 100_00, on=TODAY)
    outcomes: list[str] = []
    start = threading.Barrier(4)

    def give_back(n: int) -> None:
        start.wait()
        try:
            with transaction(sessions) as session:
                return_deposit(session, now, session.get_one(Lease, lease_id), 60_00, on=TODAY, reference=str(n))
            outcomes.append("returned")
        except Refusal:
            outcomes.append("refused")

    threads = [threading.Thread(target=give_back, args=(n,), daemon=True) for n in range(4)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join(60)
    assert sorted(outcomes) == ["refused"] * 3 + ["returned"]
    with transaction(sessions) as session:
        assert sorted(session.scalars(select(DepositLine.kind))) == ["returned", "taken"]
        assert check_deposits(session) == check_books(session) == []
