"""The bank's lines from CSV: columns found by their heading, days as ISO or month/day/year, an amount in one column or in two.

    Posting Date,Description,Check Number,Amount,Balance
    10/05/2026,CHECK 1042,1042,-125.00,"4,310.25"

Lines before the heading (an account's name, say) are passed over. All or nothing: every row that cannot be read is named.
"""

from __future__ import annotations

import csv
import re
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import date

from coop.books.domain.bank_file import (
    MOST_LINES,
    FileRefusedError,
    StatementFile,
    StatementLine,
    check_number,
    plain,
    short_hash,
)
from coop.core.money import format_cents, parse_cents

DAY = ("posting date", "posted date", "date posted", "post date", "date", "transaction date")
AMOUNT = ("amount", "transaction amount", "amount usd")
OUT = ("debit", "debits", "withdrawal", "withdrawals", "debit amount", "withdrawal amount", "money out", "paid out")
IN = ("credit", "credits", "deposit", "deposits", "credit amount", "deposit amount", "money in", "paid in")
WORDS = ("description", "transaction description", "details", "memo", "payee", "name", "narrative")
REFERENCE = (
    *("check number", "check no", "check #", "check", "check or slip #", "serial number"),
    *("reference number", "reference no", "reference", "ref", "number", "num"),
)
BALANCE = ("balance", "running balance", "ledger balance", "balance usd")
"""Headings as banks write them, the better first. Common practice, no source."""
_HEADING_WITHIN = 20
_MOST_SAID = 12
_US_DAY = re.compile(r"(\d{1,2})[/-](\d{1,2})[/-](\d{4}|\d{2})", re.ASCII)


@dataclass(frozen=True)
class _Columns:
    """Which column holds what; the first of `words` leads, the others follow it."""

    delimiter: str
    row: int
    day: int
    amount: int | None
    out: int | None
    into: int | None
    words: tuple[int, ...]
    reference: tuple[int, ...]
    balance: int | None


@dataclass(frozen=True)
class _Row:
    number: int
    on: date
    amount_cents: int
    reference: str
    words: str
    balance_cents: int | None


def read_csv(content: bytes) -> StatementFile:
    """The lines of a bank's CSV. Raises FileRefusedError naming what is missing in the heading, or each row that is wrong."""
    texts = _text(content).splitlines()
    columns = _find_heading(texts)
    rows: list[_Row] = []
    faults: list[str] = []
    for number, fields in _fields(texts, columns):
        try:
            rows.append(_row(number, fields, columns))
        except ValueError as fault:
            faults.append(f"Row {number} {fault}")
    if faults:
        raise FileRefusedError(_day_first(texts, columns) or faults)
    if not rows:
        raise FileRefusedError(["The file has a heading and no line below it."])
    if len(rows) > MOST_LINES:
        raise FileRefusedError([f"The file has {len(rows):,} lines; bring at most {MOST_LINES:,} at a time, a year or so."])
    backwards, closing = _closing(rows)
    ordered = sorted(reversed(rows) if backwards else rows, key=lambda row: row.on)
    return StatementFile("csv", ordered[0].on, ordered[-1].on, tuple(_keyed(ordered)), closing)


def _text(content: bytes) -> str:
    if content.startswith((b"\xff\xfe", b"\xfe\xff")):
        raise FileRefusedError(["The file is in UTF-16: save it as CSV in UTF-8."])
    if content.startswith(b"PK\x03\x04"):
        raise FileRefusedError(["The file is a workbook or an archive: save it as CSV."])
    if b"\0" in content:
        raise FileRefusedError(["The file holds zero bytes: it is damaged, or no CSV."])
    try:
        return content.decode("utf-8-sig")
    except UnicodeDecodeError:
        # What older programs write; every byte means something in it but five.
        return content.decode("cp1252", errors="replace")


# --- the heading --------------------------------------------------------------------------------------------------------


def _split(text: str, delimiter: str) -> list[str]:
    """A line's fields. A stray quote damages its own row, never the rest of the file."""
    try:
        return [field.strip() for field in next(csv.reader([text], delimiter=delimiter, strict=True))]
    except (csv.Error, StopIteration):
        return [text]


def _find_heading(texts: Sequence[str]) -> _Columns:
    nearest: tuple[int, str] | None = None
    for number, text in enumerate(texts[:_HEADING_WITHIN], 1):
        for delimiter in ",;\t":
            fields = _split(text, delimiter)
            if len(fields) < 2:
                continue
            found = _columns(number, delimiter, [_named(field) for field in fields])
            if isinstance(found, _Columns):
                return found
            nearest = nearest or (found and (number, f"{found} Its columns are {_said(fields)}.")) or None
    if nearest:
        raise FileRefusedError([f"The heading in row {nearest[0]} {nearest[1]}"])
    there = next((fields for text in texts if len(fields := _split(text, _delimiter(text))) > 1), [])
    begins = f" Its first row with columns reads {_said(there)}." if there else ""
    raise FileRefusedError(
        ["The file has no heading: its first row names the columns, among them date and amount (or debit and credit)." + begins]
    )


def _delimiter(text: str) -> str:
    return max(",;\t", key=text.count)


def _said(fields: Sequence[str]) -> str:
    shown = [f"“{plain(field)[:30]}”" for field in fields[:_MOST_SAID]]
    return ", ".join(shown) + (f" and {len(fields) - _MOST_SAID} more" if len(fields) > _MOST_SAID else "")


def _named(field: str) -> str:
    return " ".join(re.sub(r"[^a-z0-9#]+", " ", field.lower()).split())


def _columns(number: int, delimiter: str, names: list[str]) -> _Columns | str:
    """The columns; or what is missing of them, empty where it is no heading at all."""

    def all_of(known: Sequence[str]) -> tuple[int, ...]:
        return tuple(names.index(name) for name in known if name in names)

    def one_of(known: Sequence[str]) -> int | None:
        return next(iter(all_of(known)), None)

    day, amount, out, into = one_of(DAY), one_of(AMOUNT), one_of(OUT), one_of(IN)
    if day is None and amount is None and (out is None or into is None):
        return ""
    if day is None:
        return f"has no column for the day: call one date, or {', '.join(DAY[:2])}."
    if amount is None and (out is None or into is None):
        return "has no column for the amount: call one amount, or two debit and credit."
    if amount is not None:
        out = into = None
    words, reference = all_of(WORDS), all_of(REFERENCE)
    return _Columns(delimiter, number, day, amount, out, into, words, reference, one_of(BALANCE))


# --- rows ---------------------------------------------------------------------------------------------------------------


def _fields(texts: Sequence[str], columns: _Columns) -> Iterator[tuple[int, list[str]]]:
    for number, text in enumerate(texts[columns.row :], columns.row + 1):
        fields = _split(text, columns.delimiter)
        if any(fields):
            yield number, fields


def _row(number: int, fields: list[str], columns: _Columns) -> _Row:
    """Raises ValueError with a phrase that completes `Row 7 `."""
    needed = max(n for n in (columns.day, columns.amount, columns.out, columns.into) if n is not None)
    if len(fields) <= needed:
        raise ValueError(f"has {len(fields)} columns; the heading in row {columns.row} has more.")
    words = ""
    for n in columns.words:
        said = plain(fields[n]) if n < len(fields) else ""
        words = words if said in words else f"{words} {said}".strip()
    number_said = next((fields[n] for n in columns.reference if n < len(fields) and fields[n].strip("0")), "")
    balance = None
    if columns.balance is not None and columns.balance < len(fields) and fields[columns.balance]:
        balance = _cents(fields[columns.balance], "balance")
    return _Row(
        number=number,
        on=_day(fields[columns.day]),
        amount_cents=_amount(fields, columns),
        reference=plain(number_said or check_number(words))[:40],
        words=words[:200],
        balance_cents=balance,
    )


def _day(text: str) -> date:
    found = _US_DAY.fullmatch(text)
    try:
        if found:
            year = int(found[3]) + (2000 if len(found[3]) == 2 else 0)
            return date(year, int(found[1]), int(found[2]))
        return date.fromisoformat(text[:10]) if re.fullmatch(r"\d{4}-\d{2}-\d{2}([T ].*)?", text, re.ASCII) else _no_day()
    except ValueError:
        raise ValueError(f"has the day {text!r}: write it like 2026-10-31 or 10/31/2026.") from None


def _day_first(texts: Sequence[str], columns: _Columns) -> list[str]:
    """The one sentence for a file whose days are all written day first; none where a day says otherwise.

    Its days up to the twelfth would be read as others: none of it may be taken.
    """
    days = [fields[columns.day] for _, fields in _fields(texts, columns) if columns.day < len(fields)]
    pairs = [(found, int(found[1]), int(found[2])) for day in days if (found := _US_DAY.fullmatch(day))]
    if len(pairs) < len(days) or any(second > 12 for _, _, second in pairs):
        return []
    telling = next((found[0] for found, first, _ in pairs if first > 12), "")
    if not telling:
        return []
    return [
        f"Its days are written day first, like {telling}: they are read month first. Have the bank write them like "
        "2026-10-31, or 10/31/2026."
    ]


def _no_day() -> date:
    raise ValueError


def _amount(fields: list[str], columns: _Columns) -> int:
    if columns.amount is not None:
        amount = _cents(fields[columns.amount], "amount")
    else:
        assert columns.out is not None
        assert columns.into is not None
        # Some banks write a debit below zero in its own column, others above: it went out either way.
        out = abs(_cents(fields[columns.out], "debit")) if fields[columns.out] else 0
        into = abs(_cents(fields[columns.into], "credit")) if fields[columns.into] else 0
        if out and into:
            raise ValueError("has both a debit and a credit: a line is one of the two.")
        amount = into - out
    if not amount:
        raise ValueError("moves no money: its amount is zero or empty. Take the row away.")
    return amount


def _cents(text: str, column: str) -> int:
    """Like `1,234.50`, `-3.00`, `3.00-`, `(3.00)`, `$3`."""
    plain_text = text.strip()
    below = (plain_text.startswith("(") and plain_text.endswith(")")) or plain_text.endswith("-")
    try:
        cents = parse_cents(plain_text.strip("()").removesuffix("-").strip() if below else plain_text)
    except ValueError as error:
        raise ValueError(f"has the {column} {text!r}, which {error}.") from None
    return -cents if below else cents


# --- the balance, and keys ----------------------------------------------------------------------------------------------


def _closing(rows: Sequence[_Row]) -> tuple[bool, int | None]:
    """Whether the file begins with its newest line, and the balance after its last; None where no row has one.

    Raises FileRefusedError where the balances do not follow from the amounts in either order: a row is missing.
    """
    falling = rows[0].on > rows[-1].on
    if all(row.balance_cents is None for row in rows):
        return falling, None
    orders = [falling] if rows[0].on != rows[-1].on else [False, True]
    faults = []
    for backwards in orders:
        fault, closing = _run(list(reversed(rows)) if backwards else rows)
        if not fault:
            return backwards, closing
        faults.append(fault)
    raise FileRefusedError(faults[:1])


def _run(rows: Sequence[_Row]) -> tuple[str, int | None]:
    """Follow the balance from the oldest line on."""
    at: int | None = None
    for row in rows:
        at = None if at is None else at + row.amount_cents
        if row.balance_cents is not None:
            if at is not None and row.balance_cents != at:
                return (
                    f"Row {row.number} has the balance {format_cents(row.balance_cents)}, and by the rows before it would be "
                    f"{format_cents(at)}: a row is missing or changed. Download the file again, or take its balance column away."
                ), None
            at = row.balance_cents
    return "", at


def _keyed(rows: Sequence[_Row]) -> Iterator[StatementLine]:
    """Lines with their keys: of several alike on a day, the first, the second and so on."""
    alike: dict[str, int] = {}
    for row in rows:
        said = short_hash(f"{row.reference}\n{row.words.lower()}")
        stem = f"csv/{row.on}/{row.amount_cents}/{said}"
        alike[stem] = alike.get(stem, 0) + 1
        yield StatementLine(f"{stem}/{alike[stem]}", row.on, row.amount_cents, row.reference, row.words)
