"""What a jurisdiction taxes: dated rates by tax class, and the dated rules that bend them.

Every rule carries the span of days it holds, so that a ticket of ten years ago can be recomputed by the rules of its day.
Money is integer cents, rates are percent as Decimal, dates are business dates. Raises ValueError with a sentence for rules that
cannot be meant. `tax_class` is a free word; "general" is the class of everything that has none of its own.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, field
from datetime import date
from decimal import Decimal
from typing import Literal, TypeVar

GENERAL = "general"
"""The class whose rate applies to every class without a rate of its own."""

Basis = Literal["item", "ticket"]
Delivered = Literal["taxable", "exempt", "proportion"]


@dataclass(frozen=True)
class Span:
    """Days from `starts_on` to `ends_on`, both included; an open end is None."""

    starts_on: date = date.min
    ends_on: date | None = None

    def __post_init__(self) -> None:
        if self.ends_on is not None and self.ends_on < self.starts_on:
            raise ValueError(f"A rule that ends on {self.ends_on} cannot start on {self.starts_on}.")

    def holds(self, on: date) -> bool:
        return self.starts_on <= on and (self.ends_on is None or on <= self.ends_on)


ALWAYS = Span()


@dataclass(frozen=True)
class ClassRate:
    """A dated rate for a tax class; a reduced rate is nothing else. `rate_id` names the stored row, and is written with the tax.

    A class without a rate of its own pays the general rate: untaxed is said with an `ExemptClass`, never by leaving a row out.
    """

    rate_id: int
    percent: Decimal
    tax_class: str = GENERAL
    during: Span = ALWAYS

    def __post_init__(self) -> None:
        if not self.percent.is_finite() or self.percent < 0:
            raise ValueError(f"A rate of {self.percent} percent cannot be: it must be zero or more.")


@dataclass(frozen=True)
class ExemptClass:
    """A tax class this jurisdiction does not tax (a class taxed by the state and not by the city)."""

    tax_class: str
    during: Span = ALWAYS


@dataclass(frozen=True)
class UpperTier:
    """A further rate on the part of each article's price above `over_cents`, up to `upto_cents` (None: no end).

    `name` appears beside the tax and on the return, such as "single-article".
    """

    rate_id: int
    name: str
    percent: Decimal
    over_cents: int
    upto_cents: int | None = None

    def __post_init__(self) -> None:
        if not self.name:
            raise ValueError("An upper tier needs a name, such as single-article.")
        if not self.percent.is_finite() or self.percent < 0:
            raise ValueError(f"A rate of {self.percent} percent cannot be: it must be zero or more.")
        if self.over_cents < 0 or (self.upto_cents is not None and self.upto_cents <= self.over_cents):
            raise ValueError(f"The upper tier {self.name} must end above where it begins.")


@dataclass(frozen=True)
class ArticleRule:
    """Tax by the price of a single article, not of the line or the ticket.

    The jurisdiction's rate applies to the first `cap_cents` of each article's price (None: to all of it), each tier to its part.
    `tax_classes` empty means every class. Source: Tennessee Department of Revenue, SUT-6 (state 7% on all, local
    rates on the first $1,600, state single-article 2.75% on the part from $1,600.01 to $3,200).
    """

    cap_cents: int | None = None
    tiers: tuple[UpperTier, ...] = ()
    tax_classes: frozenset[str] = frozenset()
    during: Span = ALWAYS

    def __post_init__(self) -> None:
        if self.cap_cents is not None and self.cap_cents < 0:
            raise ValueError("The cap of an article's price cannot be negative.")


@dataclass(frozen=True)
class Holiday:
    """Days on which articles of these classes are not taxed when their price is within the limit.

    An article is wholly in or wholly out. The price tested is one article's after the seller's discounts and coupons; a maker's
    coupon and a trade-in leave it as it was. `limit_included`: a price of exactly the limit is in; some statutes say "below".
    A layaway qualifies when it was accepted in the period, or finally paid and handed over in it.
    Source: Streamlined Sales and Use Tax Agreement s. 322.
    """

    name: str
    during: Span
    tax_classes: frozenset[str]
    limit_cents: int | None = None
    limit_included: bool = True

    def __post_init__(self) -> None:
        if not self.tax_classes:
            raise ValueError(f"The holiday {self.name} names no tax class.")
        if self.during.ends_on is None:
            raise ValueError(f"The holiday {self.name} needs a last day.")


@dataclass(frozen=True)
class Threshold:
    """Articles of these classes are exempt up to a price, all year.

    An article over `upto_cents` is taxed wholly, or with `excess_only` on what is above it. `limit_included` as for a holiday.
    """

    tax_classes: frozenset[str]
    upto_cents: int
    excess_only: bool = False
    limit_included: bool = True
    during: Span = ALWAYS

    def __post_init__(self) -> None:
        if not self.tax_classes or self.upto_cents < 0:
            raise ValueError("A threshold needs tax classes, and an amount that is not negative.")


@dataclass(frozen=True)
class DeliveryRule:
    """A delivery charge is taxable (as soon as anything delivered is), exempt, or taxable in proportion to the taxable goods.

    Source of the proportion: CDTFA annotation 557.0111.
    """

    how: Delivered
    during: Span = ALWAYS


@dataclass(frozen=True)
class ReductionRule:
    """Which reductions lower the taxable price. Without a rule: discounts and the seller's coupons do, the others do not.

    Source of the coupons: Iowa rule 701-203.3 (the maker pays the seller what its coupon takes off). Trade-ins differ by state.
    """

    trade_in: bool = False
    seller_coupon: bool = True
    maker_coupon: bool = False
    during: Span = ALWAYS


@dataclass(frozen=True)
class JurisdictionRules:
    """A taxing body with everything it ever ruled. `state` is what certificates name (a FIPS code or a postal code, one of them).

    Rules of one kind that hold on the same day for the same class contradict each other: ValueError when the stack is compiled.
    """

    jurisdiction_id: int
    name: str
    state: str
    rates: tuple[ClassRate, ...]
    exempt_classes: tuple[ExemptClass, ...] = ()
    articles: tuple[ArticleRule, ...] = ()
    holidays: tuple[Holiday, ...] = ()
    thresholds: tuple[Threshold, ...] = ()
    deliveries: tuple[DeliveryRule, ...] = ()
    reductions: tuple[ReductionRule, ...] = ()


@dataclass(frozen=True)
class Stack:
    """The jurisdictions of a place, in their order, and how tax is rounded there.

    `basis`: tax is rounded on each article or on the whole ticket. `aggregated`: the jurisdictions' tax is added up before it
    is rounded, or each is rounded. Which place taxes a sale, the seller's or the buyer's, is decided by whoever picks the stack.
    Source: Streamlined Sales and Use Tax Agreement s. 324.
    """

    jurisdictions: tuple[JurisdictionRules, ...] = field(default=())
    basis: Basis = "ticket"
    aggregated: bool = True

    def __post_init__(self) -> None:
        if self.basis not in ("item", "ticket"):
            raise ValueError(f"The basis of rounding is item or ticket, not {self.basis}.")
        ids = [j.jurisdiction_id for j in self.jurisdictions]
        if len(set(ids)) != len(ids):
            raise ValueError("A stack names a jurisdiction twice.")


def rate_in_force(rules: JurisdictionRules, tax_class: str, on: date) -> ClassRate | None:
    """The jurisdiction's rate for a class on a day: the class's own, else the general one; None when it has neither.

    Raises ValueError when two rows hold.
    """
    for wanted in dict.fromkeys((tax_class, GENERAL)):
        rows = [rate for rate in rules.rates if rate.tax_class == wanted and rate.during.holds(on)]
        if len(rows) > 1:
            raise ValueError(f"{rules.name} has two rates for {wanted} on {on}: end one of them.")
        if rows:
            return rows[0]
    return None


def combined_percent(stack: Stack, on: date, tax_class: str = GENERAL) -> Decimal:
    """What a class pays in this stack on a day, all jurisdictions together, by their rates and exempt classes alone."""
    rates = [
        rate_in_force(j, tax_class, on)
        for j in stack.jurisdictions
        if not any(e.tax_class == tax_class and e.during.holds(on) for e in j.exempt_classes)
    ]
    return sum((rate.percent for rate in rates if rate is not None), Decimal(0))


Rule = TypeVar("Rule", ArticleRule, Threshold, DeliveryRule, ReductionRule)


def only(rules: Iterable[Rule], on: date, what: str) -> Rule | None:
    """The one rule that holds on a day, or None. Raises ValueError when two do."""
    found = [rule for rule in rules if rule.during.holds(on)]
    if len(found) > 1:
        raise ValueError(f"{what}: two rules hold on {on}; end one of them.")
    return found[0] if found else None
