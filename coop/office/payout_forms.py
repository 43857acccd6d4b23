"""What is typed to prepare, approve and pay a run, to decide on a hold, to note what came back, and as the bank's terms."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

from flask_wtf import FlaskForm
from wtforms import BooleanField, PasswordField, StringField
from wtforms.validators import Length

from coop.books.domain.ach import AchError, plain, require_account, require_routing
from coop.core.fields import ChoiceField, DayField, Needed, NumberField, stripped, told
from coop.office.books_forms import MonthPick
from coop.payouts.models import AchOrigin
from coop.payouts.runs import MOST_CHECK

_REASON = Length(max=200, message="Write it in 200 characters.")
_DAY = "Write the day, like 2026-11-10."


class PrepareForm(FlaskForm):  # type: ignore[misc]
    month = MonthPick("Month")


class ApproveForm(FlaskForm):  # type: ignore[misc]
    first_check = NumberField("Number of the first check", least=1, most=MOST_CHECK)


class PaidForm(FlaskForm):  # type: ignore[misc]
    on = DayField("Paid on", validators=[Needed(_DAY)])
    otherwise = BooleanField("The transfers were sent another way")


class TakeForm(FlaskForm):  # type: ignore[misc]
    again = BooleanField("This run is paid: sending it again pays twice. I want the file all the same")


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
    kind = StringField("What holds the payout")
    pays = ChoiceField("Decided", choices={"yes": "paid all the same", "no": "not paid"}, default="yes")
    reason = StringField("Why", filters=[stripped], validators=[Needed("Say why it is decided so."), _REASON])


class HoldForm(FlaskForm):  # type: ignore[misc]
    reason = StringField("Why", filters=[stripped], validators=[Needed("Say why the payouts are held."), _REASON])


def _judge(field: Any, judge: Callable[[], None]) -> None:
    try:
        judge()
    except AchError as error:
        told(field, str(error))


class OriginForm(FlaskForm):  # type: ignore[misc]
    bank_routing = StringField("The bank’s routing number", filters=[stripped], validators=[Needed("Write its nine digits.")])
    bank_name = StringField("The bank’s name", filters=[stripped], validators=[Needed("Write it as the bank has it.")])
    company_id = StringField(
        "The co-op’s number at the bank", filters=[stripped], validators=[Needed("The bank gave it to you.")]
    )
    company_name = StringField("The co-op’s name there", filters=[stripped], validators=[Needed("Write at most 16 letters.")])
    balanced = BooleanField("The bank wants the debit of the co-op’s own account in the file")
    account = PasswordField("The co-op’s own account", filters=[stripped])

    def check(self, *, account_kept: bool) -> bool:
        """Every field at once: what the bank would send back, and the account where a balanced file has none yet."""
        self.validate()
        for field, most in ((self.bank_name, 23), (self.company_id, 10), (self.company_name, 16)):
            if field.data and not field.errors and not 0 < len(plain(field.data)) <= most:
                told(field, f"Write it in at most {most} letters and digits, as the bank has it.")
        if not self.bank_routing.errors:
            _judge(self.bank_routing, lambda: require_routing(self.bank_routing.data, "The co-op's bank"))
        if self.balanced.data and self.account.data:
            _judge(self.account, lambda: require_account(self.account.data, "checking", "The co-op's account"))
        elif self.balanced.data and not account_kept:
            told(self.account, "The bank wants the debit in the file: write the number of the co-op’s own account.")
        return not self.errors

    @classmethod
    def of(cls, origin: AchOrigin | None) -> OriginForm:
        """As the terms are; the account's number is never shown again."""
        return cls(formdata=None, obj=origin)
