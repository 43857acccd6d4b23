"""What is typed of a piece that has floor: where else it stands, how long, its last day, and why it is asked back."""

from __future__ import annotations

from collections.abc import Iterable
from datetime import date
from typing import Any

from flask_wtf import FlaskForm
from wtforms import BooleanField, StringField
from wtforms.fields.choices import SelectChoice
from wtforms.validators import Length

from coop.core.errors import Refusal
from coop.core.fields import ChoiceField, DayField, LengthField, Needed, NumberField, stripped
from coop.overflow.judging import LimitRefused
from coop.overflow.recalling import LONGEST_WHY, MOST_DAYS

_ANYWAY = "Let it pass this once: it is written in the log"


class LimitedForm(FlaskForm):  # type: ignore[misc]
    """A form of something that a limit of the house may refuse, and that may be let pass then."""

    anyway = BooleanField(_ANYWAY)
    refused_by_limit = False

    @property
    def asks_anyway(self) -> bool:
        return self.refused_by_limit or bool(self.anyway.data)

    def refuse(self, refusal: Refusal, field: Any) -> None:
        self.refused_by_limit = isinstance(refusal, LimitRefused)
        field.errors = [str(refusal)]


class MoveForm(LimitedForm):
    bay = ChoiceField("To bay", choices={})
    begins = LengthField("From, along the bay")
    on = DayField("From the day", validators=[Needed("Write the day, like 2026-12-01.")])
    turned = BooleanField("With its side to the aisle")

    def __init__(self, *args: Any, bays: Iterable[tuple[str, str]], **more: Any) -> None:
        """`bays`: the code of each it may stand in, and its words."""
        super().__init__(*args, prefix="move-", **more)
        self.bay.choices = [SelectChoice(code, words) for code, words in bays]


class LengthenForm(LimitedForm):
    until = DayField("Its last day", validators=[Needed("Write the last day, like 2026-12-31.")])

    def __init__(self, *args: Any, **more: Any) -> None:
        super().__init__(*args, prefix="lengthen-", **more)


class EndForm(FlaskForm):  # type: ignore[misc]
    on = DayField("Its last day", validators=[Needed("Write the last day, like 2026-12-01.")])

    def __init__(self, *args: Any, **more: Any) -> None:
        super().__init__(*args, prefix="end-", **more)


class RecallForm(FlaskForm):  # type: ignore[misc]
    why = StringField(
        "Why",
        filters=[stripped],
        validators=[
            Needed("Say why: its dealer is told."),
            Length(max=LONGEST_WHY, message=f"Write it in {LONGEST_WHY} characters."),
        ],
    )
    days = NumberField("Days of notice", most=MOST_DAYS, validators=[Needed("Write how many days, 0 for today.")])
    for_safety = BooleanField("It is for safety: fewer days than usual may do")

    def __init__(self, *args: Any, **more: Any) -> None:
        super().__init__(*args, prefix="recall-", **more)


def move_form(bays: Iterable[tuple[str, str]], code: str, on: date, *, turned: bool) -> MoveForm:
    return MoveForm(formdata=None, bays=bays, bay=code, on=on, turned=turned)
