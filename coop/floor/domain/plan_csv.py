"""A plan as CSV: a heading, then a row for the outline, each part and each space. Lengths as people write them.

    kind,code,zone,x,y,width,depth,corners,height,clear,tolerance
    outline,,,0,0,40 ft,30 ft,,,36,2
    exit,E,,,,,,"40 ft, 10 ft; 40 ft, 14 ft",,,
    booth,14,front,1 ft,1 ft,10 ft,8 ft,,,,

x, y, width and depth make a rectangle; corners make any other shape. The columns may stand in any order, separated by commas,
semicolons or tabs; those that a plan does not need may be left out. The file is the whole plan.
"""

from __future__ import annotations

import csv
import io
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from decimal import Decimal, InvalidOperation

from coop.core.geometry import format_length, parse_length
from coop.floor.domain.draft import PART_KINDS, TOLERANCE_PERCENT, PartDraft, PlanDraft, SpaceDraft, draft_faults
from coop.floor.domain.plan import LEAST_CLEAR_IN16, SPACE_KINDS, Outline, PlanFault

RENTED_WALL = "rented wall"
_SPACES = {**{kind: kind for kind in SPACE_KINDS if kind != "wall"}, RENTED_WALL: "wall"}
COLUMNS = ("kind", "code", "zone", "x", "y", "width", "depth", "corners", "height", "clear", "tolerance")
REQUIRED = ("kind", "code", "x", "y", "width", "depth")
HELP = {
    "kind": f"outline; {', '.join(_SPACES)}; or {', '.join(PART_KINDS)}",
    "code": "what it is called, such as 14; each space its own, each part its own",
    "zone": "of a space: the zone its rent goes by, such as front",
    "x": "how far its left side is from the plan's left, such as 7' 6 1/2\", 7.5 ft or 90.5 (inches)",
    "y": "how far its upper side is from the plan's top",
    "width": "from left to right",
    "depth": "from top to bottom; a space without x, y, width and depth is not drawn yet",
    "corners": "instead of x, y, width and depth: x, y of each corner in turn, such as 0, 0; 10 ft, 0; 10 ft, 8 ft",
    "height": "of a part: how high it is, where somebody measured it",
    "clear": "of the outline: the clear width every aisle must keep; empty: 36 in.",
    "tolerance": "of the outline: percent a leased area may be from the drawn one; empty: 2",
}
_SIDES = ("x", "y", "width", "depth")
_FIELDS = {"outline": "corners", "required_clear_in16": "clear", "tolerance_percent": "tolerance", "height_in16": "height"}
"""Column by the field of a draft."""


_NO_OUTLINE = "has no row of the kind outline: add one with the mall's x, y, width and depth."


@dataclass(frozen=True)
class RowFault:
    """Why a row cannot be taken. The heading is row 1; `field` is a column, or empty for all of the row."""

    row: int
    field: str
    reason: str

    def __str__(self) -> str:
        return f"Row {self.row}, {self.field}: {self.reason}" if self.field else f"Row {self.row}: {self.reason}"


class PlanFileRefused(ValueError):
    """A file that cannot be taken: one sentence, or every bad row at once, a line each."""

    def __init__(self, sentence: str, faults: Sequence[RowFault] = ()) -> None:
        super().__init__("\n".join(map(str, faults)) or sentence)
        self.faults = tuple(faults)


# --- reading ----------------------------------------------------------------------------------------------------------------


def read_plan_csv(content: bytes) -> PlanDraft:
    """The plan a file says. Raises PlanFileRefused with a sentence for a file of another shape, or with all its bad rows."""
    rows = _rows(content)
    reading = _Reading()
    for number, cells in rows:
        reading.take(number, cells)
    return reading.draft()


def _rows(content: bytes) -> list[tuple[int, dict[str, str]]]:
    if content[:2] in (b"\xff\xfe", b"\xfe\xff") or b"\0" in content:
        raise PlanFileRefused("The file is in UTF-16 or no text at all: save it as CSV in UTF-8.")
    try:
        text = content.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        line = content.count(b"\n", 0, error.start) + 1
        raise PlanFileRefused(
            f"Line {line} is not in UTF-8 (it holds the byte 0x{content[error.start]:02x}): it seems to be in "
            'Windows-1252. Save it as "CSV UTF-8".'
        ) from None
    heading = text.partition("\n")[0]
    separator = max(",;\t", key=heading.count)
    reader = csv.reader(io.StringIO(text, newline=""), delimiter=separator, strict=True)
    rows: list[tuple[int, dict[str, str]]] = []
    faults: list[RowFault] = []
    try:
        columns = _columns([name.strip().lower() for name in next(reader, [])])
        for number, row in enumerate(reader, 2):
            cells = [cell.strip() for cell in row]
            if not any(cells):
                continue
            if len(cells) > len(columns) and any(cells[len(columns) :]):
                mend = f"put quotes round a cell that holds a {_named(separator)}."
                faults.append(RowFault(number, "", f"has {len(cells)} cells where the heading has {len(columns)}; {mend}"))
                continue
            rows.append((number, dict(zip(columns, cells, strict=False))))
    except csv.Error as error:
        raise PlanFileRefused(f"Line {reader.line_num} is not CSV ({error}): look for a quote that is not closed.") from None
    if faults:
        raise PlanFileRefused("", faults)
    return rows


def _named(separator: str) -> str:
    return {",": "comma", ";": "semicolon"}.get(separator, "tab")


def _columns(heading: list[str]) -> list[str]:
    while heading and not heading[-1]:
        heading.pop()
    if not heading:
        raise PlanFileRefused(f"The file is empty: its first row names the columns {', '.join(COLUMNS)}.")
    missing = [column for column in REQUIRED if column not in heading]
    if missing:
        has = ", ".join(heading)[:200]
        raise PlanFileRefused(f"The heading has no column {', '.join(missing)}; it has {has}. There are: {', '.join(COLUMNS)}.")
    for column in heading:
        if column not in COLUMNS:
            raise PlanFileRefused(f"The heading has a column {column!r} that is not known. There are: {', '.join(COLUMNS)}.")
        if heading.count(column) > 1:
            raise PlanFileRefused(f"The heading has the column {column} twice: take one away.")
    return heading


class _Reading:
    """Rows taken one by one; what each said, and which row a code came from."""

    def __init__(self) -> None:
        self.outline: tuple[Outline, int, Decimal] | None = None
        self.outline_row = 0
        self.parts: list[PartDraft] = []
        self.spaces: list[SpaceDraft] = []
        self.row_of: dict[tuple[str, str], int] = {}
        self.twice: set[tuple[str, str]] = set()
        self.faults: list[RowFault] = []

    def take(self, number: int, cells: Mapping[str, str]) -> None:
        row = _Row(number, cells, self.faults)
        kind = " ".join(row.get("kind").lower().split())
        if kind == "outline":
            if self.outline_row:
                row.fault("kind", f"is the outline again, after row {self.outline_row}; leave one.")
                return
            self.outline_row = number
            clear = row.length("clear", LEAST_CLEAR_IN16)
            self.outline = (row.outline(), clear or LEAST_CLEAR_IN16, row.percent("tolerance"))
            row.empty("an outline", "zone", "height")
        elif kind in _SPACES:
            self._code("space", row)
            if not row.get("zone"):
                row.fault("zone", "is empty; name the zone its rent goes by, such as front.")
            self.spaces.append(SpaceDraft(row.get("code"), _SPACES[kind], row.get("zone"), row.outline(may_lack=True)))
            row.empty("a space", "height", "clear", "tolerance")
        elif kind in PART_KINDS:
            self._code("part", row)
            self.parts.append(PartDraft(row.get("code"), kind, row.outline(), row.length("height", None)))
            row.empty("a part of the building", "zone", "clear", "tolerance")
        else:
            row.fault("kind", f"is {row.get('kind')!r}; it is one of outline, {', '.join((*_SPACES, *PART_KINDS))}.")

    def _code(self, what: str, row: _Row) -> None:
        code = row.get("code")
        if not code:
            row.fault("code", "is empty; give it one.")
            return
        first = self.row_of.setdefault((what, code), row.number)
        if first != row.number:
            self.twice.add((what, code))
            row.fault("code", f"is {code!r}, as in row {first}; give each {what} its own.")

    def draft(self) -> PlanDraft:
        if self.outline is None and not self.faults:
            raise PlanFileRefused(f"The file {_NO_OUTLINE}")
        if not self.outline_row:
            self.faults.append(RowFault(1, "", f"The file {_NO_OUTLINE}"))
        outline, clear, tolerance = self.outline or ((), LEAST_CLEAR_IN16, TOLERANCE_PERCENT)
        draft = PlanDraft(outline, tuple(self.parts), tuple(self.spaces), clear, tolerance)
        told = {fault.row for fault in self.faults}
        # What a row was told already, and what follows from it, is not told again.
        found = [self._fault(fault) for fault in draft_faults(draft) if (fault.part.kind, fault.part.code) not in self.twice]
        faults = [*self.faults, *(fault for fault in found if fault.row and fault.row not in told)]
        if faults:
            raise PlanFileRefused("", sorted(faults, key=lambda fault: fault.row))
        return draft

    def _fault(self, fault: PlanFault) -> RowFault:
        what = "space" if fault.part.kind == "space" else "part"
        row = self.outline_row if fault.part.kind == "plan" else self.row_of.get((what, fault.part.code), 0)
        return RowFault(row, _FIELDS.get(fault.field, fault.field), fault.reason)


class _Row:
    def __init__(self, number: int, cells: Mapping[str, str], faults: list[RowFault]) -> None:
        self.number, self.cells, self.faults = number, cells, faults

    def get(self, column: str) -> str:
        return self.cells.get(column, "")

    def fault(self, field: str, reason: str) -> None:
        self.faults.append(RowFault(self.number, field, reason))

    def empty(self, what: str, *columns: str) -> None:
        for column in columns:
            if self.get(column):
                self.fault(column, f"is {self.get(column)!r}, which {what} has none of; leave it empty.")

    def length(self, column: str, otherwise: int | None) -> int | None:
        """A length, `otherwise` where the cell is empty; None, and a fault kept, where it is none."""
        text = self.get(column)
        if not text:
            return otherwise
        try:
            return signed_length(text)
        except ValueError as error:
            self.fault(column, f"{text!r} {error}.")
            return None

    def percent(self, column: str) -> Decimal:
        text = self.get(column).removesuffix("%").strip()
        try:
            value = Decimal(text) if text else TOLERANCE_PERCENT
            if value.is_finite() and 0 <= value <= 100 and value == round(value, 6):
                return value
        except InvalidOperation:
            pass
        self.fault(column, f"is {self.get(column)!r}; write a percent from 0 to 100, such as 2.")
        return TOLERANCE_PERCENT

    def outline(self, *, may_lack: bool = False) -> Outline:
        """The rectangle or the corners; nothing, and a fault kept, where there are neither or both."""
        given = [column for column in _SIDES if self.get(column)]
        if self.get("corners"):
            if given:
                self.fault("corners", f"are given, and {', '.join(given)} too; leave one of them empty.")
                return ()
            return self._corners()
        if may_lack and not given:
            return ()
        for column in _SIDES:
            if column not in given:
                self.fault(column, "is empty; give it, or give the corners.")
        x, y, width, depth = (self.length(column, None) for column in _SIDES)
        if x is None or y is None or width is None or depth is None:
            return ()
        for column, side in (("width", width), ("depth", depth)):
            if side <= 0:
                self.fault(column, f"is {self.get(column)!r}; it must be above zero.")
        return ((x, y), (x + width, y), (x + width, y + depth), (x, y + depth))

    def _corners(self) -> Outline:
        made = []
        for n, corner in enumerate(self.get("corners").strip("; ").split(";"), 1):
            pair = corner.split(",")
            try:
                if len(pair) != 2:
                    raise ValueError("is not two lengths, x and y, with a comma between")
                made.append((signed_length(pair[0]), signed_length(pair[1])))
            except ValueError as error:
                self.fault("corners", f"corner {n}, {corner.strip()!r}, {error}.")
                return ()
        return tuple(made)


def signed_length(text: str) -> int:
    """As `parse_length`, and below zero with a minus before it."""
    plain = text.strip()
    return -parse_length(plain[1:]) if plain.startswith(("-", "\N{MINUS SIGN}")) else parse_length(plain)


# --- writing ----------------------------------------------------------------------------------------------------------------


def plan_csv(draft: PlanDraft) -> str:
    """A file that `read_plan_csv` reads as the same plan."""
    text = io.StringIO()
    writer = csv.DictWriter(text, COLUMNS, restval="", lineterminator="\r\n")
    writer.writeheader()
    tolerance = format(draft.tolerance_percent.normalize(), "f")
    clear = _written(draft.required_clear_in16)
    writer.writerow({"kind": "outline", **_shape(draft.outline), "clear": clear, "tolerance": tolerance})
    for part in draft.parts:
        height = "" if part.height_in16 is None else _written(part.height_in16)
        writer.writerow({"kind": part.kind, "code": part.code, **_shape(part.outline), "height": height})
    for space in draft.spaces:
        kind = RENTED_WALL if space.kind == "wall" else space.kind
        shape = _shape(space.outline) if space.outline else {}
        writer.writerow({"kind": kind, "code": space.code, "zone": space.zone, **shape})
    return text.getvalue()


def _shape(outline: Outline) -> dict[str, str]:
    x, y = outline[0]
    width, depth = outline[2 % len(outline)][0] - x, outline[2 % len(outline)][1] - y
    if min(width, depth) > 0 and outline == ((x, y), (x + width, y), (x + width, y + depth), (x, y + depth)):
        return {column: _written(value) for column, value in zip(_SIDES, (x, y, width, depth), strict=True)}
    return {"corners": "; ".join(f"{_written(cx)}, {_written(cy)}" for cx, cy in outline)}


def _written(length_in16: int) -> str:
    return "0" if length_in16 == 0 else format_length(length_in16)
