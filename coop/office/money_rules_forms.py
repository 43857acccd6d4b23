"""What is typed to set the house rules of money from a day on, and to write down what the state says of money nobody asks for."""

from __future__ import annotations

from datetime import date
from decimal import Decimal
from typing import Any

from flask_wtf import FlaskForm
from wtforms import BooleanField, StringField
from wtforms.validators import Length

from coop.books.rules import WHAT, Rules
from coop.core.fields import (
    ChoiceField,
    DayField,
    DollarsField,
    Needed,
    NumberField,
    PercentField,
    needed_first_day,
    needed_number,
    stripped,
    told,
)

NEXT_RENT = {"shown": "shown on the statement only", "netted": "kept back from what is paid"}
GOES_TO = {"state": "the state, as unclaimed property", "co-op": "the co-op, as income"}
MOST_DAYS = 36500


def _days(label: str) -> NumberField:
    return needed_number(label, 0, MOST_DAYS, 60, "number of days")


class RulesForm(FlaskForm):  # type: ignore[misc]
    starts_on = needed_first_day("These rules hold from")
    card_percent = PercentField(
        "Card cost the dealers bear, in percent",
        too_much="This is more than what is paid by card: write a percent from 0 to 100, like 2.9.",
        validators=[Needed("Write a percent, 0 for none.")],
    )
    surcharge_percent = PercentField(
        "Surcharge on card sales, at most, in percent",
        too_much="This is more than what is paid by card: write a percent from 0 to 100, 0 for none.",
        default=Decimal(0),
        validators=[Needed("Write a percent, 0 for none.")],
    )
    journal_limit = DollarsField(
        "An entry by hand is posted by one person up to", validators=[Needed("Write dollars, like 100.00.")]
    )
    payout_minimum = DollarsField("Smallest payout", validators=[Needed("Write dollars, 0 for none.")])
    bank_wait_days = _days("Days to wait after new bank details")
    tax_form_needed = BooleanField("A dealer without a tax form on file is not paid")
    next_rent = ChoiceField("Next month’s rent is", choices=NEXT_RENT)
    unclaimed_days = _days("Days until an unclaimed sale is listed")
    stale_days = _days("Days until a check is stale")

    def rules(self) -> Rules:
        return Rules(
            card_percent=Decimal(self.card_percent.data),
            surcharge_percent=Decimal(self.surcharge_percent.data),
            journal_limit_cents=self.journal_limit.data,
            payout_minimum_cents=self.payout_minimum.data,
            bank_wait_days=self.bank_wait_days.data,
            tax_form_needed=self.tax_form_needed.data,
            next_rent=self.next_rent.data,
            unclaimed_days=self.unclaimed_days.data,
            stale_days=self.stale_days.data,
        )


def rules_form(rules: Rules, starts_on: date) -> RulesForm:
    """Filled with what is in force."""
    filled: dict[str, Any] = {
        "starts_on": starts_on,
        "card_percent": rules.card_percent,
        "surcharge_percent": rules.surcharge_percent,
        "journal_limit": rules.journal_limit_cents,
        "payout_minimum": rules.payout_minimum_cents,
        "bank_wait_days": rules.bank_wait_days,
        "tax_form_needed": rules.tax_form_needed,
        "next_rent": rules.next_rent,
        "unclaimed_days": rules.unclaimed_days,
        "stale_days": rules.stale_days,
    }
    return RulesForm(formdata=None, **filled)


class ReleaseForm(FlaskForm):  # type: ignore[misc]
    what = ChoiceField("Of", choices={what: what for what in WHAT})
    starts_on = needed_first_day("From")
    ends_on = DayField("Last day")
    after_days = needed_number("Days until it may leave", 0, MOST_DAYS, 1095, "number of days")
    goes_to = ChoiceField("It goes to", choices=GOES_TO)
    said_by = StringField(
        "Who says so",
        filters=[stripped],
        validators=[Needed("Write which law or office says so."), Length(max=200, message="Write it in 200 characters.")],
    )

    def check(self) -> bool:
        self.validate()
        if self.starts_on.data and self.ends_on.data and self.ends_on.data < self.starts_on.data:
            told(self.ends_on, "It would end before it begins: write that day or a later one.")
        return not self.errors

    def tell(self, text: str) -> None:
        """A refusal at the field it names."""
        named = {"so early": self.after_days, "The source": self.said_by}
        told(next((field for words, field in named.items() if words in text), self.starts_on), text)


class EndForm(FlaskForm):  # type: ignore[misc]
    ends_on = DayField("Last day", validators=[Needed("Write the last day, like 2026-10-19.")])
