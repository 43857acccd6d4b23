"""What a dealer types about a reset: its sets, its day, hands, floor, way and van."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from typing import Any

from flask_wtf import FlaskForm
from wtforms import BooleanField, SelectField, SelectMultipleField, TextAreaField
from wtforms.fields.choices import SelectChoice
from wtforms.validators import Length
from wtforms.widgets import CheckboxInput, ListWidget

from coop.core.fields import DayField, LengthField, Needed, NumberField, stripped, told
from coop.resets.domain.weight import OZ_PER_LB
from coop.resets.planning import Asked
from coop.resets.reset_models import StagingFloor
from coop.resets.wording import EMPTY_BOOTH
from coop.shifts.forms import TimeField

NOTHING = ""
_LISTED = "Choose one of those listed."
_MOST_PEOPLE = 20


class ResetForm(FlaskForm):  # type: ignore[misc]
    """`begins` to `ends` by the mall's clock; more hands come for a part of it."""

    before = SelectField("What stands before", invalid_choice_message=_LISTED)
    after = SelectField("What is to stand", invalid_choice_message=_LISTED)
    on_date = DayField("On", validators=[Needed("Choose the day of the reset.")])
    begins = TimeField("From", validators=[Needed("Write when you begin, like 10 am.")])
    ends = TimeField("To", validators=[Needed("Write when you must be out, like 6 pm.")])
    people = NumberField("People", least=1, most=_MOST_PEOPLE, validators=[Needed("Write how many work on it, you among them.")])
    more_people = NumberField("More hands", least=0, most=_MOST_PEOPLE)
    more_from = TimeField("They come at")
    more_to = TimeField("They go at")
    staging = SelectMultipleField(
        "Pieces may wait on", widget=ListWidget(prefix_label=False), option_widget=CheckboxInput(), coerce=int
    )
    way = SelectField("Way to the van", invalid_choice_message=_LISTED)
    with_van = BooleanField("A van takes and brings")
    van_width = LengthField("Van floor, width")
    van_depth = LengthField("Van floor, length")
    van_height = LengthField("Van, height")
    van_pounds = NumberField("It may carry, pounds", least=1, most=20_000)
    note = TextAreaField("Note", filters=[stripped], validators=[Length(max=400, message="Write it in 400 characters.")])

    def __init__(
        self,
        *args: Any,
        sets: Iterable[tuple[int, str]],
        floors: Iterable[StagingFloor],
        ways: Iterable[tuple[int, str]],
        **more: Any,
    ) -> None:
        super().__init__(*args, **more)
        self.floors: Mapping[int, StagingFloor] = {floor.id: floor for floor in floors}
        choices = [SelectChoice(str(one), name) for one, name in sets]
        self.before.choices = [*choices, SelectChoice(NOTHING, EMPTY_BOOTH)]
        self.after.choices = [*choices, SelectChoice(NOTHING, EMPTY_BOOTH)]
        self.staging.choices = [SelectChoice(str(one), floor.name) for one, floor in self.floors.items()]
        self.way.choices = [SelectChoice(NOTHING, "nobody measured it"), *(SelectChoice(str(one), name) for one, name in ways)]

    def check(self) -> bool:
        self.validate()
        if self.begins.data is not None and self.ends.data is not None and self.begins.data >= self.ends.data:
            told(self.ends, "This is before it begins: write a later time.")
        if self.more_people.data:
            if self.more_from.data is None or self.more_to.data is None:
                told(self.more_people, "Write when they come and when they go, like 1 pm and 4 pm.")
            elif self.more_from.data >= self.more_to.data:
                told(self.more_to, "This is before they come: write a later time.")
        if self.with_van.data:
            for field, example in (
                (self.van_width, "4 ft"),
                (self.van_depth, "8 ft"),
                (self.van_height, "4' 6\""),
                (self.van_pounds, "1200"),
            ):
                if field.data is None and not field.errors:
                    told(field, f"Write this of the van too, like {example}.")
        return not self.errors

    @property
    def before_id(self) -> int | None:
        return int(self.before.data) if self.before.data else None

    @property
    def after_id(self) -> int | None:
        return int(self.after.data) if self.after.data else None

    @property
    def asked(self) -> Asked:
        """Whole once `check` has said so."""
        more = self.more_people.data or 0
        floors = [self.floors[one] for one in self.staging.data or [] if one in self.floors]
        van = None
        if self.with_van.data:
            van = {
                "width_in16": self.van_width.data,
                "depth_in16": self.van_depth.data,
                "height_in16": self.van_height.data,
                "payload_oz": self.van_pounds.data * OZ_PER_LB,
            }
        return Asked(
            on_date=self.on_date.data,
            begins_minute=self.begins.data,
            ends_minute=self.ends.data,
            people=self.people.data,
            helpers=((self.more_from.data, self.more_to.data, more),) if more else (),
            staging=tuple((floor.name, floor.width_in16, floor.depth_in16) for floor in floors),
            way_id=int(self.way.data) if self.way.data else None,
            van=van,
            note=self.note.data or "",
        )
