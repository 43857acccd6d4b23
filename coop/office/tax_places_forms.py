"""What is typed and chosen on the pages of places, certificates, files and payments."""

from __future__ import annotations

from typing import Any

from flask_wtf import FlaskForm
from flask_wtf.file import FileField, FileRequired
from wtforms import SelectField, StringField
from wtforms.fields.choices import SelectChoice
from wtforms.validators import InputRequired, Length, ValidationError

from coop.core.fields import DayField, DollarsField, Needed, needed_first_day
from coop.tax.domain.states import read_states


class FileForm(FlaskForm):  # type: ignore[misc]
    file = FileField("File of rates or boundaries", validators=[FileRequired("Choose the state's file first.")])


class FindForm(FlaskForm):  # type: ignore[misc]
    """Asks only: it is sent in the address, and changes nothing."""

    class Meta:
        csrf = False

    zip = StringField("ZIP or ZIP+4 code", validators=[InputRequired("Write the ZIP code of the mall, like 55401-0123.")])
    on = DayField("On", validators=[Needed("Write the day to look at, like 2026-10-19.")])


class PlaceForm(FlaskForm):  # type: ignore[misc]
    starts_on = needed_first_day("It taxes there from")
    basis = SelectField(
        "Rounded", choices=[SelectChoice("ticket", "once for the whole ticket"), SelectChoice("item", "item by item")]
    )
    aggregated = SelectField(
        "Rates", choices=[SelectChoice("yes", "added up, then rounded"), SelectChoice("no", "rounded each by itself")]
    )


def _short(most: int) -> Length:
    return Length(max=most, message=f"Write it in {most} characters.")


class CertificateForm(FlaskForm):  # type: ignore[misc]
    number = StringField("Number", validators=[InputRequired("Write the certificate's number."), _short(40)])
    kind = SelectField(
        "Why no tax is taken",
        choices=[SelectChoice("resale", "the buyer sells it again"), SelectChoice("exempt", "the buyer is exempt")],
    )
    buyer_name = StringField("Buyer", validators=[InputRequired("Write the buyer's name as on the certificate."), _short(120)])
    states = StringField("States", validators=[InputRequired("Write the states it holds in, like WI, MN.")])
    starts_on = DayField("Good from", validators=[Needed("Write its first day, like 2026-10-19.")])
    expires_on = DayField("Good until")

    def __init__(self, *args: Any, known: frozenset[str] = frozenset(), **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.known, self.codes = known, list[str]()
        """FIPS codes that places here use; those of the states typed."""

    def validate_states(self, field: StringField) -> None:
        try:
            self.codes = read_states(field.data or "", self.known)
        except ValueError as error:
            raise ValidationError(str(error)) from error
        if not self.codes:
            raise ValidationError("Write the states it holds in, like WI, MN.")

    def validate_expires_on(self, field: DayField) -> None:
        if field.data and self.starts_on.data and field.data < self.starts_on.data:
            raise ValidationError("This is before its first day. Write a day on it or after it, or leave it empty.")


class RenewForm(FlaskForm):  # type: ignore[misc]
    expires_on = DayField("Good until")


class PaymentForm(FlaskForm):  # type: ignore[misc]
    on = DayField("Paid on", validators=[Needed("Write the day it was paid, like 2026-10-19.")])
    amount = DollarsField("Amount, in dollars", validators=[Needed("Write what was paid, like 1234.50.")])
    reference = StringField(
        "Its number", validators=[InputRequired("Write the check's or the transfer's own number."), _short(60)]
    )

    def validate_amount(self, field: DollarsField) -> None:
        if field.data == 0:
            raise ValidationError("Nothing is paid with 0: write the amount that went to the office.")
