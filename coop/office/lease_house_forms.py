"""What is typed to set prices, house rules and index values."""

from __future__ import annotations

from collections.abc import Sequence
from decimal import Decimal
from typing import Any

from flask_wtf import FlaskForm
from flask_wtf.file import FileField, FileRequired
from wtforms import BooleanField, StringField, TextAreaField
from wtforms.validators import Length

from coop.core.fields import (
    ChoiceField,
    DecimalField,
    DollarsField,
    MonthField,
    Needed,
    NumberField,
    PercentField,
    PriceField,
    needed_first_day,
    needed_number,
    stripped,
    told,
)
from coop.leases.rules import HouseRules
from coop.leases.wording import ORDERS, PRORATION, UNITS
from coop.office.house_rules import DatedForm


class RateForm(FlaskForm):  # type: ignore[misc]
    zone = StringField(
        "Zone",
        filters=[stripped],
        validators=[Needed("Name the zone it is for, such as front."), Length(max=20, message="Write it in 20 characters.")],
        render_kw={"list": "floor-zones"},
    )
    """The page has the list of the plan's own zones; another may be typed, since prices may come before the floor is drawn."""
    price = PriceField("Price, in dollars", validators=[Needed("Write the price, like 2.25.")])
    per = ChoiceField("For", choices=UNITS)
    starts_on = needed_first_day("From")


class MonthsField(DecimalField):
    """A number of months that may have a part."""

    most, places, like = 12, 6, "1 or 1.5"
    asked = "Write a number of months from 0 to 12."


class LinesField(TextAreaField):  # type: ignore[misc]
    """One thing a line; `data` is a list of those that are not empty."""

    def process_formdata(self, valuelist: Sequence[str]) -> None:
        text = valuelist[0] if valuelist else ""
        self.data = [line.strip() for line in text.splitlines() if line.strip()]

    def _value(self) -> str:
        if self.raw_data:
            return str(self.raw_data[0])
        return "\n".join(self.data or ())


def _days(label: str, most: int = 366, least: int = 0) -> NumberField:
    return needed_number(label, least, most, 30, "number of days")


class RulesForm(DatedForm):
    """The house rules from a day on."""

    starts_on = needed_first_day("These rules hold from")
    rent_posts = ChoiceField(
        "Rent is posted", choices={"arrears": "on the last day of its month", "advance": "on the first day of its month"}
    )
    proration = ChoiceField("Part of a month is charged", choices=PRORATION)
    notice_days = _days("Days of notice to end a lease")
    notice_to_month_end = BooleanField("A lease ends only with a month")
    increase_days = _days("Days of notice of an increase")
    renewal_days = _days("Days before a term's end to ask for its renewal")
    deposit_months = MonthsField("Deposit, in months of rent", validators=[Needed("Write a number of months, 0 for none.")])
    late_after_day = needed_number("Rent is late after day", 1, 28, 10, "day of the month")
    late_how = ChoiceField(
        "Late fee",
        choices={"none": "none", "flat": "dollars", "percent": "a percent", "greater": "dollars or a percent, whichever is more"},
    )
    late_flat = DollarsField("Late fee in dollars")
    late_percent = PercentField("Late fee in percent of what is late")
    offer_days = _days("Days an offer stands", most=90, least=1)
    waiting_order = ChoiceField("A vacant space goes first to", choices=ORDERS)
    checklist = LinesField("Looked at when a dealer moves out, one thing a line")
    clauses = TextAreaField(
        "Clauses of the agreement", validators=[Length(max=20000, message="Write them in 20,000 characters.")]
    )

    def check_more(self) -> None:
        how = self.late_how.data
        if how in ("flat", "greater") and not self.late_flat.data and not self.late_flat.errors:
            told(self.late_flat, "Write how many dollars, or choose another kind of late fee.")
        if how in ("percent", "greater") and not self.late_percent.data and not self.late_percent.errors:
            told(self.late_percent, "Write how many percent, or choose another kind of late fee.")
        if any(len(line) > 120 for line in self.checklist.data):
            told(self.checklist, "A line is longer than 120 letters: shorten it.")

    def changes(self) -> dict[str, Any]:
        plain = ("rent_posts", "proration", "notice_days", "notice_to_month_end", "increase_days", "renewal_days")
        made = {name: self[name].data for name in (*plain, "deposit_months", "late_after_day", "late_how", "offer_days")}
        return made | {
            "late_flat_cents": self.late_flat.data or 0,
            "late_percent": self.late_percent.data or Decimal(0),
            "waiting_order": tuple(self.waiting_order.data.split(",")),
            "checklist": tuple(self.checklist.data),
            "clauses": (self.clauses.data or "").strip(),
        }


def rules_form(rules: HouseRules, starts_on: Any) -> RulesForm:
    """The form of the rules that hold now, to be changed from a day on."""
    plain = ("rent_posts", "proration", "notice_days", "notice_to_month_end", "increase_days", "renewal_days", "clauses")
    typed = {name: getattr(rules, name) for name in (*plain, "deposit_months", "late_after_day", "late_how", "offer_days")}
    form = RulesForm(
        formdata=None,
        starts_on=starts_on,
        late_flat=rules.late_flat_cents or None,
        late_percent=rules.late_percent or None,
        waiting_order=",".join(rules.waiting_order),
        checklist=list(rules.checklist),
        **typed,
    )
    if form.waiting_order.data not in ORDERS:
        form.waiting_order.data = "first_come"
    return form


class IndexForm(FlaskForm):  # type: ignore[misc]
    series = StringField(
        "Series",
        filters=[stripped],
        validators=[Needed("Name the index, such as CPI-U."), Length(max=40, message="Write it in 40 characters.")],
    )
    month = MonthField("Month", validators=[Needed("Write the month it is of, like 2026-10.")])
    value = PriceField("Value", validators=[Needed("Write it as published, such as 322.561.")])


class IndexFileForm(FlaskForm):  # type: ignore[misc]
    file = FileField("File of values", validators=[FileRequired("Choose the file first.")])
