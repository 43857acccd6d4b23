"""What is typed about the members who work turns: facts, for one or for many, helpers, pairs."""

from __future__ import annotations

from collections.abc import Mapping

from flask_wtf import FlaskForm
from wtforms import SelectMultipleField, StringField
from wtforms.validators import Length

from coop.core.fields import ChoiceField, DayField, Needed, needed_first_day, stripped, told
from coop.office.rota_house_forms import DAY_LIKE, TurnsField
from coop.shifts.people import PAIR_WORDS

FACTS = {
    "trained": "is trained, and may stand alone",
    "keys": "holds a key",
    "office": "holds an office, and owes less",
    "exempt": "is exempt, and owes none",
}


class FactForm(FlaskForm):  # type: ignore[misc]
    """A fact about one member."""

    kind = ChoiceField("The member", choices=FACTS)
    words = StringField(
        "Which office, or why exempt", filters=[stripped], validators=[Length(max=80, message="Write it in 80 characters.")]
    )
    less = TurnsField("Turns a month that the office is worth")
    where = ChoiceField("Where", choices={"here": "at this mall", "every": "at every mall"})
    starts_on = needed_first_day("From", DAY_LIKE)
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
    starts_on = needed_first_day("From", DAY_LIKE)

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
    """Two members by a code of each: a list of hundreds to choose from, twice, would be longer than the page."""

    one = StringField("One", filters=[stripped, str.upper], validators=[Needed("Write a dealer's code, such as D01.")])
    other = StringField(
        "and the other", filters=[stripped, str.upper], validators=[Needed("Write a dealer's code, such as D02.")]
    )
    how = ChoiceField("They", choices=PAIR_WORDS)
    pair_from = needed_first_day("From", DAY_LIKE)

    def check(self, members: Mapping[str, int]) -> bool:
        """`members` has the id of whoever takes part by each code."""
        self.validate()
        for field in (self.one, self.other):
            if not field.errors and field.data not in members:
                told(field, f"Nobody who takes part here has the code {field.data}: look at the list above.")
        if not self.errors and members[self.one.data] == members[self.other.data]:
            told(self.other, "That is the same member: write another's code.")
        return not self.errors
