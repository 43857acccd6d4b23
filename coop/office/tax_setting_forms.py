"""What is typed to say who owes the tax of a state or a jurisdiction, and how its office takes returns."""

from __future__ import annotations

from datetime import date
from decimal import Decimal
from typing import Any

from flask_wtf import FlaskForm
from wtforms import BooleanField, FieldList, FormField, IntegerField, StringField
from wtforms.validators import Length

from coop.core.fields import (
    ChoiceField,
    DaysField,
    DollarsField,
    Needed,
    PercentField,
    RowForm,
    needed_first_day,
    stripped,
    told,
)
from coop.core.periods import Month
from coop.tax.domain.duedates import DueRule
from coop.tax.service import Terms

TIERS = 4
PLAIN = (
    "owed_by",
    "layaway_at",
    "office",
    "frequency",
    "year_begins",
    "remits",
    "due_day",
    "due_months_after",
    "due_region",
    "due_roll",
    "interest_percent",
    "interest_per",
)
"""Terms that are typed as they are kept."""


class AllowanceTierForm(RowForm):
    percent = PercentField("Kept, in percent")
    upto = DollarsField("Of the tax up to, in dollars")


class WholeField(IntegerField):  # type: ignore[misc]
    def process_formdata(self, valuelist: list[str]) -> None:
        try:
            super().process_formdata(valuelist)
        except ValueError:
            raise ValueError("This is not a whole number. Write it like 20.") from None


class SettingForm(FlaskForm):  # type: ignore[misc]
    starts_on = needed_first_day("From")
    owed_by = ChoiceField(
        "Who owes the tax",
        choices={"coop": "The co-op collects and remits it", "dealer": "Each dealer owes it for the dealer’s own sales"},
    )
    layaway_at = ChoiceField(
        "A layaway is taxed", choices={"agreement": "when it is agreed", "completion": "when it is paid and handed over"}
    )
    office = StringField(
        "Office that takes the return", filters=[stripped], validators=[Length(max=80, message="Write it in 80 characters.")]
    )
    frequency = ChoiceField("Filed by the", choices={"month": "month", "quarter": "quarter", "year": "year"})
    year_begins = ChoiceField(
        "The filing year begins in", coerce=int, choices={str(n): Month(2026, n).name.split()[0] for n in range(1, 13)}
    )
    remits = ChoiceField(
        "What is remitted",
        choices={
            "greater": "the greater of due and collected",
            "due": "what is due at the rates",
            "collected": "what was collected",
        },
    )
    due_day = WholeField("Due on day", validators=[Needed("Write the day of the month, like 20.")])
    due_months_after = WholeField("Months after the period", validators=[Needed("Write how many months after, like 1.")])
    due_region = StringField("State whose public holidays count", filters=[stripped, str.upper])
    due_roll = ChoiceField(
        "On a weekend or holiday",
        choices={
            "next": "it moves on to the next open day",
            "previous": "it moves back to the open day before",
            "none": "it stays",
        },
    )
    closed_days = DaysField("Further days the office is closed")
    tiers = FieldList(FormField(AllowanceTierForm), min_entries=TIERS, max_entries=TIERS)
    cap = DollarsField("At most, in dollars")
    minimum = DollarsField("At least, in dollars")
    prepaid_percent = PercentField("Of what was prepaid, in percent")
    interest_percent = PercentField("Interest when late, in percent")
    interest_per = ChoiceField("For each", choices={"year": "year, by days", "month": "month or part of one"})
    everywhere = BooleanField("Give the same terms to every other setting of this office")

    @property
    def used(self) -> list[AllowanceTierForm]:
        return [entry.form for entry in self.tiers if entry.form.used]

    @property
    def right(self) -> bool:
        # A list of forms keeps what its own validation said, and none of what was told later.
        return not self.errors and not any(tier.errors for tier in self.used)

    def check(self) -> bool:
        """Whether all can be meant; what cannot is told at its field."""
        self.validate()
        if self.due_day.data is not None and not 1 <= self.due_day.data <= 31:
            told(self.due_day, "Write a day from 1 to 31; 31 is the last day of a shorter month too.")
        if self.due_months_after.data is not None and not 0 <= self.due_months_after.data <= 12:
            told(self.due_months_after, "Write a number from 0 to 12.")
        try:
            DueRule(region=self.due_region.data)
        except ValueError as error:
            told(self.due_region, str(error))
        self._check_allowance()
        return self.right

    def _check_allowance(self) -> None:
        end: int | None = 0
        for tier in self.used:
            if tier.percent.data is None and not tier.percent.errors:
                told(tier.percent, "Write the percent of this part, like 2.")
            if end is None:
                told(tier.percent, "The part before has no end: write up to where it goes.")
            elif tier.upto.data is not None and tier.upto.data <= end:
                told(tier.upto, "Parts rise: write more than the part before, or leave it empty for no end.")
            end = tier.upto.data
        extras = [field for field in (self.cap, self.minimum, self.prepaid_percent) if field.data is not None]
        if extras and not self.used:
            told(extras[0], "Write the percent that is kept first, or leave this empty too.")
        if self.cap.data is not None and self.minimum.data is not None and self.minimum.data > self.cap.data:
            told(self.minimum, "This is more than the most that is kept.")

    def terms(self) -> Terms:
        allowance: dict[str, Any] | None = None
        if self.used:
            allowance = {"tiers": [[tier.upto.data, f"{tier.percent.data:f}"] for tier in self.used]}
            for key, value in (("cap_cents", self.cap.data), ("minimum_cents", self.minimum.data)):
                if value is not None:
                    allowance[key] = value
            if self.prepaid_percent.data is not None:
                allowance["prepaid_percent"] = f"{self.prepaid_percent.data:f}"
        said = {name: self[name].data for name in PLAIN}
        return Terms(**said, closed_days=self.closed_days.data or (), allowance=allowance)


def filled(terms: Terms, starts_on: date) -> SettingForm:
    """The form with what holds, to begin from a day."""
    allowance = terms.allowance or {"tiers": []}
    tiers = [{"upto": upto, "percent": Decimal(percent)} for upto, percent in allowance["tiers"]]
    prepaid = allowance.get("prepaid_percent")
    more: dict[str, Any] = {
        "starts_on": starts_on,
        "closed_days": terms.closed_days or None,
        "tiers": tiers,
        "cap": allowance.get("cap_cents"),
        "minimum": allowance.get("minimum_cents"),
        "prepaid_percent": None if prepaid is None else Decimal(prepaid),
    }
    return SettingForm(formdata=None, data={**vars(terms), **more})
