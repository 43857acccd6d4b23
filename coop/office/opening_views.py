"""Beginning from paper, in the office: a file of balances read, its totals shown for a second person to sign."""

from __future__ import annotations

import csv
import io

from flask import Blueprint, abort, flash, redirect, render_template, url_for
from flask_wtf import FlaskForm
from flask_wtf.file import FileField, FileRequired
from sqlalchemy import select

from coop.books.domain.opening_csv import COLUMNS, EXAMPLE, KINDS, sides
from coop.books.models import Entry, Opening
from coop.closing import opening as service
from coop.core.errors import Refusal
from coop.core.fields import MonthField, Needed, told
from coop.core.periods import Month
from coop.core.web import Page, allow, db, download, now, roll_back, takes, visitor
from coop.dealers.models import UserAccount
from coop.office.views import READERS

opening = Blueprint("opening", __name__, url_prefix="/office/beginning")
KEEPERS = ("manager", "bookkeeper")


class FileOfBalances(FlaskForm):  # type: ignore[misc]
    file = FileField("File of balances", validators=[FileRequired("Choose the file first.")])
    first_month = MonthField("First month kept here", validators=[Needed("Write the month, like 2026-10.")])


@opening.get("/")
@allow(*READERS)
def page() -> Page:
    return _page()


def _page(form: FileOfBalances | None = None, faults: tuple[str, ...] = (), wrong: str = "") -> str:
    rows = service.openings(db())
    standing = next((row for row in rows if row.state != "dropped"), None)
    people = {row.read_by for row in rows} | {row.signed_by for row in rows}
    emails = {user.id: user.email for user in db().scalars(select(UserAccount).where(UserAccount.id.in_(people - {None})))}
    balances = service.rows_of(db(), standing).rows if standing else ()
    begun = standing is None and db().scalar(select(Entry.id).limit(1)) is not None
    return render_template(
        "office/opening/page.html",
        rows=rows,
        standing=standing,
        day=service.opening_day(standing) if standing else None,
        month=Month.of(standing.first_day) if standing else None,
        sides=sides(balances) if standing else None,
        balances=balances,
        entries=db().scalars(select(Entry.id).where(Entry.kind == service.OPENING).order_by(Entry.id)).all(),
        emails=emails,
        begun=begun,
        form=form or FileOfBalances(formdata=None),
        faults=faults,
        wrong=wrong,
        kinds=KINDS,
        columns=COLUMNS,
        example=list(csv.reader(io.StringIO(EXAMPLE))),
        is_keeper=bool(visitor().roles & set(KEEPERS)),
        reader=standing is not None and standing.read_by == visitor().user_id,
    )


@opening.get("/example.csv")
@allow(*READERS)
def example() -> Page:
    """The example as a file, to begin from."""
    return download(EXAMPLE, "text/csv", "balances-from-paper.csv")


@opening.post("/read")
@allow(*KEEPERS)
@takes(service.MOST_BYTES + 64 * 1024)
def read() -> Page:
    form = FileOfBalances()
    if not form.validate_on_submit():
        return _page(form), 422
    try:
        service.read_opening(
            db(),
            now(),
            content=form.file.data.read(),
            file_name=form.file.data.filename or "file",
            first_month=form.first_month.data,
            user_id=visitor().user_id,
        )
    except service.OpeningRefused as refused:
        roll_back()
        return _page(form, faults=refused.sentences), 422
    except Refusal as refusal:
        roll_back()
        told(form.file, str(refusal))
        return _page(form, wrong=str(refusal) if service.pending_opening(db()) else ""), 422
    flash("It is read, and nothing is posted yet: a second person signs it.")
    return redirect(url_for("opening.page"), 303)


def _wanted(opening_id: int) -> Opening:
    found = db().get(Opening, opening_id)
    if found is None:
        abort(404)
    return found


@opening.post("/<int:opening_id>/sign")
@allow(*KEEPERS)
def sign(opening_id: int) -> Page:
    try:
        service.sign_opening(db(), now(), _wanted(opening_id), user_id=visitor().user_id)
    except Refusal as refusal:
        roll_back()
        return _page(wrong=str(refusal)), 422
    flash("It is signed and posted: the books are open.")
    return redirect(url_for("opening.page"), 303)


@opening.post("/<int:opening_id>/drop")
@allow(*KEEPERS)
def drop(opening_id: int) -> Page:
    try:
        service.drop_opening(db(), now(), _wanted(opening_id), user_id=visitor().user_id)
    except Refusal as refusal:
        roll_back()
        return _page(wrong=str(refusal)), 422
    flash("It is dropped: another file can be read.")
    return redirect(url_for("opening.page"), 303)
