"""What is typed to file a return, and to amend one."""

from __future__ import annotations

from flask_wtf import FlaskForm
from wtforms import DateField, StringField
from wtforms.validators import InputRequired, Length, ValidationError

from coop.core.money import parse_cents

_SHORT = Length(max=400, message="Write it in 400 characters.")


class FilingForm(FlaskForm):  # type: ignore[misc]
    filed_on = DateField("Filed on", validators=[InputRequired("Write the day it is filed, like 2026-10-19.")])
    paid = StringField("Paid with it, in dollars", validators=[InputRequired("Write what is paid, 0 when nothing is.")])
    reason = StringField("Reason", validators=[_SHORT])

    def validate_filed_on(self, field: DateField) -> None:
        # WTForms' own sentence does not say how to mend it.
        if field.data is None:
            field.errors = []
            raise ValidationError("This is not a day. Write it like 2026-10-19.")

    def validate_paid(self, field: StringField) -> None:
        try:
            parse_cents(field.data or "")
        except ValueError as error:
            raise ValidationError(f"This {error}.") from error

    @property
    def paid_cents(self) -> int:
        return parse_cents(self.paid.data)


class AmendingForm(FilingForm):
    reason = StringField("Reason", validators=[InputRequired("Say why it is amended, such as tickets that came late."), _SHORT])
