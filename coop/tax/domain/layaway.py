"""When a layaway is taxed, across changes of rates and holidays, and what a cancelled one gives back.

Each state's dated setting puts the tax at the agreement or at the completion; the setting of the day of the agreement decides for
the whole layaway. The payments are the customer's money until then.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, replace
from datetime import date
from typing import Literal

from coop.tax.domain.compiled import compile_stack
from coop.tax.domain.compute import tax_ticket
from coop.tax.domain.rules import ALWAYS, Span, Stack
from coop.tax.domain.ticket import Layaway, TaxPart, TicketRefused, TicketTax, TicketToTax

TaxedAt = Literal["agreement", "completion"]


@dataclass(frozen=True)
class LayawayRule:
    """A state's dated setting of when a layaway is taxed."""

    taxed_at: TaxedAt
    during: Span = ALWAYS


def taxed_at(rules: Iterable[LayawayRule], accepted_on: date) -> TaxedAt:
    """When a layaway of that day is taxed; at its completion where no rule says otherwise. ValueError when two rules hold."""
    found = [rule.taxed_at for rule in rules if rule.during.holds(accepted_on)]
    if len(found) > 1:
        raise ValueError(f"Two rules of layaway hold on {accepted_on}: end one of them.")
    return found[0] if found else "completion"


def tax_day(at: TaxedAt, layaway: Layaway) -> date | None:
    """The day whose rates tax it; None while that day has not come."""
    return layaway.accepted_on if at == "agreement" else layaway.completed_on


def tax_layaway(ticket: TicketToTax, stack: Stack, at: TaxedAt, layaway: Layaway) -> TicketTax | None:
    """The tax of a layaway as far as its dates are known; None while it is not taxed yet. `ticket.on` is not read."""
    day = tax_day(at, layaway)
    if day is None:
        return None
    return tax_ticket(replace(ticket, on=day, layaway=layaway), compile_stack(stack, day))


@dataclass(frozen=True)
class Completion:
    """What completing adds to what was charged: parts to write (negative where tax comes back), and their sum in cents."""

    parts: tuple[TaxPart, ...]
    tax_cents: int
    tax: TicketTax
    """The tax of the whole layaway, as it now stands."""


def complete(ticket: TicketToTax, stack: Stack, at: TaxedAt, layaway: Layaway, charged: TicketTax | None) -> Completion:
    """Finally paid and handed over. Taxed at completion: all of it now, by the rates of the day.

    Taxed at the agreement: nothing more, whatever the rates did since; but a holiday in which it is finally paid and handed over
    exempts it too (Streamlined Sales and Use Tax Agreement s. 322), and gives the tax charged back.
    """
    tax = tax_layaway(ticket, stack, at, layaway)
    if tax is None:
        raise TicketRefused("The layaway has no day of completion: give the day it was paid and handed over.")
    amounts: dict[tuple[int, int, int, str], tuple[int, int]] = {}
    for sign, parts in ((1, tax.parts), (-1, charged.parts if charged else ())):
        for part in parts:
            taxable, amount = amounts.get(part[:4], (0, 0))
            amounts[part[:4]] = (taxable + sign * part.taxable_cents, amount + sign * part.amount_cents)
    difference = tuple(TaxPart(*key, *value) for key, value in amounts.items() if any(value))
    return Completion(difference, sum(part.amount_cents for part in difference), tax)


@dataclass(frozen=True)
class Cancellation:
    """What a cancelled layaway gives back, in cents: to the customer, kept as the printed fee, and the tax rows to reverse."""

    given_back_cents: int
    fee_cents: int
    parts: tuple[TaxPart, ...]


def cancel(*, paid_cents: int, printed_fee_cents: int, charged: TicketTax | None) -> Cancellation:
    """All that was paid comes back but the fee printed on the agreement, never more than was paid; tax charged comes back."""
    if paid_cents < 0 or printed_fee_cents < 0:
        raise TicketRefused("What was paid and the printed fee cannot be negative.")
    fee = min(paid_cents, printed_fee_cents)
    parts = () if charged is None else charged.parts
    back = tuple(p._replace(taxable_cents=-p.taxable_cents, amount_cents=-p.amount_cents) for p in parts)
    return Cancellation(paid_cents - fee, fee, back)
