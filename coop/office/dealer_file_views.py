"""Dealers entered from a file, for a co-op's beginning: read, shown row by row, and entered all together or not at all."""

from __future__ import annotations

from flask import flash, redirect, render_template, request, url_for
from flask_wtf import FlaskForm
from flask_wtf.file import FileField, FileRequired

from coop.core.errors import Refusal
from coop.core.web import Page, allow, db, now, roll_back, takes, visitor
from coop.dealers.bringing import Proposed, RowsRefused, enter_dealers, propose_dealers
from coop.dealers.dealer_file import COLUMNS, HELP, MOST_BYTES, MOST_ROWS, file_text, read_dealer_file
from coop.office.dealer_views import dealers
from coop.office.tax_queries import today as office_today

_TAKES = MOST_BYTES + 64 * 1024
"""The file, and what a form has around it."""


class DealerFileForm(FlaskForm):  # type: ignore[misc]
    file = FileField("Dealers as CSV", validators=[FileRequired("Choose the file first.")])


@dealers.get("/file")
@allow("manager")
def file() -> Page:
    return _file_page(DealerFileForm(formdata=None))


def _file_page(form: DealerFileForm) -> str:
    return render_template(
        "office/dealers/file.html",
        form=form,
        columns=[(name, HELP[name]) for name in COLUMNS],
        most_rows=MOST_ROWS,
    )


@dealers.post("/file")
@allow("manager")
@takes(_TAKES)
def bring() -> Page:
    """Read a file, and show what entering it would do. Nothing is entered."""
    form = DealerFileForm()
    if not form.validate_on_submit():
        return _file_page(form), 422
    try:
        text = file_text(form.file.data.read())
        proposed = propose_dealers(db(), read_dealer_file(text), office_today(db(), now()))
    except Refusal as refusal:
        form.file.errors = [str(refusal)]
        return _file_page(form), 422
    return _proposal(proposed, text)


def _proposal(proposed: list[Proposed], text: str) -> str:
    return render_template(
        "office/dealers/proposal.html",
        rows=proposed,
        refused=[one for one in proposed if not one.taken],
        text=text,
    )


@dealers.post("/file/enter")
@allow("manager")
@takes(_TAKES)
def enter_file() -> Page:
    """Enter what was shown: the file is read and judged once more, for somebody may have entered one of them meanwhile."""
    text = request.form.get("file", "")
    today = office_today(db(), now())
    try:
        made = enter_dealers(db(), now(), read_dealer_file(text), today=today, user_id=visitor().user_id)
    except RowsRefused as refused:
        roll_back()
        return _proposal(list(refused.proposed), text), 422
    flash(f"{made[0].code} is entered." if len(made) == 1 else f"{len(made)} dealers are entered. Leases come next.")
    return redirect(url_for("dealers.listed"), 303)
