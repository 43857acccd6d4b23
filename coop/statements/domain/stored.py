"""A statement's stored form: canonical JSON, read back for as long as the statement is kept, and the hash of it."""

from __future__ import annotations

import dataclasses
import hashlib
import json
from datetime import date
from typing import Any

from coop.statements.domain.lines import (
    ChargeLine,
    FloorFigures,
    OwedTaxLine,
    PaymentLine,
    PendingLayaway,
    SaleLine,
    TaxLine,
    TurnLine,
    YearFigure,
)
from coop.statements.domain.proof import StatementError
from coop.statements.domain.value import StatementValue

FORMAT = 1
"""Of the stored JSON: a reader of an old statement knows what it is reading."""
_LATER_KEYS = (
    "tax_owed",
    "deposit_cents",
    "year",
    "layaways",
    "next_rent",
    "next_rent_netted",
    "turns",
    "pay_how",
    "held",
    "elsewhere",
    "floor",
    "left_on",
    "late_after",
    "books_from",
)
"""Of the value, not kept by every version."""
_LATER_KEYS_OF_LINES = {
    **dict.fromkeys(("sales", "returns"), ("coupon_cents", "claimed_on", "card_cents", "ticket_cents", "layaway")),
    "payments": ("kind",),
    "tax_collected": ("percent",),
    "year": ("unknown",),
    "layaways": ("paid_cents",),
}


def to_json(value: StatementValue) -> str:
    """The value as canonical JSON: keys sorted, dates ISO, so that equal values have equal bytes.

    What statements did not always keep is left out where it is empty, so that an old one has its old bytes.
    """
    body = {"format": FORMAT, **dataclasses.asdict(value)}
    later = [(body, _LATER_KEYS), *((line, keys) for name, keys in _LATER_KEYS_OF_LINES.items() for line in body[name])]
    if body["floor"]:
        later.append((body["floor"], ("working",)))
    for of, keys in later:
        for key in keys:
            if not of[key]:
                del of[key]
    return json.dumps(body, sort_keys=True, separators=(",", ":"), ensure_ascii=False, default=_iso)


def _iso(value: object) -> str:
    if isinstance(value, date):
        return value.isoformat()
    raise TypeError(f"{type(value).__name__} does not belong in a statement")


def sha256(text: str) -> str:
    return hashlib.sha256(text.encode("utf-8")).hexdigest()


def from_json(text: str) -> StatementValue:
    """Read back what to_json wrote, what an older version kept too. Raises StatementError for another format."""
    body: dict[str, Any] = json.loads(text)
    if body.pop("format", None) != FORMAT:
        raise StatementError("this statement is stored in a format this version does not know")
    _read_days(body, "first_day", "last_day", "made_on", "pay_on", "left_on", "late_after", "books_from")
    for key in ("spaces", "held", "elsewhere"):
        body[key] = tuple(body.get(key, ()))
    for key, line, days in (
        ("sales", SaleLine, ("sold_on", "posted_on", "claimed_on")),
        ("returns", SaleLine, ("sold_on", "posted_on", "claimed_on")),
        ("charges", ChargeLine, ()),
        ("payments", PaymentLine, ("paid_on",)),
        ("tax_collected", TaxLine, ()),
        ("tax_owed", OwedTaxLine, ("due_on",)),
        ("year", YearFigure, ()),
        ("layaways", PendingLayaway, ("agreed_on", "due_on")),
        ("next_rent", ChargeLine, ()),
        ("turns", TurnLine, ()),
    ):
        body[key] = tuple(line(**_read_days(row, *days)) for row in body.get(key, ()))
    if "floor" in body:
        body["floor"] = FloorFigures(**body["floor"])
    return StatementValue(**body)


def _read_days(row: dict[str, Any], *keys: str) -> dict[str, Any]:
    for key in keys:
        if row.get(key):
            row[key] = date.fromisoformat(row[key])
    return row
