"""Fields in which days, percents, dollars, areas and lengths are typed: each says how to write what it cannot read."""

from __future__ import annotations

import re
import secrets
from collections.abc import Iterable, Mapping, Sequence
from datetime import date
from decimal import Decimal
from typing import Any

from wtforms import Field, Form, HiddenField, SelectField
from wtforms.validators import StopValidation
from wtforms.widgets import DateInput, TextInput

from coop.core.geometry import format_length, parse_length
from coop.core.money import format_cents, format_decimal, format_price, parse_cents, parse_decimal
from coop.core.periods import Month
from coop.core.templating import MINUS, sqft
from coop.core.templating import percent as shown


class TypedField(Field):  # type: ignore[misc]
    """A line of text read into a value; what was typed is shown again when it cannot be."""

    widget = TextInput()
    data: Any

    def _value(self) -> str:
        if self.raw_data:
            return str(self.raw_data[0])
        return "" if self.data is None else self.write(self.data)

    def process_formdata(self, valuelist: Sequence[str]) -> None:
        text = valuelist[0].strip() if valuelist else ""
        self.data = None
        if text:
            self.data = self.read(text)

    def read(self, text: str) -> Any:
        """The value: the text itself, unless a kind of field reads it into more. Raises ValueError with a sentence."""
        return text

    def write(self, value: Any) -> str:
        return str(value)


class DayField(TypedField):
    widget = DateInput()

    def read(self, text: str) -> date:
        try:
            return date.fromisoformat(text)
        except ValueError:
            raise ValueError("This is not a day. Write it like 2026-10-19.") from None


class DaysField(TypedField):
    """Days with commas or spaces between them."""

    def read(self, text: str) -> tuple[str, ...]:
        days = []
        for word in re.split(r"[,;\s]+", text.strip(",; ")):
            try:
                days.append(date.fromisoformat(word).isoformat())
            except ValueError:
                raise ValueError(f"{word} is not a day. Write days like 2026-12-24, 2026-12-31.") from None
        return tuple(sorted(set(days)))

    def write(self, value: Any) -> str:
        return ", ".join(value)


class PercentField(TypedField):
    """A percent from 0 to 100; `too_much` says of what a larger one would be more, where that is no price."""

    def __init__(
        self, label: str, *, too_much: str = "This is more than the price. Write 5.5 for five and a half percent.", **more: Any
    ) -> None:
        super().__init__(label, **more)
        self.too_much = too_much

    def read(self, text: str) -> Decimal:
        try:
            value = parse_decimal(text.removesuffix("%"))
        except ValueError:
            raise ValueError("This is not a percent. Write it like 5.5.") from None
        if value < 0:
            raise ValueError("A percent cannot be negative.")
        if value > 100:
            raise ValueError(self.too_much)
        if value != round(value, 6):
            raise ValueError("Write at most six decimal places.")
        return value

    def write(self, value: Any) -> str:
        return shown(value).removesuffix("%")


class DollarsField(TypedField):
    """Dollars on the page, cents in `data`."""

    def read(self, text: str) -> int:
        try:
            value = parse_cents(text)
        except ValueError as error:
            raise ValueError(f"This {error}.") from None
        if value < 0:
            raise ValueError("An amount here cannot be negative.")
        if value >= 10**11:
            raise ValueError("This is too large: write less than a thousand million dollars.")
        return value

    def write(self, value: Any) -> str:
        return format_cents(value)


class AreaField(TypedField):
    """Square feet on the page, hundredths of them in `data`."""

    def read(self, text: str) -> int:
        try:
            value = parse_decimal(text.replace("sq ft", "").replace(",", "").strip())
        except ValueError:
            raise ValueError("This is not an area. Write square feet, like 120.5.") from None
        if value <= 0:
            raise ValueError("An area must be above zero.")
        if value >= 10**6 or value != round(value, 2):
            raise ValueError("Write square feet with at most two decimal places, below a million.")
        return int(value * 100)

    def write(self, value: Any) -> str:
        return sqft(value).removesuffix(" sq ft")


class LengthField(TypedField):
    """Feet and inches on the page, sixteenths of an inch in `data`."""

    def read(self, text: str) -> int:
        try:
            return parse_length(text)
        except ValueError as error:
            raise ValueError(f"This {error}.") from None

    def write(self, value: Any) -> str:
        return format_length(value)


class PriceField(TypedField):
    """A price in dollars that may have parts of a cent, as `Decimal`."""

    def read(self, text: str) -> Decimal:
        try:
            value = parse_decimal(text)
        except ValueError as error:
            raise ValueError(f"This {error}.") from None
        if value < 0:
            raise ValueError("A price cannot be negative.")
        if value > 10**6 or value != round(value, 6):
            raise ValueError("Write dollars, at most a million, with at most six decimal places.")
        return value

    def write(self, value: Any) -> str:
        return format_price(value)


class ChangeField(TypedField):
    """Percent more, or less with a minus, as `Decimal`."""

    def read(self, text: str) -> Decimal:
        try:
            value = parse_decimal(text.replace(MINUS, "-").removesuffix("%"))
        except ValueError:
            raise ValueError("This is not a percent. Write it like 3, or -3 for less.") from None
        if not -100 < value < 1000 or value != round(value, 6):
            raise ValueError("Write a percent above -100 with at most six decimal places.")
        return value

    def write(self, value: Any) -> str:
        return shown(value).removesuffix("%")


class NumberField(TypedField):
    """A whole number within bounds."""

    def __init__(self, label: str, *, least: int = 0, most: int, **more: Any) -> None:
        super().__init__(label, **more)
        self.least, self.most = least, most

    def read(self, text: str) -> int:
        if not (text.isascii() and text.isdigit() and len(text) <= 9 and self.least <= int(text) <= self.most):
            raise ValueError(f"Write a whole number from {self.least} to {self.most}.")
        return int(text)


class DecimalField(TypedField):
    """A number within bounds, as `Decimal`; each kind says its bounds, and how it asks for one."""

    least, most, places = 0, 0, 2
    like = ""
    """How it may be written: `1 or 1.5`."""
    asked = ""
    """What is told of one beyond the bounds, or with more decimals."""

    def read(self, text: str) -> Decimal:
        try:
            value = parse_decimal(text)
        except ValueError:
            raise ValueError(f"This is not a number. Write it like {self.like}.") from None
        if not self.least <= value <= self.most or value != round(value, self.places):
            raise ValueError(self.asked)
        return value

    def write(self, value: Any) -> str:
        return format_decimal(value)


class KeyField(HiddenField):  # type: ignore[misc]
    """Made when the form is first shown: by it the same form sent twice is one event."""

    data: str | None

    def made(self) -> str:
        if len(self.data or "") != 32:
            self.data = secrets.token_hex(16)
        return str(self.data)

    _value = made


class MonthField(TypedField):
    def read(self, text: str) -> Month:
        try:
            return Month.parse(text)
        except ValueError as error:
            raise ValueError(f"This {error}.") from None


class ChoiceField(SelectField):  # type: ignore[misc]
    """One of a few; `choices` has the words of each."""

    def __init__(self, label: str, *, choices: Mapping[str, str], **more: Any) -> None:
        super().__init__(label, choices=dict(choices), invalid_choice_message="Choose one of those listed.", **more)


class Needed:
    """Something that can be read must be typed; what could not be read has its own sentence."""

    def __init__(self, sentence: str) -> None:
        self.sentence = sentence
        self.field_flags = {"required": True}

    def __call__(self, _form: object, field: Any) -> None:
        if field.errors:
            raise StopValidation
        if field.data is None or field.data == "" or field.data == []:
            raise StopValidation(self.sentence)


def needed_first_day(label: str, like: str = "2026-10-19") -> DayField:
    """The day from which something holds, which must be written."""
    return DayField(label, validators=[Needed(f"Write the first day, like {like}.")])


def needed_number(label: str, least: int, most: int, like: int, what: str = "number") -> NumberField:
    """A whole number which must be written; `what` it is a number of is said where it is not."""
    return NumberField(label, least=least, most=most, validators=[Needed(f"Write a {what}, like {like}.")])


def whole_number(text: str | None) -> int | None:
    """An id or a version as forms and addresses carry them; None for anything else, and for what no database holds."""
    text = text or ""
    return int(text) if text.isascii() and text.isdigit() and len(text) < 19 else None


class RowForm(Form):  # type: ignore[misc]
    """A row of a list of forms; one in which nothing is written is left out."""

    @property
    def used(self) -> bool:
        return is_written(self)


def is_written(fields: Iterable[Any]) -> bool:
    """Whether anything was typed into any of these, though it could not be read."""
    return any(field.raw_data and field.raw_data[0].strip() for field in fields)


def told(field: Any, sentence: str) -> None:
    """Add a sentence to what is wrong with a field."""
    field.errors = [*field.errors, sentence]


def stripped(text: str | None) -> str:
    """A filter for lines of plain text."""
    return (text or "").strip()
