"""What is typed to say what taxes: a jurisdiction, its rates, a rule of each kind.

A form knows nothing of the database: `known`, the tax classes in use, is handed to it.
"""

from __future__ import annotations

from collections.abc import Callable
from datetime import date
from decimal import Decimal
from typing import Any

from flask_wtf import FlaskForm
from wtforms import BooleanField, FieldList, FormField, StringField
from wtforms.validators import Length, Regexp

from coop.core.fields import (
    ChoiceField,
    DayField,
    DollarsField,
    Needed,
    PercentField,
    RowForm,
    needed_first_day,
    stripped,
    told,
)
from coop.core.money import plain_cents
from coop.office.tax_fields import ClassesField, unknown_sentence
from coop.tax.domain.rules import GENERAL


class JurisdictionForm(FlaskForm):  # type: ignore[misc]
    kind = ChoiceField(
        "Kind", choices={"state": "State", "county": "County", "city": "City or town", "district": "Special district"}
    )
    name = StringField(
        "Name",
        filters=[stripped],
        validators=[Needed("Write its name, such as Alder county."), Length(max=120, message="Write it in 120 characters.")],
    )
    code = StringField(
        "Short name",
        filters=[stripped, str.upper],
        validators=[
            Needed("Write a short name, such as EL-ALDER."),
            Regexp(r"[A-Z0-9][A-Z0-9-]{0,39}\Z", message="Use letters, digits and hyphens, such as EL-ALDER, forty at most."),
        ],
    )
    state_fips = StringField(
        "State's FIPS code",
        filters=[stripped],
        validators=[
            Needed("Write the two digits of the state."),
            Regexp(r"[0-9]{2}\Z", message="A state's FIPS code is two digits, such as 55."),
        ],
    )
    fips = StringField(
        "Its own FIPS code",
        filters=[stripped],
        validators=[Regexp(r"([0-9A-Za-z]{1,10})?\Z", message="Write digits such as 079, or leave it empty.")],
    )


# --- rates ----------------------------------------------------------------------------------------------------------------


class SpanForm(FlaskForm):  # type: ignore[misc]
    """Something dated. What is asked about classes is asked of the forms that have them."""

    starts_on = needed_first_day("First day")
    ends_on = DayField("Last day")

    @property
    def right(self) -> bool:
        return not self.errors

    def check(self, _known: set[str]) -> bool:
        """Whether all can be meant; what cannot is told at its field."""
        self.validate()
        if self.starts_on.data and self.ends_on.data and self.ends_on.data < self.starts_on.data:
            told(self.ends_on, f"It would end before it starts on {self.starts_on.data}: write that day or a later one.")
        self.check_more()
        return self.right

    def check_more(self) -> None:
        """What a form of its own kind asks beside."""

    def check_classes(self, field: Any, known: set[str]) -> None:
        sentence = unknown_sentence(field.data or [], known)
        if sentence and not self.new_class.data:
            told(field, sentence)


NEW_CLASS = "A class written here is new"


class RateForm(SpanForm):
    tax_class = ClassesField("Tax class", validators=[Needed("Write the class, general for whatever has none.")])
    new_class = BooleanField(NEW_CLASS)
    percent = PercentField("Rate, in percent", validators=[Needed("Write the rate, like 5.5.")])

    def check(self, known: set[str]) -> bool:
        super().check(known)
        if len(self.tax_class.data or []) > 1:
            told(self.tax_class, "Write one class: each has a rate of its own.")
        self.check_classes(self.tax_class, known)
        return self.right


class ChangeRateForm(FlaskForm):  # type: ignore[misc]
    percent = PercentField("New rate, in percent", validators=[Needed("Write the new rate, like 5.5.")])
    from_day = DayField("From", validators=[Needed("Write its first day, like 2026-10-19.")])

    def check(self, starts_on: date) -> bool:
        self.validate()
        if self.from_day.data and self.from_day.data <= starts_on:
            told(self.from_day, f"The rate begins on {starts_on}: write a later day. If it was never right, take it back.")
        return not self.errors


class EndForm(FlaskForm):  # type: ignore[misc]
    ends_on = DayField("Last day", validators=[Needed("Write the last day, like 2026-10-19.")])

    def check(self, starts_on: date) -> bool:
        self.validate()
        if self.ends_on.data and self.ends_on.data < starts_on:
            told(self.ends_on, f"It starts on {starts_on}: write that day or a later one.")
        return not self.errors


# --- rules ----------------------------------------------------------------------------------------------------------------


class RuleForm(SpanForm):
    """One kind of rule."""

    terms: Callable[[], dict[str, Any]]
    """What was typed, as coop.tax.domain.terms has it: each kind's form says its own."""

    def new_tiers(self) -> dict[str, Decimal]:
        """Rates to be set with it, by upper tier."""
        return {}


class ExemptForm(RuleForm):
    tax_class = ClassesField("Class that is not taxed", validators=[Needed("Write the class, such as books.")])
    new_class = BooleanField(NEW_CLASS)

    def check(self, known: set[str]) -> bool:
        super().check(known)
        if len(self.tax_class.data or []) > 1:
            told(self.tax_class, "Write one class, and add a rule for each further one.")
        self.check_classes(self.tax_class, known)
        return self.right

    def terms(self) -> dict[str, Any]:
        return {"tax_class": self.tax_class.data[0]}


class ClassesRuleForm(RuleForm):
    """A rule of some classes."""

    tax_classes = ClassesField("Tax classes", validators=[Needed("Write the classes, such as clothing, books.")])
    new_class = BooleanField(NEW_CLASS)

    def check(self, known: set[str]) -> bool:
        super().check(known)
        self.check_classes(self.tax_classes, known)
        return self.right


LIMIT = {"yes": "is in: that price or less", "no": "is out: less than that price"}


class HolidayForm(ClassesRuleForm):
    name = StringField(
        "What it is called",
        filters=[stripped],
        validators=[
            Needed("Write what it is called, such as school week."),
            Length(max=80, message="Write it in 80 characters."),
        ],
    )
    ends_on = DayField("Last day", validators=[Needed("A holiday needs a last day, like 2026-10-19.")])
    limit = DollarsField("Price limit of one article, in dollars")
    limit_included = ChoiceField("A price of exactly the limit", choices=LIMIT)

    def terms(self) -> dict[str, Any]:
        made: dict[str, Any] = {"name": self.name.data, "tax_classes": self.tax_classes.data}
        if self.limit.data is not None:
            made |= {"limit": plain_cents(self.limit.data), "limit_included": self.limit_included.data == "yes"}
        return made


class ThresholdForm(ClassesRuleForm):
    upto = DollarsField(
        "Price up to which an article is not taxed, in dollars", validators=[Needed("Write the price, like 110.")]
    )
    limit_included = ChoiceField("A price of exactly that", choices=LIMIT)
    excess_only = ChoiceField("A dearer article is taxed", choices={"no": "in full", "yes": "only on the part above the price"})

    def terms(self) -> dict[str, Any]:
        return {
            "tax_classes": self.tax_classes.data,
            "upto": plain_cents(self.upto.data),
            "limit_included": self.limit_included.data == "yes",
            "excess_only": self.excess_only.data == "yes",
        }


class TierForm(RowForm):
    name = ClassesField("Name")
    over = DollarsField("On the part above, in dollars")
    upto = DollarsField("Up to, in dollars")
    percent = PercentField("Rate, in percent")


TIERS = 3


class ArticleForm(ClassesRuleForm):
    tax_classes = ClassesField("Tax classes")
    cap = DollarsField("The rate is taken on the first, in dollars")
    tiers = FieldList(FormField(TierForm), min_entries=TIERS, max_entries=TIERS)

    @property
    def used(self) -> list[TierForm]:
        return [entry.form for entry in self.tiers if entry.form.used]

    @property
    def right(self) -> bool:
        # A list of forms keeps what its own validation said, and none of what was told later.
        return not self.errors and not any(tier.errors for tier in self.used)

    def check_more(self) -> None:
        if self.cap.data is None and not self.cap.errors and not self.used:
            told(self.cap, "Write how much of each article's price is taxed, or an upper tier below.")
        end: int | None = 0
        names: set[str] = set()
        for tier in self.used:
            self._check_tier(tier, names, end)
            end = tier.upto.data

    @staticmethod
    def _check_tier(tier: TierForm, names: set[str], end: int | None) -> None:
        if not tier.name.errors and len(tier.name.data or []) != 1:
            told(tier.name, "Write one name, such as single-article.")
        elif tier.name.data and tier.name.data[0] in names:
            told(tier.name, "Two tiers have this name: give each its own.")
        names.update(tier.name.data or [])
        if tier.over.data is None:
            if not tier.over.errors:
                told(tier.over, "Write the price above which it begins, like 1600.")
            return
        if end is None:
            told(tier.over, "The tier before has no end: write where that one ends.")
        elif tier.over.data < end:
            told(tier.over, "Tiers rise: it begins where the one before ends, or above.")
        if tier.upto.data is not None and tier.upto.data <= tier.over.data:
            told(tier.upto, "It must end above where it begins; leave it empty for no end.")

    def check_tiers(self, goods: set[str], there: dict[str, Decimal]) -> bool:
        """Against what is stored: `goods`, classes of goods here; `there`, rates that tiers of these names have on the day."""
        for tier in self.used:
            name = (tier.name.data or [""])[0]
            if name in goods or name == GENERAL:
                told(tier.name, f"{name} is a class of goods: give the tier another name, such as single-article.")
            elif tier.percent.data is not None and name in there:
                told(tier.percent, f"{name} has a rate of {there[name]:f} percent then: leave this empty, or change that rate.")
            elif tier.percent.data is None and not tier.percent.errors and name not in there:
                told(tier.percent, "Write the tier's rate, like 2.75.")
        return self.right

    def terms(self) -> dict[str, Any]:
        made: dict[str, Any] = {}
        if self.cap.data is not None:
            made["cap"] = plain_cents(self.cap.data)
        tiers = []
        for tier in self.used:
            upto = {} if tier.upto.data is None else {"upto": plain_cents(tier.upto.data)}
            tiers.append({"name": tier.name.data[0], "over": plain_cents(tier.over.data), **upto})
        if tiers:
            made["tiers"] = tiers
        if self.tax_classes.data:
            made["tax_classes"] = self.tax_classes.data
        return made

    def new_tiers(self) -> dict[str, Decimal]:
        return {tier.name.data[0]: tier.percent.data for tier in self.used if tier.percent.data is not None}


class DeliveryForm(RuleForm):
    how = ChoiceField(
        "A delivery charge is",
        choices={
            "taxable": "taxed in full when anything delivered is taxed",
            "exempt": "not taxed",
            "proportion": "taxed in the proportion in which the goods are",
        },
    )

    def terms(self) -> dict[str, Any]:
        return {"how": self.how.data}


LOWERS = {"yes": "lowers the price that is taxed", "no": "does not lower it"}


class ReductionRuleForm(RuleForm):
    seller_coupon = ChoiceField("The seller's own coupon", choices=LOWERS, default="yes")
    maker_coupon = ChoiceField("A maker's coupon", choices=LOWERS, default="no")
    trade_in = ChoiceField("A trade-in", choices=LOWERS, default="no")

    def terms(self) -> dict[str, Any]:
        return {name: self[name].data == "yes" for name in ("trade_in", "seller_coupon", "maker_coupon")}


RULE_FORMS: dict[str, type[RuleForm]] = {
    "exempt": ExemptForm,
    "article": ArticleForm,
    "holiday": HolidayForm,
    "threshold": ThresholdForm,
    "delivery": DeliveryForm,
    "reduction": ReductionRuleForm,
}
