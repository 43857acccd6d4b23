"""Tax of a ticket, against published rules and examples."""

from __future__ import annotations

from dataclasses import replace
from datetime import date
from decimal import Decimal

import pytest

from coop.tax.domain.compiled import compile_stack
from coop.tax.domain.compute import tax_ticket
from coop.tax.domain.rules import (
    ArticleRule,
    ClassRate,
    DeliveryRule,
    ExemptClass,
    Holiday,
    JurisdictionRules,
    ReductionRule,
    Span,
    Stack,
    Threshold,
    UpperTier,
    combined_percent,
)
from coop.tax.domain.ticket import (
    DELIVERY,
    Certificate,
    Layaway,
    LineToTax,
    TaxPart,
    TicketRefused,
    TicketTax,
    TicketToTax,
    Untaxed,
)

ON = date(2026, 8, 1)
STATE, LOCAL, CITY = 1, 2, 3


def jurisdiction(
    key: int, percent: str, *more: ClassRate, state: str = "55", name: str = "", **rules: object
) -> JurisdictionRules:
    rates = (ClassRate(100 + key, Decimal(percent)), *more)
    return JurisdictionRules(key, name or f"Place {key}", state, rates, **rules)  # type: ignore[arg-type]


def tax(stack: Stack, *lines: LineToTax, on: date = ON, **ticket: object) -> TicketTax:
    return tax_ticket(TicketToTax(on, lines, **ticket), compile_stack(stack, on))  # type: ignore[arg-type]


def alone(percent: str = "10", *more: ClassRate, **rules: object) -> Stack:
    return Stack((jurisdiction(STATE, percent, *more, **rules),))


MILWAUKEE = (jurisdiction(STATE, "5"), jurisdiction(LOCAL, "0.9"), jurisdiction(CITY, "2"))
"""7.9% together since 2024 (Wisconsin's Streamlined rate file; its Department of Revenue's FAQ)."""


# --- rounding: Streamlined Sales and Use Tax Agreement s. 324 (RCW 82.08.054 says the same) ----------------------------------


@pytest.mark.parametrize(("tenths", "cents"), [(4, 0), (5, 1), (14, 1), (15, 2), (-4, 0), (-5, -1), (-15, -2), (0, 0)])
def test_r1_the_third_decimal_above_four_goes_up(tenths: int, cents: int) -> None:
    sign = -1 if tenths < 0 else 1
    assert tax(alone(), LineToTax(tenths, sign)).total_cents == cents


@pytest.mark.parametrize(("basis", "cents"), [("item", 51), ("ticket", 50)])
@pytest.mark.parametrize("lines", [(LineToTax(627, 3),), (LineToTax(209),) * 3], ids=["one line", "three lines"])
def test_r2_by_the_item_or_by_the_ticket(basis: str, cents: int, lines: tuple[LineToTax, ...]) -> None:
    """3 x $2.09 at 7.9% (derived from s. 324)."""
    assert tax(Stack(MILWAUKEE, basis), *lines).total_cents == cents  # type: ignore[arg-type]


def test_r3_is_rounded_once() -> None:
    """$0.82 at 7.9% is 0.06478: 0.06; by way of 0.065 it would be 0.07, and wrong (derived from s. 324)."""
    assert tax(Stack(MILWAUKEE), LineToTax(82)).total_cents == 6


@pytest.mark.parametrize(("aggregated", "cents"), [(True, 10), (False, 11)])
def test_r4_aggregated_or_by_jurisdiction(aggregated: bool, cents: int) -> None:
    """$1.30 at 5 + 0.9 + 2%: s. 324 lets rates be aggregated, Ohio's rate-table instructions round each (derived)."""
    assert tax(Stack(MILWAUKEE, aggregated=aggregated), LineToTax(130)).total_cents == cents


def test_small_shares_of_many_lines_are_not_lost() -> None:
    """A tenth of a percent of a hundred lines of 1.99 is 0.20, though each line's is a fifth of a cent (derived)."""
    charged = tax(Stack((jurisdiction(STATE, "5"), jurisdiction(LOCAL, "0.1"))), *[LineToTax(199)] * 100)
    assert charged.by_jurisdiction() == {STATE: 995, LOCAL: 20}


# --- articles -------------------------------------------------------------------------------------------------------------

TENNESSEE = Stack(
    (
        jurisdiction(
            STATE, "7", articles=(ArticleRule(tiers=(UpperTier(9, "single-article", Decimal("2.75"), 160000, 320000),)),)
        ),
        jurisdiction(LOCAL, "2.25", articles=(ArticleRule(cap_cents=160000),)),
    )
)


def test_p1_one_table_at_4000_dollars_in_tennessee() -> None:
    """Tennessee Department of Revenue, SUT-6."""
    charged = tax(TENNESSEE, LineToTax(400000))
    assert charged.by_part() == {(STATE, ""): 28000, (STATE, "single-article"): 4400, (LOCAL, ""): 3600}
    assert charged.total_cents == 36000
    assert charged.untaxed == (Untaxed(0, LOCAL, "exempt", "over the cap", 240000),)
    assert [part.taxable_cents for part in charged.parts] == [400000, 160000, 160000]


def test_p1_the_cap_is_per_article() -> None:
    """Two tables of $2,000 are two articles, on one line or on two; a single cent over $1,600 is in the upper tier."""
    pair = {(STATE, ""): 28000, (STATE, "single-article"): 2200, (LOCAL, ""): 7200}
    assert tax(TENNESSEE, LineToTax(400000, 2)).by_part() == pair
    assert tax(TENNESSEE, LineToTax(200000), LineToTax(200000)).by_part() == pair
    assert tax(TENNESSEE, LineToTax(160000)).by_part() == {(STATE, ""): 11200, (LOCAL, ""): 3600}
    assert [p.taxable_cents for p in tax(TENNESSEE, LineToTax(160001)).parts if p.part] == [1]
    assert [p.taxable_cents for p in tax(TENNESSEE, LineToTax(-400000, -2)).parts if p.part] == [-80000]


def test_articles_of_a_line_that_does_not_divide_are_a_cent_apart() -> None:
    """Two for $3,200.01: one of $1,600.01, with its cent in the upper tier, and one of $1,600.00 (derived)."""
    assert [p.taxable_cents for p in tax(TENNESSEE, LineToTax(320001, 2)).parts] == [320001, 1, 320000]


# --- coupons, discounts, trade-ins ----------------------------------------------------------------------------------------


def test_p5_a_maker_s_coupon_leaves_the_price() -> None:
    """Iowa rule 701-203.3, example 1."""
    assert tax(alone(), LineToTax(150, maker_coupon_cents=30)).parts[0].taxable_cents == 150


def test_p6_a_seller_s_two_for_one() -> None:
    """Iowa rule 701-203.3, example 2: two at $2 each, one free."""
    charged = tax(alone(), LineToTax(400, 2, seller_coupon_cents=200))
    assert charged.parts[0].taxable_cents == 200
    assert charged.untaxed == (Untaxed(0, STATE, "deduction", "seller's coupon", 200),)
    assert tax(alone(), LineToTax(200), LineToTax(0)).parts[0].taxable_cents == 200


@pytest.mark.parametrize(("reduces", "taxable"), [(True, 7000), (False, 10000)])
def test_a_trade_in_reduces_the_base_or_not(reduces: bool, taxable: int) -> None:
    stack = alone(reductions=(ReductionRule(trade_in=reduces),))
    for charged in (tax(stack, LineToTax(10000, trade_in_cents=3000)), tax(stack, LineToTax(10000), trade_in_cents=3000)):
        assert charged.parts[0].taxable_cents == taxable
    assert tax(alone(), LineToTax(10000, trade_in_cents=3000)).parts[0].taxable_cents == 10000


def test_a_jurisdiction_may_rule_otherwise_of_coupons() -> None:
    stack = alone(reductions=(ReductionRule(seller_coupon=False, maker_coupon=True),))
    assert tax(stack, LineToTax(1000, seller_coupon_cents=100, maker_coupon_cents=30)).parts[0].taxable_cents == 970


def test_a_discount_of_the_ticket_leaves_a_cent_over_three_dealers() -> None:
    """A dollar off three things of $10: 34, 33 and 33 cents (largest remainder, ties to the earlier)."""
    charged = tax(alone(), *[LineToTax(1000)] * 3, discount_cents=100)
    assert [part.taxable_cents for part in charged.parts] == [966, 967, 967]
    assert charged.total_cents == 290


@pytest.mark.parametrize(
    ("line", "ticket", "says"),
    [
        (LineToTax(1000, discount_cents=1001), {}, "Line 1: discount, coupons and trade-in"),
        (LineToTax(1000, discount_cents=-1), {}, "Line 1: discount, coupons and trade-in"),
        (LineToTax(1000, discount_cents=600), {"seller_coupon_cents": 401}, "The ticket's seller coupon is more than"),
        (LineToTax(1000, 0), {}, "Line 1 is of no articles"),
        (LineToTax(1000, -1), {}, "Line 1: price and quantity are both positive"),
    ],
)
def test_what_cannot_be_is_refused(line: LineToTax, ticket: dict[str, int], says: str) -> None:
    with pytest.raises(TicketRefused, match=says):
        tax(alone(), line, **ticket)


# --- classes, thresholds, delivery ----------------------------------------------------------------------------------------


def test_a_class_taxed_by_the_state_and_not_by_the_city() -> None:
    stack = Stack((jurisdiction(STATE, "5"), jurisdiction(CITY, "2", exempt_classes=(ExemptClass("clothing"),))))
    charged = tax(stack, LineToTax(1000, tax_class="clothing"), LineToTax(500))
    assert charged.by_jurisdiction() == {STATE: 75, CITY: 10}
    assert charged.untaxed == (Untaxed(0, CITY, "exempt", "exempt class", 1000),)
    assert combined_percent(stack, ON, "clothing") == 5


def test_a_reduced_rate_and_a_class_without_one() -> None:
    stack = alone("7", ClassRate(8, Decimal(4), "food"))
    assert [p.rate_id for p in tax(stack, LineToTax(1, tax_class="food"), LineToTax(1, tax_class="books")).parts] == [8, 101]


@pytest.mark.parametrize(
    ("threshold", "price", "taxable"),
    [
        # Clothing under $110 is exempt in New York, wholly (Tax Law s. 1115(a)(30), from memory).
        (Threshold(frozenset({"clothing"}), 11000, limit_included=False), 10999, 0),
        (Threshold(frozenset({"clothing"}), 11000, limit_included=False), 11000, 11000),
        # In Massachusetts only what is above $175 of an article is taxed (M.G.L. c. 64H s. 6(k), from memory).
        (Threshold(frozenset({"clothing"}), 17500, excess_only=True), 17500, 0),
        (Threshold(frozenset({"clothing"}), 17500, excess_only=True), 20000, 2500),
    ],
)
def test_an_article_under_a_price_is_exempt_all_year(threshold: Threshold, price: int, taxable: int) -> None:
    charged = tax(alone(thresholds=(threshold,)), LineToTax(2 * price, 2, tax_class="clothing"))
    assert sum(part.taxable_cents for part in charged.parts) == 2 * taxable
    assert sum(row.amount_cents for row in charged.untaxed) == 2 * (price - taxable)


FOOD_EXEMPT = (ExemptClass("food"),)


@pytest.mark.parametrize(("how", "taxable"), [("proportion", 117), ("taxable", 350), ("exempt", 0)])
def test_p7_delivery_of_taxable_and_exempt_goods(how: str, taxable: int) -> None:
    """$5 taxable and $10 exempt, delivery $3.50: a third of it, 1.17 (CDTFA annotation 557.0111; the cents derived)."""
    stack = alone(exempt_classes=FOOD_EXEMPT, deliveries=(DeliveryRule(how),))  # type: ignore[arg-type]
    charged = tax(stack, LineToTax(500), LineToTax(1000, tax_class="food"), delivery_cents=350)
    assert sum(part.taxable_cents for part in charged.parts if part.line == DELIVERY) == taxable
    assert sum(row.amount_cents for row in charged.untaxed if row.line == DELIVERY) == 350 - taxable
    back = tax(stack, LineToTax(-500, -1), LineToTax(-1000, -1, "food"), delivery_cents=-350)
    assert back.total_cents == -charged.total_cents


@pytest.mark.parametrize(("tax_class", "taxable"), [("general", 350), ("food", 0)])
def test_delivery_of_an_item_of_nothing_is_taxed_when_the_item_would_be(tax_class: str, taxable: int) -> None:
    stack = alone(exempt_classes=FOOD_EXEMPT, deliveries=(DeliveryRule("proportion"),))
    charged = tax(stack, LineToTax(0, tax_class=tax_class), delivery_cents=350)
    assert sum(part.taxable_cents for part in charged.parts if part.line == DELIVERY) == taxable


def test_delivery_of_nothing_taxable_is_not_taxed() -> None:
    assert tax(alone(exempt_classes=FOOD_EXEMPT), LineToTax(1000, tax_class="food"), delivery_cents=350).total_cents == 0


def test_delivery_follows_the_rates_of_what_it_delivers() -> None:
    stack = alone("10", ClassRate(8, Decimal(4), "food"))
    charged = tax(stack, LineToTax(1000), LineToTax(3000, tax_class="food"), delivery_cents=400)
    assert [(p.rate_id, p.taxable_cents) for p in charged.parts if p.line == DELIVERY] == [(101, 100), (8, 300)]


# --- holidays: Streamlined Sales and Use Tax Agreement s. 322 -----------------------------------------------------------------

HOLIDAY = Holiday("August", Span(date(2026, 7, 31), date(2026, 8, 2)), frozenset({"clothing"}), 10000)
WITH_HOLIDAY = alone(holidays=(HOLIDAY,))


@pytest.mark.parametrize(
    ("line", "taxable"),
    [
        (LineToTax(10000, tax_class="clothing"), 0),
        (LineToTax(10001, tax_class="clothing"), 10001),
        (LineToTax(12000, tax_class="clothing", discount_cents=2000), 0),
        (LineToTax(12000, tax_class="clothing", maker_coupon_cents=2000), 12000),
        (LineToTax(30000, 3, "clothing"), 0),
        # One of the three is a cent over: an article is wholly in or wholly out.
        (LineToTax(30001, 3, "clothing"), 10001),
        (LineToTax(5000), 5000),
    ],
)
def test_p9_an_article_is_wholly_in_or_wholly_out(line: LineToTax, taxable: int) -> None:
    charged = tax(WITH_HOLIDAY, line)
    assert sum(part.taxable_cents for part in charged.parts) == taxable
    net = line.price_cents - line.discount_cents
    assert sum(r.amount_cents for r in charged.untaxed if r.reason == "holiday") == net - taxable


def test_p9_buy_one_get_one_is_not_averaged() -> None:
    """One at $150 and one free are not two at $75."""
    charged = tax(WITH_HOLIDAY, LineToTax(15000, tax_class="clothing"), LineToTax(0, tax_class="clothing"))
    assert charged.total_cents == 1500


def test_p9_delivery_of_an_exempt_gift_is_not_taxed() -> None:
    """A coat for nothing is within the limit like any other: there is nothing taxable to deliver."""
    assert tax(WITH_HOLIDAY, LineToTax(0, tax_class="clothing"), delivery_cents=500).total_cents == 0


def test_p9_a_statute_that_says_below() -> None:
    stack = alone(holidays=(replace(HOLIDAY, limit_included=False),))
    assert tax(stack, LineToTax(10000, tax_class="clothing")).total_cents == 1000
    assert tax(stack, LineToTax(9999, tax_class="clothing")).total_cents == 0


@pytest.mark.parametrize(
    ("on", "cents"), [(date(2026, 7, 30), 1000), (date(2026, 7, 31), 0), (date(2026, 8, 2), 0), (date(2026, 8, 3), 1000)]
)
def test_p9_the_days_of_a_holiday(on: date, cents: int) -> None:
    assert tax(WITH_HOLIDAY, LineToTax(10000, tax_class="clothing"), on=on).total_cents == cents


@pytest.mark.parametrize(
    ("accepted", "completed", "cents"),
    [
        (date(2026, 8, 1), date(2026, 10, 1), 0),
        (date(2026, 5, 1), date(2026, 8, 1), 0),
        (date(2026, 5, 1), date(2026, 10, 1), 1000),
        (date(2026, 5, 1), None, 1000),
    ],
)
def test_p9_a_layaway_accepted_or_finally_paid_in_the_period(accepted: date, completed: date | None, cents: int) -> None:
    on = date(2026, 10, 1)
    charged = tax(WITH_HOLIDAY, LineToTax(10000, tax_class="clothing"), on=on, layaway=Layaway(accepted, completed))
    assert charged.total_cents == cents


# --- buyers ---------------------------------------------------------------------------------------------------------------

RESALE = Certificate("R-17", "resale", frozenset({"55"}), date(2025, 1, 1), date(2026, 12, 31))


def test_a_resale_buyer_takes_one_thing_for_the_shop_s_own_use() -> None:
    charged = tax(Stack(MILWAUKEE), LineToTax(1000), LineToTax(2000, own_use=True), certificate=RESALE)
    assert charged.by_line() == {1: 158}
    assert {(row.line, row.reason) for row in charged.untaxed} == {(0, "resale")}


def test_an_exempt_buyer_pays_nothing_also_for_delivery() -> None:
    school = replace(RESALE, kind="exempt")
    charged = tax(alone(), LineToTax(1000, own_use=True), delivery_cents=500, certificate=school)
    assert charged.parts == ()
    assert charged.untaxed == (
        Untaxed(0, STATE, "exempt", "exempt buyer", 1000),
        Untaxed(DELIVERY, STATE, "exempt", "delivery", 500),
    )


@pytest.mark.parametrize(
    ("change", "says"),
    [
        ({"expires_on": date(2026, 7, 31)}, "Certificate R-17 expired on 2026-07-31"),
        ({"starts_on": date(2026, 8, 2)}, "Certificate R-17 holds from 2026-08-02"),
        ({"states": frozenset({"27"})}, "Certificate R-17 does not hold in the state of Place 1"),
    ],
)
def test_a_certificate_that_does_not_hold_is_refused(change: dict[str, object], says: str) -> None:
    with pytest.raises(TicketRefused, match=says):
        tax(alone(), LineToTax(1000), certificate=replace(RESALE, **change))  # type: ignore[arg-type]
    assert tax(alone(), LineToTax(1000), certificate=replace(RESALE, expires_on=ON)).total_cents == 0


# --- edges ----------------------------------------------------------------------------------------------------------------


def test_an_item_of_nothing() -> None:
    assert tax(alone(), LineToTax(0)).parts == (TaxPart(0, STATE, 101, "", 0, 0),)
    assert tax(alone()).total_cents == 0


def test_a_negative_ticket() -> None:
    charged = tax(Stack(MILWAUKEE), LineToTax(-130, -1), LineToTax(100))
    assert charged.total_cents == -2
    assert charged.by_line() == {0: -10, 1: 8}


def test_a_rate_that_changes_at_midnight() -> None:
    county = (
        ClassRate(1, Decimal("0.5"), during=Span(ends_on=date(2023, 12, 31))),
        ClassRate(2, Decimal("0.9"), during=Span(date(2024, 1, 1))),
    )
    stack = Stack((JurisdictionRules(LOCAL, "County", "55", county),))
    assert [tax(stack, LineToTax(10000), on=on).parts[0][2:] for on in (date(2023, 12, 31), date(2024, 1, 1))] == [
        (1, "", 10000, 50),
        (2, "", 10000, 90),
    ]


def test_a_district_whose_rate_has_ended_taxes_nothing() -> None:
    stadium = JurisdictionRules(9, "Stadium", "55", (ClassRate(9, Decimal("0.1"), during=Span(ends_on=date(2020, 3, 31))),))
    charged = tax(Stack((*MILWAUKEE, stadium)), LineToTax(10000))
    assert charged.by_jurisdiction() == {STATE: 500, LOCAL: 90, CITY: 200}
    assert charged.untaxed == ()


def test_two_rules_for_one_day_contradict_each_other() -> None:
    with pytest.raises(ValueError, match="Place 1 has two rates for general on 2026-08-01"):
        compile_stack(alone("5", ClassRate(2, Decimal(6))), ON)
    with pytest.raises(ValueError, match="Delivery in Place 1: two rules hold"):
        compile_stack(alone(deliveries=(DeliveryRule("exempt"), DeliveryRule("taxable"))), ON)
    with pytest.raises(ValueError, match="names a jurisdiction twice"):
        Stack((MILWAUKEE[0], MILWAUKEE[0]))


def test_rules_of_another_day_are_not_used() -> None:
    with pytest.raises(ValueError, match="taxed by the rules of that day"):
        tax_ticket(TicketToTax(date(2026, 8, 2), ()), compile_stack(alone(), ON))


@pytest.mark.parametrize(
    "rule",
    [
        lambda: Span(date(2026, 2, 1), date(2026, 1, 1)),
        lambda: ClassRate(1, Decimal(-1)),
        lambda: UpperTier(1, "upper", Decimal(1), 100, 100),
        lambda: ArticleRule(cap_cents=-1),
        lambda: Holiday("August", Span(ON, ON), frozenset()),
        lambda: Holiday("August", Span(ON), frozenset({"books"})),
        lambda: Threshold(frozenset(), 100),
        lambda: Stack(basis="week"),  # type: ignore[arg-type]
    ],
)
def test_a_rule_that_cannot_be_meant(rule: object) -> None:
    with pytest.raises(ValueError, match=r"\.$"):
        rule()  # type: ignore[operator]
