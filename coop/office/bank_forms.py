"""What is typed on the pages of the bank: a file, a month reconciled, money taken there, what a line is."""

from __future__ import annotations

import re

from flask_wtf import FlaskForm
from flask_wtf.file import FileField, FileRequired
from wtforms import StringField, TextAreaField
from wtforms.validators import Length

from coop.books.banking import BILLS
from coop.books.payments import BORNE_BY
from coop.core.fields import ChoiceField, DollarsField, Needed, TypedField, stripped, told
from coop.core.money import parse_cents
from coop.core.templating import MINUS, money
from coop.office.lease_forms import PickField

_NUMBER = Needed("Write the number on the bank's notice.")
_REFERENCE = Length(max=40, message="Write it in 40 characters.")


class BalanceField(TypedField):
    """Dollars that may be below zero, in cents: an account may be overdrawn."""

    def read(self, text: str) -> int:
        try:
            return parse_cents(text.replace(MINUS, "-"))
        except ValueError as error:
            raise ValueError(f"This {error}.") from None

    def write(self, value: int) -> str:
        return money(value).replace(MINUS, "-")


class BankFileForm(FlaskForm):  # type: ignore[misc]
    file = FileField("File of the bank", validators=[FileRequired("Choose the file the bank gave you first.")])


class ReconcileForm(FlaskForm):  # type: ignore[misc]
    bank = BalanceField("Balance on the bank’s statement, in dollars")
    explanation = TextAreaField(
        "Explanation", filters=[stripped], validators=[Length(max=400, message="Write it in 400 characters.")]
    )


class OfMallForm(FlaskForm):  # type: ignore[misc]
    """Something of one mall."""

    mall = PickField("Mall", validators=[Needed("Choose the mall.")])


class DepositForm(OfMallForm):
    """Cash of a drawer and checks, as they are on the deposit slip."""

    cash = DollarsField("Cash, in dollars")
    checks = DollarsField("Checks, in dollars")
    drawer = StringField("Desk, of several", filters=[stripped], validators=[_REFERENCE])
    reference = StringField(
        "Number of the deposit slip", filters=[stripped], validators=[Needed("Write the number of the deposit slip."), _REFERENCE]
    )

    def validate_drawer(self, field: StringField) -> None:
        if field.data and not re.fullmatch(r"[A-Za-z0-9][A-Za-z0-9 -]*", field.data):
            told(field, "Write the desk’s name in letters, digits, spaces and hyphens.")

    @property
    def amounts(self) -> tuple[int, int]:
        return self.cash.data or 0, self.checks.data or 0


class CardsForm(OfMallForm):
    gross = BalanceField("Card sales before the fee, in dollars", validators=[Needed("Write the card sales, like 412.50.")])


class BillForm(FlaskForm):  # type: ignore[misc]
    account = ChoiceField("For", choices={"": "another, as written", **{name: name.replace("-", " ").lower() for name in BILLS}})
    other = StringField("Or another", filters=[stripped], validators=[_REFERENCE])
    mall = PickField("Mall")

    def check(self) -> bool:
        self.validate()
        if bool(self.account.data) == bool(self.other.data) and not self.errors:
            told(self.other, "Choose what it is for, or write it: one of the two.")
        return not self.errors

    @property
    def name(self) -> str:
        """As an account is called: `snow removal` is Snow-removal."""
        written = "-".join((self.account.data or self.other.data).split())
        return written[:1].upper() + written[1:]


class BouncedForm(FlaskForm):  # type: ignore[misc]
    payment = PickField("Check that came back", validators=[Needed("Choose the check.")])
    reference = StringField("Number on the bank’s notice", filters=[stripped], validators=[_NUMBER, _REFERENCE])


class ChargebackForm(OfMallForm):
    dealer = PickField("Whose sale it was")
    borne_by = ChoiceField("Borne by", choices={who: f"the {who}" for who in BORNE_BY})
    reference = StringField("Number on the bank’s notice", filters=[stripped], validators=[_NUMBER, _REFERENCE])
    reason = StringField("Why", filters=[stripped], validators=[Needed("Say in a few words why."), Length(max=80)])
