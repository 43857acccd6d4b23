"""What is typed to agree on a layaway, to take a payment and to end one."""

from __future__ import annotations

from collections.abc import Sequence
from decimal import Decimal

from flask_wtf import FlaskForm
from wtforms import FieldList, Form, FormField, StringField
from wtforms.validators import Length

from coop.core.fields import ChoiceField, DollarsField, KeyField, Needed, NumberField, PercentField, is_written, stripped, told
from coop.core.money import format_dollars
from coop.core.templating import percent
from coop.office.lease_forms import NAME, PickField
from coop.sales.domain import LineIn, TenderIn
from coop.sales.layaway import MOST_DAYS, Terms
from coop.sales.layaway_books import TENDERS
from coop.sales.models import LayawayAgreement
from coop.tax.domain.rules import GENERAL

ITEMS = 6
_WORDS = Length(max=200, message="Write it in 200 characters.")
_SHORT = Length(max=80, message="Write it in 80 characters.")
_CODE = Length(max=40, message="Write it in 40 characters.")


class ItemForm(Form):  # type: ignore[misc]
    """One item set aside."""

    dealer = PickField("Dealer")
    tag = StringField("Tag", filters=[stripped], validators=[_CODE])
    words = StringField("What it is", filters=[stripped], validators=[_WORDS])
    price = DollarsField("Price, in dollars")
    discount = DollarsField("Taken off, in dollars")
    allowed_by = StringField("Who allowed it", filters=[stripped], validators=[_SHORT])
    tax_class = PickField("Tax class")

    @property
    def used(self) -> bool:
        return is_written((self.dealer, self.tag, self.words, self.price))

    def check_item(self) -> None:
        if not self.dealer.data and not self.dealer.errors:
            told(self.dealer, "Choose whose it is.")
        if not self.words.data and not self.words.errors:
            told(self.words, "Write what it is, such as oak washstand.")
        if self.price.data is None and not self.price.errors:
            told(self.price, "Write the price, like 125.00.")
        if self.discount.data and self.discount.data > (self.price.data or 0):
            told(self.discount, "This is more than the price: write at most that.")
        if self.discount.data and not self.allowed_by.data:
            told(self.allowed_by, "Say who allowed what is taken off.")

    def line(self, position: int) -> LineIn:
        return LineIn(
            position=position,
            dealer_id=int(self.dealer.data),
            tag=self.tag.data,
            description=self.words.data,
            quantity=1,
            unit_price=Decimal(self.price.data) / 100,
            tag_cents=self.price.data,
            discount_cents=self.discount.data or 0,
            discount_reason="offer" if self.discount.data else "",
            discount_authority=self.allowed_by.data if self.discount.data else "",
            tax_class=self.tax_class.data or GENERAL,
        )


class AgreementForm(FlaskForm):  # type: ignore[misc]
    SHOWN = 2
    key = KeyField()
    buyer_name = StringField("Name", filters=[stripped], validators=[Needed("Write the buyer's name."), NAME])
    buyer_contact = StringField("Telephone or mail", filters=[stripped], validators=[NAME])
    items = FieldList(FormField(ItemForm), min_entries=ITEMS, max_entries=ITEMS)
    due_days = NumberField("Days to pay in", least=1, most=MOST_DAYS, default=90, validators=[Needed("Write the days, like 90.")])
    fee_percent = PercentField("Fee if it is cancelled, in percent of the prices")
    fee = DollarsField("or in dollars")
    deposit = DollarsField("Deposit, in dollars", validators=[Needed("Write what is paid now, like 25.00.")])
    tender = ChoiceField("Paid by", choices=TENDERS, default="cash")

    @property
    def uses_more(self) -> bool:
        """Whether something is typed in the items that are folded away at first."""
        return any(entry.form.used for entry in self.items.entries[self.SHOWN :])

    def among(self, dealers: Sequence[tuple[str, str]], classes: Sequence[str]) -> None:
        """What may be chosen of."""
        for entry in self.items:
            entry.form.dealer.among(dealers, "choose a dealer")
            entry.form.tax_class.among([(name, name) for name in classes if name != GENERAL], GENERAL)

    @property
    def used(self) -> list[ItemForm]:
        return [entry.form for entry in self.items if entry.form.used]

    def check(self) -> bool:
        self.validate()
        for one in self.used:
            one.check_item()
        if not self.used:
            told(self.items[0].form.words, "Write at least one item.")
        if self.fee_percent.data is not None and self.fee.data is not None:
            told(self.fee, "Write the fee in percent or in dollars, not both.")
        return not self.errors and not any(entry.form.errors for entry in self.items)

    def terms(self) -> Terms:
        return Terms(
            buyer_name=self.buyer_name.data,
            buyer_contact=self.buyer_contact.data,
            due_days=self.due_days.data,
            fee_cents=self.fee.data or 0,
            fee_percent=self.fee_percent.data,
        )

    def lines(self) -> list[LineIn]:
        return [one.line(n) for n, one in enumerate(self.used, start=1)]

    def paid(self) -> TenderIn:
        return TenderIn(self.tender.data, self.deposit.data)


class PaymentForm(FlaskForm):  # type: ignore[misc]
    key = KeyField()
    amount = DollarsField("Amount, in dollars", validators=[Needed("Write what is paid, like 25.00.")])
    tender = ChoiceField("Paid by", choices=TENDERS, default="cash")


class EndForm(FlaskForm):  # type: ignore[misc]
    """How money goes back when a layaway ends."""

    tender = ChoiceField("Given back by", choices=TENDERS, default="cash")


def fee_words(layaway: LayawayAgreement) -> str:
    """The fee as an agreement says it: `$14.00, which is 10% of the prices`."""
    if not layaway.fee_cents:
        return "nothing"
    rule = "" if layaway.fee_percent is None else f", which is {percent(layaway.fee_percent)} of the prices"
    return format_dollars(layaway.fee_cents) + rule
