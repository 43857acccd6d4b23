"""What is typed when a dealer's check came back, when the bank took a buyer's payment back, and for a charge or a credit."""

from __future__ import annotations

from collections.abc import Sequence

from flask_wtf import FlaskForm
from wtforms import BooleanField, StringField
from wtforms.validators import Length

from coop.books.payments import CheckPaid
from coop.core.fields import ChoiceField, DayField, DollarsField, KeyField, Needed, NumberField, stripped, told
from coop.core.money import format_dollars
from coop.core.templating import day as written
from coop.office.lease_forms import DAY, PickField

_SHORT = Length(max=40, message="Write it in 40 characters.")
_REFERENCE = "Write the number on the bank’s notice."
EXTRAS = {
    "no-show": ("a turn that was not worked", "Turn not worked"),
    "buy-out": ("a turn bought out", "Turn bought out"),
    "credit": ("credit for turns worked beyond what is owed", "Turns worked beyond what is owed"),
    "overflow": ("rent for the overflow", "Overflow rent"),
}
"""Charges and a credit: how each is asked for, and what it is called on the statement."""
REASONS = {
    "card": "the buyer disputed the card payment",
    "check": "the buyer’s check came back unpaid",
}
BEARERS = {"dealer": "the dealer, whose sale it was", "co-op": "the co-op"}


class BouncedForm(FlaskForm):  # type: ignore[misc]
    payment = PickField("Which check", validators=[Needed("Choose the check that came back.")])
    on = DayField("Came back on", validators=[Needed(DAY)])
    reference = StringField("Number on the bank’s notice", filters=[stripped], validators=[Needed(_REFERENCE), _SHORT])
    bank_fee = DollarsField("The bank’s fee, in dollars")
    passed_on = BooleanField("Charge the dealer the bank’s fee")

    def among(self, checks: Sequence[CheckPaid]) -> None:
        self.payment.among(
            [(str(one.entry_id), f"{written(one.on)}: {format_dollars(one.amount_cents)}, {one.memo}") for one in checks]
        )

    def check(self) -> bool:
        self.validate()
        if self.passed_on.data and not self.bank_fee.data and not self.bank_fee.errors:
            told(self.bank_fee, "Write what the bank asked for, or do not charge it to the dealer.")
        return not self.errors

    def tell(self, text: str) -> None:
        """A refusal at the field it names."""
        named = {"payment": self.payment, "reference": self.reference, "fee": self.bank_fee}
        told(next((field for word, field in named.items() if word in text), self.on), text)


class ChargebackForm(FlaskForm):  # type: ignore[misc]
    mall = PickField("Mall")
    amount = DollarsField("Amount, in dollars", validators=[Needed("Write what the bank took back, in dollars.")])
    why = ChoiceField("Why", choices=REASONS)
    ticket = StringField("Ticket", filters=[stripped], validators=[_SHORT])
    reference = StringField("Number on the bank’s notice", filters=[stripped], validators=[Needed(_REFERENCE), _SHORT])
    on = DayField("Taken back on", validators=[Needed(DAY)])
    borne_by = ChoiceField("Borne by", choices=BEARERS)

    @property
    def reason(self) -> str:
        words = REASONS[self.why.data].replace("’", "'")
        return f"{words}, ticket {self.ticket.data}" if self.ticket.data else words

    def tell(self, text: str) -> None:
        named = {"amount": self.amount, "second person": self.borne_by, "reason": self.ticket, "reference": self.reference}
        told(next((field for word, field in named.items() if word in text), self.on), text)


class ExtraForm(FlaskForm):  # type: ignore[misc]
    key = KeyField()
    mall = PickField("Mall")
    what = ChoiceField("What", choices={name: words for name, (words, _) in EXTRAS.items()})
    count = NumberField("How many", least=1, most=99, validators=[Needed("Write how many, like 1.")])
    each = DollarsField("Dollars each", validators=[Needed("Write the dollars for one, like 25.")])
    which = StringField(
        "Which",
        filters=[stripped],
        validators=[Needed("Write which, such as Nov 14 and 15."), Length(max=80, message="80 characters.")],
    )
    on = DayField("Dated on", validators=[Needed(DAY)])

    @property
    def amount_cents(self) -> int:
        cents: int = self.count.data * self.each.data
        return -cents if self.what.data == "credit" else cents

    @property
    def label(self) -> str:
        return EXTRAS[self.what.data][1]

    @property
    def working(self) -> str:
        return f"{self.count.data} × {format_dollars(self.each.data)}: {self.which.data}"

    def tell(self, text: str) -> None:
        field = self.what if "second person" in text else self.each if "$" in text else self.on
        told(field, text)
