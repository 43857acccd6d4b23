"""What a dealer types about turns: an offer, the turn given in return, when it can be, a helper's name."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from typing import Any

from flask_wtf import FlaskForm
from wtforms import SelectField, StringField
from wtforms.fields.choices import SelectChoice
from wtforms.validators import Length, Optional

from coop.core.fields import ChoiceField, DayField, DollarsField, Needed, NumberField, needed_first_day, stripped, told
from coop.shifts.domain.hours import DAY_MINUTES
from coop.shifts.domain.spans import Said
from coop.shifts.forms import TimeField, WeekdaysField
from coop.shifts.offering import Terms

HOW = {"give": "as a gift", "paid": "for money", "swap": "for a turn in return"}
SAYS = {
    "never": "I never can",
    "rather not": "I would rather not",
    "like": "I would like to",
    "stand in": "I could stand in for others",
}
PARTS = {
    "day": "the whole day",
    "morning": "the morning, until noon",
    "afternoon": "the afternoon, from noon on",
    "evening": "the evening, from 5 pm on",
    "between": "between two times",
}
_PART_MINUTES = {
    "day": (0, DAY_MINUTES),
    "morning": (0, DAY_MINUTES // 2),
    "afternoon": (DAY_MINUTES // 2, DAY_MINUTES),
    "evening": (17 * 60, DAY_MINUTES),
}
ANYBODY = ""
_LISTED = "Choose one of those listed."


def _number(text: str | None) -> int | None:
    return int(text) if text else None


class OfferForm(FlaskForm):  # type: ignore[misc]
    how = ChoiceField("Offered", choices=HOW)
    to = SelectField("To", invalid_choice_message=_LISTED)
    pays = DollarsField("You pay")
    back = SelectField("In return", invalid_choice_message=_LISTED)
    words = StringField("A few words", filters=[stripped], validators=[Length(max=200, message="Write it in 200 characters.")])

    def __init__(
        self, *args: Any, people: Iterable[tuple[int, str]], theirs: Iterable[tuple[int, str]], may_pay: bool, **more: Any
    ) -> None:
        super().__init__(*args, **more)
        self.may_pay = may_pay
        self.how.choices = [SelectChoice(kind, words) for kind, words in HOW.items() if may_pay or kind != "paid"]
        self.to.choices = [SelectChoice(ANYBODY, "everybody"), *(SelectChoice(str(one), name) for one, name in people)]
        self.back.choices = [
            SelectChoice(ANYBODY, "any of theirs, as they answer"),
            *(SelectChoice(str(one), words) for one, words in theirs),
        ]

    def check(self) -> bool:
        self.validate()
        if self.how.data == "paid" and not self.pays.data and not self.pays.errors:
            told(self.pays, "Write how much whoever takes it gets, like 35.")
        if self.how.data != "paid" and self.pays.data:
            told(self.pays, "Nothing is paid for this kind of offer: leave it empty, or choose for money.")
        if self.how.data != "swap" and self.back.data:
            told(self.back, "Only an offer for a turn in return names one: choose that above, or leave this as it was.")
        return not self.errors

    @property
    def terms(self) -> Terms:
        back = _number(self.back.data)
        return Terms(
            kind="swap" if self.how.data == "swap" else "give",
            to_member_id=None if back else _number(self.to.data),
            pays_cents=self.pays.data or 0,
            return_turn_id=back,
            words=self.words.data or "",
        )


class ReturnForm(FlaskForm):  # type: ignore[misc]
    given = SelectField("You give in return", invalid_choice_message=_LISTED)

    def __init__(self, *args: Any, own: Sequence[tuple[int, str]], **more: Any) -> None:
        super().__init__(*args, **more)
        self.given.choices = [SelectChoice(str(one), words) for one, words in own]


class SendForm(FlaskForm):  # type: ignore[misc]
    helper = SelectField("Who comes", invalid_choice_message=_LISTED)

    def __init__(self, *args: Any, helpers: Iterable[tuple[int, str]], **more: Any) -> None:
        super().__init__(*args, **more)
        self.helper.choices = [SelectChoice(ANYBODY, "I do"), *(SelectChoice(str(one), name) for one, name in helpers)]

    @property
    def helper_id(self) -> int | None:
        return _number(self.helper.data)


class AvailabilityForm(FlaskForm):  # type: ignore[misc]
    kind = ChoiceField("What you say", choices=SAYS)
    starts_on = needed_first_day("From", "2026-12-01")
    ends_on = DayField("Through")
    weekdays = WeekdaysField("On")
    every = NumberField("Every so many weeks", least=1, most=52, validators=[Needed("Write 1 for every week.")])
    part = ChoiceField("Part of the day", choices=PARTS)
    from_time = TimeField("From the time")
    to_time = TimeField("To the time")

    def check(self) -> bool:
        self.validate()
        if not self.weekdays.bits and not self.weekdays.errors:
            told(self.weekdays, "Tick at least one day.")
        between = self.part.data == "between"
        for field, example in ((self.from_time, "10 am"), (self.to_time, "2 pm")):
            if between and field.data is None and not field.errors:
                told(field, f"Write a time, like {example}.")
            if not between and field.data is not None:
                told(field, "A time is asked only between two times: choose that above, or leave it empty.")
        return not self.errors

    @property
    def said(self) -> Said:
        begins, ends = _PART_MINUTES.get(self.part.data, (self.from_time.data, self.to_time.data))
        return Said(self.kind.data, self.starts_on.data, self.ends_on.data, self.weekdays.bits, self.every.data, begins, ends)


class HelperForm(FlaskForm):  # type: ignore[misc]
    name = StringField(
        "Name",
        filters=[stripped],
        validators=[Needed("Write the helper’s name."), Length(max=120, message="Write it in 120 characters.")],
    )
    phone = StringField(
        "Telephone", filters=[stripped], validators=[Optional(), Length(max=40, message="Write it in 40 characters.")]
    )


class CalendarForm(FlaskForm):  # type: ignore[misc]
    label = StringField("What will read it", validators=[Length(max=60, message="Write it in 60 characters.")])
