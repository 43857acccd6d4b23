"""What is typed about the members who work turns: facts, for one or for many, helpers, pairs."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Any

from flask_wtf import FlaskForm
from wtforms import SelectField, SelectMultipleField, StringField
from wtforms.fields.choices import SelectChoice
from wtforms.validators import Length

from coop.core.fields import ChoiceField, DayField, Needed, stripped, told
from coop.office.rota_house_forms import FIRST_DAY, TurnsField
from coop.shifts.people import PAIR_WORDS

FACTS = {
    "trained": "is trained, and may stand alone",
    "keys": "holds a key",
    "office": "holds an office, and owes less",
    "exempt": "is exempt, and owes none",
}
_LISTED = "Choose one of those listed."


class FactForm(FlaskForm):  # type: ignore[misc]
    """A fact about one member."""

    kind = ChoiceField("The member", choices=FACTS)
    words = StringField(
        "Which office, or why exempt", filters=[stripped], validators=[Length(max=80, message="Write it in 80 characters.")]
    )
    less = TurnsField("Turns a month that the office is worth")
    where = ChoiceField("Where", choices={"here": "at this mall", "every": "at every mall"})
    starts_on = DayField("From", validators=[Needed(FIRST_DAY)])
    ends_on = DayField("Last day")

    def check(self) -> bool:
        self.validate()
        if self.kind.data == "office":
            if not self.words.data:
                told(self.words, "Name the office, such as Treasurer.")
            if not self.less.data and not self.less.errors:
                told(self.less, "Write how many turns a month it is worth, like 1 or 0.5.")
        elif self.less.data is not None:
            told(self.less, "Only an office is worth turns: leave it empty.")
        if self.starts_on.data and self.ends_on.data and self.ends_on.data < self.starts_on.data:
            told(self.ends_on, "It ends before it begins: write a later day, or leave it empty.")
        return not self.errors


class ManyForm(FlaskForm):  # type: ignore[misc]
    """One fact about many members."""

    members = SelectMultipleField("Members", validate_choice=False)
    kind = ChoiceField(
        "Those ticked",
        choices={kind: FACTS[kind].replace("is ", "are ").replace("holds", "hold") for kind in ("trained", "keys")},
    )
    starts_on = DayField("From", validators=[Needed(FIRST_DAY)])

    def check(self) -> bool:
        self.validate()
        if not self.wanted:
            told(self.members, "Tick one member at least, in the list above.")
        return not self.errors

    @property
    def wanted(self) -> set[int]:
        return {int(one) for one in self.members.data or () if one.isascii() and one.isdigit() and len(one) < 10}


class HelperForm(FlaskForm):  # type: ignore[misc]
    name = StringField(
        "Name",
        filters=[stripped],
        validators=[Needed("Write the helper's name."), Length(max=120, message="Write it in 120 characters.")],
    )
    phone = StringField("Telephone", filters=[stripped], validators=[Length(max=40, message="Write it in 40 characters.")])
    trained_on = DayField("May stand alone since")


class PairForm(FlaskForm):  # type: ignore[misc]
    one = SelectField("One", invalid_choice_message=_LISTED)
    other = SelectField("and the other", invalid_choice_message=_LISTED)
    how = ChoiceField("They", choices=PAIR_WORDS)
    pair_from = DayField("From", validators=[Needed(FIRST_DAY)])

    def __init__(self, *args: Any, people: Iterable[tuple[int, str]], **more: Any) -> None:
        super().__init__(*args, **more)
        listed = [SelectChoice("", "choose"), *(SelectChoice(str(one), name) for one, name in people)]
        self.one.choices = self.other.choices = listed

    def check(self) -> bool:
        self.validate()
        for field in (self.one, self.other):
            if not field.data and not field.errors:
                told(field, "Choose a member.")
        if self.one.data and self.one.data == self.other.data:
            told(self.other, "Choose two different members.")
        return not self.errors
