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

from coop.core.money import allocate, round_half_up


@dataclass(frozen=True)
class StackRate:
    """One jurisdiction's rate in force for a tax class: percent, and the row it comes from."""

    jurisdiction_id: int
    rate_id: int
    percent: Decimal


@dataclass(frozen=True)
class TaxableLine:
    """A line to be taxed: its price in cents (negative for a return) and the rates of its class."""

    price_cents: int
    rates: tuple[StackRate, ...]


@dataclass(frozen=True)
class LineTax:
    """Tax of one line for one jurisdiction, in cents."""

    line: int
    rate: StackRate
    taxable_cents: int
    amount_cents: int


def round_tax(exact_cents: Fraction) -> int:
    """Tax to the cent. Third decimal above four rounds up: for a value carried exactly that is half-up."""
    return round_half_up(exact_cents)


def compute_tax(lines: Sequence[TaxableLine], *, basis: str, aggregated: bool) -> list[LineTax]:
    """Tax per line and jurisdiction, in order of line, then of the stack.

    `basis` is "item" (round each line) or "ticket" (round the sum); `aggregated` adds the rates up before rounding.
    """
    if basis not in ("item", "ticket"):
        raise ValueError(f"the basis of rounding is item or ticket, not {basis}")
    cells = [
        (n, rate, Fraction(line.price_cents) * Fraction(rate.percent) / 100)
        for n, line in enumerate(lines)
        for rate in line.rates
    ]
    groups: dict[tuple[int, int], list[int]] = {}
    for index, (n, rate, _) in enumerate(cells):
        key = (n if basis == "item" else -1, -1 if aggregated else rate.jurisdiction_id)
        groups.setdefault(key, []).append(index)
    amounts = [0] * len(cells)
    for members in groups.values():
        exact = [cells[i][2] for i in members]
        total = round_tax(sum(exact, Fraction(0)))
        for i, amount in zip(members, _share(total, exact), strict=True):
            amounts[i] = amount
    return [LineTax(n, rate, lines[n].price_cents, amount) for (n, rate, _), amount in zip(cells, amounts, strict=True)]


def _share(total: int, exact: Sequence[Fraction]) -> list[int]:
    """Share a rounded tax by what each cell would be exactly; a ticket whose taxes cancel out shares nothing by rounding each."""
    if sum(exact, Fraction(0)) != 0:
        return allocate(total, exact)
    # Sales and returns on one ticket that cancel exactly: each rounds by itself, and the last takes what rounding leaves.
    parts = [round_tax(x) for x in exact]
    if parts:
        parts[-1] += total - sum(parts)
    return parts
