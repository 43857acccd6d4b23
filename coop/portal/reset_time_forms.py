"""What a dealer types of the hours: how long work took; and the minutes, box and lead days that the dealer goes by."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import asdict
from typing import Any, cast

from flask_wtf import FlaskForm
from wtforms import Form as PlainForm
from wtforms import FormField, SelectField
from wtforms.fields.choices import SelectChoice

from coop.core.fields import ChoiceField, DayField, Needed, NumberField, told
from coop.resets.domain.hours.estimate import Minutes
from coop.resets.domain.hours.tasks import COUNTED, TASK_KINDS, HoursSettings, TaskKind
from coop.resets.domain.season import Leads
from coop.resets.settings import LEADS, MOST_DAYS, MOST_MONTHS, MOST_SMALLS, Setting
from coop.resets.timing import MOST_MINUTES, TASK_WORDS

_MOST_PEOPLE, _MOST_COUNT = 20, 10_000
LEAD_WORDS: Mapping[str, str] = {
    "buy_days": "Buying over",
    "book_days": "Dock and floor booked",
    "ask_days": "Helpers asked",
    "van_days": "Van booked",
    "mend_days": "Mended and dry",
    "price_days": "Priced and tagged",
    "pack_days": "Packed",
    "season_months": "Months of a season",
}


def task_words(kind: TaskKind) -> str:
    """`Pack smalls, by the box`"""
    return f"{TASK_WORDS[kind]}, by the {COUNTED[kind]}"


class TimeForm(FlaskForm):  # type: ignore[misc]
    """A stretch of work, logged."""

    task = ChoiceField("What", choices={kind: task_words(kind) for kind in TASK_KINDS})
    minutes = NumberField(
        "Minutes",
        least=1,
        most=MOST_MINUTES,
        validators=[Needed("Write how many minutes it took.")],
        render_kw={"inputmode": "numeric"},
    )
    count = NumberField(
        "How many",
        least=1,
        most=_MOST_COUNT,
        validators=[Needed("Write how many were done in that time.")],
        render_kw={"inputmode": "numeric"},
    )
    people = NumberField(
        "People", least=1, most=_MOST_PEOPLE, validators=[Needed("Write how many did it.")], render_kw={"inputmode": "numeric"}
    )
    on_date = DayField("On", validators=[Needed("Choose the day.")])
    reset = SelectField("Of the reset", invalid_choice_message="Choose one of those listed.")

    def among(self, resets: Iterable[tuple[int, str]]) -> None:
        self.reset.choices = [SelectChoice("", "none in particular"), *(SelectChoice(str(one), words) for one, words in resets)]


class MinutesForm(PlainForm):  # type: ignore[misc]
    least = NumberField("Least", most=MOST_MINUTES, render_kw={"inputmode": "numeric"})
    likely = NumberField("Likely", most=MOST_MINUTES, render_kw={"inputmode": "numeric"})
    most = NumberField("Most", most=MOST_MINUTES, render_kw={"inputmode": "numeric"})

    def read(self) -> Minutes | None:
        """None where all three are empty: as usual. What is not in order is told."""
        fields = (self.least, self.likely, self.most)
        if any(field.errors for field in fields) or all(field.data is None for field in fields):
            return None
        for field in fields:
            if field.data is None:
                told(field, "Write all three, or none for the usual.")
        if any(field.errors for field in fields):
            return None
        for less, more in ((self.least, self.likely), (self.likely, self.most)):
            if less.data > more.data:
                told(more, "This is less than the one before it.")
                return None
        return Minutes(self.least.data, self.likely.data, self.most.data)


class SettingsForm(FlaskForm):  # type: ignore[misc]
    """Minutes by kind of task (`take_down` for "take down"), smalls a box, and a field a step of the season."""

    smalls_a_box = NumberField("Smalls a box", least=1, most=MOST_SMALLS, render_kw={"inputmode": "numeric"})

    @classmethod
    def of(cls, setting: Setting) -> SettingsForm:
        """A form that shows what a dealer goes by, the usual where nothing is set."""
        hours, days = setting.hours, asdict(setting.season)
        data: dict[str, Any] = {_name(kind): asdict(hours.minutes[kind]) for kind in TASK_KINDS}
        return cls(formdata=None, data={**data, "smalls_a_box": hours.smalls_a_box, **days})

    @property
    def kinds(self) -> list[tuple[str, str, FormField]]:
        """Of each kind of task its name, the usual in words, and its fields."""
        usual = HoursSettings().minutes
        words = [(kind, f"usually {usual[kind].least}, {usual[kind].likely}, {usual[kind].most}") for kind in TASK_KINDS]
        return [(task_words(kind), said, self[_name(kind)]) for kind, said in words]

    @property
    def leads(self) -> list[tuple[int, Any]]:
        """Of each step of the season the usual, and its field."""
        usual = asdict(Leads())
        return [(usual[name], self[name]) for name in LEADS]

    def read(self) -> Setting | None:
        """The settings as they were written; None where something could not be read, and each field says what."""
        is_good = self.validate()
        minutes: dict[TaskKind, Minutes] = {}
        for kind in TASK_KINDS:
            form = cast(MinutesForm, self[_name(kind)].form)
            one = form.read()
            is_good = is_good and not any(field.errors for field in form)
            if one is not None:
                minutes[kind] = one
        if not is_good:
            return None
        return Setting(minutes, self.smalls_a_box.data, {name: self[name].data for name in LEADS if self[name].data is not None})


def _name(kind: TaskKind) -> str:
    return kind.replace(" ", "_")


for _kind in TASK_KINDS:
    setattr(SettingsForm, _name(_kind), FormField(MinutesForm, task_words(_kind)))
for _lead in LEADS:
    _is_months = _lead == "season_months"
    _bounds = {"least": 1, "most": MOST_MONTHS} if _is_months else {"least": 0, "most": MOST_DAYS}
    setattr(SettingsForm, _lead, NumberField(LEAD_WORDS[_lead], **_bounds, render_kw={"inputmode": "numeric"}))
