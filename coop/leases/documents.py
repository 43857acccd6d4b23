"""A letter as a frozen value, and its paper and mail: both only render it.

The value holds the words themselves, so that a letter rendered again says the same whatever its template has become.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import asdict, dataclass
from datetime import date
from typing import Any

from coop.core.pdf import REPLACEMENT, printable, render_pdf
from coop.core.templating import environment, render

PAPERS = {"letter": "@page { size: letter }", "a4": "@page { size: A4 }"}
KINDS: Mapping[str, str] = {
    "agreement": "Lease agreement",
    "offer": "Offer",
    "renewal": "Renewal",
    "increase": "Increase of the rent",
    "arrears": "Arrears",
    "end": "End of the lease",
    "deposit": "Deposit settled",
}
"""What each kind of letter is called."""
CAUTION = (
    "This is a form, not legal advice. Have counsel check it before you use it: local law may decide on deposits, late fees, "
    "notice, and how a lease ends."
)
"""On every agreement."""
LAW = "Local law may say more about this than the lease does. Where they differ, the law holds."
"""On every other letter."""


@dataclass(frozen=True)
class Table:
    """Rows of text under headings; the last `figures` columns are figures, and the last row is a total if it says so."""

    heading: str
    columns: tuple[str, ...]
    rows: tuple[tuple[str, ...], ...]
    figures: int = 1
    total: bool = False


@dataclass(frozen=True)
class Signature:
    """Who signs: a line to sign on, or how it was signed already, in words."""

    party: str
    signed: str = ""


@dataclass(frozen=True)
class LetterValue:
    """What a letter says, complete. `to` are the lines of the address; `outcome` is the first thing that is read."""

    kind: str
    paper: str
    made_on: date
    coop_name: str
    mall_name: str
    mall_address: str
    to: tuple[str, ...]
    reference: str
    title: str
    outcome: str
    body: tuple[str, ...] = ()
    tables: tuple[Table, ...] = ()
    terms: tuple[tuple[str, str], ...] = ()
    clauses: tuple[str, ...] = ()
    signatures: tuple[Signature, ...] = ()
    caution: str = LAW


class LetterUnreadable(Exception):
    """A stored letter is not what this program writes."""


def to_value(letter: LetterValue) -> dict[str, Any]:
    """The letter as plain JSON values."""
    return asdict(letter) | {"made_on": letter.made_on.isoformat()}


def from_value(value: Mapping[str, Any]) -> LetterValue:
    """The letter of plain JSON values. Raises LetterUnreadable."""
    try:
        lists = {key: tuple(value[key]) for key in ("to", "body", "clauses")}
        tables = tuple(
            Table(t["heading"], tuple(t["columns"]), tuple(tuple(row) for row in t["rows"]), t["figures"], t["total"])
            for t in value["tables"]
        )
        terms = tuple((label, words) for label, words in value["terms"])
        signatures = tuple(Signature(**one) for one in value["signatures"])
        rest = {"made_on": date.fromisoformat(value["made_on"]), "tables": tables, "terms": terms, "signatures": signatures}
        return LetterValue(**dict(value) | lists | rest)
    except (KeyError, TypeError, ValueError) as error:
        raise LetterUnreadable(f"the letter cannot be read: {error}") from error


# --- paper --------------------------------------------------------------------------------------------------------------


def letter_html(letter: LetterValue) -> str:
    """The body's markup of the paper."""
    whole = repr(letter)
    return render(
        "pdf/letter/body.html",
        letter=letter,
        replacement=REPLACEMENT if printable(whole).count(REPLACEMENT) > whole.count(REPLACEMENT) else "",
    )


def letter_pdf(letter: LetterValue) -> bytes:
    """The letter as PDF/UA-1 on the value's paper; equal values give equal bytes. Raises PdfError."""
    source, _, _ = environment().loader.get_source(environment(), "pdf/letter/style.css")  # type: ignore[union-attr]
    return render_pdf(
        letter_html(letter), (source, PAPERS[letter.paper]), title=f"{letter.title}, {letter.reference}", created=letter.made_on
    )


def file_name(letter: LetterValue, letter_id: int) -> str:
    """`agreement-D01-2026-11-03-12.pdf`"""
    whom = re.sub(r"[^A-Za-z0-9]+", "-", letter.reference).strip("-")[:40]
    return f"{letter.kind}-{whom}-{letter.made_on}-{letter_id}.pdf"


# --- mail ---------------------------------------------------------------------------------------------------------------


def letter_mail(letter: LetterValue) -> tuple[str, str, str]:
    """Subject, text part and HTML part. The first line of both parts is the outcome; the PDF goes along."""
    values = {"letter": letter}
    # A header is one line, whatever a name holds.
    subject = " ".join(render("email/letter/subject.txt", **values).split())[:200]
    text = render("email/letter/body.txt", **values).replace("\N{MINUS SIGN}", "-").strip() + "\n"
    return subject, re.sub(r"\n{3,}", "\n\n", text), render("email/letter/body.html", **values)
