"""What of a dealer's sales was paid by card, worked by hand. Common practice, no source."""

from __future__ import annotations

from fractions import Fraction

import pytest
from hypothesis import given
from hypothesis import strategies as st

from coop.sales.domain import Tendered, card_parts_of

IDA, AMOS = 1, 2


@pytest.mark.parametrize(
    ("tickets", "lines", "parts"),
    [
        # All by card: $105.50 with $5.50 of tax. The tax is not hers.
        ({7: Tendered(105_50, 105_50)}, [(7, IDA, 60_00), (7, AMOS, 40_00)], {IDA: 60_00, AMOS: 40_00}),
        # $50 of $200 by card, a quarter of each line; the other ticket was paid in cash.
        (
            {7: Tendered(50_00, 200_00), 8: Tendered(0, 30_00)},
            [(7, IDA, 120_00), (7, AMOS, 80_00), (8, IDA, 30_00)],
            {IDA: 30_00, AMOS: 20_00},
        ),
        # A third of 1 cent is kept exactly, and three of them are a cent.
        (
            {n: Tendered(1, 3) for n in (1, 2, 3)},
            [(1, IDA, 1), (2, IDA, 1), (3, AMOS, 1)],
            {IDA: Fraction(2, 3), AMOS: Fraction(1, 3)},
        ),
        # A return by card takes off all of it, though it was bought half in cash: the money went to the card.
        ({7: Tendered(50_00, 100_00), 8: Tendered(-40_00, -40_00)}, [(7, IDA, 100_00), (8, IDA, -40_00)], {IDA: 10_00}),
        # More was taken from the card than it came to, and given out in cash: the card's cost is on all of it.
        ({7: Tendered(120_00, 100_00)}, [(7, IDA, 100_00)], {IDA: 120_00}),
        # Nobody's part of a ticket is nobody's; money that comes to nothing has no parts; a ticket without a row was not paid.
        ({7: Tendered(90_00, 90_00)}, [(7, IDA, 50_00)], {IDA: 50_00}),
        ({7: Tendered(10_00, 0)}, [(7, IDA, 5_00), (7, AMOS, -5_00)], {}),
        ({}, [(7, IDA, 5_00)], {}),
    ],
)
def test_parts_by_hand(tickets: dict[int, Tendered], lines: list[tuple[int, int, int]], parts: dict[int, int | Fraction]) -> None:
    assert card_parts_of(tickets, lines) == parts


TICKET = st.tuples(
    st.lists(st.tuples(st.integers(1, 3), st.integers(0, 500_00)), min_size=1, max_size=4),
    st.integers(0, 100),
    st.integers(0, 40_00),
)
"""Lines of (dealer, cents; dealer 3 is nobody), percent by card, tax."""


@given(st.lists(TICKET, max_size=8))
def test_refunding_everything_gives_back_exactly_and_no_part_is_of_tax(
    made: list[tuple[list[tuple[int, int]], int, int]],
) -> None:
    tickets, lines, card_less_tax = {}, [], Fraction(0)
    for n, (sold, percent, tax) in enumerate(made):
        net = sum(cents for _, cents in sold)
        total = net + tax
        card = total * percent // 100
        tickets[n], tickets[-1 - n] = Tendered(card, total), Tendered(-card, -total)
        lines += [(n, dealer, cents) for dealer, cents in sold if dealer != 3]
        card_less_tax += card - Fraction(card * tax, total) if total else 0
    parts = card_parts_of(tickets, lines)
    assert sum(parts.values()) <= card_less_tax
    back = card_parts_of(tickets, [*lines, *((-1 - n, dealer, -cents) for n, dealer, cents in lines)])
    assert set(back.values()) <= {0}
