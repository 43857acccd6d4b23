"""What comes back is what was charged: whatever the rates are by then, in any portions and any order."""

from __future__ import annotations

from collections import Counter
from datetime import date
from decimal import Decimal

import pytest
from hypothesis import given
from hypothesis import strategies as st

from coop.tax.domain.compiled import compile_stack
from coop.tax.domain.compute import tax_ticket
from coop.tax.domain.refund import GivenBack, SoldLine, give_back, sold_line
from coop.tax.domain.rules import ArticleRule, ClassRate, ExemptClass, JurisdictionRules, Span, Stack, UpperTier
from coop.tax.domain.ticket import DELIVERY, LineToTax, TaxPart, TicketRefused, TicketToTax, Untaxed

ON = date(2023, 12, 31)
COUNTY = (
    ClassRate(1, Decimal("0.5"), during=Span(ends_on=ON)),
    ClassRate(2, Decimal("0.9"), during=Span(date(2024, 1, 1))),
)
TIER = UpperTier(9, "single-article", Decimal("2.75"), 160000, 320000)
STACK = Stack(
    (
        JurisdictionRules(1, "State", "47", (ClassRate(7, Decimal(7)),), articles=(ArticleRule(tiers=(TIER,)),)),
        JurisdictionRules(2, "County", "47", COUNTY, (ExemptClass("books"),), (ArticleRule(160000),)),
    )
)


def test_a_refund_after_a_rate_change_is_at_the_old_rate() -> None:
    charged = tax_ticket(TicketToTax(ON, (LineToTax(10000),)), compile_stack(STACK, ON))
    assert charged.by_jurisdiction() == {1: 700, 2: 50}
    back = give_back(sold_line(charged, 0, price_cents=10000, whole=1), 1)
    assert back.parts == (TaxPart(0, 1, 7, "", -10000, -700), TaxPart(0, 2, 1, "", -10000, -50))
    assert (back.price_cents, back.tax_cents) == (-10000, -750)


def test_two_of_three_and_then_the_last() -> None:
    """Ten cents of tax on three: 7 for two of them, 3 for the third (derived: the tax kept is half-up of what is left)."""
    sold = SoldLine(100, 3, (TaxPart(0, 1, 7, "", 100, 10),))
    assert [give_back(sold, 2).tax_cents, give_back(sold, 1, before=2).tax_cents] == [-7, -3]


def test_a_part_of_a_price_and_of_a_delivery_come_back() -> None:
    sold = SoldLine(350, 350, (TaxPart(DELIVERY, 1, 7, "", 117, 8),), (Untaxed(DELIVERY, 1, "exempt", "delivery", 233),))
    some, rest = give_back(sold, 100), give_back(sold, 250, before=100)
    assert some.price_cents == -100
    assert some.parts[0].amount_cents + rest.parts[0].amount_cents == -8


@pytest.mark.parametrize(
    ("now", "before", "says"), [(3, 1, "Only 2 of 3 are left to return, not 3"), (0, 0, "gives nothing back"), (-1, 0, "gives")]
)
def test_never_more_than_was_sold(now: int, before: int, says: str) -> None:
    with pytest.raises(TicketRefused, match=says):
        give_back(SoldLine(100, 3, ()), now, before)


@st.composite
def sold_lines(draw: st.DrawFn) -> SoldLine:
    quantity, sign = draw(st.integers(1, 9)), draw(st.sampled_from([1, -1]))
    price = draw(st.integers(0, 1_000_000))
    discount = draw(st.integers(0, price))
    tax_class = draw(st.sampled_from(["general", "books"]))
    line = LineToTax(price * sign, quantity * sign, tax_class, discount_cents=discount * sign)
    charged = tax_ticket(TicketToTax(ON, (LineToTax(123), line)), compile_stack(STACK, ON))
    return sold_line(charged, 1, price_cents=price * sign, whole=quantity)


def rows(back: GivenBack) -> Counter[object]:
    cents: Counter[object] = Counter(price=back.price_cents)
    for part in back.parts:
        cents[part[:4], "taxable"] += part.taxable_cents
        cents[part[:4], "tax"] += part.amount_cents
    for row in back.untaxed:
        cents[row[:4]] += row.amount_cents
    return cents


@given(sold=sold_lines(), data=st.data())
def test_any_partition_adds_up_to_what_was_charged(sold: SoldLine, data: st.DataObject) -> None:
    added: Counter[object] = Counter()
    before = 0
    while before < sold.whole:
        now = data.draw(st.integers(1, sold.whole - before))
        back = give_back(sold, now, before)
        # Each return makes up its price again in each jurisdiction, and gives back no tax of the other sign.
        for key in (1, 2):
            made = sum(p.taxable_cents for p in back.parts if p.jurisdiction_id == key and not p.part)
            assert made + sum(u.amount_cents for u in back.untaxed if u.jurisdiction_id == key) == back.price_cents
        assert all(part.amount_cents * sold.price_cents <= 0 for part in back.parts)
        for key, cents in rows(back).items():
            added[key] += cents
        before += now
    charged = rows(GivenBack(sold.price_cents, sold.parts, sold.untaxed))
    assert dict(added) == {key: -cents for key, cents in charged.items()}


@given(sold=sold_lines())
def test_everything_at_once_is_everything(sold: SoldLine) -> None:
    back = give_back(sold, sold.whole)
    assert back.parts == tuple(p._replace(taxable_cents=-p.taxable_cents, amount_cents=-p.amount_cents) for p in sold.parts)
    assert back.untaxed == tuple(u._replace(amount_cents=-u.amount_cents) for u in sold.untaxed)
