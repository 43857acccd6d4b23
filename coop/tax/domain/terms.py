"""A jurisdiction's rules as they are stored and written: JSON objects, one schema a kind, made into the rules of `rules`.

Money is dollars as text, percents are text. What is stored and what `coop tax compute` reads have the same keys, but for an upper
tier's percent: stored, it is the rate row of the jurisdiction whose class is the tier's name; in a file it stands with the tier.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from decimal import Decimal
from typing import Any, NamedTuple

from coop.core.checked_json import CLASS, CLASSES, FLAG, MONEY, NAME, PERCENT, Schema, cents_of, check, closed
from coop.tax.domain.rules import (
    ArticleRule,
    ClassRate,
    DeliveryRule,
    ExemptClass,
    Holiday,
    JurisdictionRules,
    ReductionRule,
    Span,
    Threshold,
    UpperTier,
)

TIER_KEYS: Mapping[str, Schema] = {"name": {**CLASS, "examples": ["single-article"]}, "over": MONEY, "upto": MONEY}
TERMS: Mapping[str, Schema] = {
    "exempt": closed({"tax_class": CLASS}, ["tax_class"], "A class that is not taxed"),
    "article": closed(
        {
            "cap": {**MONEY, "description": "The rate applies to so much of each article's price"},
            "tiers": {"type": "array", "items": closed(TIER_KEYS, ["name", "over"])},
            "tax_classes": {**CLASSES, "description": "Left out: every class"},
        },
        (),
        "Tax by the price of a single article",
    ),
    "holiday": closed(
        {"name": NAME, "tax_classes": CLASSES, "limit": MONEY, "limit_included": FLAG},
        ["name", "tax_classes"],
        "Days on which articles up to a price are not taxed",
    ),
    "threshold": closed(
        {"tax_classes": CLASSES, "upto": MONEY, "excess_only": FLAG, "limit_included": FLAG},
        ["tax_classes", "upto"],
        "Articles up to a price are not taxed, all year",
    ),
    "delivery": closed({"how": {"type": "string", "enum": ["taxable", "exempt", "proportion"]}}, ["how"], "The delivery charge"),
    "reduction": closed(
        {"trade_in": FLAG, "seller_coupon": FLAG, "maker_coupon": FLAG}, (), "Which reductions lower the taxable price"
    ),
}
"""By kind: what its terms may say."""

TERMS_IN_FILES: Mapping[str, Schema] = {
    **TERMS,
    "article": {
        **TERMS["article"],
        "properties": {
            **TERMS["article"]["properties"],
            "tiers": {"type": "array", "items": closed({**TIER_KEYS, "percent": PERCENT}, ["name", "percent", "over"])},
        },
    },
}

AnyRule = ExemptClass | ArticleRule | Holiday | Threshold | DeliveryRule | ReductionRule


class StoredRule(NamedTuple):
    """A rule's kind, its days, and its terms."""

    kind: str
    during: Span
    terms: Mapping[str, Any]


class TierRate(NamedTuple):
    """The rate row of an upper tier on the day."""

    rate_id: int
    percent: Decimal


def check_terms(kind: str, terms: object, path: str = "") -> None:
    """Raises ValueError, with a sentence, for a kind there is not and for terms that say anything else than the kind's."""
    if kind not in TERMS:
        raise ValueError(f"{path or 'A rule'} is of the kind {kind!r}; the kinds are {', '.join(TERMS)}.")
    check(terms, TERMS[kind], path)


def tier_names(terms: Mapping[str, Any]) -> list[str]:
    """Names of the upper tiers of an article rule's terms: classes of rate rows, not of goods."""
    return [tier["name"] for tier in terms.get("tiers", ())]


def build_rule(rule: StoredRule, tiers: Mapping[str, TierRate]) -> AnyRule:
    """The rule of checked terms. A tier without a rate row that day is left out.

    Raises ValueError for terms that cannot be meant.
    """
    kind, during, terms = rule
    classes = frozenset(terms.get("tax_classes", ()))
    if kind == "exempt":
        return ExemptClass(terms["tax_class"], during)
    if kind == "article":
        built = tuple(
            UpperTier(
                tiers[tier["name"]].rate_id,
                tier["name"],
                tiers[tier["name"]].percent,
                cents_of(tier["over"]),
                cents_of(tier["upto"]) if "upto" in tier else None,
            )
            for tier in terms.get("tiers", ())
            if tier["name"] in tiers
        )
        return ArticleRule(cents_of(terms["cap"]) if "cap" in terms else None, built, classes, during)
    if kind == "holiday":
        limit = cents_of(terms["limit"]) if "limit" in terms else None
        return Holiday(terms["name"], during, classes, limit, terms.get("limit_included", True))
    if kind == "threshold":
        return Threshold(
            classes, cents_of(terms["upto"]), terms.get("excess_only", False), terms.get("limit_included", True), during
        )
    if kind == "delivery":
        return DeliveryRule(terms["how"], during)
    return ReductionRule(terms.get("trade_in", False), terms.get("seller_coupon", True), terms.get("maker_coupon", False), during)


def build_jurisdiction(
    jurisdiction_id: int,
    name: str,
    state: str,
    rates: Iterable[ClassRate],
    rules: Iterable[StoredRule],
    tiers: Mapping[str, TierRate],
) -> JurisdictionRules:
    """A taxing body of its rate rows and its rules. `rates` without those of upper tiers, which stand in `tiers`."""
    built = [build_rule(rule, tiers) for rule in rules]
    return JurisdictionRules(
        jurisdiction_id,
        name,
        state,
        tuple(rates),
        tuple(rule for rule in built if isinstance(rule, ExemptClass)),
        tuple(rule for rule in built if isinstance(rule, ArticleRule)),
        tuple(rule for rule in built if isinstance(rule, Holiday)),
        tuple(rule for rule in built if isinstance(rule, Threshold)),
        tuple(rule for rule in built if isinstance(rule, DeliveryRule)),
        tuple(rule for rule in built if isinstance(rule, ReductionRule)),
    )
