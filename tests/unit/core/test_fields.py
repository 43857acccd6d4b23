"""What forms and addresses carry as text, read."""

from __future__ import annotations

from decimal import Decimal

import pytest
from werkzeug.datastructures import MultiDict
from wtforms import Form

from coop.core.fields import DecimalField, whole_number


@pytest.mark.parametrize(
    ("text", "read"),
    [("12", 12), ("0", 0), ("9" * 18, 10**18 - 1), ("9" * 19, None), ("9" * 5000, None), ("", None), (None, None)]
    + [(text, None) for text in ("-1", "+1", "1.0", " 1", "1_0", "²", "١٢", "twelve")],
)
def test_a_whole_number_is_read_and_nothing_else_is(text: str | None, read: int | None) -> None:
    assert whole_number(text) == read


class HalvesField(DecimalField):
    least, most, places, like = 1, 20, 1, "3 or 3.5"
    asked = "Write a number from 1 to 20, with at most one decimal."


class HalvesForm(Form):  # type: ignore[misc]
    halves = HalvesField("Halves")


@pytest.mark.parametrize(
    ("text", "value"), [("1", Decimal(1)), ("20.0", Decimal(20)), (" 3.50 ", Decimal("3.5")), ("", None), ("  ", None)]
)
def test_a_number_with_decimals_is_read_within_its_bounds(text: str, value: Decimal | None) -> None:
    form = HalvesForm(MultiDict({"halves": text}))
    assert form.validate()
    assert form.halves.data == value


@pytest.mark.parametrize(
    ("text", "sentence"),
    [
        ("many", "This is not a number. Write it like 3 or 3.5."),
        ("0.9", HalvesField.asked),
        ("20.1", HalvesField.asked),
        ("3.55", HalvesField.asked),
        ("-3", HalvesField.asked),
    ],
)
def test_what_is_no_such_number_is_told_and_shown_as_it_was_typed(text: str, sentence: str) -> None:
    form = HalvesForm(MultiDict({"halves": text}))
    assert not form.validate()
    assert form.halves.errors == [sentence]
    assert form.halves._value() == text


def test_a_number_is_shown_without_idle_zeros() -> None:
    assert HalvesForm(halves=Decimal("7.50")).halves._value() == "7.5"
