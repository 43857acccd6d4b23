"""What is typed of a year's thresholds and of a surplus to be shared."""

from __future__ import annotations

from flask_wtf import FlaskForm
from wtforms import StringField
from wtforms.validators import Length

from coop.core.fields import ChoiceField, DayField, DollarsField, Needed, NumberField, PercentField, stripped
from coop.payouts.domain.year import KINDS


class ThresholdForm(FlaskForm):  # type: ignore[misc]
    kind = ChoiceField("Of", choices={kind: kind for kind in KINDS})
    from_year = NumberField("From the year", least=1900, most=2200, validators=[Needed("Write a year, like 2026.")])
    amount = DollarsField("Amount", validators=[Needed("Write the amount, in dollars.")])
    least_count = NumberField("Least number of sales", most=1_000_000)
    said_by = StringField(
        "Who says so",
        filters=[stripped],
        validators=[Needed("Write which law or office says so."), Length(max=200, message="Write it in 200 characters.")],
    )


class ShareForm(FlaskForm):  # type: ignore[misc]
    year = NumberField("Year", least=1900, most=2200, validators=[Needed("Write the year, like 2026.")])
    surplus = DollarsField("Surplus to share", validators=[Needed("Write the amount, in dollars.")])
    cash_percent = PercentField(
        "Part paid in cash",
        too_much="This is more than the whole share: write a percent from 0 to 100, like 20.",
        validators=[Needed("Write a percent, like 20.")],
    )
    on = DayField("Dated on", validators=[Needed("Write the day, like 2027-03-31.")])

    def tell(self, text: str) -> None:
        """A refusal at the field it names."""
        named = {"surplus is $": self.surplus, "part in cash": self.cash_percent, "The day ": self.on}
        next((field for words, field in named.items() if words in text), self.year).errors = [text]
