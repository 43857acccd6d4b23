"""Tickets a second on one core, by processor time: a plain mall, and one with every rule there is."""

from __future__ import annotations

import time
from collections.abc import Callable
from datetime import date
from decimal import Decimal

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
)
from coop.tax.domain.ticket import LineToTax, TicketToTax

ON = date(2026, 8, 1)
PLAIN = Stack(
    tuple(JurisdictionRules(n, f"Place {n}", "55", (ClassRate(n, Decimal(p)),)) for n, p in enumerate(("5", "0.9", "2")))
)
BY_ITEM = Stack(PLAIN.jurisdictions, "item", aggregated=False)
CLOTHING = frozenset({"clothing"})
EVERYTHING = Stack(
    tuple(
        JurisdictionRules(
            n,
            f"Place {n}",
            "47",
            (ClassRate(n, Decimal(percent)), ClassRate(10 + n, Decimal(1), "food")),
            (ExemptClass("books"),),
            (ArticleRule(160000, (UpperTier(20 + n, "single-article", Decimal("2.75"), 160000, 320000),)),),
            (Holiday("August", Span(ON, ON), CLOTHING, 10000),),
            (Threshold(CLOTHING, 20000),),
            (DeliveryRule("proportion"),),
            (ReductionRule(trade_in=True),),
        )
        for n, percent in enumerate(("7", "2.25", "0.5"))
    )
)
THREE = tuple(TicketToTax(ON, (LineToTax(627 + n, 3), LineToTax(8299 + n), LineToTax(1500 + n))) for n in range(500))
ALL_KINDS = tuple(
    TicketToTax(
        ON,
        (
            LineToTax(250000 + n, 1, discount_cents=1000),
            LineToTax(9000 + n, 2, "clothing", seller_coupon_cents=500),
            LineToTax(1200, 1, "books"),
            LineToTax(900, 3, "food"),
        ),
        trade_in_cents=5000,
        delivery_cents=3500,
    )
    for n in range(500)
)


def bench_tax(row: Callable[[str, str, str], None], *, smoke: bool = False) -> None:
    """Rows of the table: `row(what, figure, note)`."""
    for what, stack, tickets in (
        ("tax of tickets of three lines, three jurisdictions", PLAIN, THREE),
        ("the same, rounded by the item and jurisdiction", BY_ITEM, THREE),
        ("tax of tickets with every rule, four lines and delivery", EVERYTHING, ALL_KINDS),
    ):
        compiled = compile_stack(stack, ON)
        rounds = 1 if smoke else 20
        begun = time.process_time()
        for _ in range(rounds):
            for ticket in tickets:
                tax_ticket(ticket, compiled)
        seconds = time.process_time() - begun
        row(what, f"{rounds * len(tickets) / seconds:,.0f}/s", "tickets a second on one core")
