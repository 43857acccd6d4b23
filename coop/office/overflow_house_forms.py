"""What is typed to set a mall's house rules of lent floor."""

from __future__ import annotations

from dataclasses import asdict
from datetime import date
from decimal import Decimal
from typing import Any

from flask_wtf import FlaskForm

from coop.core.fields import ChoiceField, DayField, DollarsField, LengthField, Needed, NumberField, TypedField, told
from coop.core.money import parse_decimal
from coop.office.settings_overflow_wording import FEES, GLASS_STANDS, LAST_BY
from coop.overflow.rules import OverflowRules

_LENGTH = "Write a length, like 4' 0\" or 48."


class TimesField(TypedField):
    """So many times as high as wide, as `Decimal`."""

    def read(self, text: str) -> Decimal:
        try:
            value = parse_decimal(text)
        except ValueError:
            raise ValueError("This is not a number. Write it like 3 or 3.5.") from None
        if not 1 <= value <= 20 or value != round(value, 2):
            raise ValueError("Write a number from 1 to 20, with at most two decimals.")
        return value

    def write(self, value: Any) -> str:
        return f"{Decimal(value).normalize():f}"


def _length(label: str) -> LengthField:
    return LengthField(label, validators=[Needed(_LENGTH)])


def _count(label: str, least: int, most: int, like: int) -> NumberField:
    return NumberField(label, least=least, most=most, validators=[Needed(f"Write a number, like {like}.")])


class RulesForm(FlaskForm):  # type: ignore[misc]
    """The rules from a day on; each field is called as OverflowRules has it."""

    starts_on = DayField("These rules hold from", validators=[Needed("Write the first day, like 2026-12-01.")])
    fee_kind = ChoiceField(
        "Floor is charged", choices={"free": "not: it is free", **{k: v for k, v in FEES.items() if k != "free"}}
    )
    fee_cents = DollarsField("Dollars a week, for each")
    most_in16 = LengthField("Length a dealer may have at a time")
    most_pieces = NumberField("Pieces a dealer may have at a time", least=1, most=100)
    longest_weeks = _count("Weeks a request may ask for", 1, 52, 12)
    rotation_weeks = _count("Weeks in one bay, of any 52", 1, 52, 12)
    recall_days = _count("Days of notice of a recall", 0, 90, 7)
    sold_days = _count("Days a sold piece may wait, free", 0, 90, 7)
    highest_in16 = _length("Nothing is higher than")
    wall_above_in16 = _length("At a wall only when higher than")
    before_in16 = _length("Before another’s booth, not higher than")
    tips_from = TimesField(
        "It tips easily from so many times as high as its base", validators=[Needed("Write a number, like 3.")]
    )
    glass = ChoiceField("Glass and mirrors stand", choices=dict(GLASS_STANDS))
    least_length_in16 = _length("A bay is at least so long")
    least_depth_in16 = _length("A bay is at least so deep")
    deepest_in16 = _length("A bay is at most so deep")
    gap_in16 = _length("Kept free beside each piece")
    entry_in16 = _length("Kept open in the middle of a booth’s side")
    last_by = ChoiceField("Between equals decides", choices=dict(LAST_BY))

    def check(self) -> bool:
        self.validate()
        if self.fee_kind.data == "free" and self.fee_cents.data:
            told(self.fee_cents, "Floor is free: leave it empty, or choose what it is charged by.")
        elif self.fee_kind.data != "free" and not self.fee_cents.data and not self.fee_cents.errors:
            told(self.fee_cents, "Write how many dollars, or let it be free.")
        return not self.errors

    def changes(self) -> dict[str, Any]:
        """As `rules.set_rules` takes them."""
        made = {field.name: field.data for field in self if field.name not in ("csrf_token", "starts_on")}
        return made | {"fee_cents": self.fee_cents.data or 0}

    def refuse(self, sentence: str) -> None:
        """At the field whose words the sentence has; else at the day."""
        name = next((name for name, words in _NAMED.items() if words in sentence), "starts_on")
        told(self[name], sentence)


_NAMED = {
    "longest_weeks": "A request may ask for",
    "most_in16": "length a dealer may have",
    "least_depth_in16": "least depth of a bay",
    "least_length_in16": "least length of a bay",
    "deepest_in16": "greatest depth of a bay",
    "entry_in16": "opening kept before a booth",
    "gap_in16": "gap between pieces",
    "highest_in16": "greatest height of a piece",
    "wall_above_in16": "height above which",
    "before_in16": "height before another",
    "fee_cents": "The fee is",
}
"""Words of what `rules.require_rules` refuses, by the field they are about."""


def rules_form(rules: OverflowRules, starts_on: date) -> RulesForm:
    """The form of the rules that hold last of all, to be changed from a day on."""
    return RulesForm(formdata=None, **asdict(rules) | {"starts_on": starts_on, "fee_cents": rules.fee_cents or None})
