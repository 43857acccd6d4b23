"""Dealers as CSV, for a co-op's beginning: a heading, then a row each. The rows as they read, each with what is wrong with it.

    name,trade_name,code,mail,telephone,address,joined
    Ida Fenwick,Fenwick & Daughter,D01,ida@example.org,555-0142,"4 Tannery Row / Elmora 50001",2025-03-01

Judged by content, not by the file's name: UTF-8 or UTF-16, separated by commas, semicolons or tabs, the columns in any order.
"""

from __future__ import annotations

import csv
import io
import re
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, datetime

from coop.core.errors import Refusal
from coop.dealers.details import Details, address_lines, require_details
from coop.dealers.membership import require_code

MOST_BYTES = 256 * 1024
MOST_ROWS = 2000
COLUMNS = ("name", "trade_name", "code", "mail", "telephone", "address", "joined")
HELP = {
    "name": "the member’s full name; the one column that must be there",
    "trade_name": "what the dealer sells under, where that is not the member’s own name",
    "code": "on tags, and for good, such as D01; where it is empty, the next free one",
    "mail": "statements and letters go there; where it is empty, they are printed",
    "telephone": "as people write it",
    "address": "as on an envelope: a slash with a space on each side between its lines",
    "joined": "2025-03-01 or 3/1/2025; where it is empty, the day the file is brought in",
}
_ALSO = {"email": "mail", "e-mail": "mail", "mail_address": "mail", "phone": "telephone", "joined_on": "joined"}
"""Other headings that are understood."""
_EARLIEST = date(1950, 1, 1)


class DealerFileRefused(Refusal):
    """A file that is no list of dealers at all."""


@dataclass(frozen=True)
class FileRow:
    """A row as it reads. The heading is row 1; `fault` says what is wrong and how to mend it, empty when nothing is."""

    row: int
    details: Details
    code: str
    """In capitals; empty: the next free one."""
    joined_on: date | None
    fault: str = ""


def read_dealer_file(text: str) -> list[FileRow]:
    """Every row of a file (`file_text`) that is not blank. Raises DealerFileRefused for one of another shape."""
    separator = max(",;\t", key=text.partition("\n")[0].count)
    reader = csv.reader(io.StringIO(text, newline=""), delimiter=separator, strict=True)
    rows = []
    try:
        columns = _columns([cell.strip() for cell in next(reader, [])])
        for number, cells in enumerate(reader, 2):
            if any(cell.strip() for cell in cells):
                rows.append(_row(number, columns, [cell.strip() for cell in cells], separator))
    except csv.Error as error:
        raise DealerFileRefused(f"Line {reader.line_num} is not CSV ({error}): look for a quote that is not closed.") from error
    if not rows:
        raise DealerFileRefused("The file has a heading and no row below it: write a row for each dealer.")
    if len(rows) > MOST_ROWS:
        raise DealerFileRefused(f"The file has {len(rows):,} rows: bring at most {MOST_ROWS:,} at once.")
    return rows


def file_text(content: bytes) -> str:
    """What a file says. Raises DealerFileRefused for one that is larger than it may be, a spreadsheet, or in another encoding."""
    if len(content) > MOST_BYTES:
        raise DealerFileRefused(f"The file is larger than {MOST_BYTES // 1024} KB: bring it in two parts.")
    if content[:4] in (b"PK\x03\x04", b"\xd0\xcf\x11\xe0"):
        raise DealerFileRefused("The file is a spreadsheet, not CSV: open it, and save it as CSV in UTF-8.")
    encoding = "utf-16" if content[:2] in (b"\xff\xfe", b"\xfe\xff") else "utf-8-sig"
    try:
        text = content.decode(encoding)
    except UnicodeDecodeError as error:
        line = content.count(b"\n", 0, error.start) + 1
        raise DealerFileRefused(
            f"Line {line} is not in UTF-8 (it holds the byte 0x{content[error.start]:02x}): save the file as “CSV UTF-8”."
        ) from error
    if "\0" in text:
        raise DealerFileRefused("The file is no text: save it as CSV in UTF-8.")
    return text


def _columns(heading: list[str]) -> list[str]:
    """The columns of the heading by their own names."""
    while heading and not heading[-1]:
        heading.pop()
    names = [re.sub(r"[\s_]+", "_", name.lower()) for name in heading]
    found = [_ALSO.get(name, name) for name in names]
    if not found:
        raise DealerFileRefused(f"The file is empty: its first row names the columns {', '.join(COLUMNS)}.")
    for column, written in zip(found, heading, strict=True):
        if column not in COLUMNS:
            raise DealerFileRefused(
                f"The heading has a column {written!r} that is not known: take it out. There are: {', '.join(COLUMNS)}."
            )
        if found.count(column) > 1:
            raise DealerFileRefused(f"The heading has the column {column} twice: take one away.")
    if "name" not in found:
        raise DealerFileRefused(f"The heading has no column name; there are: {', '.join(COLUMNS)}.")
    return found


def _row(number: int, columns: Sequence[str], cells: list[str], separator: str) -> FileRow:
    given = dict.fromkeys(COLUMNS, "") | dict(zip(columns, cells, strict=False))
    address = address_lines(re.sub(r"\s+/\s+", "\n", given["address"]))
    # A name on two lines in its cell is one name.
    one_line = {key: " ".join(text.split()) for key, text in given.items()}
    details = Details(one_line["name"], one_line["mail"], one_line["telephone"], address, one_line["trade_name"])
    faults = []
    if len(cells) > len(columns) and any(cells[len(columns) :]):
        named = {",": "comma", ";": "semicolon"}.get(separator, "tab")
        faults.append(
            f"The row has {len(cells)} cells where the heading has {len(columns)}: put quotes round a cell that holds a {named}."
        )
    code, joined_on = one_line["code"].upper(), None
    try:
        require_details(details)
    except Refusal as refusal:
        faults.append(str(refusal))
    try:
        code = require_code(code, "Code") if code else ""
    except Refusal as refusal:
        faults.append(str(refusal))
    try:
        joined_on = _day(one_line["joined"]) if one_line["joined"] else None
    except ValueError as error:
        faults.append(f"Joined {one_line['joined'][:40]!r} {error}")
    return FileRow(number, details, code, joined_on, " ".join(faults))


def _day(text: str) -> date:
    """2025-03-01, or as spreadsheets of the United States write it: 3/1/2025."""
    for form in ("%Y-%m-%d", "%m/%d/%Y"):
        try:
            found = datetime.strptime(text, form).date()  # noqa: DTZ007  a calendar date has no zone
        except ValueError:
            continue
        if found < _EARLIEST:
            raise ValueError("lies before 1950: check the year.")
        return found
    raise ValueError("is not a day: write it like 2025-03-01.")
