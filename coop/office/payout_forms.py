"""What is typed to prepare, approve and pay a run, to decide on a hold, to note what came back, and as the bank's terms."""

from __future__ import annotations

from flask_wtf import FlaskForm
from wtforms import BooleanField, PasswordField, StringField
from wtforms.validators import Length

from coop.core.fields import ChoiceField, DayField, MonthField, Needed, NumberField, stripped
from coop.payouts.models import AchOrigin
from coop.payouts.runs import MOST_CHECK

_REASON = Length(max=200, message="Write it in 200 characters.")
_DAY = "Write the day, like 2026-11-10."


class PrepareForm(FlaskForm):  # type: ignore[misc]
    month = MonthField("Month", validators=[Needed("Write the month, like 2026-10.")])


class ApproveForm(FlaskForm):  # type: ignore[misc]
    first_check = NumberField("Number of the first check", least=1, most=MOST_CHECK)


class PaidForm(FlaskForm):  # type: ignore[misc]
    on = DayField("Paid on", validators=[Needed(_DAY)])


class ReturnForm(FlaskForm):  # type: ignore[misc]
    on = DayField("Came back on", validators=[Needed(_DAY)])
    reason = StringField(
        "Why",
        filters=[stripped],
        validators=[Needed("Write the bank’s code and words."), Length(max=120, message="Write it in 120 characters.")],
    )


class DayForm(FlaskForm):  # type: ignore[misc]
    """The day a check is found stale, or is owed again."""

    on = DayField("On", validators=[Needed(_DAY)])


class DecideForm(FlaskForm):  # type: ignore[misc]
    kind = StringField("What holds her")
    pays = ChoiceField("Decided", choices={"yes": "she is paid all the same", "no": "she is not paid"}, default="yes")
    reason = StringField("Why", filters=[stripped], validators=[Needed("Say why it is decided so."), _REASON])


class HoldForm(FlaskForm):  # type: ignore[misc]
    reason = StringField("Why", filters=[stripped], validators=[Needed("Say why the payouts are held."), _REASON])


class OriginForm(FlaskForm):  # type: ignore[misc]
    bank_routing = StringField("The bank’s routing number", filters=[stripped], validators=[Needed("Write its nine digits.")])
    bank_name = StringField("The bank’s name", filters=[stripped], validators=[Needed("Write it as the bank has it.")])
    company_id = StringField(
        "The co-op’s number at the bank", filters=[stripped], validators=[Needed("The bank gave it to you.")]
    )
    company_name = StringField("The co-op’s name there", filters=[stripped], validators=[Needed("Write at most 16 letters.")])
    balanced = BooleanField("The bank wants the debit of the co-op’s own account in the file")
    account = PasswordField("The co-op’s own account", filters=[stripped])

    @classmethod
    def of(cls, origin: AchOrigin | None) -> OriginForm:
        """As the terms are; the account's number is never shown again."""
        return cls(formdata=None, obj=origin)
