"""A return as it is shown, filed and kept: with what it was held against, as canonical JSON under a hash.

Pure. All money is integer cents. A draft and a filed return are the same value; only the filed one is stored.
"""

from __future__ import annotations

import dataclasses
import hashlib
import json
from dataclasses import dataclass
from datetime import date
from decimal import Decimal
from typing import Any

from coop.core.periods import Month
from coop.tax.domain.returns import Change, FilingPeriod, JurisdictionSums, PaidPart, RatedSum, TaxReturn

FORMAT = "coop tax return 1"


class ReturnUnreadable(ValueError):
    """A kept return that this version cannot read, or whose text is not what was filed."""


@dataclass(frozen=True)
class LateTicket:
    """A ticket of the period that reached the books after it, and so is in this return though not in the period's books."""

    key: str
    sold_on: date
    posted_on: date
    tax_cents: int


@dataclass(frozen=True)
class Worksheet:
    """A return with what it was held against. `apart` are sentences that say where it does not tie; empty when it does."""

    coop_name: str
    value: TaxReturn
    tickets_cents: int
    """Tax of the period's tickets, as their own rows have it."""
    books_cents: int
    """Tax the accounts of these jurisdictions took up in the period, filings apart."""
    late: tuple[LateTicket, ...] = ()
    apart: tuple[str, ...] = ()
    reason: str = ""
    """Why it was filed although it does not tie, or why it amends; in the words of who filed it."""

    @property
    def ties(self) -> bool:
        return not self.apart


def to_json(sheet: Worksheet) -> str:
    """The worksheet as canonical JSON: keys sorted, dates ISO, rates as text; equal values have equal bytes."""
    body = {"format": FORMAT, **dataclasses.asdict(sheet)}
    return json.dumps(body, sort_keys=True, separators=(",", ":"), ensure_ascii=False, default=_plain)


def _plain(value: object) -> str:
    if isinstance(value, date):
        return value.isoformat()
    if isinstance(value, Decimal):
        return str(value)
    raise TypeError(f"{type(value).__name__} does not belong in a return")


def sha256(text: str) -> str:
    return hashlib.sha256(text.encode("utf-8")).hexdigest()


def from_json(text: str, digest: str | None = None) -> Worksheet:
    """Read back what to_json wrote. Raises ReturnUnreadable for another format, or a text that is not `digest`'s."""
    if digest is not None and sha256(text) != digest:
        raise ReturnUnreadable("This return is not what was filed: its text and its hash differ.")
    body: dict[str, Any] = json.loads(text)
    if body.pop("format", None) != FORMAT:
        raise ReturnUnreadable("This return is stored in a format this version does not know.")
    late = tuple(
        LateTicket(**{**one, "sold_on": date.fromisoformat(one["sold_on"]), "posted_on": date.fromisoformat(one["posted_on"])})
        for one in body["late"]
    )
    return Worksheet(**{**body, "value": _value(body["value"]), "late": late, "apart": tuple(body["apart"])})


def _value(body: dict[str, Any]) -> TaxReturn:
    period = body["period"]
    return TaxReturn(
        **{
            **body,
            "period": FilingPeriod(Month(**period["first"]), period["frequency"]),
            "due_on": date.fromisoformat(body["due_on"]),
            "filed_on": date.fromisoformat(body["filed_on"]),
            "lines": tuple(_line(line) for line in body["lines"]),
            "changes": tuple(Change(**change) for change in body["changes"]),
            "paid_late": tuple(PaidPart(date.fromisoformat(part["on"]), part["cents"]) for part in body.get("paid_late", ())),
        }
    )


def _line(body: dict[str, Any]) -> JurisdictionSums:
    return JurisdictionSums(
        **{
            **body,
            "deductions": tuple((reason, cents) for reason, cents in body["deductions"]),
            "exempt": tuple((reason, cents) for reason, cents in body["exempt"]),
            "rated": tuple(map(_rated, body["rated"])),
        }
    )


def _rated(body: dict[str, Any]) -> RatedSum:
    since = body.get("starts_on")
    return RatedSum(**{**body, "percent": Decimal(body["percent"]), "starts_on": date.fromisoformat(since) if since else None})
