"""What a dealer types when places of the mall are booked for a reset: each with its times."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from typing import Any

from flask_wtf import FlaskForm
from wtforms import FieldList, FormField, SelectField
from wtforms import Form as PlainForm
from wtforms.fields.choices import SelectChoice

from coop.core.fields import told
from coop.resets.booking import DOCK, Wanted, place_words
from coop.shifts.forms import TimeField

MOST_PLACES = 24
NOTHING = ""


class PlaceForm(PlainForm):  # type: ignore[misc]
    place = SelectField("Place", invalid_choice_message="Choose one of those listed.")
    begins = TimeField("From")
    ends = TimeField("To")


class PlacesForm(FlaskForm):  # type: ignore[misc]
    """A row a place and time; one without a place is left out."""

    rows = FieldList(FormField(PlaceForm), max_entries=MOST_PLACES)

    def __init__(self, *args: Any, floors: Iterable[str], fronts: Sequence[str], **more: Any) -> None:
        """`fronts`: codes of the booths before which the aisle may be taken, the dealer's own first."""
        super().__init__(*args, **more)
        places = [("dock", DOCK), *(("staging", name) for name in floors), *(("aisle", code) for code in fronts)]
        self._choices = [
            SelectChoice(NOTHING, "nothing"),
            *(SelectChoice(f"{kind}:{place}", place_words(kind, place)) for kind, place in places),
        ]
        self._offer()

    def _offer(self) -> None:
        for row in self.rows.entries:
            row.form.place.choices = self._choices

    def give_room(self) -> None:
        """Two empty rows below those that are written."""
        for _ in range(min(2, MOST_PLACES - len(self.rows.entries))):
            self.rows.append_entry()
        self._offer()

    @staticmethod
    def shown(places: Iterable[Wanted]) -> dict[str, Any]:
        """Data of a form that shows places."""
        rows = []
        for one in places:
            # A mall has one dock, however it was called when it was booked.
            place = DOCK if one.kind == "dock" else one.place
            rows.append({"place": f"{one.kind}:{place}", "begins": one.from_minute, "ends": one.to_minute})
        return {"rows": rows}

    def read(self) -> list[Wanted] | None:
        """The places as they were written; None where something could not be read, and each field says what."""
        is_good = self.validate()
        found = []
        for entry in self.rows.entries:
            row = entry.form
            kind, _, place = (row.place.data or "").partition(":")
            if not kind:
                continue
            for field, example in ((row.begins, "10 am"), (row.ends, "noon")):
                if field.data is None and not field.errors:
                    told(field, f"Write the time too, like {example}.")
            if row.begins.errors or row.ends.errors:
                is_good = False
            elif row.begins.data >= row.ends.data:
                told(row.ends, "This is before it begins: write a later time.")
                is_good = False
            else:
                found.append(Wanted(kind, place, row.begins.data, row.ends.data))
        return found if is_good else None
