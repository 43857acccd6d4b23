"""All of a dealer's pieces as CSV, out and in: the same columns. A file is taken whole or not at all.

A row whose name the dealer has changes that piece; any other is a new one. A column that is not there changes nothing.
"""

from __future__ import annotations

import csv
import io
import re
from collections import Counter
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, fields
from datetime import date, datetime
from typing import Any, cast

from sqlalchemy import select
from sqlalchemy.orm import Session

from coop.core.errors import Refusal
from coop.core.geometry import format_length, parse_length
from coop.core.money import parse_cents, plain_cents
from coop.dealers.dealer_file import file_text
from coop.dealers.models import Dealer
from coop.leases.holding import lock
from coop.resets.domain.piece import CARRIED, Carried, CarriedSize
from coop.resets.domain.weight import format_weight, parse_weight
from coop.resets.models import PieceRow
from coop.resets.naming import name_key
from coop.resets.pieces import (
    BOUND_WORDS,
    PLACE_WORDS,
    STANDS_WORDS,
    PieceIn,
    PieceRefused,
    add_piece,
    as_written,
    change_piece,
    piece_faults,
    tidied,
)

MOST_ROWS = 1000
_YES, _NO = ("yes", "y", "x", "true", "1"), ("no", "n", "", "false", "0")


@dataclass(frozen=True)
class CsvColumn:
    """A column of the file: the fields of a piece it fills, how a cell reads, and how a piece is written into it."""

    key: str
    heading: str
    field: str
    help: str
    read: Callable[[str], Any]
    write: Callable[[PieceIn], str]
    empty: Any = None
    """What an empty cell says."""


def _text(key: str, heading: str, help: str, field: str = "") -> CsvColumn:
    return CsvColumn(key, heading, field or key, help, lambda cell: cell, lambda piece: str(getattr(piece, field or key)), "")


def _length(key: str, heading: str, help: str, empty: int | None = 0) -> CsvColumn:
    field = f"{key}_in16"

    def write(piece: PieceIn) -> str:
        size = getattr(piece, field)
        return "" if size is None or size == empty else format_length(size)

    return CsvColumn(key, heading, field, help, parse_length, write, empty)


def _weight(key: str, heading: str, help: str) -> CsvColumn:
    def write(piece: PieceIn) -> str:
        weight = getattr(piece, f"{key}_oz")
        return "" if weight is None else format_weight(weight)

    return CsvColumn(key, heading, f"{key}_oz", help, parse_weight, write)


def _flag(key: str, heading: str, help: str) -> CsvColumn:
    return CsvColumn(key, heading, key, help, _read_flag, lambda piece: "yes" if getattr(piece, key) else "", False)


def _read_flag(cell: str) -> bool:
    if cell.lower() in _YES + _NO:
        return cell.lower() in _YES
    raise ValueError("is neither yes nor no")


def _one_of(key: str, heading: str, words: Mapping[str, str], help: str) -> CsvColumn:
    def read(cell: str) -> str:
        said = cell.lower()
        for value, word in words.items():
            if said in (value, word):
                return value
        raise ValueError(f"is none of: {', '.join(words.values())}")

    first = next(iter(words))
    return CsvColumn(key, heading, key, help, read, lambda piece: str(getattr(piece, key)), first)


def _read_whole(cell: str) -> int:
    if not (cell.isascii() and cell.isdigit() and len(cell) < 4):
        raise ValueError("is no whole number; write it like 4")
    return int(cell)


def _read_size(cell: str) -> tuple[int, int, int]:
    sides = re.split(r"\s*[x×]\s*", cell.strip(), flags=re.IGNORECASE)
    if len(sides) != 3:
        raise ValueError("is no size; write width x depth x height, like 30 x 18 x 60")
    return cast("tuple[int, int, int]", tuple(parse_length(side) for side in sides))


def _size(how: Carried, heading: str) -> CsvColumn:
    def write(piece: PieceIn) -> str:
        sizes = [one for one in piece.carried if one.how == how]
        return " x ".join(format_length(side) for one in sizes for side in (one.width_in16, one.depth_in16, one.height_in16))

    return CsvColumn(
        how.replace(" ", "_"), heading, f"carried.{how}", "width x depth x height as it is carried so", _read_size, write
    )


def _read_day(cell: str) -> date:
    try:
        return date.fromisoformat(cell)
    except ValueError:
        raise ValueError("is not a day; write it like 2026-12-24") from None


def _read_colours(cell: str) -> tuple[str, ...]:
    return tuple(one.lower() for one in re.split(r"[\s,;]+", cell) if one)


COLUMNS: tuple[CsvColumn, ...] = (
    _text("name", "Name", "what you call it; no two pieces have one name"),
    _text("kind", "Kind", "table, cabinet, mirror: your own word"),
    _length("width", "Width", "across its front: 36, or 3' 0\""),
    _length("depth", "Depth", "from front to back"),
    _length("height", "Height", "as it stands"),
    _weight("weight", "Weight", "45 lb, 12 lb 8 oz or 20 kg; empty: not weighed"),
    _one_of("stands", "Stands", STANDS_WORDS, "floor, wall or table (on another piece); empty: floor"),
    _text("grouping", "Grouping", "what it belongs with"),
    _text("theme", "Theme", "the season or look it is for"),
    CsvColumn(
        "colors",
        "Colors",
        "colours",
        "like #8a5a2b, the main one first",
        _read_colours,
        lambda piece: " ".join(piece.colours),
        (),
    ),
    CsvColumn(
        "price",
        "Price",
        "price_cents",
        "dollars, like 240",
        parse_cents,
        lambda piece: "" if piece.price_cents is None else plain_cents(piece.price_cents),
    ),
    _text("tag", "Tag", "the whole tag, as the desk rings it up"),
    _weight("carries", "Carries", "what may stand on its top, like 60 lb; empty: nothing may"),
    _length("top_width", "Top width", "of the top that carries; empty: all of it", None),
    _length("top_depth", "Top depth", "of the top that carries", None),
    _length("opens", "Opens", "free floor its doors or drawers need before it"),
    _flag("fragile", "Fragile", "yes, or empty"),
    _flag("glass", "Glass", "yes, or empty"),
    _flag("leans", "Leans", "yes where it must lean on a wall or a piece"),
    _flag("needs_power", "Needs power", "yes, or empty"),
    CsvColumn(
        "feet", "Feet", "feet", "how many feet it stands on, for felt pads; empty: 4", _read_whole, lambda p: str(p.feet), 4
    ),
    _size("tilted", "Tilted"),
    _size("on end", "On end"),
    _size("parts off", "Parts off"),
    _one_of("place", "Place", {"home": PLACE_WORDS["home"], **PLACE_WORDS}, "booth, home or store; empty: home"),
    CsvColumn(
        "store_until",
        "Store until",
        "store_until",
        "the day it comes out of store, like 2026-12-24",
        _read_day,
        lambda piece: piece.store_until.isoformat() if piece.store_until else "",
    ),
    _one_of("bound", "Bound", BOUND_WORDS, "sold, held or layaway; empty: free"),
    _text("note", "Note", "for yourself"),
)
_BY_KEY = {one.key: one for one in COLUMNS}
_ALSO = {"colours": "colors", "on_its_end": "on_end", "dollars": "price", "power": "needs_power"}


@dataclass(frozen=True)
class RowFault:
    """What is wrong with a row: its number in the file (the heading is row 1), the column, and how to mend it."""

    row: int
    column: str
    sentence: str


class PiecesRefused(Refusal):
    """A file that was not taken: every fault of it."""

    def __init__(self, faults: Sequence[RowFault]) -> None:
        many = f"{len(faults)} things are wrong in it" if len(faults) > 1 else "One thing is wrong in it"
        super().__init__(f"Nothing of the file was taken. {many}: mend the file, and bring it again.")
        self.faults = tuple(faults)


@dataclass(frozen=True)
class Brought:
    """What bringing a file did."""

    added: int
    changed: int
    same: int


@dataclass(frozen=True)
class _Row:
    number: int
    cells: Mapping[str, str]


def bring_pieces(session: Session, now: datetime, dealer: Dealer, content: bytes, *, user_id: int | None = None) -> Brought:
    """Take a file of pieces. Raises PiecesRefused with all faults, by row and column; then nothing is written."""
    rows, faults = _rows(file_text(content))
    lock(session, dealer)
    own = session.scalars(select(PieceRow).where(PieceRow.dealer_id == dealer.id, PieceRow.gone_on.is_(None)))
    known = {row.name_key: row for row in own}
    named = Counter(name_key(row.cells.get("name", "")) for row in rows)
    wanted: list[tuple[_Row, PieceRow | None, PieceIn]] = []
    for row in rows:
        key = name_key(row.cells.get("name", ""))
        there = known.get(key)
        piece, wrong = _piece(row, as_written(there) if there else PieceIn(""))
        if key and named[key] > 1:
            wrong.setdefault("name", f"{row.cells['name']} is in the file {named[key]} times: no two pieces have one name.")
        faults += [RowFault(row.number, _heading(field), sentence) for field, sentence in wrong.items()]
        wanted.append((row, there, piece))
    if faults:
        raise PiecesRefused(sorted(faults, key=lambda fault: fault.row))
    added = changed = 0
    for row, there, piece in wanted:
        try:
            if there is None:
                add_piece(session, now, dealer, piece, user_id=user_id)
                added += 1
            else:
                changed += bool(change_piece(session, now, there, piece, version=there.version, user_id=user_id))
        except PieceRefused as refused:
            found = [RowFault(row.number, _heading(field), sentence) for field, sentence in refused.faults.items()]
            raise PiecesRefused(found) from refused
    return Brought(added, changed, len(wanted) - added - changed)


def _heading(field: str) -> str:
    return next((one.heading for one in COLUMNS if one.field == field), "Row")


def _rows(text: str) -> tuple[list[_Row], list[RowFault]]:
    """The rows of a file that are not blank, with rows that have more cells than the heading. Refuses another shape."""
    separator = max(",;\t", key=text.partition("\n")[0].count)
    reader = csv.reader(io.StringIO(text, newline=""), delimiter=separator, strict=True)
    rows, faults = [], []
    try:
        columns = _columns([cell.strip() for cell in next(reader, [])])
        for number, cells in enumerate(reader, 2):
            if any(cell.strip() for cell in cells):
                if any(cell.strip() for cell in cells[len(columns) :]):
                    more = f"The row has {len(cells)} cells where the heading has {len(columns)}"
                    faults.append(RowFault(number, "Row", f"{more}: put quotes round a cell that holds a comma."))
                rows.append(_Row(number, {key: _plain(cell) for key, cell in zip(columns, cells, strict=False)}))
    except csv.Error as error:
        raise Refusal(f"Line {reader.line_num} is not CSV ({error}): look for a quote that is not closed.") from error
    if not rows:
        raise Refusal("The file has a heading and no row below it: write a row for each piece.")
    if len(rows) > MOST_ROWS:
        raise Refusal(f"The file has {len(rows):,} rows: bring at most {MOST_ROWS:,} at once.")
    return rows, faults


def _plain(cell: str) -> str:
    """A cell without the apostrophe that keeps a spreadsheet from taking it for a formula."""
    found = " ".join(cell.split())
    return found[1:] if found[:1] == "'" and found[1:2] in ("=", "+", "-", "@") else found


def _columns(heading: Sequence[str]) -> list[str]:
    found = [re.sub(r"[\s_]+", "_", name.lower()) for name in heading]
    while found and not found[-1]:
        found.pop()
    known = ", ".join(_BY_KEY)
    keys = [_ALSO.get(name, name) for name in found]
    for key in keys:
        if key not in _BY_KEY:
            raise Refusal(f"The heading has a column {key[:40]!r} that is not known: take it out. There are: {known}.")
        if keys.count(key) > 1:
            raise Refusal(f"The heading has the column {key} twice: take one away.")
    if "name" not in keys:
        raise Refusal(f"The heading has no column name: it says which piece a row is. There are: {known}.")
    return keys


def _piece(row: _Row, before: PieceIn) -> tuple[PieceIn, dict[str, str]]:
    """A row laid over what is kept of the piece, and what is wrong with it by field."""
    wrong: dict[str, str] = {}
    values: dict[str, Any] = {one.name: getattr(before, one.name) for one in fields(before)}
    sizes = {size.how: size for size in before.carried}
    for key, cell in row.cells.items():
        column = _BY_KEY[key]
        try:
            value = column.read(cell) if cell else column.empty
        except ValueError as error:
            wrong[column.field] = f"{cell[:40]!r} {error}."
            continue
        how = column.field.removeprefix("carried.")
        if how == column.field:
            values[column.field] = value
        elif value is None:
            sizes.pop(cast(Carried, how), None)
        else:
            sizes[cast(Carried, how)] = CarriedSize(cast(Carried, how), *value)
    values["carried"] = tuple(sizes[one] for one in CARRIED if one in sizes)
    piece = tidied(PieceIn(**values))
    for field, sentence in piece_faults(piece).items():
        wrong.setdefault(field, sentence)
    return piece, wrong
