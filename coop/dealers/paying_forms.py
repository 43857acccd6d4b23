"""What is typed of how a dealer is paid and of her tax form, in the office and on her own pages."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from flask_wtf import FlaskForm
from wtforms import PasswordField, StringField
from wtforms.validators import InputRequired, Length

from coop.core.fields import ChoiceField, DayField, Needed, stripped
from coop.dealers.models import PayoutDetail
from coop.dealers.paying import FORMS, METHODS, NUMBERS, Paying

HOLDER_WORDS: Mapping[str, str] = {"person": "a person", "business": "a business"}
KIND_WORDS: Mapping[str, str] = {"": "choose one", "checking": "checking", "savings": "savings"}


class SecretField(StringField):  # type: ignore[misc]
    """A number that a page never shows again, not even to say that it is wrong."""

    def _value(self) -> str:
        return ""


def _short(most: int) -> Length:
    return Length(max=most, message=f"Write it in {most} characters.")


class PayingForm(FlaskForm):  # type: ignore[misc]
    method = ChoiceField("Paid", choices=METHODS)
    holder = ChoiceField("The account belongs to", choices=HOLDER_WORDS)
    account_kind = ChoiceField("Kind of account", choices=KIND_WORDS)
    routing = StringField("Routing number", filters=[stripped], validators=[_short(12)])
    account = SecretField("Account number", filters=[stripped], validators=[_short(30)])
    again = SecretField("Account number, again", filters=[stripped], validators=[_short(30)])

    @classmethod
    def of(cls, detail: PayoutDetail | None) -> Any:
        """As things stand; the account's number is always typed anew."""
        if detail is None:
            return cls(formdata=None, method="check")
        return cls(
            formdata=None,
            method=detail.method,
            holder=detail.holder,
            account_kind=detail.account_kind,
            routing=detail.routing,
        )

    def validate(self, extra_validators: Any = None) -> bool:
        if not super().validate(extra_validators):
            return False
        if self.method.data == "ach" and self.account.data != self.again.data:
            self.again.errors = ["The two account numbers differ. Write the same one in both."]
            return False
        return True

    @property
    def paying(self) -> Paying:
        return Paying(
            self.method.data, self.holder.data, self.routing.data, self.account.data.replace(" ", ""), self.account_kind.data
        )

    def tell(self, text: str) -> None:
        """A refusal at the field it names."""
        named = {
            "routing number": self.routing,
            "account number": self.account,
            "kind of account": self.account_kind,
            "holder": self.holder,
        }
        next((field for words, field in named.items() if words in text), self.method).errors = [text]


class OfficePayingForm(PayingForm):
    """The office's: with the reason, for money then goes where one person of the office says."""

    reason = StringField(
        "Why it changes", filters=[stripped], validators=[Needed("Say why it changes, and how she asked for it."), _short(120)]
    )


class OwnPayingForm(PayingForm):
    """A dealer's own: with her passphrase, so that a browser left open gives nobody her money."""

    passphrase = PasswordField("Your passphrase", validators=[InputRequired("Write the passphrase you sign in with.")])


class TaxFormForm(FlaskForm):  # type: ignore[misc]
    form = ChoiceField("Form", choices={form: form for form in FORMS})
    received_on = DayField("Received on", validators=[Needed("Write the day, like 2026-10-19.")])
    number_kind = ChoiceField("Kind of number", choices={"": "not kept here", **NUMBERS})
    number = SecretField("Number", filters=[stripped], validators=[_short(20)])

    def validate(self, extra_validators: Any = None) -> bool:
        if not super().validate(extra_validators):
            return False
        if self.number_kind.data and not self.number.data:
            self.number.errors = ["Write the number, or choose that it is not kept here."]
            return False
        return True

    def tell(self, text: str) -> None:
        (self.number_kind if "kind of number" in text else self.number).errors = [text]
