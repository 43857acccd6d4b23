"""A stored rule said back in one sentence that needs no training to understand."""

from __future__ import annotations

from collections.abc import Mapping
from decimal import Decimal
from typing import Any

from coop.core.checked_json import cents_of
from coop.core.templating import day, dollars, joined, percent
from coop.tax.domain.rules import Span

KINDS: Mapping[str, str] = {
    "exempt": "Class not taxed",
    "article": "Tax by the article",
    "holiday": "Holiday",
    "threshold": "Untaxed up to a price",
    "delivery": "Delivery charge",
    "reduction": "Coupons and trade-ins",
}
"""What a person calls each kind of rule."""


def rule_sentence(kind: str, terms: Mapping[str, Any], during: Span, tiers: Mapping[str, Decimal]) -> str:
    """What a rule of checked terms does, and when. `tiers` has the percents of an article rule's upper tiers, by name."""
    return f"{span_words(during)}, {_WORDS[kind](terms, tiers)}."


def span_words(during: Span) -> str:
    """`From Aug 7, 2026 to Aug 9, 2026`, `From Aug 7, 2026 on`, `On Aug 7, 2026`: the beginning of a sentence."""
    if during.ends_on is None:
        return f"From {day(during.starts_on)} on"
    if during.ends_on == during.starts_on:
        return f"On {day(during.starts_on)}"
    return f"From {day(during.starts_on)} to {day(during.ends_on)}"


def _exempt(terms: Mapping[str, Any], _tiers: Mapping[str, Decimal]) -> str:
    return f"articles of the class {terms['tax_class']} are not taxed"


def _article(terms: Mapping[str, Any], tiers: Mapping[str, Decimal]) -> str:
    classes = terms.get("tax_classes")
    article = f"each article of {joined(classes, 'or')}" if classes else "each article"
    if "cap" in terms:
        parts = [f"the rate is taken on the first {dollars(cents_of(terms['cap']))} of the price of {article}"]
    else:
        parts = [f"the rate is taken on the whole price of {article}"]
    for tier in terms.get("tiers", ()):
        rate = f"{percent(tiers[tier['name']])} ({tier['name']})" if tier["name"] in tiers else f"the rate {tier['name']}"
        over = dollars(cents_of(tier["over"]))
        upto = f" up to {dollars(cents_of(tier['upto']))}" if "upto" in tier else ""
        parts.append(f"{rate} on the part above {over}{upto}")
    return joined(parts)


def _holiday(terms: Mapping[str, Any], _tiers: Mapping[str, Decimal]) -> str:
    article = f"an article of {joined(terms['tax_classes'], 'or')}"
    if "limit" not in terms:
        return f"{article} is not taxed whatever it costs ({terms['name']})"
    limit, above = _limits(terms["limit"], included=terms.get("limit_included", True))
    return f"{article} that costs {limit} is not taxed, and {above} is taxed in full ({terms['name']})"


def _threshold(terms: Mapping[str, Any], _tiers: Mapping[str, Decimal]) -> str:
    article = f"an article of {joined(terms['tax_classes'], 'or')}"
    limit, above = _limits(terms["upto"], included=terms.get("limit_included", True))
    rest = f"only on what is above {dollars(cents_of(terms['upto']))}" if terms.get("excess_only") else "in full"
    return f"{article} that costs {limit} is not taxed, and {above} is taxed {rest}"


def _limits(amount: str, *, included: bool) -> tuple[str, str]:
    """Which price is within the limit, and what the others are called."""
    price = dollars(cents_of(amount))
    return (f"{price} or less", "a dearer one") if included else (f"less than {price}", "one that costs that or more")


def _delivery(terms: Mapping[str, Any], _tiers: Mapping[str, Decimal]) -> str:
    return {
        "taxable": "a delivery charge is taxed in full as soon as anything delivered is taxed",
        "exempt": "a delivery charge is not taxed",
        "proportion": "a delivery charge is taxed in the proportion in which the goods delivered are",
    }[terms["how"]]


REDUCTIONS = (
    ("seller_coupon", "the seller's own coupon", True),
    ("maker_coupon", "a maker's coupon", False),
    ("trade_in", "a trade-in", False),
)
"""Each term of a reduction rule, in words, and what holds where it is not said."""


def _reduction(terms: Mapping[str, Any], _tiers: Mapping[str, Decimal]) -> str:
    lowering = [words for key, words, usual in REDUCTIONS if terms.get(key, usual)]
    others = [words for key, words, usual in REDUCTIONS if not terms.get(key, usual)]
    parts = [f"{joined(lowering)} {'lower' if len(lowering) > 1 else 'lowers'} the price that is taxed"] if lowering else []
    if others:
        rest = "" if lowering else " lower the price that is taxed"
        parts.append(f"{joined(others)} {'do' if len(others) > 1 else 'does'} not{rest}")
    return ", but ".join(parts)


_WORDS = {
    "exempt": _exempt,
    "article": _article,
    "holiday": _holiday,
    "threshold": _threshold,
    "delivery": _delivery,
    "reduction": _reduction,
}
