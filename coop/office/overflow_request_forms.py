"""What is typed of floor asked for: a request written down for a dealer, and the places its pieces are given by hand."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from typing import Any

from flask_wtf import FlaskForm
from wtforms import BooleanField, Field, FieldList, FormField, HiddenField, StringField, TextAreaField
from wtforms import Form as PlainForm

from coop.core.errors import Refusal
from coop.core.fields import DayField, DollarsField, KeyField, LengthField, Needed, NumberField, is_written, stripped, told
from coop.office.lease_forms import PickField
from coop.office.overflow_bay_forms import AboutForm
from coop.office.overflow_stay_forms import LimitedForm
from coop.overflow.asking import MOST_FLEXIBLE_WEEKS, MOST_PIECES, Asked, PieceAsked
from coop.overflow.domain.fitting import OZ_PER_LB
from coop.overflow.models import OverflowPiece

ROOM = 1
"""So many empty rows for pieces a form begins with."""
_LONGEST_WEEKS = 52
_HEAVIEST_LB = 10_000


# --- a piece ----------------------------------------------------------------------------------------------------------------


class AskedPieceForm(PlainForm):  # type: ignore[misc]
    """A piece with its sizes; with nothing written it is none."""

    name = StringField("Name", filters=[stripped])
    width = LengthField("Width")
    depth = LengthField("Depth")
    height = LengthField("Height")
    weight = NumberField("Weight in pounds", least=1, most=_HEAVIEST_LB)
    price = DollarsField("Price")
    grouping = StringField("Grouping", filters=[stripped])
    tag = StringField("Tag", filters=[stripped])
    glass = BooleanField("It has glass, or is a mirror")
    may_turn = BooleanField("It may stand with its side to the aisle")
    about = FormField(AboutForm)

    @property
    def is_empty(self) -> bool:
        typed = (self.name, self.width, self.depth, self.height, self.weight, self.price, self.grouping, self.tag)
        return not is_written(typed)

    @property
    def can_be_read(self) -> bool:
        return not any(field.errors for field in self)

    @property
    def asked(self) -> PieceAsked:
        return PieceAsked(
            name=self.name.data or "",
            width_in16=self.width.data or 0,
            depth_in16=self.depth.data or 0,
            height_in16=self.height.data or 0,
            weight_oz=None if self.weight.data is None else self.weight.data * OZ_PER_LB,
            colour=self.about.colour.data or "" if self.about.has.data else "",
            grouping=self.grouping.data or "",
            price_cents=self.price.data,
            glass=self.glass.data,
            may_turn=self.may_turn.data,
            tag=self.tag.data or "",
        )

    def tell(self, key: str, sentence: str) -> None:
        """Put what is wrong at the field of a piece's column; of none, at its name."""
        if key == "colour":
            told(self.about.colour, sentence)
        else:
            column = key.removesuffix("_in16").removesuffix("_oz").removesuffix("_cents")
            told(self[{"": "name", "glass": "name"}.get(column, column)], sentence)


# --- a request --------------------------------------------------------------------------------------------------------------


class WriteForm(FlaskForm):  # type: ignore[misc]
    key = KeyField()
    dealer = PickField("Dealer", validators=[Needed("Choose who asks.")])
    not_before = DayField("Not before", validators=[Needed("Write the first day it could begin, like 2026-12-07.")])
    weeks = NumberField("Weeks", least=1, most=_LONGEST_WEEKS, validators=[Needed("Write for how many weeks.")])
    flexible_weeks = NumberField("May begin later", most=MOST_FLEXIBLE_WEEKS)
    bay = PickField("Bay")
    together = BooleanField("Keep the pieces together: side by side and for the same weeks, or not at all")
    note = TextAreaField("Note", filters=[stripped], render_kw={"rows": 3})
    pieces = FieldList(FormField(AskedPieceForm), min_entries=ROOM, max_entries=MOST_PIECES)

    def among(self, dealers: Sequence[tuple[str, str]], bays: Sequence[tuple[str, str]]) -> None:
        self.dealer.among(dealers, "choose who asks")
        self.bay.among(bays, "any")

    @property
    def filled(self) -> list[AskedPieceForm]:
        return [row.form for row in self.pieces if not row.form.is_empty]

    def check(self) -> bool:
        """Whether all that is written can be read."""
        fine = self.validate()
        return bool(fine) and all(row.form.can_be_read for row in self.pieces)

    @property
    def asked(self) -> Asked:
        return Asked(
            not_before=self.not_before.data,
            weeks=self.weeks.data,
            flexible_weeks=self.flexible_weeks.data or 0,
            together=self.together.data,
            bay_code=self.bay.data or "",
            note=self.note.data or "",
            pieces=tuple(row.asked for row in self.filled),
        )

    def tell(self, faults: Mapping[str, str]) -> None:
        """Put what a request is refused for at its fields."""
        for key, sentence in faults.items():
            what, _, rest = key.partition(".")
            if what != "pieces":
                told(self[{"bay_code": "bay"}.get(what, what)], sentence)
                continue
            number, _, of_piece = rest.partition(".")
            rows = self.filled or [self.pieces[0].form]
            rows[int(number or 0)].tell(of_piece, sentence)

    def one_more(self) -> None:
        if len(self.pieces) < MOST_PIECES:
            self.pieces.append_entry()


# --- places -----------------------------------------------------------------------------------------------------------------


class PlaceForm(PlainForm):  # type: ignore[misc]
    """Where one piece is to stand, and when; without a bay it gets no floor now."""

    bay = PickField("Bay")
    begins = LengthField("From, along the bay")
    on = DayField("First day")
    until = DayField("Last day")
    turned = BooleanField("With its side to the aisle")


class GiveForm(LimitedForm):
    """The places of a request's pieces, each under its own names; `rows` has them by the piece's id."""

    version = HiddenField()
    """Of the request, when its page was opened."""
    why = StringField("Why", filters=[stripped])

    def __init__(
        self, pieces: Iterable[OverflowPiece], bays: Mapping[int, Sequence[tuple[str, str]]], data: Mapping[str, Any], sent: Any
    ) -> None:
        """`bays`: those each piece may stand in, by its id. `data`: the version, and what every place begins with.

        `sent`: None for a new form.
        """
        super().__init__(formdata=sent, data=data)
        self.rows: dict[int, PlaceForm] = {}
        for piece in pieces:
            row = PlaceForm(formdata=sent, prefix=f"piece-{piece.id}-", data=data)
            row.bay.among(bays[piece.id], "no floor now")
            if sent is None and row.bay.data not in {code for code, _ in bays[piece.id]}:
                row.bay.data = ""
            self.rows[piece.id] = row

    @property
    def chosen(self) -> dict[int, PlaceForm]:
        return {piece_id: row for piece_id, row in self.rows.items() if row.bay.data}

    def check(self) -> bool:
        self.validate()
        for row in self.chosen.values():
            row.validate()
            for field in (row.on, row.until):
                if field.data is None and not field.errors:
                    told(field, "Write the day, like 2026-12-07.")
        if not self.chosen and self.rows:
            told(next(iter(self.rows.values())).bay, "No piece has a place: choose the bay of one at least.")
        return not self.errors and not any(field.errors for row in self.rows.values() for field in row)

    def refused(self, refusal: Refusal, names: Mapping[int, str]) -> None:
        """Stands at the piece that the sentence names, or at the one whose bay it names, or at the first."""
        sentence = str(refusal)
        rows = list(self.chosen.items())
        by_name = [row for piece_id, row in rows if sentence.startswith(names[piece_id])]
        by_bay = [row for _, row in rows if f"bay {row.bay.data}".lower() in sentence.lower()]
        self.refuse(refusal, _field_meant([*by_name, *by_bay, rows[0][1]][0], sentence))


def _field_meant(row: PlaceForm, sentence: str) -> Field:
    """The field of a place that a refusal is about."""
    if sentence.startswith("The first day"):
        return row.on
    if sentence.startswith("The last day") or "lease" in sentence:
        return row.until
    return row.begins if "begin between" in sentence or "first place free" in sentence else row.bay


class SoldForm(LimitedForm):
    """A sold piece that waits in a bay to be fetched."""

    key = KeyField()
    dealer = PickField("Dealer", validators=[Needed("Choose whose it was.")])
    name = StringField("Piece", filters=[stripped])
    width = LengthField("Width")
    depth = LengthField("Depth")
    height = LengthField("Height")
    tag = StringField("Tag", filters=[stripped])
    glass = BooleanField("It has glass, or is a mirror")
    bay = PickField("Bay", validators=[Needed("Choose the bay it waits in.")])
    begins = LengthField("From, along the bay")
    until = DayField("Fetched by")

    def among(self, dealers: Sequence[tuple[str, str]], bays: Sequence[tuple[str, str]]) -> None:
        self.dealer.among(dealers, "choose whose it was")
        self.bay.among(bays, "choose a bay")

    @property
    def asked(self) -> PieceAsked:
        return PieceAsked(
            name=self.name.data or "",
            width_in16=self.width.data or 0,
            depth_in16=self.depth.data or 0,
            height_in16=self.height.data or 0,
            glass=self.glass.data,
            tag=self.tag.data or "",
        )

    def tell(self, faults: Mapping[str, str]) -> None:
        for key, sentence in faults.items():
            told(self[key.removesuffix("_in16")], sentence)

    def refused(self, refusal: Refusal) -> None:
        sentence = str(refusal)
        field = self.dealer if "never rented" in sentence else self.until if "would wait" in sentence else self.bay
        if sentence.startswith("The last day"):
            field = self.until
        elif "begin between" in sentence or "first place free" in sentence:
            field = self.begins
        elif sentence.startswith("This form was sent already"):
            field = self.name
        self.refuse(refusal, field)
