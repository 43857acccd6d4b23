"""A stack made ready for one day: the rules that hold, its rates as integers over one denominator.

Compile once, tax thousands of tickets. Nothing here is stored; what a ticket was charged is.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date
from decimal import Decimal
from fractions import Fraction
from math import lcm
from typing import NamedTuple

from coop.tax.domain.rules import (
    GENERAL,
    ArticleRule,
    Basis,
    Holiday,
    JurisdictionRules,
    ReductionRule,
    Stack,
    Threshold,
    only,
    rate_in_force,
)

ANY_PRICE = 10**18


class Tier(NamedTuple):
    """An upper tier with its rate as a numerator over the stack's denominator."""

    rate_id: int
    name: str
    rate: int
    over_cents: int
    upto_cents: int | None


@dataclass(frozen=True, slots=True)
class ClassPlan:
    """How one jurisdiction taxes one class on the day."""

    rate_id: int
    rate: int
    exempt: str
    """Why the class is not taxed here, or ""."""
    cap_cents: int | None
    tiers: tuple[Tier, ...]
    threshold: Threshold | None
    holidays: tuple[Holiday, ...]
    """Every holiday of the class, also of other days: a layaway may be covered by one."""
    holidays_today: tuple[Holiday, ...]
    plain_upto_cents: int
    """Lines up to this price are taxed by the rate and nothing else, unless a layaway meets a holiday; -1 for none."""


@dataclass(frozen=True, slots=True)
class Compiled:
    """One jurisdiction on the day."""

    jurisdiction_id: int
    name: str
    state: str
    trade_in: bool
    seller_coupon: bool
    maker_coupon: bool
    delivery: str
    classes: dict[str, ClassPlan]
    other: ClassPlan
    """For every class that no rule names."""


@dataclass(frozen=True, slots=True)
class CompiledStack:
    """A stack on `on`. Tax in cents is a sum of base cents times `rate`, over `denominator`."""

    on: date
    basis: Basis
    aggregated: bool
    denominator: int
    jurisdictions: tuple[Compiled, ...]


def compile_stack(stack: Stack, on: date) -> CompiledStack:
    """The stack as it taxes on a day. A jurisdiction without any rate that day taxes nothing and is left out.

    Raises ValueError, with a sentence naming the jurisdiction, when two of its rules contradict each other that day.
    """
    taxing = [rules for rules in stack.jurisdictions if any(rate.during.holds(on) for rate in rules.rates)]
    percents = [rate.percent for rules in taxing for rate in rules.rates]
    percents += [tier.percent for rules in taxing for article in rules.articles for tier in article.tiers]
    denominator = lcm(100, *((Fraction(percent) / 100).denominator for percent in percents))
    return CompiledStack(
        on, stack.basis, stack.aggregated, denominator, tuple(_compile(rules, on, denominator) for rules in taxing)
    )


def _compile(rules: JurisdictionRules, on: date, denominator: int) -> Compiled:
    named = {rate.tax_class for rate in rules.rates} | {exempt.tax_class for exempt in rules.exempt_classes}
    by_class = [rule.tax_classes for rule in rules.articles]
    by_class += [rule.tax_classes for rule in rules.holidays]
    by_class += [rule.tax_classes for rule in rules.thresholds]
    named = named.union(*by_class)
    delivery = only(rules.deliveries, on, f"Delivery in {rules.name}")
    reduction = only(rules.reductions, on, f"Coupons and trade-ins in {rules.name}") or ReductionRule()
    return Compiled(
        rules.jurisdiction_id,
        rules.name,
        rules.state,
        reduction.trade_in,
        reduction.seller_coupon,
        reduction.maker_coupon,
        "taxable" if delivery is None else delivery.how,
        {name: _plan(rules, name, on, denominator) for name in sorted(named)},
        _plan(rules, None, on, denominator),
    )


def _plan(rules: JurisdictionRules, tax_class: str | None, on: date, denominator: int) -> ClassPlan:
    """The plan of a class; of any class that no rule names when it is None."""
    rate = rate_in_force(rules, GENERAL if tax_class is None else tax_class, on)
    name = f"{tax_class or 'articles'} in {rules.name}"
    by_price = [a for a in rules.articles if not a.tax_classes or tax_class in a.tax_classes]
    article = only(by_price, on, f"Tax by the article on {name}") or ArticleRule()
    threshold = only([t for t in rules.thresholds if tax_class in t.tax_classes], on, f"The exempt amount of {name}")
    holidays = tuple(h for h in rules.holidays if tax_class in h.tax_classes)
    if any(e.tax_class == tax_class and e.during.holds(on) for e in rules.exempt_classes):
        exempt = "exempt class"
    else:
        exempt = "" if rate else "no rate"
    steps = [tier.over_cents for tier in article.tiers] + ([] if article.cap_cents is None else [article.cap_cents])
    today = tuple(h for h in holidays if h.during.holds(on))
    return ClassPlan(
        rate.rate_id if rate else 0,
        _numerator(rate.percent, denominator) if rate else 0,
        exempt,
        article.cap_cents,
        tuple(Tier(t.rate_id, t.name, _numerator(t.percent, denominator), t.over_cents, t.upto_cents) for t in article.tiers),
        threshold,
        holidays,
        today,
        -1 if threshold is not None or today else min(steps, default=ANY_PRICE),
    )


def _numerator(percent: Decimal, denominator: int) -> int:
    return int(Fraction(percent) / 100 * denominator)
