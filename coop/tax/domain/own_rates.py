"""The co-op's own CSV of rates: a heading, then one rate a row. Kept in a spreadsheet, saved as "CSV UTF-8".

    state,kind,code,name,class,percent,starts,ends
    06,state,,State of Cedar,general,7.25,2017-01-01,
    06,city,ALDER,Alder,general,1.25,2026-01-01,2026-12-31

The columns may stand in any order; those of OPTIONAL may be left out. A row is judged as those of a state's file are.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Iterator
from decimal import Decimal, InvalidOperation
from typing import cast, get_args

from coop.core.csv_text import day_of
from coop.tax.domain.rate_files import FileRefused, Kind, Place, RateRow, RatesRead, RefusedRow, csv_rows

REQUIRED = ("state", "kind", "percent", "starts")
OPTIONAL = ("code", "name", "class", "ends")
COLUMNS = ("state", "kind", "code", "name", "class", "percent", "starts", "ends")
"""In the order they are written in."""
HELP = {
    "state": "the state's FIPS code, such as 06",
    "kind": "state, county, city or district",
    "code": "its own code, letters and digits; of a state empty",
    "name": "what it is called here when it is new; empty: its kind and code",
    "class": "what is taxed at it, such as food; empty: general",
    "percent": "5.5 for five and a half percent",
    "starts": "the first day, such as 2026-01-31",
    "ends": "the last day; empty: no end is known",
}
_CLASS = re.compile(r"[a-z][a-z0-9-]{0,19}")
_DIGITS = {"county": 3, "city": 5}
"""A spreadsheet takes the leading zeros off a code of digits: how many there are."""


def is_heading(line: bytes) -> bool:
    """Whether a file's first line is this file's heading, or was meant to be: it names a state and a percent."""
    words = re.split(r"[,;\t|]", line.removeprefix(b"\xef\xbb\xbf").decode("utf-8", "replace").lower())
    return {"state", "percent"} <= {word.strip(' "\r\n') for word in words}


def read_own_rates(lines: Iterable[bytes]) -> RatesRead:
    """The rows of the co-op's own file. A row that cannot be is refused alone, by its number, column and mend.

    Raises FileRefused for another encoding or separator, and for a heading with a column unknown, missing or twice.
    """
    rows = csv_rows(lines)
    columns = _columns(next(rows)[1])
    taken: list[RateRow] = []
    refused: list[RefusedRow] = []
    names: dict[Place, tuple[str, int]] = {}
    for number, fields in rows:
        if not any(fields):
            continue
        try:
            row, name = _row(number, fields, columns)
            _agree(names, row, name)
        except ValueError as fault:
            refused.append(RefusedRow(number, str(fault)))
        else:
            taken.append(row)
    return RatesRead(tuple(taken), tuple(refused), {place: name for place, (name, _) in names.items()})


def _columns(heading: list[str]) -> list[str]:
    columns = [field.lower() for field in heading]
    if len(columns) == 1:
        raise FileRefused("The heading's columns are not separated by commas: save the file as CSV with commas.")
    for column in columns:
        if column not in COLUMNS:
            raise FileRefused(f"The heading has a column {column!r}. There are: {', '.join(COLUMNS)}.")
        if columns.count(column) > 1:
            raise FileRefused(f"The heading has the column {column} twice: take one away.")
    for column in REQUIRED:
        if column not in columns:
            raise FileRefused(f"The heading has no column {column}: {HELP[column]}.")
    return columns


def _row(number: int, fields: list[str], columns: list[str]) -> tuple[RateRow, str]:
    if len(fields) != len(columns):
        raise ValueError(f"has {len(fields)} columns; the heading has {len(columns)}.")
    given = dict(zip(columns, fields, strict=True))
    state = given["state"].zfill(2)
    if not re.fullmatch(r"[0-9]{2}", state) or not given["state"]:
        raise ValueError(f"has the state {given['state']!r}; write its FIPS code, two digits, such as 06.")
    kind = given["kind"].lower()
    if kind not in get_args(Kind):
        raise ValueError(f"has the kind {given['kind']!r}; write state, county, city or district.")
    place = Place(state, cast(Kind, kind), _code(given.get("code", ""), kind, state))
    tax_class = given.get("class", "") or "general"
    if not _CLASS.fullmatch(tax_class):
        raise ValueError(f"has the class {tax_class!r}; use small letters, digits and hyphens, such as clothing.")
    name = given.get("name", "")
    if len(name) > 120:
        raise ValueError(f"has a name of {len(name)} letters; it can have 120.")
    starts_on = day_of("starts", given["starts"])
    ends_on = day_of("ends", given["ends"]) if given.get("ends") else None
    if ends_on is not None and ends_on < starts_on:
        raise ValueError(f"ends on {ends_on}, before it starts on {starts_on}.")
    return RateRow(place, tax_class, _percent(given["percent"]), starts_on, ends_on, number), name


def _code(text: str, kind: str, state: str) -> str:
    if kind == "state":
        if text and text.zfill(2) != state:
            raise ValueError(f"has the code {text!r}; leave a state's code empty, for the column state has it.")
        return state
    code = text.upper()
    if not re.fullmatch(r"[A-Z0-9]{1,10}", code):
        raise ValueError(f"has the code {text!r}; write ten letters and digits at most.")
    return code.zfill(_DIGITS.get(kind, 0)) if code.isdigit() else code


def _percent(text: str) -> Decimal:
    plain = text.removesuffix("%").rstrip()
    try:
        percent = Decimal(plain) if re.fullmatch(r"-?[0-9]*\.?[0-9]+|-?[0-9]+\.", plain) else Decimal("NaN")
    except InvalidOperation:
        percent = Decimal("NaN")
    if percent.is_nan():
        raise ValueError(f"has the percent {text!r}; write 5.5 for five and a half percent.")
    if percent < 0:
        raise ValueError(f"has the percent {text}, which is negative.")
    if percent > 100:
        raise ValueError(f"has the percent {text}, which is more than the price; write 5.5 for five and a half percent.")
    return percent.normalize() + Decimal(0)


def _agree(names: dict[Place, tuple[str, int]], row: RateRow, name: str) -> None:
    """One jurisdiction is called one thing; a row that leaves its name empty agrees with all."""
    if not name:
        return
    first, number = names.setdefault(row.place, (name, row.row))
    if first != name:
        raise ValueError(f"calls its jurisdiction {name!r}, and row {number} calls it {first!r}: write the same in both.")


def headings() -> Iterator[str]:
    """A line for each column, for help."""
    for column in COLUMNS:
        yield f"{column:<8} {HELP[column]}"
