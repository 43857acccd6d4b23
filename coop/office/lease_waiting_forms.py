"""What is typed on the waiting list and about offers."""

from __future__ import annotations

from flask_wtf import FlaskForm
from wtforms import StringField, TextAreaField
from wtforms.validators import Length

from coop.core.fields import AreaField, ChoiceField, DayField, DollarsField, Needed, PercentField, stripped, told
from coop.leases.asking import Outsider, Wish
from coop.office.lease_forms import DAY, NOTE, PickField

KINDS = {"booth": "Booth", "case": "Case", "shelf": "Shelf", "wall": "Wall"}


def _short(most: int) -> Length:
    return Length(max=most, message=f"Write it in {most} characters.")


class AskForm(FlaskForm):  # type: ignore[misc]
    """Who asks, a member or somebody else, and for what."""

    member = PickField("Member")
    name = StringField("Or the name of one who is no member", filters=[stripped], validators=[_short(120)])
    email = StringField("Mail address", filters=[stripped], validators=[_short(254)])
    phone = StringField("Telephone", filters=[stripped], validators=[_short(40)])
    address = TextAreaField("Address", filters=[stripped], validators=[_short(400)])
    asked_on = DayField("Asked on", validators=[Needed(DAY)])
    kind = ChoiceField("For a", choices=KINDS)
    zone = PickField("In zone")
    least = AreaField("At least, in square feet")
    most = AreaField("At most, in square feet")
    note = StringField("Note", filters=[stripped], validators=[_short(200)])

    def check(self) -> bool:
        self.validate()
        if self.member.data and self.name.data:
            told(self.name, "Choose a member or write a name, not both.")
        elif not self.member.data and not self.name.data:
            told(self.name, "Choose a member above, or write who asks.")
        elif self.name.data and not self.email.data and not self.phone.data:
            told(self.email, "Write a mail address or a telephone number, to be reached by.")
        if self.least.data and self.most.data and self.most.data < self.least.data:
            told(self.most, "It is less than the least: turn the two round.")
        return not self.errors

    @property
    def wish(self) -> Wish:
        return Wish(self.kind.data, self.zone.data or "", self.least.data or 0, self.most.data, self.note.data or "")

    @property
    def outsider(self) -> Outsider:
        return Outsider(self.name.data, self.email.data, self.phone.data, self.address.data)


class OfferForm(FlaskForm):  # type: ignore[misc]
    asked = PickField("Offered to")
    starts_on = DayField("The lease would begin", validators=[Needed(DAY)])
    answer_by = DayField("Answer by", validators=[Needed(DAY)])
    reason = StringField("If not to the next: why", filters=[stripped], validators=[NOTE])


class AcceptForm(FlaskForm):  # type: ignore[misc]
    answered_on = DayField("Answered on", validators=[Needed(DAY)])
    code = StringField("Dealer code", filters=[stripped], validators=[_short(12)])
    commission_percent = PercentField("Commission, in percent", validators=[Needed("Write the percent, like 10.")])
    term_ends_on = DayField("Last day of a fixed term")
    deposit = DollarsField("Deposit, in dollars", validators=[Needed("Write the deposit, 0 for none.")])
