"""What a dealer types about pieces and smalls, and of which dealer they are."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from typing import Any, cast

from flask_wtf import FlaskForm
from flask_wtf.file import FileField, FileRequired
from wtforms import BooleanField, Field, FormField, SelectField, SelectMultipleField, StringField, TextAreaField
from wtforms import Form as PlainForm
from wtforms.fields.choices import SelectChoice
from wtforms.validators import Length
from wtforms.widgets import ColorInput

from coop.core.fields import ChoiceField, DayField, DollarsField, LengthField, NumberField, TypedField, stripped, told
from coop.dealers.models import Dealer
from coop.resets.domain.piece import CARRIED, CarriedSize
from coop.resets.domain.weight import format_weight, parse_weight
from coop.resets.models import PieceRow
from coop.resets.pieces import BOUND_WORDS, LONGEST, MOST_COLOURS, MOST_FEET, PLACE_WORDS, STANDS_WORDS, PieceIn, as_written
from coop.resets.smalls import MOST, MOST_BOXES, MOST_ROOM_CUIN, SmallsIn

LISTED = "Choose one of those listed."
OWN_COLOURS = 3
"""Colours that are typed or picked; further ones are ticked among those used before."""


class WeightField(TypedField):
    """Pounds and ounces on the page, ounces in `data`."""

    def read(self, text: str) -> int:
        try:
            return parse_weight(text)
        except ValueError as error:
            raise ValueError(f"This {error}.") from None

    def write(self, value: Any) -> str:
        return format_weight(value)


class DealerForm(FlaskForm):  # type: ignore[misc]
    """Of which dealer something is; asked only of who is more than one."""

    dealer = SelectField("Of which dealer", validate_choice=False)

    def among(self, dealers: Sequence[Dealer]) -> None:
        self.dealer.choices = [SelectChoice(one.code, f"{one.code} {one.trade_name}".strip()) for one in dealers]
        self._dealers = {one.code: one for one in dealers}

    @property
    def asks_dealer(self) -> bool:
        return len(self._dealers) > 1

    def chosen(self) -> Dealer | None:
        """The dealer; None where more than one could be meant and none was chosen."""
        if not self.asks_dealer:
            return next(iter(self._dealers.values()))
        found = self._dealers.get(self.dealer.data or "")
        if found is None:
            told(self.dealer, LISTED)
        return found


def _line(label: str, name: str) -> StringField:
    most = LONGEST[name]
    return StringField(label, filters=[stripped], validators=[Length(max=most, message=f"Write it in {most} characters.")])


class ColourForm(PlainForm):  # type: ignore[misc]
    """One colour; a field of colours always has one, so a tick says whether it is meant."""

    has = BooleanField("Has this color")
    colour = StringField("Color", widget=ColorInput(), default="#808080")


class CarriedForm(PlainForm):  # type: ignore[misc]
    width = LengthField("Width")
    depth = LengthField("Depth")
    height = LengthField("Height")

    @property
    def size(self) -> tuple[int, int, int] | None:
        """None where nothing was written; a side that was not is 0."""
        sides = (self.width.data, self.depth.data, self.height.data)
        return None if sides == (None, None, None) else (sides[0] or 0, sides[1] or 0, sides[2] or 0)


class PieceForm(DealerForm):
    name = _line("Name", "name")
    kind = _line("Kind", "kind")
    width = LengthField("Width")
    depth = LengthField("Depth")
    height = LengthField("Height")
    weight = WeightField("Weight")
    stands = ChoiceField("Stands", choices=STANDS_WORDS)
    grouping = _line("Grouping", "grouping")
    theme = _line("Theme", "theme")
    colour_1 = FormField(ColourForm)
    colour_2 = FormField(ColourForm)
    colour_3 = FormField(ColourForm)
    used = SelectMultipleField("Colors used before", validate_choice=False)
    price = DollarsField("Price")
    tag = _line("Tag", "tag")
    carries = WeightField("Its top may carry")
    top_width = LengthField("Width of the top")
    top_depth = LengthField("Depth of the top")
    opens = LengthField("Room its doors or drawers need")
    fragile = BooleanField("Fragile")
    glass = BooleanField("Glass or mirror")
    leans = BooleanField("Leans")
    needs_power = BooleanField("Needs power")
    feet = NumberField("Feet", most=MOST_FEET)
    tilted = FormField(CarriedForm)
    on_end = FormField(CarriedForm)
    parts_off = FormField(CarriedForm)
    place = ChoiceField("Where it is", choices=PLACE_WORDS)
    store_until = DayField("In store until")
    bound = ChoiceField("May it go home", choices={**BOUND_WORDS, "": "yes, it is free"})
    note = TextAreaField(
        "Note for yourself",
        filters=[stripped],
        validators=[Length(max=LONGEST["note"], message=f"Write it in {LONGEST['note']} characters.")],
        render_kw={"rows": 3},
    )

    @property
    def colour_fields(self) -> list[FormField]:
        return [self.colour_1, self.colour_2, self.colour_3]

    @property
    def carried_fields(self) -> list[tuple[str, FormField]]:
        """How, and its three fields."""
        return list(zip(CARRIED, (self.tilted, self.on_end, self.parts_off), strict=True))

    @classmethod
    def of(cls, row: PieceRow) -> PieceForm:
        """A form that shows a piece as it is kept."""
        piece = as_written(row)
        lengths = ("width", "depth", "height", "top_width", "top_depth", "opens")
        data: dict[str, Any] = {key: getattr(piece, f"{key}_in16") for key in lengths}
        data |= {key: getattr(piece, key) for key in (*LONGEST, *_SAME)}
        data |= {
            "weight": piece.weight_oz,
            "carries": piece.carries_oz,
            "price": piece.price_cents,
            "opens": piece.opens_in16 or None,
        }
        for n, colour in enumerate(piece.colours[:OWN_COLOURS], 1):
            data[f"colour_{n}"] = {"has": True, "colour": colour}
        data["used"] = list(piece.colours[OWN_COLOURS:])
        for size in piece.carried:
            data[size.how.replace(" ", "_")] = {"width": size.width_in16, "depth": size.depth_in16, "height": size.height_in16}
        return cls(formdata=None, data=data)

    def read(self) -> PieceIn | None:
        """The piece as it was written; None where something could not be read, and each field says what."""
        if not self.validate():
            return None
        picked = [one.colour.data or "" for one in self.colour_fields if one.has.data]
        return PieceIn(
            name=self.name.data,
            width_in16=self.width.data or 0,
            depth_in16=self.depth.data or 0,
            height_in16=self.height.data or 0,
            weight_oz=self.weight.data,
            colours=tuple([*picked, *(self.used.data or [])][: MOST_COLOURS + 1]),
            price_cents=self.price.data,
            carries_oz=self.carries.data,
            top_width_in16=self.top_width.data,
            top_depth_in16=self.top_depth.data,
            opens_in16=self.opens.data or 0,
            carried=tuple(
                CarriedSize(how, *size)  # type: ignore[arg-type]
                for how, field in self.carried_fields
                if (size := cast(CarriedForm, field.form).size) is not None
            ),
            feet=4 if self.feet.data is None else self.feet.data,
            **{key: getattr(self, key).data for key in (*LONGEST, *_SAME) if key not in ("name", "feet")},
        )

    def tell(self, faults: Mapping[str, str]) -> None:
        """Put what a piece is refused for at its fields."""
        for key, sentence in faults.items():
            told(self._field_of(key), sentence)

    def _field_of(self, key: str) -> Field:
        if key.startswith("carried."):
            return dict(self.carried_fields)[key.removeprefix("carried.")].width
        return {"colours": self.used}.get(key) or getattr(
            self, key.removesuffix("_in16").removesuffix("_oz").removesuffix("_cents")
        )

    @property
    def says_more(self) -> bool:
        """Whether anything is written, or wrong, of what most pieces leave empty."""
        fields = [
            self.carries,
            self.top_width,
            self.top_depth,
            self.opens,
            self.fragile,
            self.glass,
            self.leans,
            self.needs_power,
        ]
        fields += [one for _, sizes in self.carried_fields for one in sizes.form]
        return any(one.data or one.errors for one in fields)

    @property
    def wrong(self) -> bool:
        return any(field.errors for field in self._leaves())

    def _leaves(self) -> Iterator[Field]:
        for field in self:
            yield from field.form if isinstance(field, FormField) else (field,)


_SAME = ("stands", "fragile", "glass", "leans", "needs_power", "feet", "place", "store_until", "bound")
"""Fields that are called in the form as the column is, beside the texts."""


class PieceFileForm(DealerForm):
    file = FileField("Pieces as CSV", validators=[FileRequired("Choose the file first.")])


class SmallsForm(DealerForm):
    grouping = StringField("What they are", filters=[stripped])
    count = NumberField("How many", most=MOST)
    each = NumberField("Room of one, in cubic inches", least=1, most=MOST_ROOM_CUIN)
    boxes = NumberField("Boxes they fill", most=MOST_BOXES)
    fragile = BooleanField("Fragile")
    place = ChoiceField("Where they are", choices=PLACE_WORDS)
    on_piece = SelectField("They go on", invalid_choice_message=LISTED)
    note = StringField("Note", filters=[stripped])

    def onto(self, pieces: Sequence[PieceRow]) -> None:
        self.on_piece.choices = [
            SelectChoice("", "no piece in particular"),
            *(SelectChoice(str(one.id), one.name) for one in pieces),
        ]

    @classmethod
    def of(cls, smalls: SmallsIn) -> SmallsForm:
        """A form that shows smalls as they are kept."""
        data = {key: getattr(smalls, key) for key in ("grouping", "count", "boxes", "fragile", "place", "note")}
        on_piece = "" if smalls.on_piece_id is None else str(smalls.on_piece_id)
        return cls(formdata=None, data=data | {"each": smalls.each_cuin, "on_piece": on_piece})

    def read(self) -> SmallsIn | None:
        """The smalls as they were written; None where something could not be read, and each field says what."""
        if not self.validate():
            return None
        return SmallsIn(
            grouping=self.grouping.data,
            count=-1 if self.count.data is None else self.count.data,
            each_cuin=self.each.data,
            boxes=self.boxes.data,
            fragile=self.fragile.data,
            place=self.place.data,
            on_piece_id=int(self.on_piece.data) if self.on_piece.data else None,
            note=self.note.data,
        )

    def tell(self, faults: Mapping[str, str]) -> None:
        for key, sentence in faults.items():
            told(self[{"each_cuin": "each", "on_piece_id": "on_piece"}.get(key, key)], sentence)
