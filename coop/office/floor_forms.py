"""What is typed on the pages of the floor: a plan as rows of figures, measurings, widths of aisles, files."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from decimal import Decimal
from typing import Any

from flask_wtf import FlaskForm
from flask_wtf.file import FileField, FileRequired
from wtforms import SelectField, StringField
from wtforms.fields.choices import SelectChoice
from wtforms.validators import InputRequired, Length

from coop.core.fields import AreaField, DayField, LengthField, Needed, needed_first_day
from coop.core.geometry import format_length
from coop.core.money import parse_decimal
from coop.core.words import natural
from coop.floor.domain.draft import PartDraft, PlanDraft, SpaceDraft
from coop.floor.domain.plan import LEAST_CLEAR_IN16, Outline, PlanFault
from coop.floor.domain.plan_csv import signed_length
from coop.floor.domain.scale import PAPERS_IN, SCALES, scale_words

KINDS: Mapping[str, str] = {
    "space:booth": "booth",
    "space:case": "case",
    "space:shelf": "shelf",
    "space:wall": "rented wall",
    "part:wall": "wall",
    "part:door": "door",
    "part:exit": "exit",
    "part:aisle": "aisle",
    "part:counter": "counter",
    "part:post": "post",
    "part:extinguisher": "fire extinguisher",
    "part:fixture": "other fixture",
}
"""What can stand on a plan, spaces first, in the words of the form."""
FIELDS = ("code", "kind", "zone", "x", "y", "w", "d", "h", "corners")
NEW_ROWS = 5
MOST_ROWS = 2000


# --- lengths and corners as they are typed -----------------------------------------------------------------------------------


def read_place(text: str) -> int:
    """A length that may lie to the left of or above the corner figures begin from. Raises ValueError with a sentence."""
    try:
        return signed_length(text)
    except ValueError as error:
        raise ValueError(f"{text.strip()!r} {error}.") from None


def read_corners(text: str) -> Outline:
    """`0, 0; 8', 0; 8', 10'` as corners. Raises ValueError with a sentence."""
    corners = []
    for pair in text.split(";") if text.strip() else ():
        if pair.count(",") != 1:
            raise ValueError("Write each corner as two lengths, like 0, 0; 8', 0; 8', 10'.")
        x, y = pair.split(",")
        corners.append((read_place(x), read_place(y)))
    return tuple(corners)


def write_corners(outline: Outline) -> str:
    return "; ".join(f"{format_length(x)}, {format_length(y)}" for x, y in outline)


def bounds(outline: Outline) -> tuple[int, int, int, int]:
    """Left, top, width and depth of an outline."""
    xs, ys = [x for x, _ in outline], [y for _, y in outline]
    return min(xs), min(ys), max(xs) - min(xs), max(ys) - min(ys)


def rectangle(x: int, y: int, w: int, d: int) -> Outline:
    return ((x, y), (x + w, y), (x + w, y + d), (x, y + d))


def is_rectangle(outline: Outline) -> bool:
    """Whether an outline is an upright rectangle, whichever corner and way round it begins."""
    if len(outline) != 4:
        return False
    box = set(rectangle(*bounds(outline)))
    turned = [*outline[1:], outline[0]]
    return set(outline) == box and all((a[0] == b[0]) != (a[1] == b[1]) for a, b in zip(outline, turned, strict=True))


# --- a plan as rows ------------------------------------------------------------------------------------------------------------


@dataclass
class PlanRow:
    """One part or space as typed. `was` is the code it was opened with, empty for a new one."""

    key: str
    was: str = ""
    typed: dict[str, str] = field(default_factory=lambda: {**dict.fromkeys(FIELDS, ""), "kind": "space:booth"})
    wrong: dict[str, str] = field(default_factory=dict)
    removed: bool = False

    @property
    def empty(self) -> bool:
        return not any(self.typed[name] for name in ("code", "x", "y", "w", "d", "corners"))

    @property
    def is_space(self) -> bool:
        return self.typed["kind"].startswith("space:")

    @property
    def called(self) -> str:
        return f"{KINDS.get(self.typed['kind'], '')} {self.typed['code']}".strip() if not self.empty else "a new part"


@dataclass
class PlanForm:
    """A whole plan as typed, and what is wrong with it by the row and by the field of the plan itself."""

    version: int
    typed: dict[str, str]
    """w, d, corners (of the outline), clear, tolerance."""
    rows: list[PlanRow]
    wrong: dict[str, str] = field(default_factory=dict)
    others: list[str] = field(default_factory=list)
    """What is wrong with the whole."""
    draft: PlanDraft | None = None
    """What was read, where nothing is wrong."""

    @property
    def has_mistakes(self) -> bool:
        return bool(self.wrong or self.others or any(row.wrong for row in self.rows))

    def tell(self, faults: Sequence[PlanFault]) -> None:
        """Put each fault at its row and field."""
        places = {"outline": "corners", "points": "corners", "height_in16": "h", "code": "code", "kind": "kind", "zone": "zone"}
        of_plan = {"outline": "corners", "required_clear_in16": "clear", "tolerance_percent": "tolerance"}
        for fault in faults:
            if fault.part.kind == "plan" and fault.field in of_plan:
                self.wrong[of_plan[fault.field]] = str(fault)
                continue
            space = fault.part.kind == "space"
            found = [row for row in self.rows if row.is_space is space and row.typed["code"] == fault.part.code]
            if found and fault.field in places:
                found[-1].wrong[places[fault.field]] = str(fault)
            else:
                self.others.append(str(fault))


def plan_form(draft: PlanDraft, version: int) -> PlanForm:
    """A plan as the rows of its form, with some empty ones for what is new."""
    typed = {"w": "", "d": "", "corners": "", "clear": format_length(draft.required_clear_in16)}
    typed["tolerance"] = f"{draft.tolerance_percent.normalize():f}"
    if draft.outline:
        x, y, w, d = bounds(draft.outline)
        typed.update(w=format_length(w), d=format_length(d))
        if not is_rectangle(draft.outline) or x or y:
            typed["corners"] = write_corners(draft.outline)
    rows = [
        PlanRow("", s.code, _typed(f"space:{s.kind}", s.code, s.zone, None, s.outline))
        for s in sorted(draft.spaces, key=_by_code)
    ]
    rows += [
        PlanRow("", p.code, _typed(f"part:{p.kind}", p.code, "", p.height_in16, p.outline))
        for p in sorted(draft.parts, key=_by_code)
    ]
    rows += [PlanRow("") for _ in range(NEW_ROWS)]
    for n, row in enumerate(rows):
        row.key = f"r{n}"
    return PlanForm(version, typed, rows)


def _by_code(thing: SpaceDraft | PartDraft) -> tuple[int, object]:
    return list(KINDS).index(f"{'space' if isinstance(thing, SpaceDraft) else 'part'}:{thing.kind}"), natural(thing.code)


def _typed(kind: str, code: str, zone: str, height: int | None, outline: Outline) -> dict[str, str]:
    typed = {**dict.fromkeys(FIELDS, ""), "kind": kind, "code": code, "zone": zone, "h": format_length(height) if height else ""}
    if outline:
        x, y, w, d = bounds(outline)
        typed.update(x=format_length(x), y=format_length(y), w=format_length(w), d=format_length(d))
        if not is_rectangle(outline):
            typed["corners"] = write_corners(tuple((a - x, b - y) for a, b in outline))
    return typed


def read_plan(sent: Mapping[str, str]) -> PlanForm:
    """The plan that a form says. Where something cannot be read it has no draft, and says what at its row and field."""
    rows = []
    for key in [name.removesuffix("-code") for name in sent if name.endswith("-code")][:MOST_ROWS]:
        typed = {name: sent.get(f"{key}-{name}", "").strip() for name in FIELDS}
        rows.append(PlanRow(key, sent.get(f"{key}-was", "").strip(), typed, removed=f"{key}-remove" in sent))
    typed = {name: sent.get(f"plan-{name}", "").strip() for name in ("w", "d", "corners", "clear", "tolerance")}
    version = sent.get("version", "")
    form = PlanForm(int(version) if version.isascii() and version.isdigit() else -1, typed, rows)
    outline = _read_whole(form)
    clear, tolerance = _read_clear(form), _read_tolerance(form)
    parts: list[PartDraft] = []
    spaces: list[SpaceDraft] = []
    for row in rows:
        if not row.removed and not row.empty:
            _read_row(row, parts, spaces)
    if not form.has_mistakes:
        form.draft = PlanDraft(outline, tuple(parts), tuple(spaces), clear, tolerance)
    return form


def _read_row(row: PlanRow, parts: list[PartDraft], spaces: list[SpaceDraft]) -> None:
    outline = _read_outline(row)
    if row.was and row.is_space and row.typed["code"] != row.was:
        row.wrong["code"] = f"Space {row.was} is given another code on its own page, so that its leases go with it."
    sort, _, kind = row.typed["kind"].partition(":")
    if row.typed["kind"] not in KINDS:
        row.wrong["kind"] = "Choose one of those listed."
    elif sort == "space":
        spaces.append(SpaceDraft(row.typed["code"], kind, row.typed["zone"], outline))
    else:
        height = _length(row.typed, "h", row.wrong) if row.typed["h"] else None
        parts.append(PartDraft(row.typed["code"], kind, outline, height))


def _length(typed: Mapping[str, str], name: str, wrong: dict[str, str]) -> int:
    try:
        return read_place(typed[name])
    except ValueError as error:
        wrong[name] = str(error)
        return 0


def _read_outline(row: PlanRow) -> Outline:
    """The outline a row says; none where it is not drawn yet."""
    typed, wrong = row.typed, row.wrong
    x, y = (_length(typed, name, wrong) if typed[name] else 0 for name in ("x", "y"))
    w, d = (_length(typed, name, wrong) if typed[name] else None for name in ("w", "d"))
    if typed["corners"]:
        try:
            corners = read_corners(typed["corners"])
        except ValueError as error:
            wrong["corners"] = str(error)
            return ()
        left, top, width, depth = bounds(corners)
        if (w is not None and w != width) or (d is not None and d != depth):
            said = f"{format_length(width)} wide and {format_length(depth)} deep"
            wrong["corners"] = f"Its corners make it {said}: change the corners too, or empty them for a rectangle."
        return tuple((a - left + x, b - top + y) for a, b in corners)
    if w is None and d is None and not typed["x"] and not typed["y"]:
        return ()
    for name, value in (("w", w), ("d", d)):
        if (value is None or value <= 0) and name not in wrong:
            wrong[name] = "Its width and its depth must be above zero: write them like 10' 6\"."
    return rectangle(x, y, w or 0, d or 0)


def _read_whole(form: PlanForm) -> Outline:
    typed, wrong = form.typed, form.wrong
    if typed["corners"]:
        try:
            return read_corners(typed["corners"])
        except ValueError as error:
            wrong["corners"] = str(error)
            return ()
    sides = []
    for name, words in (("w", "how wide"), ("d", "how deep")):
        if not typed[name]:
            wrong[name] = f"Write {words} the hall is inside, like 120'."
            sides.append(0)
        else:
            sides.append(_length(typed, name, wrong))
            if sides[-1] <= 0 and name not in wrong:
                wrong[name] = "This must be above zero."
    return rectangle(0, 0, sides[0], sides[1])


def _read_clear(form: PlanForm) -> int:
    return _length(form.typed, "clear", form.wrong) if form.typed["clear"] else LEAST_CLEAR_IN16


def _read_tolerance(form: PlanForm) -> Decimal:
    try:
        return parse_decimal(form.typed["tolerance"].removesuffix("%").strip() or "2")
    except ValueError:
        form.wrong["tolerance"] = "This is not a percent. Write it like 2."
        return Decimal(2)


# --- a space, an aisle, a file ---------------------------------------------------------------------------------------------


def _short(most: int) -> Length:
    return Length(max=most, message=f"Write it in {most} characters.")


class MeasureForm(FlaskForm):  # type: ignore[misc]
    measured_on = DayField("Measured on", validators=[Needed("Write the day it was measured, like 2026-10-19.")])
    measured_by = StringField("Measured by", validators=[InputRequired("Write who measured it."), _short(120)])
    area = AreaField("Area, in square feet", validators=[Needed("Write the area measured, like 120.5.")])
    length = LengthField("Running length, if its rent goes by the foot")
    note = StringField("Note", validators=[_short(200)])


class CodeForm(FlaskForm):  # type: ignore[misc]
    code = StringField("Its new code", validators=[InputRequired("Write its new code."), _short(20)])


class RetireForm(FlaskForm):  # type: ignore[misc]
    retired_on = DayField("Not rented from", validators=[Needed("Write the first day it is not rented, like 2026-10-19.")])


class WidthForm(FlaskForm):  # type: ignore[misc]
    aisle = SelectField("Aisle", validate_choice=True)
    starts_on = needed_first_day("From")
    width = LengthField("Clear width", validators=[Needed("Write the width to keep clear, like 44 in.")])
    said_by = StringField("Who says so", validators=[InputRequired("Write who asks for it."), _short(120)])

    def __init__(self, *args: Any, aisles: Sequence[str] = (), **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.aisle.choices = [SelectChoice("", "every aisle"), *(SelectChoice(code, f"aisle {code}") for code in aisles)]


class PlanFileForm(FlaskForm):  # type: ignore[misc]
    file = FileField("Plan as CSV", validators=[FileRequired("Choose the file first.")])


class PaperForm(FlaskForm):  # type: ignore[misc]
    scale = SelectField("Scale", choices=[SelectChoice(str(scale), scale_words(scale)) for scale in SCALES], default="48")
    paper = SelectField("Paper", choices=[SelectChoice(name, name) for name in PAPERS_IN])
