"""A layaway across a rate change and a holiday, taxed at its agreement or at its completion, completed or cancelled."""

from __future__ import annotations

from dataclasses import replace
from datetime import date
from decimal import Decimal

import pytest

from coop.tax.domain.compiled import compile_stack
from coop.tax.domain.compute import tax_ticket
from coop.tax.domain.layaway import TaxedAt, cancel, complete, tax_day, taxed_at
from coop.tax.domain.rules import ClassRate, Holiday, JurisdictionRules, Span, Stack
from coop.tax.domain.ticket import Layaway, LineToTax, TaxPart, TicketRefused, TicketTax, TicketToTax, Untaxed

RATES = (
    ClassRate(1, Decimal(5), during=Span(ends_on=date(2026, 6, 30))),
    ClassRate(2, Decimal(6), during=Span(date(2026, 7, 1))),
)
HOLIDAY = Holiday("August", Span(date(2026, 8, 1), date(2026, 8, 2)), frozenset({"clothing"}), 10000)
STACK = Stack((JurisdictionRules(1, "State", "55", RATES, holidays=(HOLIDAY,)),))
ACCEPTED = date(2026, 6, 1)
CHAIR = TicketToTax(ACCEPTED, (LineToTax(10000),))
COAT = TicketToTax(ACCEPTED, (LineToTax(10000, tax_class="clothing"),))
NOTHING = TicketTax((), ())


def tax_of(ticket: TicketToTax, at: TaxedAt, completed_on: date | None = None) -> TicketTax:
    """Its tax by the rates of the day that counts."""
    layaway = Layaway(ACCEPTED, completed_on)
    day = tax_day(at, layaway)
    assert day is not None
    return tax_ticket(replace(ticket, on=day, layaway=layaway), compile_stack(STACK, day))


def test_taxed_at_the_agreement_it_keeps_the_rate_of_that_day() -> None:
    charged = tax_of(CHAIR, "agreement")
    assert charged.parts == (TaxPart(0, 1, 1, "", 10000, 500),)
    assert complete(tax_of(CHAIR, "agreement", date(2026, 9, 1)), charged) == NOTHING


def test_taxed_at_completion_it_pays_the_rate_of_that_day() -> None:
    assert tax_day("completion", Layaway(ACCEPTED)) is None
    tax = tax_of(CHAIR, "completion", date(2026, 9, 1))
    assert complete(tax, NOTHING).parts == (TaxPart(0, 1, 2, "", 10000, 600),)


def test_completed_in_a_holiday_the_tax_of_the_agreement_comes_back() -> None:
    """Finally paid and handed over in the period: exempt (Streamlined Sales and Use Tax Agreement s. 322)."""
    done = complete(tax_of(COAT, "agreement", date(2026, 8, 1)), tax_of(COAT, "agreement"))
    assert done.parts == (TaxPart(0, 1, 1, "", -10000, -500),)
    assert done.untaxed == (Untaxed(0, 1, "exempt", "holiday", 10000),)
    assert tax_of(COAT, "completion", date(2026, 8, 2)).total_cents == 0


@pytest.mark.parametrize(("paid", "fee", "back", "kept"), [(3000, 1000, 2000, 1000), (600, 1000, 0, 600), (3000, 0, 3000, 0)])
def test_cancelled_it_gives_back_all_but_the_printed_fee(paid: int, fee: int, back: int, kept: int) -> None:
    cancelled = cancel(paid_cents=paid, printed_fee_cents=fee, charged=tax_of(CHAIR, "agreement"))
    assert (cancelled.given_back_cents, cancelled.fee_cents) == (back, kept)
    assert cancelled.tax.parts == (TaxPart(0, 1, 1, "", -10000, -500),)
    assert cancel(paid_cents=paid, printed_fee_cents=fee, charged=NOTHING).tax == NOTHING


@pytest.mark.parametrize(("paid", "fee"), [(-1, 0), (0, -1)])
def test_nothing_below_zero_is_given_back(paid: int, fee: int) -> None:
    with pytest.raises(TicketRefused, match="cannot be negative"):
        cancel(paid_cents=paid, printed_fee_cents=fee, charged=NOTHING)


def test_the_settings_of_the_day_of_the_agreement_decide() -> None:
    assert taxed_at(["agreement", "agreement"]) == "agreement"
    assert taxed_at(["completion"]) == taxed_at([]) == "completion"
    with pytest.raises(TicketRefused, match="some do so at its agreement and some at its completion: set it for the whole state"):
        taxed_at(["agreement", "completion"])
