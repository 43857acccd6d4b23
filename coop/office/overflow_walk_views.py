"""Walks along the aisles, in the office and on a phone: the sheet on paper, marks as pieces are found, dealers told."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from flask import flash, redirect, render_template, request, url_for

from coop.core.errors import Refusal
from coop.core.web import Page, allow, db, now, roll_back, send_document
from coop.floor.models import Mall
from coop.floor.queries import plan_row
from coop.office.mall_page import by, page_of, row_of, today_of, wanted_mall
from coop.office.overflow_views import overflow
from coop.office.views import READERS
from coop.overflow.models import MARKS, Walk
from coop.overflow.papers import ask_sheet, sheet_document, sheet_state
from coop.overflow.queries import walks_of
from coop.overflow.walking import (
    LONGEST_MARK_NOTE,
    LONGEST_NOTE,
    SheetRow,
    begin_walk,
    finish_walk,
    mark,
    note_walk,
    take_back_mark,
    walk_sheet,
)

_UNMARKED = "none"

# --- walks ------------------------------------------------------------------------------------------------------------------


@overflow.get("/<mall_code>/walks")
@allow(*READERS)
def walks(mall_code: str) -> Page:
    mall = wanted_mall(mall_code)
    today = today_of(mall)
    made = walks_of(db(), mall.id)
    current = next((walk for walk, _ in made if walk.on_date == today and walk.told_at is None), None)
    return render_template(
        "office/overflow/walks.html",
        **page_of(mall),
        walks=made,
        current=current,
        stands=len(walk_sheet(db(), mall, today)),
        sheet=sheet_state(db(), mall, today),
        has_plan=plan_row(db(), mall.id) is not None,
    )


@overflow.post("/<mall_code>/walks")
@allow("manager")
def begin(mall_code: str) -> Page:
    walk = begin_walk(db(), now(), wanted_mall(mall_code), by=by())
    return redirect(url_for("overflow.walk", mall_code=mall_code, walk_id=walk.id), 303)


# --- on paper -----------------------------------------------------------------------------------------------------------------


@overflow.post("/<mall_code>/walks/sheet")
@allow(*READERS)
def make_sheet(mall_code: str) -> Page:
    """Have the sheet of today made, by the worker."""
    mall = wanted_mall(mall_code)
    state = ask_sheet(db(), now(), mall, today_of(mall))
    flash("The sheet is made." if state.document else "The sheet is being made. It is shown here when it is done.")
    return redirect(url_for("overflow.walks", mall_code=mall_code), 303)


@overflow.get("/<mall_code>/walks/sheet")
@allow(*READERS)
def sheet_progress(mall_code: str) -> Page:
    """Whether the sheet of today is made, for the page that waits for it."""
    mall = wanted_mall(mall_code)
    return render_template("office/overflow/sheet.html", mall=mall, sheet=sheet_state(db(), mall, today_of(mall)))


@overflow.get("/<mall_code>/walks/sheets/<int:document_id>.pdf")
@allow(*READERS)
def sheet(mall_code: str, document_id: int) -> Page:
    return send_document(sheet_document(db(), wanted_mall(mall_code), document_id))


# --- one walk -----------------------------------------------------------------------------------------------------------------


@dataclass(frozen=True)
class Typed:
    """What is typed of a walk: marks and notes by the id of the stay, the walk's own note, and what is wrong with each note."""

    marks: Mapping[int, str]
    notes: Mapping[int, str]
    note: str
    wrong: Mapping[int, str]
    note_wrong: str = ""


def _typed(rows: list[SheetRow], note: str) -> Typed:
    """As the form has it; what it does not name is as it was."""
    form = request.form
    marks, notes, wrong = {}, {}, {}
    for row in rows:
        key = row.standing.stay.id
        marks[key] = form.get(f"how-{key}", _how(row))
        notes[key] = form.get(f"note-{key}", _note(row)).strip()
        if len(notes[key]) > LONGEST_MARK_NOTE:
            wrong[key] = f"Write it in {LONGEST_MARK_NOTE} characters: it has {len(notes[key])}."
        elif marks[key] == _UNMARKED and notes[key]:
            wrong[key] = "Say how you found it, too: in place, out of place or not there."
    note = form.get("note", note).strip()
    too_long = f"Write it in {LONGEST_NOTE} characters: it has {len(note)}." if len(note) > LONGEST_NOTE else ""
    return Typed(marks, notes, note, wrong, too_long)


def _how(row: SheetRow) -> str:
    return row.mark.mark if row.mark else _UNMARKED


def _note(row: SheetRow) -> str:
    return row.mark.note if row.mark else ""


def _wanted(mall_code: str, walk_id: int) -> tuple[Mall, Walk]:
    mall = wanted_mall(mall_code)
    return mall, row_of(mall, Walk, walk_id)


@overflow.get("/<mall_code>/walks/<int:walk_id>")
@allow(*READERS)
def walk(mall_code: str, walk_id: int) -> Page:
    return _page(*_wanted(mall_code, walk_id))


def _page(mall: Mall, walk: Walk, typed: Typed | None = None) -> str:
    rows = walk_sheet(db(), mall, walk.on_date, walk)
    return render_template(
        "office/overflow/walk.html",
        **page_of(mall),
        walk=walk,
        rows=rows,
        marks=MARKS,
        unmarked=_UNMARKED,
        looked=sum(row.mark is not None for row in rows),
        told=walk.told_at,
        may_mark=walk.told_at is None and walk.on_date == today_of(mall),
        typed=typed
        or Typed(
            {row.standing.stay.id: _how(row) for row in rows}, {row.standing.stay.id: _note(row) for row in rows}, walk.note, {}
        ),
        refused=typed is not None,
    )


@overflow.post("/<mall_code>/walks/<int:walk_id>")
@allow("manager")
def mark_walk(mall_code: str, walk_id: int) -> Page:
    """Keep what is marked: all of the form, or the one row that its script sends; and tell the dealers where that is pressed."""
    mall, walk = _wanted(mall_code, walk_id)
    rows = walk_sheet(db(), mall, walk.on_date, walk)
    typed = _typed(rows, walk.note)
    if typed.wrong or typed.note_wrong:
        return _page(mall, walk, typed), 422
    do = request.form.get("do", "")
    try:
        for row in rows:
            stay, how = row.standing.stay, typed.marks[row.standing.stay.id]
            if (how, typed.notes[stay.id]) == (_how(row), _note(row)):
                continue
            if how == _UNMARKED:
                take_back_mark(db(), now(), walk, stay, by=by())
            else:
                mark(db(), now(), walk, stay, how, typed.notes[stay.id], by=by())
        if typed.note != walk.note:
            note_walk(db(), now(), walk, typed.note, by=by())
        dealers = finish_walk(db(), now(), walk, by=by()) if do == "tell" else 0
    except Refusal as refusal:
        roll_back()
        flash(str(refusal))
        return _page(*_wanted(mall_code, walk_id), typed), 422
    if do == "tell":
        told = {0: "nobody had to be told", 1: "one dealer is told"}.get(dealers, f"{dealers} dealers are told")
        flash(f"The walk is over: {told}.")
    elif do == "all":
        flash("What you marked is kept.")
    anchor = f"stay-{do}" if do.isdigit() else None
    return redirect(url_for("overflow.walk", mall_code=mall_code, walk_id=walk_id, _anchor=anchor), 303)
