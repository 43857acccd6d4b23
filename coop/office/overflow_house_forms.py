"""What is typed to set a mall's house rules of lent floor."""

from __future__ import annotations

from dataclasses import asdict
from datetime import date
from typing import Any

from coop.core.fields import (
    ChoiceField,
    DecimalField,
    DollarsField,
    LengthField,
    Needed,
    NumberField,
    needed_first_day,
    needed_number,
    told,
)
from coop.office.house_rules import DatedForm
from coop.office.settings_overflow_wording import FEES, GLASS_STANDS, LAST_BY
from coop.overflow.rules import OverflowRules, rule_faults

_LENGTH = "Write a length, like 4' 0\" or 48."


class TimesField(DecimalField):
    """So many times as high as wide."""

    least, most, like = 1, 20, "3 or 3.5"
    asked = "Write a number from 1 to 20, with at most two decimals."


def _length(label: str) -> LengthField:
    return LengthField(label, validators=[Needed(_LENGTH)])


class RulesForm(DatedForm):
    """The rules from a day on; each field is called as OverflowRules has it."""

    starts_on = needed_first_day("These rules hold from", "2026-12-01")
    fee_kind = ChoiceField(
        "Floor is charged", choices={"free": "not: it is free", **{k: v for k, v in FEES.items() if k != "free"}}
    )
    fee_cents = DollarsField("Dollars a week, for each")
    most_in16 = LengthField("Length a dealer may have at a time")
    most_pieces = NumberField("Pieces a dealer may have at a time", least=1, most=100)
    longest_weeks = needed_number("Weeks a request may ask for", 1, 52, 12)
    rotation_weeks = needed_number("Weeks in one bay, of any 52", 1, 52, 12)
    recall_days = needed_number("Days of notice of a recall", 0, 90, 7)
    sold_days = needed_number("Days a sold piece may wait, free", 0, 90, 7)
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

    def check_more(self) -> None:
        if self.fee_kind.data == "free" and self.fee_cents.data:
            told(self.fee_cents, "Floor is free: leave it empty, or choose what it is charged by.")
        elif self.fee_kind.data != "free" and not self.fee_cents.data and not self.fee_cents.errors:
            told(self.fee_cents, "Write how many dollars, or let it be free.")
        self._tell_faults()

    def _tell_faults(self) -> None:
        """All that the service would refuse, at once, of what could be read."""
        unread = {field.name for field in self if field.errors}
        read = {name: value for name, value in self.changes().items() if name not in unread}
        for about, sentence in rule_faults(OverflowRules(**read)):
            if unread.isdisjoint(about):
                told(self[about[0]], sentence)

    def changes(self) -> dict[str, Any]:
        return super().changes() | {"fee_cents": self.fee_cents.data or 0}


def rules_form(rules: OverflowRules, starts_on: date) -> RulesForm:
    """The form of the rules that hold last of all, to be changed from a day on."""
    return RulesForm(formdata=None, **asdict(rules) | {"starts_on": starts_on, "fee_cents": rules.fee_cents or None})
