"""Entries by hand as values: lines that must balance, an account's path as a person types it, a paper's kind by its bytes."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass

from coop.books.domain.export import ROOTS
from coop.core.money import format_dollars

MOST_LINES = 40
MOST_PATH = 120
_PART = re.compile(r"[A-Z0-9][A-Za-z0-9]*(-[A-Za-z0-9]+)*")
MADE_ELSEWHERE = {
    "Assets:Bank": "bank lines",
    "Assets:Card-clearing": "sales by card",
    "Assets:Checks-to-deposit": "checks taken",
    "Assets:Drawer": "the drawers",
    "Assets:Layaway-tax": "layaways",
    "Assets:Maker-coupons": "coupons taken",
    "Assets:Owed-by-dealers": "dealers who owe",
    "Equity:Opening": "exports of the ledger",
    "Equity:Retained": "patronage",
    "Liabilities:Dealers": "dealers",
    "Liabilities:Deposits": "lease deposits",
    "Liabilities:Gift-certificates": "gift certificates",
    "Liabilities:Layaway": "layaways",
    "Liabilities:Stale-payouts": "payouts never cashed",
    "Liabilities:Tax": "sales tax",
    "Liabilities:Tax-filed": "tax that is filed",
    "Liabilities:Tax-on-paper": "tax from before",
    "Liabilities:Unclaimed": "unclaimed sales",
    "Liabilities:Unknown-receipts": "money whose sender is not known",
}
"""Parts of the tree the program makes accounts of, with what they are for."""
KIND_OF_ROOT = {"Assets": "asset", "Liabilities": "liability", "Income": "income", "Expenses": "expense", "Equity": "equity"}


@dataclass(frozen=True)
class HandLine:
    """One line of an entry by hand: an account's path and its cents, debit positive."""

    account: str
    amount_cents: int


def lines_fault(lines: Sequence[HandLine]) -> str:
    """What is wrong with the lines, as a sentence with its mend; empty when they can be posted."""
    for nth, line in enumerate(lines, start=1):
        if not line.account:
            return f"Line {nth} names no account: choose one from the list."
        if not line.amount_cents:
            return f"Line {nth} has no amount: write a debit or a credit."
    if len(lines) < 2:
        return "An entry has two lines or more: what one account takes, another gives."
    if len(lines) > MOST_LINES:
        return f"An entry by hand has {MOST_LINES} lines at most, not {len(lines)}: make two of it."
    debits, credits = debits_of(lines), -sum(line.amount_cents for line in lines if line.amount_cents < 0)
    if debits != credits:
        short = "credits" if debits > credits else "debits"
        return (
            f"The debits are {format_dollars(debits)} and the credits {format_dollars(credits)}: "
            f"{format_dollars(abs(debits - credits))} is missing in the {short}."
        )
    sums: dict[str, int] = {}
    for line in lines:
        sums[line.account] = sums.get(line.account, 0) + line.amount_cents
    if not any(sums.values()):
        return "Each account takes what it gives, so the entry does nothing: name the account that is to change."
    return ""


def debits_of(lines: Sequence[HandLine]) -> int:
    return sum(line.amount_cents for line in lines if line.amount_cents > 0)


def new_path_fault(path: str) -> str:
    """What is wrong with the path of an account that is to be new, as a sentence with its mend; empty when it can be made."""
    root, *parts = path.split(":")
    if root not in ROOTS:
        return f"The account {path!r} begins with none of {', '.join(ROOTS)}: write it like Expenses:Electricity."
    if not parts or not all(map(_PART.fullmatch, parts)):
        return (
            f"The account {path!r} is not written like Expenses:Electricity: after each colon comes a part that begins with a "
            "capital or a digit and has letters, digits and single hyphens."
        )
    if len(path) > MOST_PATH:
        return f"The account's name has {len(path)} letters: {MOST_PATH} is the most."
    above = f"{root}:{parts[0]}"
    if above in MADE_ELSEWHERE:
        return (
            f"Accounts of {above} are made by the program, for {MADE_ELSEWHERE[above]}: "
            "choose one that is there, or give yours another name."
        )
    return ""


PAPERS = {"application/pdf": ".pdf", "image/png": ".png", "image/jpeg": ".jpg"}
"""Kinds of paper kept with an entry, and how their files end."""


def paper_kind(content: bytes) -> str:
    """The media type that a file's first bytes say; empty for any other than PDF, PNG and JPEG.

    Sources: ISO 32000-1, 7.5.2 (a PDF's header); W3C PNG, 5.2 (its signature); ITU T.81, B.2 (SOI, then a marker).
    """
    if content.startswith(b"%PDF-"):
        return "application/pdf"
    if content.startswith(b"\x89PNG\r\n\x1a\n"):
        return "image/png"
    if content.startswith(b"\xff\xd8\xff"):
        return "image/jpeg"
    return ""
