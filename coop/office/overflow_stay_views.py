"""A piece that has floor, in the office: moved, kept longer, ended, asked back, taken back, and each of these undone."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from typing import Any

from flask import abort, flash, redirect, render_template, request, url_for

from coop.core.errors import Refusal
from coop.core.fields import whole_number
from coop.core.geometry import format_length
from coop.core.periods import shown_day
from coop.core.web import Page, allow, db, now, roll_back
from coop.floor.models import Mall
from coop.office.mall_page import by, page_of, today_of, wanted_mall
from coop.office.overflow_floor import bay_row
from coop.office.overflow_stay import Elsewhere, StayPage, after_all_words, elsewhere, first_place, stay_page_of
from coop.office.overflow_stay_forms import EndForm, LengthenForm, MoveForm, RecallForm, move_form
from coop.office.overflow_views import overflow
from coop.office.views import READERS
from coop.overflow.bay_drawing import bay_strip
from coop.overflow.models import Stay
from coop.overflow.queries import is_waiting, stay_of
from coop.overflow.reading import Standing, bay_of, there_between
from coop.overflow.recalling import LONGEST_WHY, recall, take_back_recall
from coop.overflow.rules import rules_on
from coop.overflow.staying import (
    cancel_stay,
    end_stay,
    lengthen_stay,
    move_stay,
    said_moved_in,
    stand_again,
    take_back_end,
    take_back_lengthening,
)


@dataclass(frozen=True)
class Forms:
    """Those of the page; one that was sent and refused stands in the place of an empty one."""

    move: MoveForm | None = None
    lengthen: LengthenForm | None = None
    end: EndForm | None = None
    recall: RecallForm | None = None


def _wanted(mall_code: str, stay_id: int) -> tuple[Mall, Standing]:
    mall, one = wanted_mall(mall_code), stay_of(db(), stay_id)
    if one is None or one.bay.mall_id != mall.id:
        abort(404)
    return mall, one


@overflow.get("/<mall_code>/stays/<int:stay_id>")
@allow(*READERS)
def stay(mall_code: str, stay_id: int) -> Page:
    return _page(mall_code, stay_id)


def _page(mall_code: str, stay_id: int, forms: Forms | None = None) -> str:
    """The page as it is now, with what was typed and refused."""
    mall, one = _wanted(mall_code, stay_id)
    today, forms = today_of(mall), forms or Forms()
    it = stay_page_of(db(), mall, one, today)
    day = today if it.is_overdue else min(max(today, one.stay.starts_on), one.stay.ends_on)
    other = elsewhere(db(), mall, one, today) if it.stands else None
    if other and not forms.move:
        forms = replace(forms, move=move_form(other.bays, one.bay.code, max(today, one.stay.starts_on), turned=one.stay.turned))
    return render_template(
        "office/overflow/stay.html",
        **page_of(mall),
        it=it,
        one=one,
        day=day,
        strip=bay_strip(
            bay_of(bay_row(db(), mall.id, one.bay.code) or one.bay),
            there_between(db(), mall.id, day, day, today),
            day,
            [one.stay.id] if it.must_move else [],
            today=today,
        ),
        other=other,
        move=forms.move,
        lengthen=forms.lengthen or LengthenForm(formdata=None),
        end=forms.end or EndForm(formdata=None, on=today),
        recall=forms.recall or _recall_form(mall, it),
        was=_was(other),
    )


def _recall_form(mall: Mall, it: StayPage) -> RecallForm:
    """With the notice of the house, or sooner where it is asked back already."""
    stay = it.standing.stay
    sooner = stay.recalled_at is not None
    days = 0 if sooner else rules_on(db(), mall.id, it.today).recall_days
    return RecallForm(formdata=None, days=days, why=it.must_move[:LONGEST_WHY] or stay.recall_why, for_safety=sooner)


def _was(other: Elsewhere | None) -> tuple[str, str] | None:
    """Where it stood before it was moved just now, for a press that moves it back: bay and place; None where it may not."""
    code, at = request.args.get("was", ""), whole_number(request.args.get("at"))
    if at is None or other is None or code not in dict(other.bays):
        return None
    return code, format_length(at)


def _to(mall_code: str, stay_id: int, sentence: str, **more: Any) -> Page:
    flash(sentence)
    return redirect(url_for("overflow.stay", mall_code=mall_code, stay_id=stay_id, **more), 303)


def _press(mall_code: str, stay_id: int, deed: Callable[[Standing], tuple[str, Stay]]) -> Page:
    """Do one thing to a stay, and say so on the page of the one it is then; what refuses it stands on its page as it is now."""
    _, one = _wanted(mall_code, stay_id)
    try:
        sentence, then = deed(one)
    except Refusal as refusal:
        roll_back()
        flash(str(refusal))
        return _page(mall_code, stay_id), 422
    return _to(mall_code, then.id, sentence)


# --- where, and how long ----------------------------------------------------------------------------------------------------


@overflow.post("/<mall_code>/stays/<int:stay_id>/move")
@allow("manager")
def move(mall_code: str, stay_id: int) -> Page:
    """To another place; with none said, the leftmost that is free in the bay."""
    mall, one = _wanted(mall_code, stay_id)
    form = MoveForm(bays=elsewhere(db(), mall, one, today_of(mall)).bays)
    if not form.validate():
        return _page(mall_code, stay_id, Forms(move=form)), 422
    on, turned, code = form.on.data, form.turned.data, form.bay.data
    row, at, before = bay_row(db(), mall.id, code), form.begins.data, (one.bay.code, one.stay.from_in16)
    assert row is not None, "a bay that was to be chosen is there"
    if at is None:
        at = first_place(db(), mall, one, row, on, today_of(mall), turned=turned)
    if at is None:
        form.begins.errors = [
            f"Bay {code} has no free place for it until {shown_day(one.stay.ends_on)}: choose another bay, or shorten its stay."
        ]
        return _page(mall_code, stay_id, Forms(move=form)), 422
    try:
        moved = move_stay(db(), now(), one.stay, row, at, by=by(), on=on, turned=turned, anyway=bool(form.anyway.data))
    except Refusal as refusal:
        roll_back()
        form.refuse(refusal, form.begins)
        return _page(mall_code, stay_id, Forms(move=form)), 422
    sentence = f"It stands in bay {code} from {format_length(at)} on, from {shown_day(on)}, and its dealer is told."
    return _to(mall_code, moved.id, sentence, was=before[0], at=before[1])


@overflow.post("/<mall_code>/stays/<int:stay_id>/lengthen")
@allow("manager")
def lengthen(mall_code: str, stay_id: int) -> Page:
    _, one = _wanted(mall_code, stay_id)
    form = LengthenForm()
    if not form.validate():
        return _page(mall_code, stay_id, Forms(lengthen=form)), 422
    until = form.until.data
    try:
        longer = lengthen_stay(db(), now(), one.stay, until=until, by=by(), anyway=bool(form.anyway.data))
    except Refusal as refusal:
        roll_back()
        form.refuse(refusal, form.until)
        return _page(mall_code, stay_id, Forms(lengthen=form)), 422
    return _to(mall_code, longer.id, f"It may stand there until {shown_day(until)}, and its dealer is told.")


@overflow.post("/<mall_code>/stays/<int:stay_id>/lengthen/undo")
@allow("manager")
def undo_lengthen(mall_code: str, stay_id: int) -> Page:
    def deed(one: Standing) -> tuple[str, Stay]:
        had = take_back_lengthening(db(), now(), one.stay, by=by())
        return f"Its last day is {shown_day(had.ends_on)} again, and its dealer is told.", had

    return _press(mall_code, stay_id, deed)


@overflow.post("/<mall_code>/stays/<int:stay_id>/end")
@allow("manager")
def end(mall_code: str, stay_id: int) -> Page:
    """It is gone, or will be, after a day."""
    _, one = _wanted(mall_code, stay_id)
    form = EndForm()
    if not form.validate():
        return _page(mall_code, stay_id, Forms(end=form)), 422
    on = form.on.data
    try:
        gone = end_stay(db(), now(), one.stay, on=on, by=by())
    except Refusal as refusal:
        roll_back()
        form.on.errors = [str(refusal)]
        return _page(mall_code, stay_id, Forms(end=form)), 422
    return _to(mall_code, gone.id, f"Its last day is {shown_day(gone.ends_on)}.")


@overflow.post("/<mall_code>/stays/<int:stay_id>/end/undo")
@allow("manager")
def undo_end(mall_code: str, stay_id: int) -> Page:
    def deed(one: Standing) -> tuple[str, Stay]:
        had = take_back_end(db(), now(), one.stay, by=by())
        return after_all_words(one, had, today_of(wanted_mall(mall_code))), had

    return _press(mall_code, stay_id, deed)


# --- asked back, taken back ---------------------------------------------------------------------------------------------------


@overflow.post("/<mall_code>/stays/<int:stay_id>/recall")
@allow("manager")
def ask_one_back(mall_code: str, stay_id: int) -> Page:
    _, one = _wanted(mall_code, stay_id)
    form = RecallForm()
    if not form.validate():
        return _page(mall_code, stay_id, Forms(recall=form)), 422
    try:
        recall(db(), now(), one.stay, why=form.why.data, by=by(), days=form.days.data, for_safety=bool(form.for_safety.data))
    except Refusal as refusal:
        roll_back()
        form.days.errors = [str(refusal)]
        return _page(mall_code, stay_id, Forms(recall=form)), 422
    return _to(mall_code, stay_id, f"It is asked back: its last day is {shown_day(one.stay.ends_on)}, and its dealer is told.")


@overflow.post("/<mall_code>/stays/<int:stay_id>/recall/undo")
@allow("manager")
def undo_recall(mall_code: str, stay_id: int) -> Page:
    def deed(one: Standing) -> tuple[str, Stay]:
        take_back_recall(db(), now(), one.stay, by=by())
        return f"It may stay until {shown_day(one.stay.ends_on)}, and its dealer is told.", one.stay

    return _press(mall_code, stay_id, deed)


@overflow.post("/<mall_code>/stays/<int:stay_id>/cancel")
@allow("manager")
def cancel(mall_code: str, stay_id: int) -> Page:
    """Take back floor before the piece has moved in."""

    def deed(one: Standing) -> tuple[str, Stay]:
        cancel_stay(db(), now(), one.stay, by=by())
        return "This floor is taken back" + (": the request waits again." if is_waiting(db(), one.piece) else "."), one.stay

    return _press(mall_code, stay_id, deed)


@overflow.post("/<mall_code>/stays/<int:stay_id>/cancel/undo")
@allow("manager")
def undo_cancel(mall_code: str, stay_id: int) -> Page:
    def deed(one: Standing) -> tuple[str, Stay]:
        stand_again(db(), now(), one.stay, by=by())
        return f"It has its floor in bay {one.bay.code} again.", one.stay

    return _press(mall_code, stay_id, deed)


@overflow.post("/<mall_code>/stays/<int:stay_id>/there")
@allow("manager")
def there(mall_code: str, stay_id: int) -> Page:
    """Say that it stands there since today, or take that back."""

    def deed(one: Standing) -> tuple[str, Stay]:
        is_there = request.form.get("there") != "no"
        said_moved_in(db(), now(), one.stay, on=today_of(wanted_mall(mall_code)) if is_there else None, by=by())
        return "It stands there since today." if is_there else "It is not there yet.", one.stay

    return _press(mall_code, stay_id, deed)
