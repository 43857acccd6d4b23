"""Fields in which days, percents, dollars and tax classes are typed: each says how to write what it cannot read."""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping, Sequence
from datetime import date
from decimal import Decimal
from typing import Any

from wtforms import Field, SelectField
from wtforms.validators import StopValidation
from wtforms.widgets import DateInput, TextInput

from coop.core.money import format_cents, parse_cents, parse_decimal
from coop.core.templating import percent as shown
from coop.tax.service import CLASS


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
        """The value. Raises ValueError with a sentence."""
        raise NotImplementedError

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
    def read(self, text: str) -> Decimal:
        try:
            value = parse_decimal(text.removesuffix("%"))
        except ValueError:
            raise ValueError("This is not a percent. Write it like 5.5.") from None
        if value < 0:
            raise ValueError("A percent cannot be negative.")
        if value > 100:
            raise ValueError("This is more than the price. Write 5.5 for five and a half percent.")
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


def dollars_text(cents: int) -> str:
    """Cents as a rule's terms keep them."""
    return format_cents(cents, grouped=False)


class ClassesField(TypedField):
    """Tax classes with commas between them; `data` is a list."""

    def read(self, text: str) -> list[str]:
        classes = [word.lower() for word in re.split(r"[,;\s]+", text.strip(",; ")) if word]
        for word in classes:
            if not CLASS.fullmatch(word):
                raise ValueError(f"{word} is no tax class: use letters, digits and hyphens, such as clothing, twenty at most.")
        return list(dict.fromkeys(classes))

    def write(self, value: Any) -> str:
        return ", ".join(value)


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


def unknown_sentence(classes: Iterable[str], known: set[str]) -> str | None:
    """What is wrong with classes that nothing has yet; None when all are known."""
    strange = [word for word in classes if word not in known]
    if not strange:
        return None
    there = ", ".join(sorted(known))
    verb = "is not a class" if len(strange) == 1 else "are not classes"
    return f"{', '.join(strange)} {verb} in use. In use: {there}. Mend it, or say below that it is new."


def told(field: Any, sentence: str) -> None:
    """Add a sentence to what is wrong with a field."""
    field.errors = [*field.errors, sentence]
