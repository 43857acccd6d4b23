"""Tax of a ticket: computed from the whole, then shared among lines and jurisdictions so that every sum agrees.

Pure: the same lines, stack and rules give the same tax at the desk, in a test and ten years on.
Source of the rounding: Streamlined Sales and Use Tax Agreement s. 324 (carried to the third decimal, up when that decimal is
above four; on the item or the ticket; state and local rates may be aggregated first).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from decimal import Decimal
from fractions import Fraction

from coop.core.money import round_to_sum


@dataclass(frozen=True)
class StackRate:
    """One jurisdiction's rate in force for a tax class: percent, and the row it comes from."""

    jurisdiction_id: int
    rate_id: int
    percent: Decimal


@dataclass(frozen=True)
class TaxableLine:
    """A line to be taxed: its price in cents (negative for a return), the rates of its class, and of how many items it is."""

    price_cents: int
    rates: tuple[StackRate, ...]
    quantity: int = 1
    """Matters when tax is rounded by the item; its sign does not."""


@dataclass(frozen=True)
class LineTax:
    """Tax of one line for one jurisdiction, in cents."""

    line: int
    rate: StackRate
    taxable_cents: int
    amount_cents: int


def compute_tax(lines: Sequence[TaxableLine], *, basis: str, aggregated: bool) -> list[LineTax]:
    """Tax per line and jurisdiction, in order of line, then of the stack.

    `basis` is "item" (round each item) or "ticket" (round the sum); `aggregated` adds the rates up before rounding. What was
    rounded together is shared by largest remainder: each part is less than a cent (an item's cent) from its exact tax, also where
    sales and returns stand on one ticket. Minus the lines give minus the tax.
    """
    if basis not in ("item", "ticket"):
        raise ValueError(f"the basis of rounding is item or ticket, not {basis}")
    by_item = basis == "item"
    cells = [(n, rate) for n, line in enumerate(lines) for rate in line.rates]
    items = [max(1, abs(line.quantity)) if by_item else 1 for line in lines]
    groups: dict[tuple[int, int], list[int]] = {}
    for index, (n, rate) in enumerate(cells):
        groups.setdefault((n if by_item else -1, -1 if aggregated else rate.jurisdiction_id), []).append(index)
    amounts = [0] * len(cells)
    for members in groups.values():
        # Carried exactly, half-up is the agreement's "up when the third decimal is above four".
        exact = [Fraction(lines[n].price_cents, items[n]) * Fraction(r.percent) / 100 for n, r in (cells[i] for i in members)]
        for i, amount in zip(members, round_to_sum(exact), strict=True):
            amounts[i] = amount * items[cells[i][0]]
    return [LineTax(n, rate, lines[n].price_cents, amount) for (n, rate), amount in zip(cells, amounts, strict=True)]
