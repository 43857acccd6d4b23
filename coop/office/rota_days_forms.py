"""What is typed of days at a mall: the lists of opening and closing, and an account of turns set right."""

from __future__ import annotations

from flask_wtf import FlaskForm
from wtforms import SelectField, StringField, TextAreaField
from wtforms.validators import Length

from coop.core.fields import ChoiceField, Needed, stripped, told
from coop.office.rota_house_forms import TurnsField


class ChecklistForm(FlaskForm):  # type: ignore[misc]
    """A list with a line for each thing to do."""

    words = TextAreaField("One line for each thing to do")

    @property
    def lines(self) -> list[str]:
        return (self.words.data or "").splitlines()


class SetRightForm(FlaskForm):  # type: ignore[misc]
    """Turns added to a member's account, or taken off."""

    member = SelectField("Member", validate_choice=False)
    how = ChoiceField("The account", choices={"more": "gets turns: worked, or let off", "less": "loses turns: owes more"})
    turns = TurnsField("How many turns", validators=[Needed("Write how many, like 1 or 0.5.")])
    why = StringField(
        "Why",
        filters=[stripped],
        validators=[Needed("Say why."), Length(max=200, message="Say it in 200 characters.")],
    )

    def among(self, members: list[tuple[int, str]]) -> None:
        self.member.choices = [("", "Choose"), *((str(member_id), name) for member_id, name in members)]

    def check(self) -> bool:
        self.validate()
        if self.member.data not in {value for value, _ in self.member.choices if value}:
            told(self.member, "Choose one of those listed.")
        return not self.errors
