"""A ticket to be taxed as JSON, and the answer as JSON: what `coop tax compute` reads and writes.

Money is dollars as text, percents are text, days are YYYY-MM-DD. SCHEMA is the whole of it: what it does not name is refused.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import date
from decimal import Decimal
from typing import Any

from coop.core.checked_json import CLASS, DAY, FLAG, MONEY, NAME, PERCENT, Schema, cents_of, check, closed, parse_json
from coop.core.money import format_decimal, plain_cents
from coop.tax.domain.rules import GENERAL, ClassRate, JurisdictionRules, Span, Stack
from coop.tax.domain.terms import TERMS_IN_FILES, StoredRule, TierRate, build_jurisdiction
from coop.tax.domain.ticket import (
    DELIVERY,
    Certificate,
    Layaway,
    LineToTax,
    TaxPart,
    TicketTax,
    TicketToTax,
    Untaxed,
)

STATE: Schema = {"type": "string", "pattern": r"^[0-9]{2}$", "description": "A state's FIPS code", "examples": ["55"]}
CODE: Schema = {"type": "string", "pattern": r"^[0-9A-Za-z]{1,10}$", "description": "A FIPS code", "examples": ["079"]}
ROUNDING: Mapping[str, Schema] = {
    "basis": {"type": "string", "enum": ["item", "ticket"], "description": "What is rounded; ticket when left out"},
    "aggregated": {**FLAG, "description": "Whether the jurisdictions' tax is added up before rounding; true when left out"},
}
SPAN: Mapping[str, Schema] = {"starts_on": DAY, "ends_on": DAY}
REDUCTIONS: Mapping[str, Schema] = {"discount": MONEY, "seller_coupon": MONEY, "maker_coupon": MONEY, "trade_in": MONEY}
LINE = closed(
    {
        "price": {**MONEY, "description": "Of one article, before reductions"},
        "line_price": {**MONEY, "description": "Instead of price: of all articles of the line together"},
        "quantity": {"type": "integer", "minimum": 1, "maximum": 1_000_000, "description": "Articles; 1 when left out"},
        "tax_class": {**CLASS, "description": "general when left out"},
        **REDUCTIONS,
        "own_use": {**FLAG, "description": "A resale buyer takes it for the shop itself"},
    },
    (),
    "Articles that are alike; its reductions are of the whole line. Give price or line_price",
)
RATE = closed({"percent": PERCENT, "tax_class": CLASS, **SPAN}, ["percent"], "A rate, always in force unless it has days")


def _rule_schema() -> Schema:
    properties: dict[str, Schema] = {"kind": {"type": "string", "enum": list(TERMS_IN_FILES)}, **SPAN}
    by_kind = "; ".join(f"{kind}: {schema['description']}" for kind, schema in TERMS_IN_FILES.items())
    terms = {"type": "object", "description": f"By kind: {by_kind}"}
    return closed({**properties, "terms": terms}, ["kind", "terms"])


RULE = _rule_schema()
STACK = closed(
    {
        "jurisdictions": {
            "type": "array",
            "minItems": 1,
            "items": closed(
                {
                    "name": NAME,
                    "state": {**STATE, "description": "What certificates name; needed where there is a buyer"},
                    "rates": {"type": "array", "minItems": 1, "items": RATE},
                    "rules": {"type": "array", "items": RULE},
                },
                ["name", "rates"],
            ),
        },
        **ROUNDING,
    },
    ["jurisdictions"],
    "The jurisdictions that tax, in their order, with their rates and rules",
)
PLACE = closed(
    {
        "mall": {
            "type": "string",
            "pattern": r"^\S{1,20}$",
            "description": "Code of a mall, with its rounding",
            "examples": ["MAIN"],
        },
        "state": STATE,
        "county": CODE,
        "city": CODE,
        "districts": {"type": "array", "items": CODE},
        "zip": {"type": "string", "pattern": r"^[0-9]{5}$", "examples": ["55403"]},
        "plus4": {"type": "string", "pattern": r"^[0-9]{4}$", "examples": ["0123"]},
        **ROUNDING,
    },
    (),
    "A place of the co-op's data: a mall, or a ZIP code, or FIPS codes",
)
BUYER = closed(
    {
        "certificate": {**NAME, "description": "Number of the certificate", "examples": ["R-17"]},
        "kind": {"type": "string", "enum": ["resale", "exempt"]},
        "states": {"type": "array", "minItems": 1, "items": STATE, "description": "Where it holds"},
        "starts_on": DAY,
        "expires_on": DAY,
    },
    ["certificate"],
    "A buyer who is exempt. With its number alone the certificate is looked for in the co-op's data",
)
SCHEMA: Schema = {
    "$schema": "https://json-schema.org/draft/2020-12/schema",
    "title": "A ticket to be taxed",
    **closed(
        {
            "on": {**DAY, "description": "The day of the sale, YYYY-MM-DD"},
            "lines": {"type": "array", "minItems": 1, "items": LINE},
            **REDUCTIONS,
            "delivery": {**MONEY, "description": "One charge for everything"},
            "buyer": BUYER,
            "layaway": closed(
                {"accepted_on": DAY, "completed_on": DAY},
                ["accepted_on"],
                "Days of a layaway; `on` is the one of them whose rates tax it, as the state rules",
            ),
            "place": PLACE,
            "stack": STACK,
        },
        ["on", "lines"],
        "Give a place of the co-op's data, or a stack with its rates and rules",
    ),
}


def whole_schema() -> dict[str, Any]:
    """SCHEMA with the terms of every kind of rule spelt out, as it is shown."""
    rules = [
        {**RULE, "properties": {**RULE["properties"], "kind": {"const": kind}, "terms": terms}}
        for kind, terms in TERMS_IN_FILES.items()
    ]
    of_jurisdiction = STACK["properties"]["jurisdictions"]["items"]
    jurisdiction = {
        **of_jurisdiction,
        "properties": {**of_jurisdiction["properties"], "rules": {"type": "array", "items": {"oneOf": rules}}},
    }
    stack = {
        **STACK,
        "properties": {**STACK["properties"], "jurisdictions": {**STACK["properties"]["jurisdictions"], "items": jurisdiction}},
    }
    line = {**LINE, "oneOf": [{"required": ["price"]}, {"required": ["line_price"]}]}
    lines = {**SCHEMA["properties"]["lines"], "items": line}
    return {
        **SCHEMA,
        "properties": {**SCHEMA["properties"], "lines": lines, "stack": stack},
        "oneOf": [{"required": ["place"]}, {"required": ["stack"]}],
    }


@dataclass(frozen=True)
class PlaceAsked:
    """Where the ticket is taxed, to be looked for in stored data: exactly one of mall, zip5 and codes."""

    mall: str = ""
    state: str = ""
    county: str = ""
    city: str = ""
    districts: tuple[str, ...] = ()
    zip5: str = ""
    plus4: str = ""
    basis: str = "ticket"
    aggregated: bool = True


@dataclass(frozen=True)
class ReadTicket:
    """What a JSON ticket says. `stack` is None when a place is asked for; a `certificate_number` is to be looked for."""

    ticket: TicketToTax
    stack: Stack | None
    place: PlaceAsked | None
    certificate_number: str


def read_ticket(text: str) -> ReadTicket:
    """The ticket of a JSON text. Raises ValueError with a sentence that names the path of what is wrong."""
    body = parse_json(text)
    check(body, SCHEMA)
    if ("place" in body) == ("stack" in body):
        raise ValueError("place, stack: give one of them, and not both.")
    lines = tuple(_line(line, f"lines[{n}]") for n, line in enumerate(body["lines"]))
    on = date.fromisoformat(body["on"])
    layaway = _layaway(body["layaway"], on) if "layaway" in body else None
    certificate, number = _buyer(body["buyer"]) if "buyer" in body else (None, "")
    if "buyer" in body and "stack" in body:
        _require_states(body["stack"]["jurisdictions"])
    ticket = TicketToTax(
        on=on,
        lines=lines,
        **{f"{name}_cents": cents_of(body[name]) for name in (*REDUCTIONS, "delivery") if name in body},
        certificate=certificate,
        layaway=layaway,
    )
    place = _place(body["place"]) if "place" in body else None
    return ReadTicket(ticket, _stack(body["stack"]) if "stack" in body else None, place, number)


def _day(text: str | None) -> date | None:
    return None if text is None else date.fromisoformat(text)


def _span(body: Mapping[str, Any], path: str) -> Span:
    starts_on, ends_on = _day(body.get("starts_on")) or date.min, _day(body.get("ends_on"))
    if ends_on is not None and ends_on < starts_on:
        raise ValueError(f"{path} ends on {ends_on}, before it starts on {starts_on}.")
    return Span(starts_on, ends_on)


def _line(body: Mapping[str, Any], path: str) -> LineToTax:
    if ("price" in body) == ("line_price" in body):
        raise ValueError(f"{path}.price is missing, or stands beside line_price: give one of them.")
    quantity = body.get("quantity", 1)
    price = cents_of(body["price"]) * quantity if "price" in body else cents_of(body["line_price"])
    return LineToTax(
        price,
        quantity,
        body.get("tax_class", GENERAL),
        **{f"{name}_cents": cents_of(body[name]) for name in REDUCTIONS if name in body},
        own_use=body.get("own_use", False),
    )


def _layaway(body: Mapping[str, Any], on: date) -> Layaway:
    made = Layaway(date.fromisoformat(body["accepted_on"]), _day(body.get("completed_on")))
    if made.completed_on is not None and made.completed_on < made.accepted_on:
        raise ValueError(f"layaway.completed_on is {made.completed_on}, before it was accepted on {made.accepted_on}.")
    if on not in (made.accepted_on, made.completed_on):
        raise ValueError(
            f"on is {on}, which is no day of the layaway: give the day whose rates tax it, "
            "that of its acceptance or of its completion, as the state rules."
        )
    return made


def _buyer(body: Mapping[str, Any]) -> tuple[Certificate | None, str]:
    if len(body) == 1:
        return None, body["certificate"]
    for key in ("kind", "states"):
        if key not in body:
            raise ValueError(f"buyer.{key} is missing: give kind and states, or the certificate's number alone.")
    starts_on, expires_on = _day(body.get("starts_on")) or date.min, _day(body.get("expires_on"))
    return Certificate(body["certificate"], body["kind"], frozenset(body["states"]), starts_on, expires_on), ""


def _require_states(jurisdictions: Sequence[Mapping[str, Any]]) -> None:
    for n, one in enumerate(jurisdictions):
        if not one.get("state"):
            raise ValueError(f"stack.jurisdictions[{n}].state is missing: a buyer's certificate holds in the states it names.")


def _place(body: Mapping[str, Any]) -> PlaceAsked:
    asked = [key for key in ("mall", "zip") if key in body] or (["state"] if "state" in body else [])
    if len(asked) != 1:
        raise ValueError("place: give a mall, or a zip, or a state with its county, city and districts.")
    allowed = {
        "mall": {"mall"},
        "zip": {"zip", "plus4", "state", *ROUNDING},
        "state": {"state", "county", "city", "districts", *ROUNDING},
    }[asked[0]]
    for key in body:
        if key not in allowed:
            raise ValueError(f"place.{key} does not go with place.{asked[0]}: leave it out.")
    return PlaceAsked(
        **{key: body[key] for key in ("mall", "state", "county", "city", "plus4", *ROUNDING) if key in body},
        zip5=body.get("zip", ""),
        districts=tuple(body.get("districts", ())),
    )


def _stack(body: Mapping[str, Any]) -> Stack:
    rate_ids = iter(range(1, 1_000_000_000))
    made = [
        _jurisdiction(n, jurisdiction, rate_ids, f"stack.jurisdictions[{n - 1}]")
        for n, jurisdiction in enumerate(body["jurisdictions"], 1)
    ]
    return Stack(tuple(made), body.get("basis", "ticket"), body.get("aggregated", True))


def _jurisdiction(number: int, body: Mapping[str, Any], rate_ids: Iterable[int], path: str) -> JurisdictionRules:
    ids = iter(rate_ids)
    rates = [
        ClassRate(next(ids), Decimal(r["percent"]), r.get("tax_class", GENERAL), _span(r, f"{path}.rates[{n}]"))
        for n, r in enumerate(body["rates"])
    ]
    rules, tiers = [], {}
    for n, rule in enumerate(body.get("rules", ())):
        at = f"{path}.rules[{n}]"
        check(rule["terms"], TERMS_IN_FILES[rule["kind"]], f"{at}.terms")
        for tier in rule["terms"].get("tiers", ()):
            if tier["name"] in tiers:
                raise ValueError(f"{at}.terms.tiers: two tiers are named {tier['name']}; name one otherwise.")
            tiers[tier["name"]] = TierRate(next(ids), Decimal(tier["percent"]))
        rules.append(StoredRule(rule["kind"], _span(rule, at), rule["terms"]))
    try:
        return build_jurisdiction(number, body["name"], body.get("state", ""), rates, rules, tiers)
    except ValueError as error:
        raise ValueError(f"{path}: {error}") from None


# --- the answer -----------------------------------------------------------------------------------------------------------


def answer(ticket: TicketToTax, tax: TicketTax, stack: Stack) -> dict[str, Any]:
    """Tax per line and jurisdiction, what was not taxed and why, and the sums: JSON, money as dollars in text."""
    names = {j.jurisdiction_id: j.name for j in stack.jurisdictions}
    percents = {rate.rate_id: rate.percent for j in stack.jurisdictions for rate in j.rates}
    percents |= {t.rate_id: t.percent for j in stack.jurisdictions for article in j.articles for t in article.tiers}

    def of(line: int, price_cents: int) -> dict[str, Any]:
        parts = [part for part in tax.parts if part.line == line]
        return {
            "price": plain_cents(price_cents),
            "tax": plain_cents(sum(part.amount_cents for part in parts)),
            "taxes": [_part(part, names, percents) for part in parts],
            "untaxed": [_untaxed(row, names) for row in tax.untaxed if row.line == line],
        }

    by_jurisdiction, by_part = tax.by_jurisdiction(), tax.by_part()
    price = sum(line.price_cents for line in ticket.lines)
    reduced = sum(getattr(reduces, f"{name}_cents") for reduces in (ticket, *ticket.lines) for name in REDUCTIONS)
    answered: dict[str, Any] = {
        "on": ticket.on.isoformat(),
        "basis": stack.basis,
        "aggregated": stack.aggregated,
        "lines": [{"line": n + 1, **of(n, line.price_cents)} for n, line in enumerate(ticket.lines)],
        "jurisdictions": [
            {
                "name": name,
                "tax": plain_cents(by_jurisdiction.get(key, 0)),
                "parts": {part or "rate": plain_cents(amount) for (j, part), amount in by_part.items() if j == key},
            }
            for key, name in names.items()
        ],
        "price": plain_cents(price),
        "reductions": plain_cents(reduced),
        "delivery": plain_cents(ticket.delivery_cents),
        "tax": plain_cents(tax.total_cents),
        "total": plain_cents(price - reduced + ticket.delivery_cents + tax.total_cents),
    }
    if ticket.delivery_cents:
        answered["delivery_tax"] = of(DELIVERY, ticket.delivery_cents)
    return answered


def _part(part: TaxPart, names: Mapping[int, str], percents: Mapping[int, Decimal]) -> dict[str, str]:
    return {
        "jurisdiction": names[part.jurisdiction_id],
        "part": part.part,
        "percent": format_decimal(percents[part.rate_id]),
        "taxable": plain_cents(part.taxable_cents),
        "tax": plain_cents(part.amount_cents),
    }


def _untaxed(row: Untaxed, names: Mapping[int, str]) -> dict[str, str]:
    return {
        "jurisdiction": names[row.jurisdiction_id],
        "kind": row.kind,
        "reason": row.reason,
        "amount": plain_cents(row.amount_cents),
    }
