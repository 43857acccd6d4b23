"""What of a month's balance is paid: a table worked by hand, and what holds of any account."""

from __future__ import annotations

from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from coop.payouts.domain.payable import Standing, payable, payable_at

WORKED = {
    # what happened: (standing, what is paid), in cents, by hand.
    "as stated": (Standing(500_00), 500_00),
    "sales since wait for their statement": (Standing(500_00, sales_cents=300_00), 500_00),
    "more came back than was sold since": (Standing(500_00, sales_cents=-50_00), 450_00),
    "a chargeback since": (Standing(500_00, other_cents=-80_00), 420_00),
    "a chargeback that sales since make up for": (Standing(500_00, sales_cents=100_00, other_cents=-80_00), 500_00),
    "a payment since of what is not due is no part of it": (Standing(500_00, other_cents=200_00), 500_00),
    "paid by hand since": (Standing(500_00, paid_cents=120_00), 380_00),
    "an earlier payment came back": (Standing(500_00, paid_cents=-260_00), 760_00),
    "on its way in another run": (Standing(500_00, pending_cents=500_00), 0),
    "next month's rent is netted": (Standing(500_00, next_rent_cents=270_00), 230_00),
    "she paid that rent at the desk": (Standing(500_00, other_cents=270_00, next_rent_cents=270_00), 500_00),
    "she paid a part of it": (Standing(500_00, other_cents=100_00, next_rent_cents=270_00), 330_00),
    "sales since do not pay the rent that is netted": (Standing(500_00, sales_cents=400_00, next_rent_cents=270_00), 230_00),
    "the rent is more than she is owed": (Standing(200_00, next_rent_cents=270_00), -70_00),
    "she owes": (Standing(-300_00), -300_00),
    "she owed and paid since": (Standing(-300_00, other_cents=300_00), 0),
    "she owed and paid more than that": (Standing(-300_00, other_cents=400_00), 0),
    "she owed, paid, and the rest goes on the rent": (Standing(-300_00, other_cents=400_00, next_rent_cents=270_00), -170_00),
    "charges of a month that is closed since": (Standing(500_00, sales_cents=100_00, charged_cents=350_00), 250_00),
    "nothing": (Standing(), 0),
}


@pytest.mark.parametrize("what", WORKED)
def test_a_table_worked_by_hand(what: str) -> None:
    standing, paid = WORKED[what]
    assert payable_at(standing) == paid


def test_malls_are_one_sum_and_nothing_is_no_part() -> None:
    both = payable(7, [(1, Standing(800_00)), (2, Standing(-300_00)), (3, Standing())])
    assert [(part.mall_id, part.amount_cents) for part in both.parts] == [(1, 800_00), (2, -300_00)]
    assert both.amount_cents == 500_00


cents = st.integers(-10_000_00, 10_000_00)
above = st.integers(0, 10_000_00)
standings = st.builds(
    Standing,
    stated_cents=cents,
    paid_cents=cents,
    pending_cents=above,
    sales_cents=cents,
    charged_cents=above,
    other_cents=cents,
    next_rent_cents=above,
)


@given(standings)
def test_never_more_than_the_ledger_owes_nor_than_was_stated(at: Standing) -> None:
    given_already = at.paid_cents + at.pending_cents
    ledger = at.stated_cents - given_already + at.sales_cents + at.other_cents - at.charged_cents
    assert payable_at(at) <= ledger - at.next_rent_cents
    assert payable_at(at) <= max(0, at.stated_cents - given_already)


@given(standings, above)
def test_what_is_given_once_is_not_given_again(at: Standing, most: int) -> None:
    first = payable_at(at)
    if first > 0:
        paid = min(most, first)
        assert payable_at(replace(at, paid_cents=at.paid_cents + paid)) == first - paid
        assert payable_at(replace(at, pending_cents=at.pending_cents + paid)) == first - paid
