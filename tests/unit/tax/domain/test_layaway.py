"""A layaway across a rate change and a holiday, taxed at its agreement or at its completion, completed or cancelled."""

from __future__ import annotations

from datetime import date
from decimal import Decimal

import pytest

from coop.tax.domain.layaway import LayawayRule, cancel, complete, tax_day, tax_layaway, taxed_at
from coop.tax.domain.rules import ClassRate, Holiday, JurisdictionRules, Span, Stack
from coop.tax.domain.ticket import Layaway, LineToTax, TaxPart, TicketRefused, TicketToTax

RATES = (
    ClassRate(1, Decimal(5), during=Span(ends_on=date(2026, 6, 30))),
    ClassRate(2, Decimal(6), during=Span(date(2026, 7, 1))),
)
HOLIDAY = Holiday("August", Span(date(2026, 8, 1), date(2026, 8, 2)), frozenset({"clothing"}), 10000)
STACK = Stack((JurisdictionRules(1, "State", "55", RATES, holidays=(HOLIDAY,)),))
ACCEPTED = date(2026, 6, 1)
CHAIR = TicketToTax(ACCEPTED, (LineToTax(10000),))
COAT = TicketToTax(ACCEPTED, (LineToTax(10000, tax_class="clothing"),))


def test_taxed_at_the_agreement_it_keeps_the_rate_of_that_day() -> None:
    charged = tax_layaway(CHAIR, STACK, "agreement", Layaway(ACCEPTED))
    assert charged is not None
    assert charged.parts == (TaxPart(0, 1, 1, "", 10000, 500),)
    done = complete(CHAIR, STACK, "agreement", Layaway(ACCEPTED, date(2026, 9, 1)), charged)
    assert (done.parts, done.tax_cents) == ((), 0)


def test_taxed_at_completion_it_pays_the_rate_of_that_day() -> None:
    assert tax_layaway(CHAIR, STACK, "completion", Layaway(ACCEPTED)) is None
    done = complete(CHAIR, STACK, "completion", Layaway(ACCEPTED, date(2026, 9, 1)), None)
    assert done.parts == (TaxPart(0, 1, 2, "", 10000, 600),)


def test_completed_in_a_holiday_the_tax_of_the_agreement_comes_back() -> None:
    """Finally paid and handed over in the period: exempt (Streamlined Sales and Use Tax Agreement s. 322)."""
    charged = tax_layaway(COAT, STACK, "agreement", Layaway(ACCEPTED))
    done = complete(COAT, STACK, "agreement", Layaway(ACCEPTED, date(2026, 8, 1)), charged)
    assert done.parts == (TaxPart(0, 1, 1, "", -10000, -500),)
    assert done.tax.total_cents == 0
    assert complete(COAT, STACK, "completion", Layaway(ACCEPTED, date(2026, 8, 2)), None).tax_cents == 0


def test_not_completed_yet() -> None:
    with pytest.raises(TicketRefused, match="no day of completion"):
        complete(CHAIR, STACK, "completion", Layaway(ACCEPTED), None)


@pytest.mark.parametrize(("paid", "fee", "back", "kept"), [(3000, 1000, 2000, 1000), (600, 1000, 0, 600), (3000, 0, 3000, 0)])
def test_cancelled_it_gives_back_all_but_the_printed_fee(paid: int, fee: int, back: int, kept: int) -> None:
    charged = tax_layaway(CHAIR, STACK, "agreement", Layaway(ACCEPTED))
    cancelled = cancel(paid_cents=paid, printed_fee_cents=fee, charged=charged)
    assert (cancelled.given_back_cents, cancelled.fee_cents) == (back, kept)
    assert cancelled.parts == (TaxPart(0, 1, 1, "", -10000, -500),)
    assert cancel(paid_cents=paid, printed_fee_cents=fee, charged=None).parts == ()


def test_the_setting_of_the_day_of_the_agreement_decides() -> None:
    rules = [LayawayRule("agreement", Span(ends_on=ACCEPTED)), LayawayRule("completion", Span(date(2026, 6, 2)))]
    assert [taxed_at(rules, day) for day in (ACCEPTED, date(2026, 6, 2))] == ["agreement", "completion"]
    assert taxed_at([], ACCEPTED) == "completion"
    assert tax_day("agreement", Layaway(ACCEPTED, date(2026, 9, 1))) == ACCEPTED
    with pytest.raises(ValueError, match="Two rules of layaway hold"):
        taxed_at([LayawayRule("agreement"), LayawayRule("completion")], ACCEPTED)
