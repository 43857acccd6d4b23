"""Streamlined rate files: one jurisdiction's rates over a span a row.

Headerless CSV of nine columns: state FIPS, jurisdiction type (45 state, 00 county, 01 city, 63 special district), jurisdiction
FIPS, general rate intrastate and interstate, food/drug rate intrastate and interstate (fractions of one), begin and end
(YYYYMMDD; 29991231 or 99991231 is an open end). A byte-order mark may lead. Source: the rate file layout of the Streamlined Sales
Tax Governing Board, as the states' files have it.

    rows, refused = read_rates(file)        # a binary file, or any lines of bytes
"""

from __future__ import annotations

import csv
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass, field
from datetime import date
from decimal import Decimal, InvalidOperation
from typing import Literal, NamedTuple

Kind = Literal["state", "county", "city", "district"]
KINDS: dict[str, Kind] = {"45": "state", "00": "county", "01": "city", "63": "district"}
OPEN_ENDS = ("29991231", "99991231")

RATE_CLASSES = ("general", "general-interstate", "food", "food-interstate")
"""The classes of the four rates of a row, in the file's order. Food stands for food and drugs."""


class FileRefused(ValueError):
    """A file that is none of these; the message is a sentence for a person. Nothing of it is taken."""


class Place(NamedTuple):
    """A jurisdiction as the files name it: state FIPS, kind, and its own code (the state's FIPS for a state)."""

    state: str
    kind: Kind
    code: str

    def __str__(self) -> str:
        return f"{self.kind} {self.code} of state {self.state}" if self.kind != "state" else f"state {self.code}"


class RateRow(NamedTuple):
    """One class's percent in one jurisdiction over a span (an open end is None); `row` is its line in the file, 0 when stored."""

    place: Place
    tax_class: str
    percent: Decimal
    starts_on: date
    ends_on: date | None
    row: int = 0


class RefusedRow(NamedTuple):
    """A line of a file that is not taken, and why, as a sentence."""

    row: int
    reason: str


@dataclass(frozen=True)
class RatesRead:
    """What a rate file says: its rows (a row each for general and food; interstate ones only where they differ), and refusals."""

    rows: tuple[RateRow, ...]
    refused: tuple[RefusedRow, ...]
    names: Mapping[Place, str] = field(default_factory=dict)
    """What jurisdictions are called, where the file says so."""


def read_rates(lines: Iterable[bytes]) -> RatesRead:
    """The rows of a rate file. A row that cannot be is refused alone.

    Raises FileRefused for an empty file, another encoding, or a boundary file.
    """
    taken: list[RateRow] = []
    refused: list[RefusedRow] = []
    for number, fields in csv_rows(lines):
        if number == 1 and len(fields) == 89:
            raise FileRefused("This is a boundary file, of 89 columns: import it as one. A rate file has 9.")
        try:
            taken += _rate_rows(number, fields)
        except ValueError as fault:
            refused.append(RefusedRow(number, str(fault)))
    return RatesRead(tuple(taken), tuple(refused))


def _rate_rows(number: int, fields: list[str]) -> list[RateRow]:
    if len(fields) != 9:
        raise ValueError(f"has {len(fields)} columns; a rate row has 9.")
    state, kind, code = fields[:3]
    if kind not in KINDS:
        raise ValueError(f"has the jurisdiction type {kind!r}; it is 45, 00, 01 or 63.")
    if not is_digits(state, 2):
        raise ValueError(f"has the state {state!r}; a state's FIPS code is two digits.")
    if not code.isalnum() or not code.isascii() or len(code) > 10:
        raise ValueError(f"has the jurisdiction {code!r}; its FIPS code is digits.")
    percents = [_percent(text) for text in fields[3:7]]
    starts_on, ends_on = read_span(fields[7], fields[8])
    place = Place(state, KINDS[kind], code)
    rows = [RateRow(place, c, p, starts_on, ends_on, number) for c, p in zip(RATE_CLASSES, percents, strict=True)]
    return [row for i, row in enumerate(rows) if i in (0, 2) or percents[i] != percents[i - 1]]


def _percent(text: str) -> Decimal:
    try:
        rate = Decimal(text)
    except InvalidOperation:
        rate = Decimal("NaN")
    if not text.strip() or not rate.is_finite():
        raise ValueError(f"has the rate {text!r}, which is not a number.")
    if rate < 0:
        raise ValueError(f"has the rate {text}, which is negative.")
    if rate > 1:
        raise ValueError(f"has the rate {text}, which is more than the price; rates are fractions of one, such as 0.05.")
    return (rate * 100).normalize() + Decimal(0)


# --- what both kinds of file share ----------------------------------------------------------------------------------------


def csv_rows(lines: Iterable[bytes]) -> Iterator[tuple[int, list[str]]]:
    """Rows of a headerless CSV with their line numbers, blank lines left out.

    Raises FileRefused, before or while rows are given, for an encoding that is not UTF-8 and for a file without rows.
    """
    number = 0
    for number, fields in _parsed(_decoded(lines)):
        yield number, [field.strip() for field in fields]
    if not number:
        raise FileRefused("The file is empty: it has no row.")


def _decoded(lines: Iterable[bytes]) -> Iterator[str]:
    for number, line in enumerate(lines, 1):
        if number == 1:
            if line.startswith((b"\xff\xfe", b"\xfe\xff")):
                raise FileRefused("The file is in UTF-16: save it as UTF-8 or plain ASCII.")
            if line.startswith(b"PK\x03\x04"):
                raise FileRefused("The file is a ZIP archive or a workbook: unpack it, or save it as CSV.")
            line = line.removeprefix(b"\xef\xbb\xbf")
        if b"\0" in line:
            raise FileRefused(f"Line {number} holds zero bytes: the file is damaged, or not UTF-8.")
        try:
            yield line.decode("utf-8")
        except UnicodeDecodeError:
            raise FileRefused(f"Line {number} is not UTF-8: save the file as UTF-8 (a spreadsheet calls it CSV UTF-8).") from None


def _parsed(lines: Iterator[str]) -> Iterator[tuple[int, list[str]]]:
    # Every row is a line: a stray quote damages its own row, never the rest of the file.
    for number, line in enumerate(lines, 1):
        if not line.strip():
            continue
        if '"' not in line:
            yield number, line.rstrip("\r\n").split(",")
            continue
        try:
            yield number, next(csv.reader([line], strict=True))
        except csv.Error:
            yield number, [line]


def is_digits(text: str, length: int) -> bool:
    return len(text) == length and text.isascii() and text.isdigit()


def read_span(begin: str, end: str) -> tuple[date, date | None]:
    """YYYYMMDD twice. Raises ValueError with a phrase for bad dates and spans that run backwards."""
    starts_on, ends_on = _day(begin, "begin"), None if end in OPEN_ENDS else _day(end, "end")
    if ends_on is not None and ends_on < starts_on:
        raise ValueError(f"ends on {ends_on}, before it begins on {starts_on}.")
    return starts_on, ends_on


def _day(text: str, which: str) -> date:
    try:
        if is_digits(text, 8):
            return date(int(text[:4]), int(text[4:6]), int(text[6:]))
    except ValueError:
        pass
    raise ValueError(f"has the {which} date {text!r}; dates are written YYYYMMDD.")


# --- rates in force -------------------------------------------------------------------------------------------------------


def rates_in_force(
    rows: Iterable[RateRow], places: Iterable[Place], on: date, tax_class: str = "general"
) -> dict[Place, Decimal]:
    """The percents of these jurisdictions on a day, in their order; one without a rate that day is absent.

    Their sum is the combined percent. Rows of one jurisdiction must not overlap.
    """
    found: dict[Place, Decimal] = {}
    for row in rows:
        if row.tax_class == tax_class and row.starts_on <= on and (row.ends_on is None or on <= row.ends_on):
            found[row.place] = row.percent
    return {place: found[place] for place in places if place in found}
