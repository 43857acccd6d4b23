"""What is typed of a mall's bays: the colours about one, a word on its place; where people come into booths."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from flask_wtf import FlaskForm
from wtforms import BooleanField, FieldList, FormField, SelectField, StringField
from wtforms import Form as PlainForm
from wtforms.fields.choices import SelectChoice
from wtforms.validators import Length
from wtforms.widgets import ColorInput

from coop.core.fields import LengthField, is_written, stripped, told
from coop.core.geometry import format_length
from coop.overflow.bay_editing import LONGEST_NOTE
from coop.overflow.models import BayRow, BoothOpening
from coop.overflow.openings import LEAST_IN16

COLOURS = 6
_ROOM = 2
"""So many empty rows stand below the openings there are."""


class AboutForm(PlainForm):  # type: ignore[misc]
    """One colour about a bay; a field of colours always has one, so a tick says whether it is meant."""

    has = BooleanField("Has this color")
    colour = StringField("Color", widget=ColorInput(), default="#808080")


class BayForm(FlaskForm):  # type: ignore[misc]
    palette = FieldList(FormField(AboutForm), min_entries=COLOURS, max_entries=COLOURS + 2)
    note = StringField(
        "Note", filters=[stripped], validators=[Length(max=LONGEST_NOTE, message=f"Write it in {LONGEST_NOTE} characters.")]
    )

    @property
    def colours(self) -> list[str]:
        return [one.form.colour.data or "" for one in self.palette if one.form.has.data]


def bay_form(row: BayRow) -> BayForm:
    return BayForm(formdata=None, note=row.note, palette=[{"has": True, "colour": colour} for colour in row.palette])


# --- openings ---------------------------------------------------------------------------------------------------------------


class OpeningForm(PlainForm):  # type: ignore[misc]
    """One opening; with no side chosen and nothing written it is none."""

    side = SelectField("On")
    begins = LengthField("From")
    width = LengthField("Wide")

    @property
    def is_empty(self) -> bool:
        return not self.side.data and not is_written((self.begins, self.width))

    @property
    def opening(self) -> tuple[int, int, int]:
        """As `openings.set_openings` takes it."""
        return int(self.side.data) - 1, self.begins.data, self.width.data


class OpeningsForm(FlaskForm):  # type: ignore[misc]
    """Where people come into a booth. Sides are numbered from 1, as the drawing beside them has them."""

    rows = FieldList(FormField(OpeningForm), max_entries=24)

    def __init__(self, *args: Any, sides: Sequence[str], **more: Any) -> None:
        """`sides`: each in words."""
        super().__init__(*args, **more)
        for row in self.rows:
            row.form.side.choices = [
                SelectChoice("", "no opening"),
                *(SelectChoice(str(n), one) for n, one in enumerate(sides, 1)),
            ]

    def check(self) -> bool:
        self.validate()
        for row in self.filled:
            if not row.side.data:
                told(row.side, "Choose the side it is on.")
            if row.begins.data is None and not row.begins.errors:
                told(row.begins, "Write how far from the side’s first corner it begins, like 2' 6\"; 0 for at the corner.")
            if row.width.data is None and not row.width.errors:
                told(row.width, f"Write how wide it is, {format_length(LEAST_IN16)} at least.")
        return not any(field.errors for row in self.filled for field in row)

    @property
    def filled(self) -> list[OpeningForm]:
        return [row.form for row in self.rows if not row.form.is_empty]

    def refused(self, sentence: str) -> None:
        """Stands at the opening that the sentence names, or at the first."""
        named = (row for row in self.filled if f"side {row.side.data}:" in sentence)
        row = next(named, next(iter(self.filled), self.rows[0].form))
        told(row.width, sentence)


def openings_form(rows: Sequence[BoothOpening], sides: Sequence[str]) -> OpeningsForm:
    """Those there are, with room for more."""
    there = [{"side": str(row.side + 1), "begins": row.from_in16, "width": row.width_in16} for row in rows]
    return OpeningsForm(formdata=None, sides=sides, rows=[*there, *({} for _ in range(_ROOM))])
