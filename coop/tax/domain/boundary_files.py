"""Streamlined boundary files: which jurisdictions tax a range of ZIP or ZIP+4 codes over a span.

CSV of 89 columns: 1 record type (A address, 4 ZIP+4, Z ZIP5, in either case), 2-3 begin and end, 18-21 low ZIP and +4, high ZIP
and +4, 23 state FIPS, 24 the state's indicator (empty where the state does not tax), 25 county, 26 city, 30-89 twenty triplets of
source, district code and type. Source: the boundary file layout of the Streamlined Sales Tax Governing
Board, as Minnesota has it.

Address rows are counted, not taken: a place is found by ZIP or ZIP+4, and confirmed by a person.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from datetime import date
from typing import Literal, NamedTuple

from coop.tax.domain.rate_files import KINDS, FileRefused, Place, RefusedRow, csv_rows, is_digits, read_span

COLUMNS = 89
Record = Literal["Z", "4"]


class BoundaryRow(NamedTuple):
    """Codes from `low` to `high` (five digits for Z, nine for ZIP+4, both included) and the jurisdictions that tax there."""

    record: Record
    low: str
    high: str
    places: tuple[Place, ...]
    starts_on: date
    ends_on: date | None
    row: int = 0

    @property
    def state(self) -> str:
        return self.places[0].state


@dataclass(frozen=True)
class BoundariesRead:
    """What a boundary file says: its ZIP and ZIP+4 rows, refusals by row, and how many address rows were left."""

    rows: tuple[BoundaryRow, ...]
    refused: tuple[RefusedRow, ...]
    addresses: int


def read_boundaries(lines: Iterable[bytes]) -> BoundariesRead:
    """All rows of a boundary file at once; `each_boundary` gives them one by one."""
    rows: list[BoundaryRow] = []
    refused: list[RefusedRow] = []
    addresses = 0
    for item in each_boundary(lines):
        if item is None:
            addresses += 1
        elif isinstance(item, BoundaryRow):
            rows.append(item)
        else:
            refused.append(item)
    return BoundariesRead(tuple(rows), tuple(refused), addresses)


def each_boundary(lines: Iterable[bytes]) -> Iterator[BoundaryRow | RefusedRow | None]:
    """Each row, or why it is refused, or None for an address row; reads one line at a time.

    Raises FileRefused for an empty file, another encoding, or a rate file.
    """
    for number, fields in csv_rows(lines):
        if number == 1 and len(fields) == 9:
            raise FileRefused("This is a rate file, of 9 columns: import it as one. A boundary file has 89.")
        try:
            yield _boundary_row(number, fields)
        except ValueError as fault:
            yield RefusedRow(number, str(fault))


def _boundary_row(number: int, fields: list[str]) -> BoundaryRow | None:
    if len(fields) != COLUMNS:
        raise ValueError(f"has {len(fields)} columns; a boundary row has {COLUMNS}.")
    record = fields[0].upper()
    if record not in ("A", "4", "Z"):
        raise ValueError(f"has the record type {fields[0]!r}; it is A, 4 or Z.")
    starts_on, ends_on = read_span(fields[1], fields[2])
    if record == "A":
        return None
    low_zip, low_plus4, high_zip, high_plus4 = fields[17:21]
    if not is_digits(low_zip, 5) or not is_digits(high_zip, 5):
        raise ValueError(f"has the ZIP codes {low_zip!r} to {high_zip!r}; a ZIP code is five digits.")
    if record == "4" and not (is_digits(low_plus4, 4) and is_digits(high_plus4, 4)):
        raise ValueError(f"has the +4 codes {low_plus4!r} to {high_plus4!r}; a +4 code is four digits.")
    low, high = (low_zip + low_plus4, high_zip + high_plus4) if record == "4" else (low_zip, high_zip)
    if low > high:
        raise ValueError(f"runs backwards, from {low} to {high}.")
    return BoundaryRow("4" if record == "4" else "Z", low, high, _places(fields), starts_on, ends_on, number)


def _places(fields: list[str]) -> tuple[Place, ...]:
    state, indicator, county, city = fields[22:26]
    if not is_digits(state, 2):
        raise ValueError(f"has the state {state!r}; a state's FIPS code is two digits.")
    places = []
    if indicator:
        if indicator != state:
            raise ValueError(f"has the state {state} and the state's indicator {indicator!r}: they must agree.")
        places.append(Place(state, "state", state))
    if county:
        places.append(Place(state, "county", county))
    if city:
        places.append(Place(state, "city", city))
    for at in range(29, COLUMNS, 3):
        _, code, kind = triplet = fields[at : at + 3]
        if not any(triplet):
            continue
        if not code or kind not in KINDS:
            raise ValueError(f"has the district {code!r} of type {kind!r}; it needs a code, and a type of 45, 00, 01 or 63.")
        places.append(Place(state, KINDS[kind], code))
    if not places:
        raise ValueError("names no jurisdiction.")
    return tuple(dict.fromkeys(places))


# --- finding a place --------------------------------------------------------------------------------------------------------


@dataclass(frozen=True)
class Located:
    """Where a ZIP code lies on a day: one stack when it is known, several or none when a person must decide, and a sentence."""

    stacks: tuple[tuple[Place, ...], ...]
    sentence: str

    @property
    def found(self) -> bool:
        return len(self.stacks) == 1


def locate(rows: Iterable[BoundaryRow], zip5: str, plus4: str | None = None, *, state: str | None = None, on: date) -> Located:
    """The stack of jurisdictions of a ZIP code, or of a ZIP+4, by the rows that hold on a day. A person confirms it.

    A ZIP+4 row goes before a ZIP row. Raises ValueError with a sentence for codes that are none.
    """
    if not is_digits(zip5, 5):
        raise ValueError(f"ZIP {zip5!r}: a ZIP code is five digits, such as 55401.")
    if plus4 is not None and not is_digits(plus4, 4):
        raise ValueError(f"ZIP+4 {plus4!r}: a +4 code is four digits, such as 0123.")
    whole: dict[tuple[Place, ...], None] = {}
    exact: dict[tuple[Place, ...], None] = {}
    within: dict[tuple[Place, ...], None] = {}
    for row in rows:
        if row.starts_on > on or (row.ends_on is not None and row.ends_on < on) or (state and row.state != state):
            continue
        if row.record == "Z":
            if row.low <= zip5 <= row.high:
                whole[row.places] = None
        elif row.low[:5] <= zip5 <= row.high[:5]:
            within[row.places] = None
            if plus4 is not None and row.low <= zip5 + plus4 <= row.high:
                exact[row.places] = None
    name = f"ZIP {zip5}" + (f"-{plus4}" if plus4 else "")
    where = name + (f" in state {state}" if state else "")
    if plus4 is not None and exact:
        return _answer(tuple(exact), where, on, "pick one by hand")
    if whole:
        sentence = _answer(tuple(whole), where, on, "give its +4 code, or pick one by hand")
        if sentence.found and plus4 is None and set(within) - set(whole):
            return Located(sentence.stacks, sentence.sentence + " Parts of it are taxed otherwise: its +4 code would tell.")
        return sentence
    if plus4 is None:
        parts = _answer(tuple(within), where, on, "give its +4 code, or pick one by hand")
        if parts.found:
            return Located(
                parts.stacks, parts.sentence + " Only ZIP+4 rows say so, which may leave codes out: its +4 code would tell."
            )
        return parts
    return _answer((), where, on, "")


def _answer(stacks: tuple[tuple[Place, ...], ...], where: str, on: date, mend: str) -> Located:
    if not stacks:
        return Located((), f"{where} is in no place of the boundary file on {on}: choose its jurisdictions by hand.")
    if len(stacks) > 1:
        return Located(stacks, f"{where} is in {len(stacks)} places on {on}: {mend}.")
    return Located(stacks, f"{where} on {on}: {', '.join(map(str, stacks[0]))}.")
