"""What a dealer types to ask for floor in the aisles: when, how long, where, and each piece with its sizes."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from datetime import date
from typing import Any

from werkzeug.datastructures import MultiDict
from wtforms import BooleanField, Field, FieldList, FormField, HiddenField, SelectField, StringField, TextAreaField
from wtforms import Form as PlainForm
from wtforms.fields.choices import SelectChoice

from coop.core.fields import (
    DayField,
    DollarsField,
    KeyField,
    LengthField,
    Needed,
    NumberField,
    TypedField,
    stripped,
    told,
    whole_number,
)
from coop.core.geometry import IN16_PER_INCH, format_length
from coop.dealers.models import Dealer
from coop.floor.models import Mall
from coop.overflow.asking import MOST_FLEXIBLE_WEEKS, MOST_PIECES, Asked, PieceAsked
from coop.overflow.models import BayRow, OverflowPiece, OverflowRequest
from coop.portal.reset_forms import LISTED, ColourForm, DealerForm, WeightField
from coop.resets.models import PieceRow

ANY = ""
_SOME_SIZE_IN16 = 6 * IN16_PER_INCH
"""What stands in for a size that could not be read, so that all else is judged: nothing is wrong with it."""
_OF_NONE = -1
"""An id that no piece has."""
_FIELDS = {
    "width_in16": "width",
    "depth_in16": "depth",
    "height_in16": "height",
    "weight_oz": "weight",
    "price_cents": "price",
}
"""Fields of a piece that are not called as the piece has it."""


class WeeksField(TypedField):
    """A whole number; how many weeks may be asked for, the house's rules say."""

    def read(self, text: str) -> int:
        if not (text.isascii() and text.isdigit() and len(text) <= 6):
            raise ValueError("Write a whole number of weeks, like 4.")
        return int(text)


class MainColourForm(ColourForm):
    has = BooleanField("Its main color is")


class AskedPieceForm(PlainForm):  # type: ignore[misc]
    piece_id = HiddenField()
    """Of the piece that this row is of; empty for one more."""
    name = StringField("Name", filters=[stripped])
    width = LengthField("Width")
    depth = LengthField("Depth")
    height = LengthField("Height")
    weight = WeightField("Weight")
    main = FormField(MainColourForm)
    grouping = StringField("Grouping", filters=[stripped])
    price = DollarsField("Price")
    tag = StringField("Tag", filters=[stripped])
    glass = BooleanField("It has glass, or is a mirror")
    may_turn = BooleanField("It may stand with its side to the aisle")

    @property
    def asked(self) -> PieceAsked:
        return PieceAsked(
            name=self.name.data,
            width_in16=_size(self.width),
            depth_in16=_size(self.depth),
            height_in16=_size(self.height),
            weight_oz=self.weight.data,
            colour=self.main.colour.data or "" if self.main.has.data else "",
            grouping=self.grouping.data,
            price_cents=self.price.data,
            glass=self.glass.data,
            may_turn=self.may_turn.data,
            tag=self.tag.data,
            id=_id(self.piece_id.data),
        )

    @property
    def is_measured(self) -> bool:
        """Whether its sizes were written and could be read."""
        return all(field.data and not field.errors for field in (self.width, self.depth, self.height))

    def field_of(self, key: str) -> Field:
        return self.main.colour if key == "colour" else self[_FIELDS.get(key, key or "name")]


def _id(said: str | int | None) -> int | None:
    """As it was sent, or as it is kept. What is no id is none of any piece, and not one more."""
    text = str(said or "")
    number = whole_number(text)
    return number if number is not None or not text else _OF_NONE


def _size(field: LengthField) -> int:
    return _SOME_SIZE_IN16 if field.errors else field.data or 0


class AskForm(DealerForm):
    key = KeyField()
    mall = SelectField("Mall", validate_choice=False)
    not_before = DayField("Not before", validators=[Needed("Write the first day it could begin, like 2026-12-07.")])
    weeks = WeeksField("Weeks", validators=[Needed("Write for how many weeks.")])
    flexible_weeks = NumberField("May begin later", most=MOST_FLEXIBLE_WEEKS)
    bay = SelectField("Bay", validate_choice=False)
    together = BooleanField("Keep the pieces together: side by side and for the same weeks, or not at all")
    note = TextAreaField("Note for the manager", filters=[stripped], render_kw={"rows": 3})
    pieces = FieldList(FormField(AskedPieceForm), max_entries=MOST_PIECES)

    def at(self, malls: Sequence[Mall], bays: Iterable[BayRow]) -> None:
        """The malls that floor is asked for at, and the bays that are lent there."""
        self._malls = {mall.code: mall for mall in malls}
        self.mall.choices = [SelectChoice(mall.code, mall.name) for mall in malls]
        codes = {mall.id: mall.code for mall in malls}
        self.bay.choices = [
            SelectChoice(ANY, "any"),
            *(SelectChoice(f"{codes[row.mall_id]} {row.code}", _bay_words(row, codes)) for row in bays),
        ]

    @property
    def asks_mall(self) -> bool:
        return len(self._malls) > 1

    @property
    def mall_meant(self) -> Mall:
        """The one that was chosen, or the first."""
        return self._malls.get(self.mall.data or "") or next(iter(self._malls.values()))

    @property
    def dealer_meant(self) -> Dealer:
        """The one that was chosen, or the first."""
        return self._dealers.get(self.dealer.data or "") or next(iter(self._dealers.values()))

    @property
    def bay_meant(self) -> str:
        """The code of the bay wished for; empty for any, and for one of another mall."""
        mall_code, _, bay_code = (self.bay.data or "").partition(" ")
        return bay_code if mall_code == self.mall_meant.code else ANY

    def chosen_mall(self) -> Mall | None:
        """None where more than one could be meant and none was chosen."""
        if not self.asks_mall:
            return next(iter(self._malls.values()))
        found = self._malls.get(self.mall.data or "")
        if found is None:
            told(self.mall, LISTED)
        return found

    def read(self, today: date) -> Asked:
        """What is asked for, once it was validated. In place of what could not be read is what nothing is wrong with."""
        mall_code, _, bay_code = (self.bay.data or "").partition(" ")
        if bay_code and self.asks_mall and mall_code != self.mall.data:
            told(self.bay, "This bay is in another mall: choose one of the mall above, or any.")
            bay_code = ANY
        return Asked(
            not_before=today if self.not_before.errors else self.not_before.data,
            weeks=1 if self.weeks.errors else self.weeks.data,
            flexible_weeks=self.flexible_weeks.data or 0,
            together=self.together.data,
            bay_code=bay_code,
            note=self.note.data,
            pieces=tuple(row.form.asked for row in self.pieces),
        )

    def tell(self, faults: Mapping[str, str]) -> None:
        """Put what a request is refused for at its fields; one that could not be read has its own sentence already."""
        for key, sentence in faults.items():
            field = self._field_of(key)
            if not field.errors:
                told(field, sentence)

    def _field_of(self, key: str) -> Field:
        what, _, rest = key.partition(".")
        if what != "pieces":
            return self[{"bay_code": "bay"}.get(what, what)]
        number, _, of_piece = rest.partition(".")
        if not self.pieces.entries:
            self.pieces.append_entry()
        return self.pieces[int(number or 0)].form.field_of(of_piece)

    @property
    def wrong(self) -> bool:
        return bool(self.errors) or any(field.errors for row in self.pieces for field in _leaves(row.form))

    def one_more(self, data: Mapping[str, Any] | None = None) -> bool:
        """A further row, empty or with a piece in it; False where there are as many as there may be."""
        if len(self.pieces) >= MOST_PIECES:
            return False
        self.pieces.append_entry(data)
        return True

    def wants_piece(self) -> None:
        """Say at the last row, which is empty, that it is the one more."""
        told(self.pieces[-1].form.name, "This row is empty: write a piece in it first, and then one more row.")


def _leaves(form: PlainForm) -> Iterable[Field]:
    for field in form:
        yield from field.form if isinstance(field, FormField) else (field,)


def _bay_words(row: BayRow, codes: Mapping[int, str]) -> str:
    """`A1-2, 9' 0" long, 1' 10" deep, at a wall`"""
    behind = f"before space {row.before}" if row.before else "at a wall" if row.backing == "wall" else f"along a {row.backing}"
    mall = f"{codes[row.mall_id]} " if len(codes) > 1 else ""
    return f"{mall}{row.code}, {format_length(row.length_in16)} long, {format_length(row.depth_in16)} deep, {behind}"


_SAY_NOTHING = ("-main-colour", "-piece_id")
"""Fields of a row that have a value though nobody wrote one."""


def has_empty_row(sent: MultiDict[str, str]) -> bool:
    """Whether a row of a piece was sent in which nothing is written."""
    return {_row_of(key) for key in sent} != {_row_of(key) for key in rows_said(sent)}


def rows_said(sent: MultiDict[str, str], without: str = "") -> MultiDict[str, str]:
    """What was sent, less the rows of pieces in which nothing is written, and the one of a number."""
    said = {_row_of(key) for key, value in sent.items(multi=True) if value.strip() and not key.endswith(_SAY_NOTHING)}
    kept = said - {without}
    return MultiDict([(key, value) for key, value in sent.items(multi=True) if _row_of(key) in kept | {None}])


def _row_of(key: str) -> str | None:
    """The number of the row a field is in; None for a field of the whole request."""
    what, _, rest = key.partition("-")
    return rest.partition("-")[0] if what == "pieces" else None


def data_of(piece: OverflowPiece | PieceRow) -> dict[str, Any]:
    """A piece as a row shows it, as it was asked for or as its dealer has written it down for resets."""
    colour = next(iter(piece.colours), "") if isinstance(piece, PieceRow) else piece.colour
    return {
        "name": piece.name,
        "width": piece.width_in16,
        "depth": piece.depth_in16,
        "height": piece.height_in16,
        "weight": piece.weight_oz,
        "main": {"has": True, "colour": colour} if colour else {},
        "grouping": piece.grouping,
        "price": piece.price_cents,
        "tag": piece.tag,
        "glass": piece.glass,
        "may_turn": isinstance(piece, OverflowPiece) and piece.may_turn,
    }


def request_data(row: OverflowRequest, mall: Mall, pieces: Iterable[OverflowPiece], *, anew: bool = False) -> dict[str, Any]:
    """A request as the form shows it. `anew`: to ask for the same in another, of which its pieces are not."""
    same = ("not_before", "weeks", "flexible_weeks", "together", "note")
    bay = f"{mall.code} {row.bay_code}" if row.bay_code else ANY
    return {name: getattr(row, name) for name in same} | {
        "mall": mall.code,
        "bay": bay,
        "pieces": [data_of(piece) | ({} if anew else {"piece_id": piece.id}) for piece in pieces],
    }
