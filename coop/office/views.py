"""The office: month-end and the statements it made."""

from __future__ import annotations

from collections.abc import Sequence

from flask import Blueprint, abort, flash, redirect, render_template, request, url_for
from flask_wtf import FlaskForm
from wtforms import StringField
from wtforms.validators import Length

from coop.closing import queries as closing_queries
from coop.closing import service as closing_service
from coop.closing.steps import MAY_PASS, TITLES
from coop.core.errors import Refusal
from coop.core.fields import Needed, stripped, told
from coop.core.periods import Month
from coop.core.web import Page, allow, db, download, now, request_id, roll_back, send_document, visitor
from coop.floor.models import Mall
from coop.office import queries
from coop.office.month_list import books_being_made, mall_years
from coop.sales.queries import claimed_from_before, unclaimed_in
from coop.statements import book
from coop.statements.documents import said
from coop.statements.domain import from_json
from coop.statements.exporting import lines_file, lines_name, lines_of
from coop.statements.questions import questions_of

office = Blueprint("office", __name__, url_prefix="/office")

READERS = ("manager", "bookkeeper", "auditor")
BINDERS = ("manager", "bookkeeper")
"""Who has statements made into one file."""


@office.app_template_filter("step_title")
def step_title(name: str) -> str:
    """A step of the month-end as a person reads it."""
    return TITLES.get(name, name)


# --- month-end ----------------------------------------------------------------------------------------------------------


@office.get("/months")
@allow(*READERS)
def months() -> Page:
    year = request.args.get("year", type=int)
    return render_template(
        "office/months.html",
        malls=mall_years(db(), now(), year=year),
        year=year,
        beginning=closing_queries.books_empty(db()),
    )


def _month(mall_code: str, month: Month) -> tuple[Mall, queries.MonthRow]:
    mall = queries.mall_by_code(db(), mall_code)
    row = queries.month_row(db(), now(), mall.id, month) if mall else None
    if mall is None or row is None:
        abort(404)
    return mall, row


class PassForm(FlaskForm):  # type: ignore[misc]
    """Why a step may pass."""

    reason = StringField(
        "Why it may pass",
        filters=[stripped],
        validators=[Needed("Say why it may pass."), Length(max=400, message="Write it in 400 characters.")],
    )


@office.get("/months/<mall_code>/<month:month>")
@allow(*READERS)
def month(mall_code: str, month: Month) -> Page:
    return _month_page(mall_code, month)


def _month_page(mall_code: str, month: Month, form: PassForm | None = None, tried: Sequence[closing_service.DryStep] = ()) -> str:
    mall, row = _month(mall_code, month)
    stopped = next((step for step in row.close.steps if step.state == "refused"), None) if row.close else None
    return render_template(
        "office/month.html",
        mall=mall,
        row=row,
        to_pass=stopped if stopped is not None and stopped.name in MAY_PASS else None,
        passing=form or PassForm(formdata=None),
        tried=tried,
        late=closing_queries.late_tickets(db(), mall.id, month) if row.closed else 0,
        dealers=closing_queries.dealer_rows(db(), mall.id, month),
        unclaimed=unclaimed_in(db(), mall.id, month),
        claimed_cents=claimed_from_before(db(), mall.id, month),
        made=queries.statements_of_month(db(), mall.id, month.first_day),
        books={one.without_mail: one for one in book.newest_books(db(), mall.id, month)},
        binding=books_being_made(db(), mall.id, month),
        can_bind=not visitor().roles.isdisjoint(BINDERS),
    )


@office.get("/months/<mall_code>/<month:month>/steps")
@allow(*READERS)
def month_steps(mall_code: str, month: Month) -> Page:
    """The steps alone, for the page that shows them as they go."""
    mall, row = _month(mall_code, month)
    return render_template("office/steps.html", mall=mall, row=row)


@office.post("/months/<mall_code>/<month:month>/begin")
@allow("manager")
def begin_month_end(mall_code: str, month: Month) -> Page:
    """Begin the month-end, or take it up again where it stopped."""
    mall, _row = _month(mall_code, month)
    closing_service.start_close(db(), now(), mall_id=mall.id, month=month, user_id=visitor().user_id, request_id=request_id())
    return redirect(url_for("office.month", mall_code=mall.code, month=month), 303)


@office.post("/months/<mall_code>/<month:month>/try")
@allow("manager")
def try_month_end(mall_code: str, month: Month) -> Page:
    """Try every step up to the lock and say at once all that would be refused; nothing of it is kept."""
    mall, row = _month(mall_code, month)
    if row.closed or not row.over or row.first or row.moving:
        return redirect(url_for("office.month", mall_code=mall.code, month=month), 303)
    tried = closing_service.rehearse_close(db(), now(), mall, month)
    roll_back()
    return _month_page(mall_code, month, tried=tried)


@office.post("/months/<mall_code>/<month:month>/steps/<step>/pass")
@allow("manager")
def let_step_pass(mall_code: str, month: Month, step: str) -> Page:
    """Let a refused step pass with a reason, and take the month-end up again."""
    mall, row = _month(mall_code, month)
    if row.close is None or step not in MAY_PASS:
        abort(404)
    form = PassForm()
    if not form.validate():
        return _month_page(mall_code, month, form), 422
    try:
        closing_service.let_pass(db(), now(), row.close, step, reason=form.reason.data, user_id=visitor().user_id)
        closing_service.start_close(db(), now(), mall_id=mall.id, month=month, user_id=visitor().user_id, request_id=request_id())
    except Refusal as refusal:
        roll_back()
        told(form.reason, str(refusal))
        return _month_page(mall_code, month, form), 422
    flash(f"{TITLES[step]}: let pass. The month-end goes on.")
    return redirect(url_for("office.month", mall_code=mall.code, month=month), 303)


# --- statements ---------------------------------------------------------------------------------------------------------


@office.get("/statements/<number>")
@allow(*READERS)
def statement(number: str) -> Page:
    found = queries.statement_by_number(db(), number)
    if found is None:
        abort(404)
    value = from_json(found.value_json)
    return render_template(
        "office/statement.html",
        value=value,
        said=said(value),
        has_document=found.document_id is not None,
        line_at=line_at,
        asked=len(questions_of(db(), found)),
    )


def line_at(number: str, section: str, n: int) -> str:
    """Where a line of a statement has its page."""
    return url_for("office.statement_line", number=number, section=section, n=n)


@office.get("/statements/<number>.pdf")
@allow(*READERS)
def statement_pdf(number: str) -> Page:
    found = queries.statement_by_number(db(), number)
    return send_document(queries.document(db(), found.document_id if found else None))


@office.get("/statements/<number>.csv")
@allow(*READERS)
def statement_csv(number: str) -> Page:
    found = queries.statement_by_number(db(), number)
    if found is None:
        abort(404)
    return download(lines_of(from_json(found.value_json)), "text/csv", lines_name(number))


@office.get("/months/<mall_code>/<month:month>/lines.csv")
@allow(*READERS)
def month_lines(mall_code: str, month: Month) -> Page:
    """The lines of all statements of a month."""
    mall, _row = _month(mall_code, month)
    try:
        lines = "".join(lines_file(db(), mall, month))
    except Refusal:
        abort(404)
    return download(lines, "text/csv", lines_name(f"{mall.code}.{month}"))


_BOOKS = {"all": False, "without-mail": True}


@office.post("/months/<mall_code>/<month:month>/print/<any('all', 'without-mail'):which>")
@allow(*BINDERS)
def bind_statements(mall_code: str, month: Month, which: str) -> Page:
    """Have the month's statements made into one file for printing."""
    mall, _row = _month(mall_code, month)
    try:
        book.ask_for_book(db(), now(), mall, month, without_mail=_BOOKS[which], user_id=visitor().user_id)
    except Refusal as refusal:
        flash(str(refusal))
    else:
        flash("The file for printing is being made. Come back to this page in a moment: it will be listed here.")
    return redirect(url_for("office.month", mall_code=mall.code, month=month, _anchor="print"), 303)


@office.get("/months/<mall_code>/<month:month>/print/<any('all', 'without-mail'):which>.pdf")
@allow(*READERS)
def statement_book(mall_code: str, month: Month, which: str) -> Page:
    mall, _row = _month(mall_code, month)
    return send_document(book.book_document(db(), mall.id, month, without_mail=_BOOKS[which]))
