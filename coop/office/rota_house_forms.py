"""What is typed to set a mall's hours, holidays, posts and rules of turns."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from decimal import Decimal
from typing import Any

from flask_wtf import FlaskForm
from wtforms import BooleanField, StringField, TextAreaField
from wtforms.fields.choices import SelectChoice
from wtforms.validators import Length

from coop.core.fields import (
    ChoiceField,
    DayField,
    DecimalField,
    DollarsField,
    Needed,
    NumberField,
    TypedField,
    needed_first_day,
    needed_number,
    stripped,
    told,
)
from coop.core.money import format_decimal, parse_decimal
from coop.office.house_rules import DatedForm
from coop.shifts.domain.hours import CLOSED, WEEKDAYS, Hours, clock, public_holidays, read_time
from coop.shifts.forms import TimeField, WeekdaysField
from coop.shifts.hours import HOW_WORDS
from coop.shifts.posts import KIND_WORDS
from coop.shifts.rules import TurnRules

DAY_LIKE = "2026-12-01"


# --- hours ----------------------------------------------------------------------------------------------------------------


class HoursOfForm(FlaskForm):  # type: ignore[misc]
    """Two times of day of which both or neither stand."""

    def hours(self, opens: TimeField, closes: TimeField, unless: str) -> Hours:
        """What the two say. What is wrong is told at the field that mends it; `unless` ends that sentence."""
        if opens.errors or closes.errors:
            return CLOSED
        begins, ends = opens.data, closes.data
        if begins is None and ends is None:
            return CLOSED
        if ends is None:
            told(closes, f"Write when it closes{unless}.")
        elif begins is None:
            told(opens, f"Write when it opens{unless}.")
        elif ends <= begins:
            told(closes, f"It would close before it opens at {clock(begins)}: write a later time.")
        return Hours(begins, ends)


class WeekForm(HoursOfForm):
    """The hours of the seven weekdays from a day on; `opens_0` is Monday's."""

    starts_on = needed_first_day("These hours hold from", DAY_LIKE)

    def check(self) -> bool:
        self.validate()
        self.week = {n: self.hours(*self.pair(n), ", or leave both empty for closed") for n in range(7)}
        if not self.errors and set(self.week.values()) == {CLOSED}:
            told(self["opens_0"], "Write the hours of one weekday at least, like 10 am to 6 pm.")
        return not self.errors

    def pair(self, weekday: int) -> tuple[TimeField, TimeField]:
        return self[f"opens_{weekday}"], self[f"closes_{weekday}"]


for _n, _name in enumerate(WEEKDAYS):
    setattr(WeekForm, f"opens_{_n}", TimeField(f"{_name} opens at"))
    setattr(WeekForm, f"closes_{_n}", TimeField(f"{_name} closes at"))


def week_form(week: Mapping[int, Hours], starts_on: Any) -> WeekForm:
    """The form of the hours that hold last of all, to be changed from a day on."""
    typed = {f"opens_{n}": hours.opens_min for n, hours in week.items()}
    typed |= {f"closes_{n}": hours.closes_min for n, hours in week.items()}
    return WeekForm(formdata=None, starts_on=starts_on, **typed)


class DateForm(HoursOfForm):
    """Hours of one date."""

    on_date = DayField("Date", validators=[Needed("Write the day, like 2026-12-24.")])
    closed = BooleanField("Closed all day")
    opens = TimeField("Opens at")
    closes = TimeField("Closes at")
    why = StringField("Why", filters=[stripped], validators=[Length(max=120, message="Write it in 120 characters.")])

    def check(self) -> bool:
        self.validate()
        self.wanted = CLOSED
        if self.closed.data:
            if not self.why.data:
                told(self.why, "Say why, such as snow: whoever had a turn is told.")
        else:
            self.wanted = self.hours(self.opens, self.closes, ", or tick that it is closed")
            if not self.errors and self.wanted == CLOSED:
                told(self.opens, "Write when it opens and closes, or tick that it is closed.")
        return not self.errors


class HolidayForm(HoursOfForm):
    """What is done on a holiday from a day on."""

    name = ChoiceField("Holiday", choices={})
    how = ChoiceField("The mall is", choices=HOW_WORDS)
    short_opens = TimeField("Opens at")
    short_closes = TimeField("Closes at")
    chosen_from = needed_first_day("From", DAY_LIKE)

    def __init__(self, *args: Any, names: Iterable[str], **more: Any) -> None:
        super().__init__(*args, **more)
        self.name.choices = [SelectChoice(name, name) for name in names]

    def check(self) -> bool:
        self.validate()
        self.wanted = CLOSED
        if self.how.data == "short":
            self.wanted = self.hours(self.short_opens, self.short_closes, "")
            if not self.errors and self.wanted == CLOSED:
                told(self.short_opens, "Write when it opens and closes, or choose another way.")
        return not self.errors


# --- posts ----------------------------------------------------------------------------------------------------------------


class PostForm(FlaskForm):  # type: ignore[misc]
    name = StringField(
        "Name",
        filters=[stripped],
        validators=[Needed("Name it, such as Desk."), Length(max=40, message="Write it in 40 characters.")],
    )
    kind = ChoiceField("People stand", choices=KIND_WORDS)


ENDS: Mapping[str, str] = {
    "open": "opening",
    "before open": "so long before opening",
    "after open": "so long after opening",
    "clock": "a time of day",
    "before close": "so long before closing",
    "close": "closing",
    "after close": "so long after closing",
}
_LENGTH = "Write how long in minutes, like 30, or in hours and minutes, like 1:30."


class NeedForm(FlaskForm):  # type: ignore[misc]
    """A span of weekdays with the people it needs."""

    weekdays = WeekdaysField("On")
    from_what = ChoiceField("From", choices=ENDS)
    from_value = TypedField("Time, or how long")
    to_what = ChoiceField("To", choices=ENDS)
    to_value = TypedField("Time, or how long")
    people = NumberField("People", least=1, most=20, validators=[Needed("Write how many people, like 1.")])
    key_holders = NumberField("Of whom hold a key", least=0, most=20)
    starts_on = needed_first_day("Needed from", DAY_LIKE)

    def check(self) -> bool:
        self.validate()
        if not self.weekdays.bits:
            told(self.weekdays, "Tick one weekday at least.")
        self.span = (*self._end(self.from_what, self.from_value), *self._end(self.to_what, self.to_value))
        if self.people.data and (self.key_holders.data or 0) > self.people.data:
            told(self.key_holders, f"Only {self.people.data} stand there: write 0 to {self.people.data}.")
        return not self.errors

    def _end(self, what: ChoiceField, value: TypedField) -> tuple[str, int]:
        """As `posts.add_need` takes it."""
        side, _, edge = (what.data or "").rpartition(" ")
        text = value.data or ""
        if what.errors or (not side and edge in ("open", "close")):
            return edge, 0
        try:
            if edge == "clock":
                return edge, read_time(text)
            return edge, _minutes(text) * (-1 if side == "before" else 1)
        except ValueError as error:
            told(value, "Write the time of day, like 2 pm." if edge == "clock" and not text else str(error))
            return edge, 0


def _minutes(text: str) -> int:
    hours, colon, rest = text.partition(":")
    parts = (hours, rest) if colon else ("0", hours)
    if not all(part.isascii() and part.isdigit() and len(part) < 4 for part in parts) or (colon and int(rest) > 59):
        raise ValueError(_LENGTH)
    return int(parts[0]) * 60 + int(parts[1])


class EndForm(FlaskForm):  # type: ignore[misc]
    """The last day of something."""

    ends_on = DayField("Last day", validators=[Needed("Write the last day, like 2026-12-31.")])


# --- rules ----------------------------------------------------------------------------------------------------------------


class TurnsField(DecimalField):
    """A number of turns to the hundredth."""

    most, like = 200, "2 or 1.5"
    asked = "Write a number of turns from 0 to 200, with at most two decimals."


class RestField(TypedField):
    """Hours on the page, minutes in `data`."""

    def read(self, text: str) -> int:
        try:
            minutes = parse_decimal(text) * 60
        except ValueError:
            raise ValueError("This is not a number of hours. Write it like 10 or 10.5.") from None
        if not 0 <= minutes <= 48 * 60 or minutes != minutes.to_integral_value():
            raise ValueError("Write hours from 0 to 48, in whole minutes.")
        return int(minutes)

    def write(self, value: Any) -> str:
        return format_decimal(round(Decimal(value) / 60, 2))


class StepsField(TextAreaField):  # type: ignore[misc]
    """A step a line, `100: 0.5`: from 100 sq ft on, half a turn more. `data` is as TurnRules.owed_by_area has it."""

    def process_formdata(self, valuelist: Any) -> None:
        self.data = []
        for line in (valuelist[0] if valuelist else "").splitlines():
            if not line.strip():
                continue
            area, colon, turns = line.partition(":")
            try:
                pair = tuple(parse_decimal(part) * 100 for part in (area, turns)) if colon else ()
            except ValueError:
                pair = ()
            if len(pair) != 2 or any(part <= 0 or part != part.to_integral_value() or part > 10**8 for part in pair):
                raise ValueError(f"{line.strip()!r} is no step. Write square feet and turns, like 100: 0.5.")
            self.data.append((int(pair[0]), int(pair[1])))
        areas = [area for area, _ in self.data]
        if areas != sorted(set(areas)):
            raise ValueError("Write the steps upwards, each once: the smallest area first.")

    def _value(self) -> str:
        if self.raw_data:
            return str(self.raw_data[0])
        return "\n".join(
            f"{format_decimal(Decimal(area) / 100)}: {format_decimal(Decimal(turns) / 100)}" for area, turns in self.data or ()
        )


class RulesForm(DatedForm):
    """The rules of turns from a day on."""

    starts_on = needed_first_day("These rules hold from", DAY_LIKE)
    owed_base = TurnsField("Turns a month that a lease owes", validators=[Needed("Write a number of turns, 0 for none.")])
    owed_by_area = StepsField("More by leased area, a step a line")
    owed_most = TurnsField("Turns a month that a member owes at most", validators=[Needed("Write a number of turns, like 8.")])
    new_days = needed_number("Days after joining without turns", 0, 366, 30)
    answers_day = needed_number("Until which day of the month before", 1, 28, 20)
    silence = ChoiceField("Who says nothing", choices={"free": "is free at any time", "never": "is given no turns that month"})
    most_day = needed_number("Turns in a day at most", 1, 10, 1)
    most_week = needed_number("Turns from Monday to Sunday at most", 1, 70, 3)
    most_in_row = needed_number("Days in a row with a turn at most", 1, 31, 3)
    rest_minutes = RestField("Hours between turns on different days", validators=[Needed("Write hours, 0 for none.")])
    keys_at_ends = needed_number("Key holders who open, and who close", 0, 20, 1)
    least_people = needed_number("People there at least, on the days ticked", 1, 20, 2)
    least_weekdays = WeekdaysField("On these days, as long as the mall is open")
    holidays_of = StringField(
        "Whose public holidays count",
        filters=[stripped, str.upper],
        validators=[Length(max=8, message="Write a code like US or US-OH.")],
    )
    remind_days = needed_number("Days before a turn to remind of it", 0, 30, 2)
    swap_hours = needed_number("Hours before a turn at which swaps end", 0, 744, 24)
    late_minutes = needed_number("Minutes after which somebody is late", 0, 240, 10)
    no_show_minutes = needed_number("Minutes after which nobody has come", 1, 480, 30)
    no_show = ChoiceField("A turn nobody came to", choices={"owe": "is owed on", "charge": "is charged, and owed no more"})
    no_show_cents = DollarsField("Charged for it")
    closed = ChoiceField("A turn on a day the mall stays closed", choices={"worked": "counts as worked", "owed": "is owed on"})
    buy_out_cents = DollarsField("A turn is bought out at")
    paid_substitutes = BooleanField("A member may pay another for standing in")
    carry_most = TurnsField("Turns carried at most, up or down")
    credit_cents = DollarsField("A turn worked beyond that brings")

    def check_more(self) -> None:
        if not self.holidays_of.errors:
            try:
                public_holidays(self.holidays_of.data or "", 2026)
            except ValueError as error:
                told(self.holidays_of, str(error))
        if self.no_show.data == "charge" and not self.no_show_cents.data and not self.no_show_cents.errors:
            told(self.no_show_cents, "Write how many dollars, or let it be owed on.")
        if self.carry_most.data is not None and self.buy_out_cents.data is None and not self.buy_out_cents.errors:
            told(self.buy_out_cents, "Turns short beyond what is carried are charged at it: write it, or carry all.")
        if None not in (self.late_minutes.data, self.no_show_minutes.data) and self.no_show_minutes.data < self.late_minutes.data:
            told(self.no_show_minutes, f"Somebody is late after {self.late_minutes.data} minutes: write as many or more.")
        if None not in (self.owed_base.data, self.owed_most.data) and self.owed_most.data < self.owed_base.data:
            told(self.owed_most, "A lease alone owes more: write as many turns or more.")

    def changes(self) -> dict[str, Any]:
        return super().changes() | {
            "least_weekdays": self.least_weekdays.bits,
            "owed_by_area": tuple(self.owed_by_area.data),
            "holidays_of": self.holidays_of.data or "",
            "no_show_cents": self.no_show_cents.data or 0,
            "credit_cents": self.credit_cents.data or 0,
        }


def rules_form(rules: TurnRules, starts_on: Any) -> RulesForm:
    """The form of the rules that hold last of all, to be changed from a day on."""
    typed = {name: value for name, value in vars(rules).items() if name not in ("starts_on", "least_weekdays")}
    return RulesForm(
        formdata=None,
        starts_on=starts_on,
        least_weekdays=[str(n) for n in range(7) if rules.least_weekdays >> n & 1],
        **typed | {"no_show_cents": rules.no_show_cents or None, "credit_cents": rules.credit_cents or None},
    )
