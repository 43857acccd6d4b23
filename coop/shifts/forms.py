"""Fields in which turns are spoken of: a time of day, and weekdays."""

from __future__ import annotations

from typing import Any

from wtforms import SelectMultipleField
from wtforms.fields.choices import SelectChoice
from wtforms.widgets import CheckboxInput, ListWidget

from coop.core.fields import TypedField
from coop.shifts.domain.hours import WEEKDAYS, clock, read_time


class TimeField(TypedField):
    """A time of day on the page, minutes after midnight in `data`."""

    def read(self, text: str) -> int:
        return read_time(text)

    def write(self, value: Any) -> str:
        return clock(value)


class WeekdaysField(SelectMultipleField):  # type: ignore[misc]
    """Weekdays to tick; bit 0 of `bits` is Monday."""

    widget = ListWidget(prefix_label=False)
    option_widget = CheckboxInput()

    def __init__(self, label: str, **more: Any) -> None:
        choices = [SelectChoice(str(n), name) for n, name in enumerate(WEEKDAYS)]
        super().__init__(label, choices=choices, validate_choice=True, **more)

    @property
    def bits(self) -> int:
        return sum(1 << int(day) for day in set(self.data or []) if day.isdigit() and int(day) < len(WEEKDAYS))
