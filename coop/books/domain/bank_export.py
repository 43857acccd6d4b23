"""The bank's lines and the books' side of the bank as CSV, each with its period and control totals (RFC 4180).

The first column says what a row is: `line`, or `period` and `total`, whose say stands under `figure`. Only lines have an amount,
so the column sums to what came in and went out.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date

from coop.books.domain.ofx import BookStatement
from coop.core.csv_text import csv_text, defused
from coop.core.money import plain_cents

LINES_HEADING = ("row", "date", "amount", "reference", "description", "state", "matched", "entries", "figure")
BOOK_HEADING = ("row", "date", "entry", "kind", "memo", "amount", "balance", "figure")


@dataclass(frozen=True)
class ExportLine:
    """A line of the bank with what it is matched with."""

    on: date
    amount_cents: int
    reference: str
    words: str
    state: str
    matched_cents: int
    entries: Sequence[int]


def lines_csv(period: str, lines: Sequence[ExportLine]) -> str:
    """Lines of the bank with their matches."""
    into = sum(line.amount_cents for line in lines if line.amount_cents > 0)
    out = sum(line.amount_cents for line in lines if line.amount_cents < 0)
    open_cents = sum(line.amount_cents - line.matched_cents for line in lines)
    head = [["period", *[""] * 7, period]]
    figures = (
        ("lines", str(len(lines))),
        ("came in", plain_cents(into)),
        ("went out", plain_cents(out)),
        ("not matched", plain_cents(open_cents)),
    )
    head += [["total", *[""] * 3, what, *[""] * 3, figure] for what, figure in figures]
    rows = [
        [
            *("line", str(line.on), plain_cents(line.amount_cents), defused(line.reference), defused(line.words), line.state),
            *(plain_cents(line.matched_cents), " ".join(map(str, line.entries)), ""),
        ]
        for line in lines
    ]
    return csv_text(LINES_HEADING, head + rows)


def book_csv(statement: BookStatement) -> str:
    """What the books posted to the bank, with the balance after each."""
    head = [["period", *[""] * 6, f"{statement.first_day} to {statement.last_day}"]]
    figures = (
        ("balance before", plain_cents(statement.opening_cents)),
        ("lines", str(len(statement.lines))),
        ("came in", plain_cents(statement.in_cents)),
        ("went out", plain_cents(statement.out_cents)),
        ("balance after", plain_cents(statement.closing_cents)),
    )
    head += [["total", *[""] * 3, what, "", "", figure] for what, figure in figures]
    rows, balance = [], statement.opening_cents
    for line in statement.lines:
        balance += line.amount_cents
        typed = (defused(line.kind), defused(line.memo))
        rows.append(["line", str(line.on), str(line.entry_id), *typed, plain_cents(line.amount_cents), plain_cents(balance), ""])
    return csv_text(BOOK_HEADING, head + rows)
