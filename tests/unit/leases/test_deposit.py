"""The deposit: what is kept, returned, owing."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from coop.leases.domain import TermsError
from coop.leases.domain.deposit import Deduction, Kept, settle_deposit


def test_deductions_in_their_order() -> None:
    made = settle_deposit(270_00, [Deduction("Cleaning", 40_00), Deduction("Lock of the case", 15_50)])
    assert (made.returned_cents, made.owing_cents) == (214_50, 0)
    made = settle_deposit(100_00, [Deduction("Rent owed", 90_00), Deduction("Broken glass", 25_00), Deduction("Key", 5_00)])
    assert made.kept == (Kept("Rent owed", 90_00, 0), Kept("Broken glass", 10_00, 15_00), Kept("Key", 0, 5_00))
    assert (made.returned_cents, made.owing_cents) == (0, 20_00)


@given(held=st.integers(0, 1000_00), amounts=st.lists(st.integers(1, 500_00), max_size=6))
def test_a_deposit_adds_up(held: int, amounts: list[int]) -> None:
    made = settle_deposit(held, [Deduction("reason", amount) for amount in amounts])
    kept = sum(k.kept_cents for k in made.kept)
    assert kept + made.returned_cents == held
    assert kept + made.owing_cents == sum(amounts)
    assert min(made.returned_cents, made.owing_cents) == 0
    assert made.returned_cents >= 0


def test_bad_input_names_field_and_mend() -> None:
    with pytest.raises(TermsError, match="Deduction 2 has no reason: say what it is for"):
        settle_deposit(1, [Deduction("Key", 1), Deduction(" ", 1)])
    with pytest.raises(TermsError, match=r"deduction for Key is \$0.00: write an amount above zero"):
        settle_deposit(1, [Deduction("Key", 0)])
    with pytest.raises(TermsError, match=r"deposit held is -\$0\.01: it cannot be negative"):
        settle_deposit(-1, [])
