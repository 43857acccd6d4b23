"""What the office types of a mall's resets: a way to the van leg by leg, and staging floor."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from flask_wtf import FlaskForm
from wtforms import FieldList, FormField, HiddenField, StringField
from wtforms import Form as PlainForm
from wtforms.validators import Length

from coop.core.fields import LengthField, Needed, NumberField, is_written, stripped, told, whole_number
from coop.resets.domain.way import Leg
from coop.resets.domain.weight import OZ_PER_LB
from coop.resets.ways import KIND_WORDS, LEGS, MEASURE_WORDS, leg_value, measure_names, needed_names

MOST_LEGS = 20
_MOST_STEPS, _MOST_POUNDS = 200, 20_000
_LONGEST = Length(max=60, message="Write it in 60 characters.")
_EXAMPLES = {"count": "4", "width_in16": "36 in.", "height_in16": "6' 8\""}


class LegForm(PlainForm):  # type: ignore[misc]
    """A leg of one kind: only the measures of its kind are shown. One with nothing written is left out."""

    kind = HiddenField()
    place = NumberField("Place in the way", least=1, most=MOST_LEGS + 5, render_kw={"inputmode": "numeric"})
    name = StringField("What it is called", filters=[stripped], validators=[_LONGEST])

    @property
    def kind_words(self) -> str:
        return KIND_WORDS.get(self.kind.data or "", "a leg")

    @property
    def measures(self) -> list[tuple[Any, bool]]:
        """The fields of its kind, and whether each must be written."""
        if self.kind.data not in LEGS:
            return []
        return [(self[one], one in needed_names(self.kind.data)) for one in measure_names(self.kind.data)]

    @property
    def is_empty(self) -> bool:
        return not self.name.data and not is_written(field for field, _ in self.measures)

    def read(self) -> Leg | None:
        """The leg; None where something is missing or cannot be, which is told at its field."""
        if self.kind.data not in LEGS:
            told(self.name, "This is no kind of leg: add one of those below.")
            return None
        if not self.name.data:
            told(self.name, "Write what it is called, like Back door.")
        found: dict[str, Any] = {"name": self.name.data}
        for field, is_needed in self.measures:
            if field.data is None:
                if is_needed and not field.errors:
                    told(field, f"Write it, like {_EXAMPLES.get(field.short_name, '5 ft')}.")
            elif field.data <= 0:
                told(field, "Write more than nothing.")
            else:
                found[field.short_name] = field.data * OZ_PER_LB if field.short_name == "limit_oz" else field.data
        if any(field.errors for field in self):
            return None
        return LEGS[self.kind.data](**found)


for _measure, _words in MEASURE_WORDS.items():
    _numeric = {"inputmode": "numeric"}
    if _measure == "limit_oz":
        setattr(LegForm, _measure, NumberField(f"{_words}, pounds", least=1, most=_MOST_POUNDS, render_kw=_numeric))
    elif _measure == "count":
        setattr(LegForm, _measure, NumberField(_words, least=1, most=_MOST_STEPS, render_kw=_numeric))
    else:
        setattr(LegForm, _measure, LengthField(_words))


class WayForm(FlaskForm):  # type: ignore[misc]
    name = StringField(
        "What the way is called", filters=[stripped], validators=[Needed("Call it by where it ends, like Back dock."), _LONGEST]
    )
    version = HiddenField()
    legs = FieldList(FormField(LegForm), max_entries=MOST_LEGS)

    @classmethod
    def of(cls, name: str, legs: Sequence[Leg], version: int | None = None) -> WayForm:
        """A form that shows a way."""
        rows = [{"place": n, **_shown(leg)} for n, leg in enumerate(legs, start=1)]
        return cls(formdata=None, data={"name": name, "version": "" if version is None else version, "legs": rows})

    def add(self, kind: str) -> bool:
        """A leg more, with nothing written yet, after the others. False where there is no room or no such kind."""
        if kind not in LEGS or len(self.legs.entries) >= MOST_LEGS:
            return False
        self.legs.append_entry({"kind": kind, "place": len(self.legs.entries) + 1})
        return True

    @property
    def opened(self) -> int | None:
        """The version it was opened with; None of a new way."""
        return whole_number(str(self.version.data or ""))

    def read(self) -> list[Leg] | None:
        """The legs in their order; None where something could not be read, and each field says what."""
        is_good = self.validate()
        placed = []
        for n, entry in enumerate(self.legs.entries, start=1):
            form = entry.form
            if form.is_empty:
                continue
            leg = form.read()
            is_good = is_good and leg is not None
            place = n if form.place.data is None else form.place.data
            # One given another's place comes before it when it goes forward, and after it when it goes back.
            placed.append((place, (place > n) - (place < n), n, leg))
        return [leg for *_, leg in sorted(placed, key=lambda one: one[:3])] if is_good else None


def _shown(leg: Leg) -> dict[str, Any]:
    value = leg_value(leg)
    limit = value.get("limit_oz")
    return value if limit is None else {**value, "limit_oz": limit // OZ_PER_LB}


class FloorForm(FlaskForm):  # type: ignore[misc]
    name = StringField(
        "What the floor is called", filters=[stripped], validators=[Needed("Call it by where it is, like By the dock."), _LONGEST]
    )
    width = LengthField("Width", validators=[Needed("Write its width, like 10'.")])
    depth = LengthField("Depth", validators=[Needed("Write its depth, like 5'.")])
    note = StringField("Note", filters=[stripped], validators=[Length(max=200, message="Write it in 200 characters.")])
