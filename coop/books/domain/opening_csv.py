"""The CSV of balances from paper: a heading, then one balance, figure or control total a row. Saved as "CSV UTF-8".

    kind,mall,dealer,what,number,amount,price,on,due,words,buyer
    dealer,MAIN,D01,,,412.50,,,,,
    layaway,MAIN,D01,,17,30.00,120.00,2026-08-04,2026-11-02,Oak chest,Orla Quint
    total,,,dealer,1,412.50,,,,,
    total,,,layaway,1,30.00,,,,,

The columns may stand in any order; those nobody needs may be left out. `KINDS` says what each kind of row holds, and `EXAMPLE` is
a whole small file. Each kind of row has one row `total` with how many there are and what they come to together. What the co-op
has is what it owes and its equity together, or the file is refused.
"""

from __future__ import annotations

import csv
import io
import re
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date
from decimal import Decimal
from typing import Any

from coop.books.domain.hand import MADE_ELSEWHERE
from coop.core.csv_text import day_of
from coop.core.money import format_decimal, format_dollars, parse_cents, parse_decimal

COLUMNS = ("kind", "mall", "dealer", "what", "number", "amount", "price", "on", "due", "words", "buyer")
"""In the order they are written in."""
REQUIRED = ("kind", "amount")
LONGEST = {"mall": 12, "dealer": 12, "what": 120, "number": 20, "words": 160, "buyer": 120}
MEMOS = ("gross", "net", "commission", "rent", "fees", "paid")
TOTAL, TURNS = "total", "turns"
_PATH = re.compile(r"(Assets|Liabilities)(:[A-Z0-9][A-Za-z0-9-]*)+")


@dataclass(frozen=True)
class Kind:
    """What a kind of row holds."""

    says: str
    needs: tuple[str, ...]
    may: tuple[str, ...] = ()
    side: int = 0
    """1: something the co-op has; -1: something it owes, or equity; 0: a figure that is no balance."""
    below_zero: bool = False
    once: tuple[str, ...] = ()
    """Two rows with the same of these are one too many."""


KINDS = {
    "dealer": Kind("what is owed to a dealer; below zero when she owes", ("mall", "dealer"), (), -1, True, ("mall", "dealer")),
    "deposit": Kind("what is held of the deposit of a dealer's lease", ("mall", "dealer"), (), -1, False, ("mall", "dealer")),
    "layaway": Kind(
        "what a buyer has paid so far on one item; what: its tag",
        ("mall", "dealer", "number", "price", "on", "due", "words"),
        ("what", "buyer"),
        -1,
        False,
        ("mall", "number"),
    ),
    "gift": Kind(
        "what is left of a gift certificate; on: the day it was sold", ("mall", "number"), ("on",), -1, False, ("number",)
    ),
    "unclaimed": Kind(
        "a sale whose dealer is not known; what: the tag, if any; number: the ticket's",
        ("mall", "words"),
        ("on", "what", "number"),
        -1,
    ),
    "tax": Kind(
        "tax collected and not filed yet, to be filed on paper; what: the jurisdiction's code", ("what",), (), -1, True, ("what",)
    ),
    "bank": Kind("the balance on the bank's own statement", (), (), 1, True, ("kind",)),
    "outstanding": Kind(
        "what the bank has not seen yet: a check below zero, a deposit above; number: the check's",
        ("on", "number"),
        ("words",),
        1,
        True,
    ),
    "drawer": Kind(
        "the cash in a drawer; what: the desk, where a mall has several", ("mall",), ("what",), 1, False, ("mall", "what")
    ),
    "checks": Kind("checks taken and not deposited yet", ("mall",), (), 1, False, ("mall",)),
    "cards": Kind("card sales that have not reached the bank yet", ("mall",), (), 1, False, ("mall",)),
    "coupons": Kind("what makers owe for their coupons", ("mall",), (), 1, False, ("mall",)),
    "account": Kind(
        "anything else; what: the account, such as Liabilities:Loan or Assets:Shelving", ("what",), ("mall",), 0, True, ("what",)
    ),
    "equity": Kind("the members' own; what: a part of it, such as Retained:D01", (), ("what",), -1, True, ("what",)),
    "year": Kind(
        f"a dealer's year so far, for her statement; what: {', '.join(MEMOS)}",
        ("mall", "dealer", "what"),
        (),
        0,
        True,
        ("mall", "dealer", "what"),
    ),
    "turns": Kind(
        "a dealer's turns worked beyond what she owed, below zero when she owes some",
        ("mall", "dealer"),
        (),
        0,
        True,
        ("mall", "dealer"),
    ),
    "total": Kind(
        "the control total of a kind of row: what: the kind; number: how many rows", ("what", "number"), (), 0, True, ("what",)
    ),
}
EXAMPLE = """\
kind,mall,dealer,what,number,amount,price,on,due,words,buyer
dealer,MAIN,D01,,,412.50,,,,,
dealer,MAIN,D02,,,-65.00,,,,,
deposit,MAIN,D01,,,150.00,,,,,
layaway,MAIN,D01,,17,30.00,120.00,2026-08-04,2026-11-02,Oak chest,Orla Quint
gift,MAIN,,,G-204,25.00,,2026-05-09,,,
unclaimed,MAIN,,,3311,18.00,,2026-08-22,,Blue crock,
tax,,,STATE,,96.40,,,,,
bank,,,,,1650.00,,,,,
outstanding,,,,1041,-250.00,,2026-08-29,,,
drawer,MAIN,,,,200.00,,,,,
equity,,,,,933.10,,,,,
year,MAIN,D01,gross,,3120.00,,,,,
turns,MAIN,D01,,,1.5,,,,,
total,,,dealer,2,347.50,,,,,
total,,,deposit,1,150.00,,,,,
total,,,layaway,1,30.00,,,,,
total,,,gift,1,25.00,,,,,
total,,,unclaimed,1,18.00,,,,,
total,,,tax,1,96.40,,,,,
total,,,bank,1,1650.00,,,,,
total,,,outstanding,1,-250.00,,,,,
total,,,drawer,1,200.00,,,,,
total,,,equity,1,933.10,,,,,
total,,,year,1,3120.00,,,,,
total,,,turns,1,1.5,,,,,
"""


class OpeningFault(ValueError):
    """The file cannot be taken: a sentence for each reason, with its row."""

    def __init__(self, sentences: Sequence[str]) -> None:
        super().__init__(" ".join(sentences))
        self.sentences = tuple(sentences)


@dataclass(frozen=True)
class OpeningRow:
    """A row as a value; what its kind does not have is empty."""

    row: int
    """Line number in the file, the heading being 1."""
    kind: str
    mall: str = ""
    dealer: str = ""
    what: str = ""
    number: str = ""
    cents: int = 0
    turns: Decimal | None = None
    price_cents: int = 0
    on: date | None = None
    due: date | None = None
    words: str = ""
    buyer: str = ""

    @property
    def debit_cents(self) -> int:
        """What it posts: positive on the side of what the co-op has."""
        if self.kind == "account":
            return self.cents if self.what.startswith("Assets:") else -self.cents
        return self.cents * KINDS[self.kind].side


@dataclass(frozen=True)
class OpeningRead:
    """A file that agrees with itself."""

    rows: tuple[OpeningRow, ...]
    """Without its totals."""
    totals: dict[str, dict[str, Any]]
    """By kind, in the order of KINDS: rows, and cents or turns (a text)."""

    def of(self, *kinds: str) -> list[OpeningRow]:
        return [row for row in self.rows if row.kind in kinds]


def read_opening_rows(text: str) -> OpeningRead:
    """The rows of a file of balances, its control totals held and its sides equal.

    Raises OpeningFault with a sentence for everything that is wrong with its rows; or, when they are right, with its totals.
    """
    rows, faults = _rows(text)
    if faults:
        raise OpeningFault(faults)
    given = [row for row in rows if row.kind != TOTAL]
    totals = _totals(given)
    faults = _total_faults(totals, [row for row in rows if row.kind == TOTAL]) + _balance_faults(given)
    if faults:
        raise OpeningFault(faults)
    return OpeningRead(tuple(given), totals)


def without_buyers(text: str) -> str:
    """The same file without buyers' names, for keeping."""
    table = list(csv.reader(io.StringIO(text.removeprefix("\ufeff"), newline="")))
    heading = [field.strip().lower() for field in table[0]]
    if "buyer" in heading:
        place = heading.index("buyer")
        table = [table[0], *([*row[:place], "", *row[place + 1 :]] if len(row) > place else row for row in table[1:])]
    out = io.StringIO()
    csv.writer(out, lineterminator="\r\n").writerows(table)
    return out.getvalue()


# --- rows ---------------------------------------------------------------------------------------------------------------


def _rows(text: str) -> tuple[list[OpeningRow], list[str]]:
    reader = csv.reader(io.StringIO(text.removeprefix("\ufeff"), newline=""), strict=True)
    rows: list[OpeningRow] = []
    faults: list[str] = []
    seen: dict[tuple[str, ...], int] = {}
    columns: list[str] = []
    try:
        for fields in reader:
            number = reader.line_num
            if not columns:
                columns = _columns(fields)
            elif any(field.strip() for field in fields):
                try:
                    row = _row(number, [field.strip() for field in fields], columns)
                    _once(row, seen)
                except ValueError as fault:
                    faults.append(f"Row {number} {fault}")
                else:
                    rows.append(row)
    except csv.Error as error:
        raise OpeningFault([f"Row {reader.line_num} is no CSV ({error}): save the file as CSV with commas."]) from error
    if not rows and not faults:
        raise OpeningFault(["The file has no rows: write a balance a row, under the heading."])
    return rows, faults


def _columns(fields: list[str]) -> list[str]:
    columns = [field.strip().lower() for field in fields]
    if len(columns) == 1:
        raise OpeningFault(["The heading's columns are not separated by commas: save the file as CSV with commas."])
    for column in columns:
        if column not in COLUMNS:
            raise OpeningFault([f"The heading has a column {column!r}. There are: {', '.join(COLUMNS)}."])
        if columns.count(column) > 1:
            raise OpeningFault([f"The heading has the column {column} twice: take one away."])
    for column in REQUIRED:
        if column not in columns:
            raise OpeningFault([f"The heading has no column {column}. There are: {', '.join(COLUMNS)}."])
    return columns


def _row(number: int, fields: list[str], columns: list[str]) -> OpeningRow:
    if len(fields) != len(columns):
        raise ValueError(f"has {len(fields)} columns; the heading has {len(columns)}.")
    given = {column: field for column, field in zip(columns, fields, strict=True) if field}
    name = given.pop("kind", "").lower()
    kind = KINDS.get(name)
    if kind is None:
        raise ValueError(f"has the kind {name!r}; write one of {', '.join(KINDS)}.")
    for column in (*kind.needs, "amount"):
        if column not in given:
            raise ValueError(f"has no {column}: a row of the kind {name} is {kind.says}.")
    for column, field in given.items():
        if column not in (*kind.needs, *kind.may, "amount"):
            raise ValueError(f"has {field!r} in the column {column}, which a row of the kind {name} does not take.")
        if len(field) > LONGEST.get(column, 40):
            raise ValueError(f"has {len(field)} letters in the column {column}; it takes {LONGEST.get(column, 40)}.")
    what = given.get("what", "")
    turns = None
    if name == TURNS or (name == TOTAL and what.lower() == TURNS):
        turns, cents = _number(given["amount"]), 0
        empty = not turns and name != TOTAL
    else:
        cents = _cents("amount", given["amount"])
        empty = not cents and name not in (TOTAL, "bank")
    if empty:
        raise ValueError("has an amount of nothing: leave the row out.")
    if cents < 0 and not kind.below_zero:
        raise ValueError(f"has {given['amount']} in the column amount: a row of the kind {name} lies above zero.")
    row = OpeningRow(
        row=number,
        kind=name,
        mall=given.get("mall", "").upper(),
        dealer=given.get("dealer", "").upper(),
        what=_what(name, what),
        number=given.get("number", ""),
        cents=cents,
        turns=turns,
        price_cents=_cents("price", given["price"]) if "price" in given else 0,
        on=day_of("on", given["on"]) if "on" in given else None,
        due=day_of("due", given["due"]) if "due" in given else None,
        words=given.get("words", ""),
        buyer=given.get("buyer", ""),
    )
    if name in ("layaway", TOTAL) and not re.fullmatch(r"[0-9]{1,7}", row.number):
        raise ValueError(f"has {row.number!r} in the column number; write digits, such as 17.")
    if name == "layaway":
        _layaway(row)
    if name == "gift" and not re.fullmatch(r"[A-Za-z0-9][A-Za-z0-9-]{0,19}", row.number):
        raise ValueError(f"has {row.number!r} in the column number; a certificate's has letters, digits and hyphens.")
    return row


def _what(name: str, what: str) -> str:
    if name == TOTAL:
        if what.lower() not in KINDS or what.lower() == TOTAL:
            raise ValueError(f"is the total of {what!r}; write one of {', '.join(kind for kind in KINDS if kind != TOTAL)}.")
        return what.lower()
    if name == "year" and what.lower() not in MEMOS:
        raise ValueError(f"has {what!r} in the column what; write one of {', '.join(MEMOS)}.")
    if name == "account":
        if not _PATH.fullmatch(what):
            raise ValueError(f"has {what!r} in the column what; write an account such as Liabilities:Loan or Assets:Shelving.")
        for path in (*MADE_ELSEWHERE, "Liabilities:Tax-on-paper"):
            if what == path or what.startswith(f"{path}:"):
                raise ValueError(f"has the account {what}, which is made of rows of another kind: {', '.join(list(KINDS)[:12])}.")
    if name == "equity" and what and not re.fullmatch(r"[A-Z0-9][A-Za-z0-9-]*(:[A-Z0-9][A-Za-z0-9-]*)*", what):
        raise ValueError(f"has {what!r} in the column what; write a part of the equity such as Retained:D01, or leave it empty.")
    if name == "drawer" and what and not re.fullmatch(r"[A-Za-z0-9][A-Za-z0-9-]{0,11}", what):
        raise ValueError(f"has the desk {what!r}; write letters, figures and hyphens, twelve at most, such as front.")
    if name in ("unclaimed", "layaway") and len(what) > 40:
        raise ValueError(f"has a tag of {len(what)} letters; it takes 40.")
    return what.lower() if name == "year" else what


def _layaway(row: OpeningRow) -> None:
    if row.price_cents <= 0:
        raise ValueError("has no price above zero: write what the item costs, before tax.")
    if row.on is not None and row.due is not None and row.due < row.on:
        raise ValueError(f"is due on {row.due}, before it was agreed on {row.on}: turn the days round.")


def _once(row: OpeningRow, seen: dict[tuple[str, ...], int]) -> None:
    columns = KINDS[row.kind].once
    if columns:
        key = (row.kind, *(str(getattr(row, column)).upper() for column in columns))
        first = seen.setdefault(key, row.row)
        if first != row.row:
            raise ValueError(f"says again what row {first} says: make one row of the two.")


def _cents(column: str, text: str) -> int:
    try:
        return parse_cents(text)
    except ValueError as error:
        raise ValueError(f"has {text!r} in the column {column}, which {error}.") from error


def _number(text: str) -> Decimal:
    try:
        return parse_decimal(text)
    except ValueError as error:
        raise ValueError(f"has {text!r} turns, which {error}.") from error


# --- what they come to --------------------------------------------------------------------------------------------------


def _totals(rows: Sequence[OpeningRow]) -> dict[str, dict[str, Any]]:
    count = Counter(row.kind for row in rows)
    totals: dict[str, dict[str, Any]] = {}
    for kind in KINDS:
        if count[kind]:
            mine = [row for row in rows if row.kind == kind]
            sums: dict[str, Any] = {"cents": sum(row.cents for row in mine)}
            if kind == TURNS:
                sums = {"turns": format_decimal(sum((row.turns or Decimal(0) for row in mine), Decimal(0)))}
            totals[kind] = {"rows": count[kind], **sums}
    return totals


def _total_faults(totals: dict[str, dict[str, Any]], given: Sequence[OpeningRow]) -> list[str]:
    faults = []
    said = {row.what: row for row in given}
    for kind, sums in totals.items():
        row = said.get(kind)
        if row is None:
            faults.append(
                f"There is no control total of the rows of the kind {kind}: add a row total with how many, and their sum."
            )
            continue
        if int(row.number) != sums["rows"]:
            rows = "1 row" if sums["rows"] == 1 else f"{sums['rows']} rows"
            faults.append(
                f"Row {row.row} says {row.number} of the kind {kind}; there {'is' if sums['rows'] == 1 else 'are'} {rows}."
            )
        if kind == TURNS:
            if row.turns != Decimal(sums["turns"]):
                faults.append(
                    f"Row {row.row} says {format_decimal(row.turns or Decimal(0))} turns; they come to {sums['turns']}."
                )
        elif row.cents != sums["cents"]:
            more = sums["cents"] - row.cents
            faults.append(
                f"Row {row.row} says the rows of the kind {kind} come to {format_dollars(row.cents)}; they come to "
                f"{format_dollars(sums['cents'])}, {format_dollars(abs(more))} {'more' if more > 0 else 'less'}."
            )
    faults += [
        f"Row {row.row} is the control total of the kind {row.what}, of which there is no row."
        for row in given
        if row.what not in totals and (int(row.number) or row.cents or row.turns)
    ]
    return faults


def sides(rows: Sequence[OpeningRow]) -> tuple[int, int, int]:
    """Cents of what the co-op has, what it owes, and its equity."""
    owns = sum(row.debit_cents for row in rows if row.debit_cents and _side(row) > 0)
    equity = -sum(row.debit_cents for row in rows if row.kind == "equity")
    owes = -sum(row.debit_cents for row in rows if _side(row) < 0 and row.kind != "equity")
    return owns, owes, equity


def _side(row: OpeningRow) -> int:
    return (1 if row.what.startswith("Assets:") else -1) if row.kind == "account" else KINDS[row.kind].side


def _balance_faults(rows: Sequence[OpeningRow]) -> list[str]:
    owns, owes, equity = sides(rows)
    off = owns - owes - equity
    if not off:
        return []
    return [
        f"The opening does not balance: the co-op has {format_dollars(owns)}; it owes {format_dollars(owes)} and its equity is "
        f"{format_dollars(equity)}, so what it has is {format_dollars(abs(off))} {'more' if off > 0 else 'less'} than these two."
    ]
