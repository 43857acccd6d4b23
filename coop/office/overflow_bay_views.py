"""A mall's bays in the office: aisle by aisle, one with its weeks, and where people come into the booths they stand before."""

from __future__ import annotations

from datetime import timedelta

from flask import abort, flash, redirect, render_template, request, url_for
from sqlalchemy import select

from coop.core.errors import Refusal
from coop.core.web import Page, allow, db, now, roll_back, show_list
from coop.floor.models import Mall, Space
from coop.floor.queries import as_outline, find_space
from coop.office.mall_page import by, page_of, today_of, wanted_mall
from coop.office.overflow_bay_forms import BayForm, OpeningsForm, bay_form, openings_form
from coop.office.overflow_booth import booth_drawing, side_words
from coop.office.overflow_floor import WEEKS, bay_row, stood_before, weeks_of
from coop.office.overflow_list import BAYS, bay_lines, behind_words
from coop.office.overflow_views import overflow
from coop.office.views import READERS
from coop.overflow.bay_drawing import bay_strip
from coop.overflow.bay_editing import edit_bay, keep_bay_free, lend_bay
from coop.overflow.drawn import drawn_pieces
from coop.overflow.models import BayRow, BoothOpening
from coop.overflow.openings import set_openings
from coop.overflow.queries import must_move, standing_now
from coop.overflow.reading import bay_of, bays_on, there_between
from coop.overflow.rules import rules_on
from coop.overflow.surveying import survey_of

# --- bays -------------------------------------------------------------------------------------------------------------------


@overflow.get("/<mall_code>/bays")
@allow(*READERS)
def bays(mall_code: str) -> Page:
    mall = wanted_mall(mall_code)
    today = today_of(mall)
    rows = bays_on(db(), mall.id, today)
    lines = bay_lines(rows, drawn_pieces(standing_now(db(), mall.id, today), today))
    aisles = list(dict.fromkeys(row.aisle for row in rows))
    return show_list(
        BAYS.with_choices("aisle", [(aisle, aisle) for aisle in aisles]).pick(lines, request.args),
        "office/overflow/bays.html",
        f"bays-{mall.code}",
        **page_of(mall),
        survey=survey_of(db(), mall, today),
        bays=rows,
    )


def _wanted_bay(mall: Mall, code: str) -> BayRow:
    row = bay_row(db(), mall.id, code)
    if row is None:
        abort(404)
    return row


@overflow.get("/<mall_code>/bays/<code>")
@allow(*READERS)
def bay(mall_code: str, code: str) -> Page:
    mall = wanted_mall(mall_code)
    return _bay_page(mall, _wanted_bay(mall, code))


def _bay_page(mall: Mall, row: BayRow, form: BayForm | None = None) -> str:
    today = today_of(mall)
    standing = there_between(db(), mall.id, today, today + timedelta(weeks=WEEKS), today)
    why = {one.stay.id: sentence for one, sentence in must_move(db(), mall.id, today)}
    return render_template(
        "office/overflow/bay.html",
        **page_of(mall),
        bay=row,
        behind=behind_words(row),
        strip=bay_strip(bay_of(row), standing, today, why),
        weeks=weeks_of(mall, row, standing, today, why),
        to_come=[one for one in standing if one.bay.code == row.code],
        why=why,
        before=stood_before(db(), row, today),
        form=form or bay_form(row),
    )


@overflow.post("/<mall_code>/bays/<code>")
@allow("manager")
def note_bay(mall_code: str, code: str) -> Page:
    """Write down the colours about a bay, and a word on its place."""
    mall = wanted_mall(mall_code)
    row = _wanted_bay(mall, code)
    form = BayForm()
    if not form.validate():
        return _bay_page(mall, row, form), 422
    try:
        changed = edit_bay(db(), now(), row, palette=form.colours, note=form.note.data, by=by())
    except Refusal as refusal:
        roll_back()
        form.note.errors = [str(refusal)]
        mall = wanted_mall(mall_code)
        return _bay_page(mall, _wanted_bay(mall, code), form), 422
    flash("It is kept." if changed else "Nothing is changed.")
    return _to_bay(mall, code)


@overflow.post("/<mall_code>/bays/<code>/lending")
@allow("manager")
def lend(mall_code: str, code: str) -> Page:
    """Keep a bay free from now on, or lend it again."""
    mall = wanted_mall(mall_code)
    row = _wanted_bay(mall, code)
    if request.form.get("lent") == "no":
        keep_bay_free(db(), now(), row, by=by())
        flash(f"Bay {code} is kept free: what stands in it stays until its last day, and nothing else is given floor there.")
    else:
        lend_bay(db(), now(), row, by=by())
        flash(f"Bay {code} is lent again.")
    return _to_bay(mall, code)


def _to_bay(mall: Mall, code: str) -> Page:
    return redirect(url_for("overflow.bay", mall_code=mall.code, code=code), 303)


# --- openings ---------------------------------------------------------------------------------------------------------------


def _wanted_space(mall: Mall, code: str) -> Space:
    space = find_space(db(), mall.id, code)
    if space is None:
        abort(404)
    return space


@overflow.get("/<mall_code>/openings/<space_code>")
@allow(*READERS)
def openings(mall_code: str, space_code: str) -> Page:
    mall = wanted_mall(mall_code)
    return _openings_page(mall, _wanted_space(mall, space_code))


def _openings_page(mall: Mall, space: Space, form: OpeningsForm | None = None) -> str:
    outline = as_outline(space.outline_in16)
    rows = db().scalars(
        select(BoothOpening).where(BoothOpening.space_id == space.id).order_by(BoothOpening.side, BoothOpening.from_in16)
    )
    there = rows.all()
    sides = side_words(outline)
    return render_template(
        "office/overflow/openings.html",
        **page_of(mall),
        space=space,
        sides=sides,
        drawn=booth_drawing(outline, [(row.side, row.from_in16, row.width_in16) for row in there]) if outline else "",
        there=there,
        entry_in16=rules_on(db(), mall.id, today_of(mall)).entry_in16,
        form=form or openings_form(there, sides),
    )


@overflow.post("/<mall_code>/openings/<space_code>")
@allow("manager")
def say_openings(mall_code: str, space_code: str) -> Page:
    """Say where people come into a booth; with nothing said it is as usual."""
    mall = wanted_mall(mall_code)
    space = _wanted_space(mall, space_code)
    form = OpeningsForm(sides=side_words(as_outline(space.outline_in16)))
    as_usual = request.form.get("do") == "usual"
    if not as_usual and not form.check():
        return _openings_page(mall, space, form), 422
    try:
        set_openings(db(), now(), mall, space, [] if as_usual else [row.opening for row in form.filled], by=by())
    except Refusal as refusal:
        roll_back()
        form.refused(str(refusal))
        mall = wanted_mall(mall_code)
        return _openings_page(mall, _wanted_space(mall, space_code), form), 422
    said = "is as usual again" if as_usual or not form.filled else "is kept"
    flash(f"Where people come into {space.kind} {space.code} {said}. The bays are being worked out anew.")
    return redirect(url_for("overflow.openings", mall_code=mall.code, space_code=space.code), 303)
