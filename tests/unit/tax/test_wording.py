"""Rules said back: one sentence each, as a manager would say it to a dealer. Common practice, no source."""

from __future__ import annotations

from datetime import date
from decimal import Decimal
from typing import Any

import pytest

from coop.tax.domain.rules import Span
from coop.tax.wording import joined, rule_sentence

OPEN = Span(date(2026, 8, 7))
WEEKEND = Span(date(2026, 8, 7), date(2026, 8, 9))
DAY = Span(date(2026, 8, 7), date(2026, 8, 7))
TIERS = {"single-article": Decimal("2.750000")}

SENTENCES: list[tuple[str, dict[str, Any], Span, str]] = [
    ("exempt", {"tax_class": "books"}, OPEN, "From Aug 7, 2026 on, articles of the class books are not taxed."),
    (
        "holiday",
        {"name": "school week", "tax_classes": ["clothing", "books"], "limit": "100"},
        WEEKEND,
        "From Aug 7, 2026 to Aug 9, 2026, an article of clothing or books that costs $100.00 or less is not taxed, "
        "and a dearer one is taxed in full (school week).",
    ),
    (
        "holiday",
        {"name": "school week", "tax_classes": ["clothing"], "limit": "100.00", "limit_included": False},
        DAY,
        "On Aug 7, 2026, an article of clothing that costs less than $100.00 is not taxed, "
        "and one that costs that or more is taxed in full (school week).",
    ),
    (
        "holiday",
        {"name": "flag day", "tax_classes": ["flags"]},
        DAY,
        "On Aug 7, 2026, an article of flags is not taxed whatever it costs (flag day).",
    ),
    (
        "threshold",
        {"tax_classes": ["clothing"], "upto": "110", "limit_included": False},
        OPEN,
        "From Aug 7, 2026 on, an article of clothing that costs less than $110.00 is not taxed, "
        "and one that costs that or more is taxed in full.",
    ),
    (
        "threshold",
        {"tax_classes": ["clothing"], "upto": "175.00", "excess_only": True},
        OPEN,
        "From Aug 7, 2026 on, an article of clothing that costs $175.00 or less is not taxed, "
        "and a dearer one is taxed only on what is above $175.00.",
    ),
    (
        "article",
        {"cap": "1600"},
        OPEN,
        "From Aug 7, 2026 on, the rate is taken on the first $1,600.00 of the price of each article.",
    ),
    (
        "article",
        {"tiers": [{"name": "single-article", "over": "1600", "upto": "3200"}], "tax_classes": ["general", "art"]},
        OPEN,
        "From Aug 7, 2026 on, the rate is taken on the whole price of each article of general or art "
        "and 2.75% (single-article) on the part above $1,600.00 up to $3,200.00.",
    ),
    (
        "article",
        {"cap": "10", "tiers": [{"name": "upper", "over": "10"}]},
        OPEN,
        "From Aug 7, 2026 on, the rate is taken on the first $10.00 of the price of each article "
        "and the rate upper on the part above $10.00.",
    ),
    (
        "delivery",
        {"how": "taxable"},
        OPEN,
        "From Aug 7, 2026 on, a delivery charge is taxed in full as soon as anything delivered is taxed.",
    ),
    ("delivery", {"how": "exempt"}, OPEN, "From Aug 7, 2026 on, a delivery charge is not taxed."),
    (
        "delivery",
        {"how": "proportion"},
        OPEN,
        "From Aug 7, 2026 on, a delivery charge is taxed in the proportion in which the goods delivered are.",
    ),
    (
        "reduction",
        {},
        OPEN,
        "From Aug 7, 2026 on, the seller's own coupon lowers the price that is taxed, "
        "but a maker's coupon and a trade-in do not.",
    ),
    (
        "reduction",
        {"trade_in": True, "seller_coupon": True, "maker_coupon": True},
        OPEN,
        "From Aug 7, 2026 on, the seller's own coupon, a maker's coupon and a trade-in lower the price that is taxed.",
    ),
    (
        "reduction",
        {"seller_coupon": False},
        OPEN,
        "From Aug 7, 2026 on, the seller's own coupon, a maker's coupon and a trade-in do not lower the price that is taxed.",
    ),
]


@pytest.mark.parametrize(("kind", "terms", "during", "sentence"), SENTENCES)
def test_a_rule_is_said_in_a_sentence(kind: str, terms: dict[str, Any], during: Span, sentence: str) -> None:
    assert rule_sentence(kind, terms, during, TIERS) == sentence


def test_words_are_joined_as_people_join_them() -> None:
    assert joined(["a"]) == "a"
    assert joined(["a", "b"], "or") == "a or b"
    assert joined(["a", "b", "c"]) == "a, b and c"
