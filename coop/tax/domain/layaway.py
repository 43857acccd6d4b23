"""When a layaway is taxed, across changes of rates and holidays, and what a cancelled one gives back.

Each state's dated setting puts the tax at the agreement or at the completion; the setting of the day of the agreement decides for
the whole layaway. The payments are the customer's money until then.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from datetime import date
from typing import Literal

from coop.tax.domain.ticket import Layaway, TaxPart, TicketRefused, TicketTax, Untaxed

TaxedAt = Literal["agreement", "completion"]


def taxed_at(settings: Iterable[str]) -> TaxedAt:
    """When a layaway is taxed, by the settings of the jurisdictions that tax it on the day of its agreement.

    A ticket is rounded as a whole and shared among its jurisdictions, so it is taxed on one day: TicketRefused when they differ.
    """
    found = set(settings)
    if len(found) > 1:
        raise TicketRefused(
            "Of the jurisdictions that tax a layaway here, some do so at its agreement and some at its completion: "
            "set it for the whole state."
        )
    return "agreement" if found == {"agreement"} else "completion"


def tax_day(at: TaxedAt, layaway: Layaway) -> date | None:
    """The day whose rates tax it; None while that day has not come."""
    return layaway.accepted_on if at == "agreement" else layaway.completed_on


def complete(tax: TicketTax, charged: TicketTax) -> TicketTax:
    """The rows that completing adds, so that with those `charged` at the agreement they make up `tax`, that of the whole.

    Taxed at the agreement: none, whatever the rates did since; but a holiday in which it is finally paid and handed over exempts
    it too (Streamlined Sales and Use Tax Agreement s. 322), and gives the tax charged back as rows below zero.
    """
    parts: dict[tuple[int, int, int, str], tuple[int, int]] = {}
    untaxed: dict[tuple[int, int, str, str], int] = {}
    for sign, one in ((1, tax), (-1, charged)):
        for part in one.parts:
            taxable, amount = parts.get(part[:4], (0, 0))
            parts[part[:4]] = (taxable + sign * part.taxable_cents, amount + sign * part.amount_cents)
        for row in one.untaxed:
            untaxed[row[:4]] = untaxed.get(row[:4], 0) + sign * row.amount_cents
    return TicketTax(
        tuple(TaxPart(*key, *value) for key, value in parts.items() if any(value)),
        tuple(Untaxed(*key, amount) for key, amount in untaxed.items() if amount),  # type: ignore[arg-type]
    )


@dataclass(frozen=True)
class Cancellation:
    """What a cancelled layaway gives back, in cents: to the customer, kept as the printed fee, and the tax rows that undo it."""

    given_back_cents: int
    fee_cents: int
    tax: TicketTax


def cancel(*, paid_cents: int, printed_fee_cents: int, charged: TicketTax) -> Cancellation:
    """All that was paid comes back but the fee printed on the agreement, never more than was paid; tax charged comes back."""
    if paid_cents < 0 or printed_fee_cents < 0:
        raise TicketRefused("What was paid and the printed fee cannot be negative.")
    fee = min(paid_cents, printed_fee_cents)
    return Cancellation(paid_cents - fee, fee, complete(TicketTax((), ()), charged))
