"""What a dealer types about her lease: her name, a last day, what she disputes, an answer, a wish."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from flask_wtf import FlaskForm
from wtforms import SelectField, StringField, TextAreaField
from wtforms.fields.choices import SelectChoice
from wtforms.validators import Length

from coop.core.fields import AreaField, ChoiceField, DayField, Needed, stripped, told
from coop.leases.asking import Wish


class SignForm(FlaskForm):  # type: ignore[misc]
    name = StringField(
        "Your full name",
        filters=[stripped],
        validators=[
            Needed("Write your full name: it is your signature."),
            Length(max=120, message="Write it in 120 characters."),
        ],
    )


class NoticeForm(FlaskForm):  # type: ignore[misc]
    last_day = DayField("Last day", validators=[Needed("Write the last day, like 2026-10-31.")])


class DisputeForm(FlaskForm):  # type: ignore[misc]
    reason = TextAreaField(
        "What is wrong with it",
        filters=[stripped],
        validators=[Needed("Say what is wrong with it."), Length(max=400, message="Write it in 400 characters.")],
    )


class WishForm(FlaskForm):  # type: ignore[misc]
    mall = SelectField("At", invalid_choice_message="Choose one of those listed.")
    kind = ChoiceField("A", choices={"booth": "booth", "case": "case", "shelf": "shelf", "wall": "wall"})
    zone = SelectField("In zone", invalid_choice_message="Choose one of those listed.")
    least = AreaField("At least, in square feet")
    most = AreaField("At most, in square feet")
    note = StringField("Note", filters=[stripped], validators=[Length(max=200, message="Write it in 200 characters.")])

    def __init__(self, *args: Any, malls: Sequence[tuple[str, str]], zones: Sequence[str], **more: Any) -> None:
        super().__init__(*args, **more)
        self.mall.choices = [SelectChoice(code, name) for code, name in malls]
        self.zone.choices = [SelectChoice("", "any"), *(SelectChoice(zone, zone) for zone in zones)]

    def check(self) -> bool:
        self.validate()
        if self.least.data and self.most.data and self.most.data < self.least.data:
            told(self.most, "It is less than the least: turn the two round.")
        return not self.errors

    @property
    def wish(self) -> Wish:
        return Wish(self.kind.data, self.zone.data or "", self.least.data or 0, self.most.data, self.note.data or "")
