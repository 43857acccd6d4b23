"""A ticket as JSON: what is read, what is refused and how it is said, what is answered."""

from __future__ import annotations

import copy
import json
from datetime import date
from decimal import Decimal
from typing import Any

import pytest

from coop.core.checked_json import Schema, check
from coop.tax.domain.compiled import compile_stack
from coop.tax.domain.compute import tax_ticket
from coop.tax.domain.rules import ArticleRule, ReductionRule, Span, UpperTier
from coop.tax.domain.terms import TERMS, StoredRule, TierRate, build_rule, check_terms
from coop.tax.domain.ticket import Certificate, Layaway, LineToTax
from coop.tax.domain.ticket_json import SCHEMA, PlaceAsked, answer, read_ticket, whole_schema

STATE = {"name": "State", "state": "98", "rates": [{"percent": "5"}]}
NO_END = {"name": "A", "tax_classes": ["x"]}
PLAIN: dict[str, Any] = {
    "on": "2026-11-03",
    "lines": [{"price": "2.09", "quantity": 3}],
    "stack": {"jurisdictions": [STATE]},
}


def with_(**changes: Any) -> dict[str, Any]:
    return {**copy.deepcopy(PLAIN), **changes}


def computed(body: dict[str, Any]) -> dict[str, Any]:
    read = read_ticket(json.dumps(body))
    assert read.stack is not None
    return answer(read.ticket, tax_ticket(read.ticket, compile_stack(read.stack, read.ticket.on)), read.stack)


def test_what_is_read() -> None:
    body = with_(
        lines=[
            {"price": "2.09", "quantity": 3, "tax_class": "food", "discount": "1", "maker_coupon": "0.30"},
            {"line_price": "10.00", "quantity": 3, "seller_coupon": "0.5", "trade_in": "2", "own_use": True},
        ],
        delivery="3.50",
        discount="0.99",
        buyer={"certificate": "R-17", "kind": "resale", "states": ["98"], "expires_on": "2026-12-31"},
        layaway={"accepted_on": "2026-08-01", "completed_on": "2026-11-03"},
    )
    ticket = read_ticket(json.dumps(body)).ticket
    assert ticket.lines == (
        LineToTax(627, 3, "food", discount_cents=100, maker_coupon_cents=30),
        LineToTax(1000, 3, seller_coupon_cents=50, trade_in_cents=200, own_use=True),
    )
    assert (ticket.delivery_cents, ticket.discount_cents) == (350, 99)
    assert ticket.certificate == Certificate("R-17", "resale", frozenset({"98"}), date.min, date(2026, 12, 31))
    assert ticket.layaway == Layaway(date(2026, 8, 1), date(2026, 11, 3))


@pytest.mark.parametrize(
    ("place", "asked"),
    [
        ({"mall": "MAIN"}, PlaceAsked(mall="MAIN")),
        ({"zip": "55403", "plus4": "0123"}, PlaceAsked(zip5="55403", plus4="0123")),
        (
            {"state": "55", "county": "079", "city": "53000", "districts": ["55501"], "basis": "item", "aggregated": False},
            PlaceAsked("", "55", "079", "53000", ("55501",), basis="item", aggregated=False),
        ),
    ],
)
def test_a_place_to_be_looked_for(place: dict[str, Any], asked: PlaceAsked) -> None:
    body = with_(place=place, buyer={"certificate": "R-17"})
    del body["stack"]
    read = read_ticket(json.dumps(body))
    assert (read.place, read.stack, read.certificate_number, read.ticket.certificate) == (asked, None, "R-17", None)


@pytest.mark.parametrize(
    ("body", "sentence"),
    [
        (with_(tax="1.00"), "tax is not known here; the keys are on, lines,"),
        (with_(lines=[{"prize": "1.00"}]), "lines[0].prize is not known here; the keys are price,"),
        ({"on": "2026-11-03"}, "lines is missing"),
        (with_(lines=[]), "lines is empty: give at least 1."),
        (with_(lines=[{"price": "1.00"}, {"price": 1.5}]), "lines[1].price is the number 1.5; it must be text"),
        (with_(lines=[{"price": 1}]), "lines[0].price is the number 1; it must be text"),
        (with_(lines=[{"price": None}]), "lines[0].price is null; it must be text"),
        (with_(lines=[{"price": "1.005"}]), "lines[0].price is '1.005'; write it like"),
        (with_(lines=[{"price": "-1.00"}]), "lines[0].price is '-1.00'; write it like"),
        (with_(lines=[{"price": "1.00\n"}]), "lines[0].price is '1.00\\n'; write it like"),
        (with_(lines=[{"price": "1.00", "quantity": -1}]), "lines[0].quantity is -1; it must be from 1 to 1000000."),
        (with_(lines=[{"price": "1.00", "quantity": 0}]), "lines[0].quantity is 0; it must be from 1"),
        (with_(lines=[{"price": "1.00", "quantity": 1.0}]), "lines[0].quantity is the number 1.0; it must be a whole number."),
        (with_(lines=[{"price": "1.00", "quantity": True}]), "lines[0].quantity is true; it must be a whole number."),
        (with_(lines=[{"quantity": 1}]), "lines[0].price is missing, or stands beside line_price"),
        (with_(lines=[{"price": "1", "line_price": "1"}]), "lines[0].price is missing, or stands beside line_price"),
        (with_(lines=[{"price": "1", "tax_class": "Big Hats"}]), "lines[0].tax_class is 'Big Hats'; write it like \"clothing\""),
        (with_(lines={}), "lines is an object; it must be a list."),
        (with_(on="2026-02-30"), "on is '2026-02-30', which is no date; write it as YYYY-MM-DD."),
        (with_(on="20261103"), "on is '20261103', which is no date"),
        (with_(place={"mall": "MAIN"}), "place, stack: give one of them, and not both."),
        ({"on": "2026-11-03", "lines": PLAIN["lines"]}, "place, stack: give one of them"),
        (with_(stack={"jurisdictions": [{"name": "A"}]}), "stack.jurisdictions[0].rates is missing"),
        (
            with_(stack={"jurisdictions": [{"name": "A", "rates": [{"percent": 5}]}]}),
            'stack.jurisdictions[0].rates[0].percent is the number 5; it must be text, such as "7.9".',
        ),
        (
            with_(stack={"jurisdictions": [{**STATE, "rules": [{"kind": "holiday", "terms": {"name": "August"}}]}]}),
            "stack.jurisdictions[0].rules[0].terms.tax_classes is missing",
        ),
        (
            with_(
                stack={"jurisdictions": [{**STATE, "rules": [{"kind": "holiday", "terms": {"name": "A", "tax_classes": ["x"]}}]}]}
            ),
            "stack.jurisdictions[0]: The holiday A needs a last day.",
        ),
        (
            with_(stack={"jurisdictions": [{**STATE, "rules": [{"kind": "gift", "terms": {}}]}]}),
            "stack.jurisdictions[0].rules[0].kind is 'gift'; it must be one of exempt,",
        ),
        (
            with_(
                stack={
                    "jurisdictions": [{**STATE, "rates": [{"percent": "5", "starts_on": "2026-02-01", "ends_on": "2026-01-01"}]}]
                }
            ),
            "stack.jurisdictions[0].rates[0] ends on 2026-01-01, before it starts on 2026-02-01.",
        ),
        (with_(buyer={"certificate": "R-17", "kind": "resale"}), "buyer.states is missing"),
        (
            with_(
                buyer={"certificate": "R-17", "kind": "resale", "states": ["98"]},
                stack={"jurisdictions": [STATE, {"name": "City", "rates": [{"percent": "1"}]}]},
            ),
            "stack.jurisdictions[1].state is missing: a buyer's certificate holds in the states it names.",
        ),
        (
            with_(layaway={"accepted_on": "2026-11-03", "completed_on": "2026-10-03"}),
            "layaway.completed_on is 2026-10-03, before it was accepted on 2026-11-03.",
        ),
        (
            with_(layaway={"accepted_on": "2026-08-01", "completed_on": "2026-12-01"}),
            "on is 2026-11-03, which is no day of the layaway: give the day whose rates tax it",
        ),
    ],
)
def test_what_is_refused_names_its_path(body: dict[str, Any], sentence: str) -> None:
    with pytest.raises(ValueError) as error:
        read_ticket(json.dumps(body))
    assert str(error.value).startswith(sentence)


@pytest.mark.parametrize(
    ("text", "sentence"),
    [
        ("", "This is not JSON: Expecting value in line 1, column 1."),
        ('{"on": "2026-11-03"', "This is not JSON"),
        ("[]", "The whole is a list; it must be an object."),
        ('{"on": NaN}', "NaN is no amount"),
        ('{"on": "2026-11-03", "on": "2026-11-04"}', "The key 'on' stands twice in one object: leave one."),
        ('{"on": ' + "9" * 5000 + "}", "A number of 5000 digits is more than anything here can be."),
        ("[" * 100_000, "This JSON is nested too deeply."),
    ],
)
def test_what_is_no_ticket_at_all(text: str, sentence: str) -> None:
    with pytest.raises(ValueError) as error:
        read_ticket(text)
    assert str(error.value).startswith(sentence)


@pytest.mark.parametrize(
    ("place", "sentence"),
    [
        ({}, "place: give a mall, or a zip, or a state"),
        ({"county": "079"}, "place: give a mall, or a zip, or a state"),
        ({"mall": "MAIN", "zip": "55403"}, "place: give a mall, or a zip, or a state"),
        ({"mall": "MAIN", "basis": "item"}, "place.basis does not go with place.mall: leave it out."),
        ({"zip": "55403", "county": "079"}, "place.county does not go with place.zip: leave it out."),
    ],
)
def test_a_place_that_cannot_be_looked_for(place: dict[str, Any], sentence: str) -> None:
    body = with_(place=place)
    del body["stack"]
    with pytest.raises(ValueError) as error:
        read_ticket(json.dumps(body))
    assert str(error.value).startswith(sentence)


def test_tennessee_s_table_as_json() -> None:
    """P1: one table at $4,000, local 2.25% (Tennessee Department of Revenue, SUT-6)."""
    tier = {"name": "single-article", "percent": "2.75", "over": "1600.00", "upto": "3200.00"}
    state = {"name": "State", "rates": [{"percent": "7"}], "rules": [{"kind": "article", "terms": {"tiers": [tier]}}]}
    local = {"name": "Local", "rates": [{"percent": "2.25"}], "rules": [{"kind": "article", "terms": {"cap": "1600.00"}}]}
    got = computed(with_(lines=[{"price": "4000.00"}], stack={"jurisdictions": [state, local]}))
    assert got["jurisdictions"] == [
        {"name": "State", "tax": "324.00", "parts": {"rate": "280.00", "single-article": "44.00"}},
        {"name": "Local", "tax": "36.00", "parts": {"rate": "36.00"}},
    ]
    assert got["lines"][0]["untaxed"] == [
        {"jurisdiction": "Local", "kind": "exempt", "reason": "over the cap", "amount": "2400.00"}
    ]
    assert (got["tax"], got["total"]) == ("360.00", "4360.00")


@pytest.mark.parametrize(("basis", "tax"), [("item", "0.51"), ("ticket", "0.50")])
def test_three_by_the_item_and_by_the_ticket(basis: str, tax: str) -> None:
    """R2: derived from the Streamlined Sales and Use Tax Agreement s. 324."""
    stack = {"basis": basis, "jurisdictions": [{"name": "All", "rates": [{"percent": "7.9"}]}]}
    assert computed(with_(stack=stack))["tax"] == tax


def test_delivery_in_proportion() -> None:
    """P7: one third of the delivery is taxable (CDTFA annotation 557.0111)."""
    rules = [{"kind": "delivery", "terms": {"how": "proportion"}}, {"kind": "exempt", "terms": {"tax_class": "books"}}]
    body = with_(
        lines=[{"price": "5.00"}, {"price": "10.00", "tax_class": "books"}],
        delivery="3.50",
        stack={"jurisdictions": [{**STATE, "rules": rules}]},
    )
    got = computed(body)
    assert got["delivery_tax"]["taxes"][0]["taxable"] == "1.17"
    assert got["delivery_tax"]["untaxed"][0]["amount"] == "2.33"


def test_a_line_s_taxes_add_up_to_the_ticket_s() -> None:
    stack = {"jurisdictions": [STATE, {"name": "City", "rates": [{"percent": "2.9"}]}]}
    got = computed(with_(lines=[{"price": "0.82"}, {"price": "1.30", "discount": "0.10"}], stack=stack))
    by_line = [Decimal(line["tax"]) for line in got["lines"]]
    assert sum(by_line) == sum(Decimal(j["tax"]) for j in got["jurisdictions"]) == Decimal(got["tax"])
    assert got["reductions"] == "0.10"
    assert got["lines"][1]["untaxed"][0] == {"jurisdiction": "State", "kind": "deduction", "reason": "discount", "amount": "0.10"}


def schemas(schema: Any) -> list[Schema]:
    found = [schema] if isinstance(schema, dict) and "type" in schema and isinstance(schema["type"], str) else []
    inner = schema.values() if isinstance(schema, dict) else schema if isinstance(schema, list) else ()
    return found + [each for value in inner for each in schemas(value)]


def test_the_schema_shown_is_closed_and_its_examples_hold() -> None:
    shown = json.loads(json.dumps(whole_schema()))
    every = schemas(shown)
    assert all(s["additionalProperties"] is False for s in every if s["type"] == "object")
    examples = [(s, example) for s in every for example in s.get("examples", ())]
    assert len(examples) > 20
    for schema, example in examples:
        check(example, schema)
    assert set(shown["properties"]) == set(SCHEMA["properties"])


def test_stored_terms_have_no_percent_of_their_own() -> None:
    tiers = [{"name": "single-article", "over": "1600.00", "upto": "3200.00"}, {"name": "luxury", "over": "1"}]
    terms = {"cap": "1600.00", "tiers": tiers}
    check_terms("article", terms)
    rule = build_rule(StoredRule("article", Span(), terms), {"single-article": TierRate(7, Decimal("2.75"))})
    assert rule == ArticleRule(160000, (UpperTier(7, "single-article", Decimal("2.75"), 160000, 320000),))
    tiers[0]["percent"] = "2.75"
    with pytest.raises(ValueError, match=r"tiers\[0\].percent is not known here"):
        check_terms("article", terms)
    with pytest.raises(ValueError, match="A rule is of the kind 'gift'; the kinds are exempt,"):
        check_terms("gift", {})
    assert build_rule(StoredRule("reduction", Span(), {"trade_in": True}), {}) == ReductionRule(trade_in=True)
    assert set(TERMS) == {"exempt", "article", "holiday", "threshold", "delivery", "reduction"}
