"""What is typed to make a lease and to change one."""

from __future__ import annotations

from collections.abc import Sequence
from decimal import Decimal
from typing import Any

from flask_wtf import FlaskForm
from wtforms import FieldList, Form, FormField, SelectField, SelectMultipleField, StringField
from wtforms.fields.choices import SelectChoice
from wtforms.validators import Length, ValidationError
from wtforms.widgets import CheckboxInput, ListWidget

from coop.core.fields import (
    AreaField,
    ChoiceField,
    DayField,
    DollarsField,
    LengthField,
    Needed,
    NumberField,
    PercentField,
    PriceField,
    RowForm,
    needed_first_day,
    stripped,
    told,
)
from coop.floor.models import Space
from coop.leases.domain.deposit import Deduction
from coop.leases.models import MoveOutItem
from coop.leases.pricing import Asked
from coop.leases.wording import PRORATION, UNITS

DAY = "Write the day, like 2026-10-19."
AGREED = {"": "the zone's rate", **UNITS}
NAME = Length(max=120, message="Write it in 120 characters.")
NOTE = Length(max=150, message="Write it in 150 characters.")


class PickField(SelectField):  # type: ignore[misc]
    """One of what is there; its choices are given to `among`."""

    def __init__(self, label: str, **more: Any) -> None:
        super().__init__(label, choices=(), default="", invalid_choice_message="Choose one of those listed.", **more)

    def among(self, choices: Sequence[tuple[str, str]], nothing: str = "") -> None:
        first = [SelectChoice("", nothing)] if nothing else []
        self.choices = first + [SelectChoice(value, words) for value, words in choices]


class SpaceForm(Form):  # type: ignore[misc]
    """A space as it is to be leased."""

    space = PickField("Space")
    area = AreaField("Area, in square feet")
    length = LengthField("Length")
    price = PriceField("Price agreed, in dollars")
    per = ChoiceField("For", choices=AGREED, default="")

    def asked(self, spaces: dict[str, Space]) -> Asked:
        agreed = self.per.data or None
        return Asked(spaces[self.space.data], self.area.data, self.length.data, agreed, self.price.data if agreed else None)

    def check_price(self) -> None:
        """A price and what it is for go together."""
        if self.price.data is not None and not self.per.data:
            told(self.per, "Say what the price is for, or leave the price empty for the zone's rate.")
        if self.per.data and self.price.data is None and not self.price.errors:
            told(self.price, "Write the price, or choose the zone's rate.")


class AddSpaceForm(FlaskForm, SpaceForm):  # type: ignore[misc]
    on = DayField("From", validators=[Needed(DAY)])

    def check(self) -> bool:
        self.validate()
        self.check_price()
        return not self.errors


SPACES = 3


class LeaseForm(FlaskForm):  # type: ignore[misc]
    dealer = PickField("Dealer")
    starts_on = needed_first_day("First day")
    term_ends_on = DayField("Last day of a fixed term")
    spaces = FieldList(FormField(SpaceForm), min_entries=SPACES, max_entries=SPACES)
    commission_percent = PercentField("Commission, in percent", validators=[Needed("Write the percent, like 10.")])
    deposit = DollarsField("Deposit, in dollars")
    proration = ChoiceField("Part of a month is charged", choices=PRORATION)
    notice_days = NumberField("Days of notice", most=366, validators=[Needed("Write the days, like 30.")])
    notice_to = ChoiceField("It ends", choices={"month": "only with a month", "any": "on any day"})

    @property
    def used(self) -> list[SpaceForm]:
        return [entry.form for entry in self.spaces if entry.form.space.data]

    def check(self) -> bool:
        self.validate()
        if self.term_ends_on.data and self.starts_on.data and self.term_ends_on.data <= self.starts_on.data:
            told(self.term_ends_on, f"Write a day after {self.starts_on.data}, or leave it empty to lease by the month.")
        for one in self.used:
            one.check_price()
        chosen = [one.space.data for one in self.used]
        for n, one in enumerate(self.used):
            if one.space.data in chosen[:n]:
                told(one.space, "This space stands above already: choose another, or none.")
        return not self.errors and not any(one.errors for one in self.used)


class SignForm(FlaskForm):  # type: ignore[misc]
    name = StringField("Name, as signed", filters=[stripped], validators=[Needed("Write the full name, as it is signed."), NAME])
    on = DayField("Signed on", validators=[Needed(DAY)])


class RenewForm(FlaskForm):  # type: ignore[misc]
    term_ends_on = DayField("Last day of the new term", validators=[Needed(DAY)])


class NoticeForm(FlaskForm):  # type: ignore[misc]
    by = ChoiceField("Given by", choices={"dealer": "the dealer", "coop": "the co-op"})
    given_on = DayField("Given on", validators=[Needed(DAY)])
    last_day = DayField("Last day")
    agreed = StringField("If both agree to an earlier day: why", filters=[stripped], validators=[NOTE])


class DayForm(FlaskForm):  # type: ignore[misc]
    """One day."""

    on = DayField("On", validators=[Needed(DAY)])


class DepositForm(FlaskForm):  # type: ignore[misc]
    amount = DollarsField("Amount, in dollars", validators=[Needed("Write the amount, like 270.")])
    on = DayField("Taken on", validators=[Needed(DAY)])
    how = ChoiceField("Taken", choices={"bank": "as a payment into the bank", "account": "out of the dealer's account"})
    reference = StringField("Reference, such as the check's number", filters=[stripped], validators=[NOTE])


class DamageForm(RowForm):
    reason = StringField("What for", filters=[stripped], validators=[NOTE])
    amount = DollarsField("Amount, in dollars")


class SettleForm(FlaskForm):  # type: ignore[misc]
    on = DayField("Settled on", validators=[Needed(DAY)])
    damages = FieldList(FormField(DamageForm), min_entries=3, max_entries=3)
    reference = StringField("Reference of what goes back", filters=[stripped], validators=[NOTE])

    @property
    def used(self) -> list[DamageForm]:
        return [entry.form for entry in self.damages if entry.form.used]

    def check(self) -> bool:
        self.validate()
        for one in self.used:
            if not one.reason.data and not one.reason.errors:
                told(one.reason, "Say what it is for, such as a broken shelf.")
            if not one.amount.data and not one.amount.errors:
                told(one.amount, "Write an amount above zero.")
        return not self.errors and not any(one.errors for one in self.used)

    def deductions(self) -> list[Deduction]:
        return [Deduction(one.reason.data, one.amount.data) for one in self.used]


class TickForm(FlaskForm):  # type: ignore[misc]
    """Lines of the list for moving out that were looked at; `among` says which are open."""

    items = SelectMultipleField(
        "Looked at now",
        coerce=int,
        choices=[],
        widget=ListWidget(),
        option_widget=CheckboxInput(),
        validate_choice=False,
    )
    done_by = StringField("Looked at by", filters=[stripped], validators=[Needed("Write who looked at it."), NAME])
    note = StringField("Note", filters=[stripped], validators=[Length(max=200, message="Write it in 200 characters.")])

    def validate_items(self, field: SelectMultipleField) -> None:
        # No validator of the field's own: that would call each of its boxes required.
        if not field.data:
            raise ValidationError("Tick what was looked at.")

    def among(self, items: Sequence[MoveOutItem]) -> None:
        self.items.choices = [(item.id, item.what) for item in items if item.done_on is None]


class OutcomeForm(FlaskForm):  # type: ignore[misc]
    outcome = StringField(
        "How it was decided",
        filters=[stripped],
        validators=[Needed("Say in a sentence how it was decided."), Length(max=400, message="Write it in 400 characters.")],
    )
    back = DollarsField("Given back, in dollars")


# --- a space held -----------------------------------------------------------------------------------------------------------


class ResizeForm(FlaskForm):  # type: ignore[misc]
    on = DayField("From", validators=[Needed(DAY)])
    area = AreaField("New area, in square feet")
    length = LengthField("New length")

    def check(self) -> bool:
        self.validate()
        if self.area.data is None and self.length.data is None and not self.errors:
            told(self.area, "Write the new area, or the new length where rent goes by the foot.")
        return not self.errors


class RepriceForm(FlaskForm):  # type: ignore[misc]
    on = DayField("From", validators=[Needed(DAY)])
    price = PriceField("New price, in dollars")
    per = ChoiceField("For", choices=AGREED, default="")
    told_on = DayField("The dealer was told on", validators=[Needed(DAY)])

    def check(self) -> bool:
        self.validate()
        if self.per.data and self.price.data is None and not self.price.errors:
            told(self.price, "Write the new price, or choose the zone's rate.")
        if self.price.data is not None and not self.per.data:
            told(self.per, "Say what the price is for, or leave the price empty for the zone's rate.")
        return not self.errors


class GiveUpForm(FlaskForm):  # type: ignore[misc]
    last_day = DayField("Last day", validators=[Needed(DAY)])


class ShareForm(Form):  # type: ignore[misc]
    lease = PickField("Lease of")
    percent = PercentField("Percent of the rent")


class SharesForm(FlaskForm):  # type: ignore[misc]
    on = DayField("From", validators=[Needed(DAY)])
    shares = FieldList(FormField(ShareForm), min_entries=4, max_entries=4)

    @property
    def used(self) -> list[ShareForm]:
        return [entry.form for entry in self.shares if entry.form.lease.data]

    def check(self) -> bool:
        self.validate()
        for entry in self.shares:
            one = entry.form
            if one.lease.data and one.percent.data is None and not one.percent.errors:
                told(one.percent, "Write the dealer’s percent, like 50.")
            if not one.lease.data and one.percent.data is not None:
                told(one.lease, "Choose whose share it is, or empty the percent.")
        every = [entry.form for entry in self.shares]
        if not self.errors and not any(one.errors for one in every):
            total = sum((one.percent.data for one in self.used), Decimal(0))
            if not self.used:
                told(every[0].lease, "Choose who shares it; the holder alone with 100 ends the sharing.")
            elif total != 100:
                told(self.used[-1].percent, f"Together they are {total.normalize():f}%, not 100%: change one of them.")
        return not self.errors and not any(one.errors for one in every)
