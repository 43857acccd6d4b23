"""What is typed to agree a term of a lease: one plain form a kind. `terms` is JSON as coop.leases.terms reads it."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import Any, ClassVar

from flask_wtf import FlaskForm
from wtforms import FieldList, FormField, StringField
from wtforms.validators import Length

from coop.core.fields import (
    ChangeField,
    ChoiceField,
    DayField,
    DollarsField,
    MonthField,
    Needed,
    NumberField,
    PercentField,
    RowForm,
    needed_first_day,
    stripped,
    told,
)
from coop.core.money import format_decimal, plain_cents
from coop.leases.wording import REASONS

ROWS = 4
"""Of steps and of tiers; more are a further term."""


class TermForm(FlaskForm):  # type: ignore[misc]
    """A term from a day to another. `kind` is the stored one."""

    kind: ClassVar[str]
    starts_on = needed_first_day("First day")
    ends_on = DayField("Last day")

    @property
    def right(self) -> bool:
        return not self.errors

    def check(self) -> bool:
        """Whether all can be meant; what cannot is told at its field."""
        self.validate()
        if self.starts_on.data and self.ends_on.data and self.ends_on.data < self.starts_on.data:
            told(self.ends_on, f"It would end before it starts on {self.starts_on.data}: write that day or a later one.")
        self.check_more()
        return self.right

    def check_more(self) -> None:
        """What a form of its own kind asks beside."""

    terms: Callable[[], dict[str, Any]]
    """What was typed, as coop.leases.terms has it: each kind's form says its own."""

    def _one_of_two(self) -> None:
        """Percent or dollars, and not both."""
        percent, dollars = self["percent"], self["dollars"]
        if percent.errors or dollars.errors:
            return
        if (percent.data is None) == (dollars.data is None):
            told(percent, "Write a percent or dollars: one of the two, and leave the other empty.")

    def _amount(self) -> dict[str, Any]:
        if self["percent"].data is not None:
            return {"percent": format_decimal(self["percent"].data)}
        return {"dollars": plain_cents(self["dollars"].data)}


class DiscountForm(TermForm):
    kind = "discount"
    reason = ChoiceField("What it is for", choices={key: words for key, words in REASONS.items() if key != "turns"})
    name = StringField(
        "In the dealer's words",
        filters=[stripped],
        validators=[Needed("Write what it is for, such as for members."), Length(max=80, message="Write it in 80 characters.")],
    )
    percent = PercentField("Percent off the rent")
    dollars = DollarsField("Or dollars off a month's rent")

    def check_more(self) -> None:
        self._one_of_two()

    def terms(self) -> dict[str, Any]:
        return {"reason": self.reason.data, "name": self.name.data, **self._amount()}


def _counted(form: Any) -> dict[str, Any]:
    made: dict[str, Any] = {}
    if form.owed.data:
        made["owed"] = form.owed.data
    if form.at_most.data is not None:
        made["at_most"] = form.at_most.data
    return made


class TurnsForm(TermForm):
    kind = "discount"
    percent = PercentField("Percent off the rent for each turn")
    dollars = DollarsField("Or dollars off for each turn")
    owed = NumberField("Turns that are owed anyway", most=100)
    at_most = NumberField("No more turns than these count", most=100)

    def check_more(self) -> None:
        self._one_of_two()

    def terms(self) -> dict[str, Any]:
        return {"reason": "turns", **self._amount(), **_counted(self)}


class RiseForm(TermForm):
    kind = "escalation"
    percent = ChangeField("Percent more each time", validators=[Needed("Write the percent, like 3.")])
    every_months = NumberField("Every so many months", least=1, most=120, validators=[Needed("Write the months, like 12.")])

    def terms(self) -> dict[str, Any]:
        return {"how": "percent", "percent": format_decimal(self.percent.data), "every_months": self.every_months.data}


class StepForm(RowForm):
    on = DayField("From")
    percent = ChangeField("Percent more")


class StepsForm(TermForm):
    kind = "escalation"
    steps = FieldList(FormField(StepForm), min_entries=ROWS, max_entries=ROWS)

    @property
    def used(self) -> list[StepForm]:
        return [entry.form for entry in self.steps if entry.form.used]

    @property
    def right(self) -> bool:
        return not self.errors and not any(step.errors for step in self.used) and bool(self.used)

    def check_more(self) -> None:
        if not self.used:
            told(self.steps[0].form.on, "Write the day of the first step, like 2027-01-01.")
        last = None
        for step in self.used:
            if step.on.data is None and not step.on.errors:
                told(step.on, "Write its day, like 2027-01-01.")
            if step.percent.data is None and not step.percent.errors:
                told(step.percent, "Write the percent, like 3.")
            if step.on.data and last and step.on.data <= last:
                told(step.on, f"Steps go on in time: write a day after {last}.")
            if step.on.data and self.starts_on.data and step.on.data < self.starts_on.data:
                told(step.on, f"The term begins on {self.starts_on.data}: write that day or a later one.")
            last = step.on.data or last

    def terms(self) -> dict[str, Any]:
        steps = [{"on": step.on.data.isoformat(), "percent": format_decimal(step.percent.data)} for step in self.used]
        return {"how": "steps", "steps": steps}


class FollowForm(TermForm):
    kind = "escalation"
    series = StringField("Index", filters=[stripped], validators=[Needed("Name the index, such as CPI-U."), Length(max=40)])
    base = MonthField("Month it is first compared with", validators=[Needed("Write the month, like 2026-06.")])
    every_months = NumberField("Every so many months", least=1, most=120, validators=[Needed("Write the months, like 12.")])
    lag_months = NumberField("By the index of so many months before", most=24, validators=[Needed("Write the months, like 2.")])
    floor = PercentField("At least, in percent")
    cap = PercentField("At most, in percent")

    def check_more(self) -> None:
        if self.floor.data is not None and self.cap.data is not None and self.cap.data < self.floor.data:
            told(self.cap, f"It is below the least of {format_decimal(self.floor.data)}: write that or more.")

    def terms(self) -> dict[str, Any]:
        bounds = {name: format_decimal(self[name].data) for name in ("cap", "floor") if self[name].data is not None}
        plain = {"every_months": self.every_months.data, "lag_months": self.lag_months.data}
        return {"how": "index", "series": self.series.data, "base": str(self.base.data), **plain, **bounds}


class SalesRentForm(TermForm):
    kind = "percentage"
    percent = PercentField("Percent of the sales", validators=[Needed("Write the percent, like 5.")])
    breakpoint = DollarsField("Of the sales above, in dollars")
    period = ChoiceField("In", choices={"month": "each month", "year": "each year of the lease"})

    def check_more(self) -> None:
        if self.percent.data == 0:
            told(self.percent, "Write a percent above zero.")

    def terms(self) -> dict[str, Any]:
        limit = {} if self.breakpoint.data is None else {"breakpoint": plain_cents(self.breakpoint.data)}
        return {"percent": format_decimal(self.percent.data), "period": self.period.data, **limit}


class TierForm(RowForm):
    upto = DollarsField("Items up to, in dollars")
    percent = PercentField("Percent")


class CommissionForm(TermForm):
    kind = "commission"
    percent = PercentField("One percent of everything")
    tiers = FieldList(FormField(TierForm), min_entries=ROWS, max_entries=ROWS)
    turns_percent = PercentField("Points less for each turn worked")
    owed = NumberField("Turns that are owed anyway", most=100)
    at_most = NumberField("No more turns than these count", most=100)

    @property
    def used(self) -> list[TierForm]:
        return [entry.form for entry in self.tiers if entry.form.used]

    @property
    def right(self) -> bool:
        return not self.errors and not any(tier.errors for tier in self.used)

    def check_more(self) -> None:
        if self.percent.data is not None and self.used:
            told(self.percent, "Write one percent or the tiers below, not both.")
        elif self.percent.data is None and not self.percent.errors and not self.used and self.turns_percent.data is None:
            told(self.percent, "Write a percent, tiers by the price of an item, or what turns take off.")
        last = -1
        for n, tier in enumerate(self.used, start=1):
            if tier.percent.data is None and not tier.percent.errors:
                told(tier.percent, "Write its percent, like 10.")
            end = n == len(self.used)
            if end and tier.upto.data is not None:
                told(tier.upto, "The last tier takes every dearer item: leave its price empty, or add a tier.")
            elif not end and tier.upto.data is None and not tier.upto.errors:
                told(tier.upto, "Write up to which price it goes; only the last has none.")
            elif not end and tier.upto.data is not None and tier.upto.data <= last:
                told(tier.upto, "Tiers rise: write more than in the one before.")
            last = tier.upto.data if tier.upto.data is not None else last
        if (self.owed.data or self.at_most.data is not None) and self.turns_percent.data is None:
            told(self.turns_percent, "Write how many points a turn takes off, or leave the turns empty.")

    def terms(self) -> dict[str, Any]:
        made: dict[str, Any] = {}
        if self.percent.data is not None:
            made["percent"] = format_decimal(self.percent.data)
        if self.used:
            made["tiers"] = [
                {
                    **({} if tier.upto.data is None else {"upto": plain_cents(tier.upto.data)}),
                    "percent": format_decimal(tier.percent.data),
                }
                for tier in self.used
            ]
        if self.turns_percent.data is not None:
            made["turns"] = {"percent": format_decimal(self.turns_percent.data), **_counted(self)}
        return made


TERM_FORMS: Mapping[str, tuple[str, type[TermForm]]] = {
    "discount": ("Discount", DiscountForm),
    "turns": ("Discount for turns worked", TurnsForm),
    "rise": ("Increase by a percent", RiseForm),
    "steps": ("Increase by dated steps", StepsForm),
    "index": ("Increase by a price index", FollowForm),
    "sales-rent": ("Rent by sales", SalesRentForm),
    "commission": ("Commission by another rule", CommissionForm),
}
"""By the word of the address: what a person calls it, and its form."""
