"""Tax of a ticket, against the agreement's rules and for every sum that must agree."""

from __future__ import annotations

import dataclasses
from collections import Counter
from decimal import Decimal
from fractions import Fraction

import pytest
from hypothesis import given
from hypothesis import strategies as st

from coop.core.money import round_half_up
from coop.tax.domain import LineTax, StackRate, TaxableLine, compute_tax


def stack(*percents: str) -> tuple[StackRate, ...]:
    return tuple(StackRate(n, 100 + n, Decimal(percent)) for n, percent in enumerate(percents, 1))


MILWAUKEE = stack("5", "0.9", "2")
"""State, county, city since 2024: 7.9% together (Wisconsin's Streamlined rate file, and the Department of Revenue's FAQ)."""


def total(taxes: list[LineTax]) -> int:
    return sum(tax.amount_cents for tax in taxes)


# Streamlined Sales and Use Tax Agreement s. 324: carried to the third decimal, up when that decimal is above four; by the item or
# the invoice as the seller chooses; state and local rates may be aggregated.
@pytest.mark.parametrize(
    ("name", "lines", "basis", "aggregated", "cents"),
    [
        ("R2 by item", [209, 209, 209], "item", True, 51),
        ("R2 by ticket", [209, 209, 209], "ticket", True, 50),
        # Rounding to three places first (0.065) and then to two would give 0.07.
        ("R3", [82], "ticket", True, 6),
        ("R4 aggregated", [130], "ticket", True, 10),
        # Ohio's rate tables round each: 0.065, 0.0117, 0.026.
        ("R4 by jurisdiction", [130], "ticket", False, 11),
        ("an item of nothing", [0], "ticket", True, 0),
        ("nothing", [], "ticket", True, 0),
        ("a return", [-209, -209, -209], "item", True, -51),
        ("an exchange for the same", [1000, -1000], "ticket", True, 0),
    ],
)
def test_rounding(name: str, lines: list[int], basis: str, aggregated: bool, cents: int) -> None:
    taxes = compute_tax([TaxableLine(price, MILWAUKEE) for price in lines], basis=basis, aggregated=aggregated)
    assert total(taxes) == cents


@pytest.mark.parametrize(("tenths_of_a_cent", "cents"), [(4, 0), (5, 1), (14, 1), (15, 2), (-4, 0), (-5, -1), (-15, -2)])
def test_the_third_decimal_above_four_goes_up(tenths_of_a_cent: int, cents: int) -> None:
    """R1."""
    assert total(compute_tax([TaxableLine(tenths_of_a_cent, stack("10"))], basis="ticket", aggregated=True)) == cents


@pytest.mark.parametrize(("basis", "cents"), [("item", 51), ("ticket", 50)])
def test_three_items_on_one_line_are_three_items(basis: str, cents: int) -> None:
    """R2 again: 3 x $2.09 rung up as one line of three."""
    taxes = compute_tax([TaxableLine(627, MILWAUKEE, quantity=3)], basis=basis, aggregated=True)
    assert total(taxes) == cents
    back = compute_tax([TaxableLine(-627, MILWAUKEE, quantity=-3)], basis=basis, aggregated=True)
    assert total(back) == -cents


def test_a_line_says_under_which_rate_and_of_what() -> None:
    taxes = compute_tax([TaxableLine(10000, MILWAUKEE), TaxableLine(5000, ())], basis="ticket", aggregated=True)
    assert taxes == [
        LineTax(0, MILWAUKEE[0], 10000, 500),
        LineTax(0, MILWAUKEE[1], 10000, 90),
        LineTax(0, MILWAUKEE[2], 10000, 200),
    ]


def test_a_basis_that_is_none() -> None:
    with pytest.raises(ValueError, match="item or ticket, not week"):
        compute_tax([], basis="week", aggregated=True)


def test_a_sale_and_a_smaller_return_on_one_ticket_each_keep_their_tax() -> None:
    """One cent of tax is due; it does not become a dollar on one line and ninety-nine cents back on the other."""
    taxes = compute_tax([TaxableLine(1000, stack("7.9")), TaxableLine(-990, stack("7.9"))], basis="ticket", aggregated=True)
    assert [tax.amount_cents for tax in taxes] == [79, -78]


PRICES = st.integers(-500_00, 500_00)
PERCENTS = st.decimals(0, 12, places=3)
STACKS = st.lists(PERCENTS, max_size=5).map(lambda percents: stack(*map(str, percents)))
LINES = st.builds(TaxableLine, PRICES, STACKS, st.integers(-4, 4).filter(bool))
TICKETS = st.lists(LINES, max_size=8)
BASES = st.sampled_from(["item", "ticket"])


def exact_tax(line: TaxableLine, rate: StackRate) -> Fraction:
    return Fraction(line.price_cents) * Fraction(rate.percent) / 100


@given(lines=TICKETS, basis=BASES, aggregated=st.booleans())
def test_refunding_everything_gives_exactly_everything_back(lines: list[TaxableLine], basis: str, aggregated: bool) -> None:
    back = [dataclasses.replace(line, price_cents=-line.price_cents, quantity=-line.quantity) for line in lines]
    sold, returned = (compute_tax(each, basis=basis, aggregated=aggregated) for each in (lines, back))
    assert [tax.amount_cents for tax in returned] == [-tax.amount_cents for tax in sold]


@given(lines=TICKETS)
def test_a_ticket_s_tax_is_its_exact_tax_rounded_once(lines: list[TaxableLine]) -> None:
    exact = sum((exact_tax(line, rate) for line in lines for rate in line.rates), Fraction(0))
    assert total(compute_tax(lines, basis="ticket", aggregated=True)) == round_half_up(exact)


@given(lines=TICKETS)
def test_by_jurisdiction_each_one_s_tax_is_its_own_exact_tax_rounded_once(lines: list[TaxableLine]) -> None:
    exact: dict[int, Fraction] = {}
    charged: Counter[int] = Counter()
    for line in lines:
        for rate in line.rates:
            exact[rate.jurisdiction_id] = exact.get(rate.jurisdiction_id, Fraction(0)) + exact_tax(line, rate)
    for tax in compute_tax(lines, basis="ticket", aggregated=False):
        charged[tax.rate.jurisdiction_id] += tax.amount_cents
    assert {j: charged[j] for j in exact} == {j: round_half_up(amount) for j, amount in exact.items()}


@given(lines=TICKETS, basis=BASES, aggregated=st.booleans())
def test_every_part_stands_within_a_cent_an_item_of_its_exact_tax(lines: list[TaxableLine], basis: str, aggregated: bool) -> None:
    taxes = compute_tax(lines, basis=basis, aggregated=aggregated)
    assert [(tax.line, tax.rate) for tax in taxes] == [(n, rate) for n, line in enumerate(lines) for rate in line.rates]
    for tax in taxes:
        line = lines[tax.line]
        items = abs(line.quantity) if basis == "item" else 1
        assert abs(tax.amount_cents - exact_tax(line, tax.rate)) < items
        assert tax.taxable_cents == line.price_cents


@given(price=PRICES, rates=STACKS, quantity=st.integers(1, 5))
def test_items_rung_up_one_by_one_or_as_one_line_are_taxed_alike_by_item(
    price: int, rates: tuple[StackRate, ...], quantity: int
) -> None:
    apart = compute_tax([TaxableLine(price, rates)] * quantity, basis="item", aggregated=True)
    together = compute_tax([TaxableLine(price * quantity, rates, quantity)], basis="item", aggregated=True)
    assert total(apart) == total(together)
