"""What is typed on the pages of sets: names and dates, and a set as rows of figures, one a piece."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import Any

from flask_wtf import FlaskForm
from wtforms import SelectField, StringField, TextAreaField
from wtforms.fields.choices import SelectChoice
from wtforms.validators import InputRequired, Length

from coop.core.fields import DayField, Needed, stripped, whole_number
from coop.core.geometry import format_length, parse_length
from coop.floor.domain.plan_csv import signed_length
from coop.resets.comparing import box_of, from_left_and_back
from coop.resets.domain.booth import Booth
from coop.resets.domain.piece import Piece, Placed
from coop.resets.models import BoothSet
from coop.resets.set_json import MOST_PIECES, Put
from coop.resets.sets import LONGEST_NAME, LONGEST_NOTE, LONGEST_THEME, Terms
from coop.resets.wording import EMPTY_BOOTH

FIELDS = ("x", "y", "t", "on", "up")
LAST_YEARS = "last-year"
FIELD_WORDS = {
    "x": "from the left",
    "y": "from the back",
    "t": "turn",
    "on": "what it stands on",
    "up": "height above the floor",
}


def _short(most: int) -> Length:
    return Length(max=most, message=f"Write it in {most} characters.")


class TermsForm(FlaskForm):  # type: ignore[misc]
    name = StringField(
        "Name", filters=[stripped], validators=[InputRequired("Give the set a name, like Spring."), _short(LONGEST_NAME)]
    )
    starts_on = DayField("Stands from", validators=[Needed("Write its first day, like 2027-03-01.")])
    ends_on = DayField("Until")
    theme = StringField("Theme", filters=[stripped], validators=[_short(LONGEST_THEME)])
    note = TextAreaField("Note", filters=[stripped], validators=[_short(LONGEST_NOTE)])

    @property
    def terms(self) -> Terms:
        return Terms(self.name.data, self.starts_on.data, self.ends_on.data, self.theme.data or "", self.note.data or "")


class NewSetForm(TermsForm):
    source = SelectField("Begin with", default="")

    def __init__(self, *args: Any, sources: Sequence[tuple[BoothSet, str]] = (), **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        choices = [SelectChoice("", EMPTY_BOOTH)]
        if sources:
            choices.append(SelectChoice(LAST_YEARS, "what stood a year before"))
        self.source.choices = [*choices, *(SelectChoice(str(row.id), words) for row, words in sources)]


# --- a set as rows --------------------------------------------------------------------------------------------------------------


@dataclass
class PieceRowForm:
    """One piece of a set as typed."""

    piece_id: int
    piece: Piece
    number: int
    typed: dict[str, str]
    locked: bool = False
    out: bool = False
    wrong: dict[str, str] = field(default_factory=dict)


@dataclass
class SetForm:
    """A whole set as typed, and what is wrong with it by the row."""

    version: int
    rows: list[PieceRowForm]
    others: list[str] = field(default_factory=list)
    puts: list[Put] | None = None
    """What was read, where nothing is wrong."""

    @property
    def has_mistakes(self) -> bool:
        return bool(self.others or any(row.wrong for row in self.rows))

    def tell(self, faults: Sequence[tuple[int, str]]) -> None:
        """Put each fault at its row."""
        rows = {row.piece_id: row for row in self.rows}
        for piece_id, sentence in faults:
            if piece_id in rows:
                rows[piece_id].wrong.setdefault("on", sentence)
            else:
                self.others.append(sentence)


def set_form(booth: Booth, pieces: Mapping[int, Piece], puts: Sequence[Put], version: int) -> SetForm:
    rows = []
    for number, put in enumerate(puts, 1):
        piece = pieces[put.piece_id]
        placed = Placed(piece, put.x_in16, put.y_in16, put.turn_deg)
        left, back = from_left_and_back(booth, placed)
        typed = {
            "x": format_length(left),
            "y": format_length(back),
            "t": str(put.turn_deg),
            "on": "" if put.on_piece_id is None else str(put.on_piece_id),
            "up": format_length(put.up_in16) if put.up_in16 else "",
        }
        rows.append(PieceRowForm(put.piece_id, piece, number, typed, put.locked))
    return SetForm(version, rows)


def read_set(sent: Mapping[str, str], booth: Booth, pieces: Mapping[int, Piece]) -> SetForm:
    """The set that a form says. Where something cannot be read it has no puts, and says what at its row and field."""
    version = whole_number(sent.get("version"))
    form = SetForm(-1 if version is None else version, [])
    if version is None:
        form.others.append("The form came without its version: open the page again, and change it there.")
    known = [name[1:-2] for name in sent if name.startswith("p") and name.endswith("-x")][:MOST_PIECES]
    puts = []
    for key in known:
        piece_id = whole_number(key)
        if piece_id is None or piece_id not in pieces:
            form.others.append("A row is of a piece that is none of yours: open the page again.")
            continue
        typed = {name: sent.get(f"p{key}-{name}", "").strip() for name in FIELDS}
        row = PieceRowForm(piece_id, pieces[piece_id], len(form.rows) + 1, typed, f"p{key}-locked" in sent, f"p{key}-out" in sent)
        form.rows.append(row)
        put = _read_row(row, booth)
        if not row.out:
            puts.append(put)
    out = {row.piece_id for row in form.rows if row.out}
    if not form.has_mistakes:
        # What stood on a piece that is taken out is on the floor then.
        form.puts = [put if put.on_piece_id not in out else replace(put, on_piece_id=None) for put in puts]
    return form


def _read_row(row: PieceRowForm, booth: Booth) -> Put:
    turn = _turn(row)
    width, depth = box_of(row.piece.width_in16, row.piece.depth_in16, turn)
    left, back = min(x for x, _ in booth.outline), min(y for _, y in booth.outline)
    x = _length(row, "x") + left + width // 2
    y = _length(row, "y") + back + depth // 2
    on = whole_number(row.typed["on"])
    if on is None and row.typed["on"]:
        row.wrong["on"] = "Choose one of those listed."
    up = 0
    if row.typed["up"]:
        try:
            up = parse_length(row.typed["up"])
        except ValueError as error:
            row.wrong["up"] = f"{row.typed['up']!r} {error}."
    return Put(row.piece_id, x, y, turn, on, up, row.locked)


def _length(row: PieceRowForm, name: str) -> int:
    text = row.typed[name]
    if not text:
        row.wrong[name] = f"Write how far {row.piece.name} is {FIELD_WORDS[name]}, like 2' 6\"."
        return 0
    try:
        return signed_length(text)
    except ValueError as error:
        row.wrong[name] = f"{text!r} {error}."
        return 0


def _turn(row: PieceRowForm) -> int:
    text = row.typed["t"].removesuffix("°").strip() or "0"
    digits = text.removeprefix("-")
    if not (digits.isascii() and digits.isdigit() and len(digits) <= 4):
        row.wrong["t"] = f"{row.typed['t']!r} is no turn: write whole degrees clockwise, like 90."
        return 0
    return int(text) % 360
