"""The portal: a dealer's own statements, each line with what it is made of, and what she asks the manager about them."""

from __future__ import annotations

from flask import abort, flash, redirect, render_template, request, url_for
from flask_wtf import FlaskForm
from wtforms import TextAreaField
from wtforms.validators import Length

from coop.core.errors import Refusal
from coop.core.fields import Needed, stripped, told
from coop.core.web import Page, allow, db, download, now, roll_back, send_document, show_list, site, visitor
from coop.portal import queries, statement_queries
from coop.portal.views import portal
from coop.statements.documents import said
from coop.statements.domain import from_json
from coop.statements.exporting import lines_name, lines_of
from coop.statements.line_pages import line_page, line_said
from coop.statements.line_parts import WHOLE
from coop.statements.models import Statement
from coop.statements.questions import LONGEST_QUESTION, ask_question, questions_of
from coop.statements.service import being_made


class QuestionForm(FlaskForm):  # type: ignore[misc]
    """What a dealer asks."""

    question = TextAreaField(
        "Your question",
        filters=[stripped],
        validators=[
            Needed("Write what you want to know."),
            Length(max=LONGEST_QUESTION, message=f"Write it in {LONGEST_QUESTION:,} characters."),
        ],
        render_kw={"rows": 4},
    )


def _own(number: str) -> Statement:
    found = queries.own_statement(db(), visitor(), number)
    if found is None:
        abort(404)
    return found


@portal.get("/statements")
@allow("dealer")
def statements() -> Page:
    listed = statement_queries.own_statements(db(), visitor(), request.args)
    return show_list(
        listed,
        "portal/statements.html",
        "my-statements",
        making=being_made(db(), [row.statement for row in listed.rows]),
        asked=statement_queries.own_question_counts(db(), visitor()),
    )


def line_at(number: str, section: str, n: int) -> str:
    return url_for("portal.statement_line", number=number, section=section, n=n)


@portal.get("/statements/<number>")
@allow("dealer")
def statement(number: str) -> Page:
    found = _own(number)
    value = from_json(found.value_json)
    return render_template(
        "portal/statement.html",
        value=value,
        said=said(value),
        has_document=found.document_id is not None,
        line_at=line_at,
        asked=len(questions_of(db(), found)),
    )


@portal.get("/statements/<number>.pdf")
@allow("dealer")
def statement_pdf(number: str) -> Page:
    return send_document(queries.own_document(db(), visitor(), number))


@portal.get("/statements/<number>.csv")
@allow("dealer")
def statement_csv(number: str) -> Page:
    """The lines of one of the dealer's own statements."""
    return download(lines_of(from_json(_own(number).value_json)), "text/csv", lines_name(number))


# --- one line -----------------------------------------------------------------------------------------------------------


@portal.get("/statements/<number>/lines/<section>/<int:n>")
@allow("dealer")
def statement_line(number: str, section: str, n: int) -> Page:
    return _line_page(_own(number), section, n, QuestionForm(formdata=None))


def _line_page(found: Statement, section: str, n: int, form: QuestionForm) -> str:
    page = line_page(db(), found, section, n)
    if page is None:
        abort(404)
    return render_template(
        "portal/statement_line.html",
        page=page,
        value=from_json(found.value_json),
        line_at=line_at,
        questions=questions_of(db(), found, page.place.key),
        form=form,
    )


@portal.post("/statements/<number>/lines/<section>/<int:n>")
@allow("dealer")
def ask_line(number: str, section: str, n: int) -> Page:
    """Ask the manager about this line."""
    found, form = _own(number), QuestionForm()
    page = line_page(db(), found, section, n)
    if page is None:
        abort(404)
    if not form.validate() or not _ask(found, page.place.key, form):
        return _line_page(_own(number), section, n, form), 422
    return redirect(url_for("portal.statement_line", number=number, section=section, n=n, _anchor="questions"), 303)


def _ask(found: Statement, line: str, form: QuestionForm) -> bool:
    try:
        ask_question(
            db(),
            now(),
            found,
            line,
            form.question.data,
            user_id=visitor().user_id,
            mail_domain=site().settings.mail_domain,
        )
    except Refusal as refusal:
        roll_back()
        told(form.question, str(refusal))
        return False
    flash("Your question is asked. The answer comes by mail and stands here.")
    return True


# --- the statement as a whole -------------------------------------------------------------------------------------------


@portal.get("/statements/<number>/questions")
@allow("dealer")
def statement_questions(number: str) -> Page:
    return _questions_page(_own(number), QuestionForm(formdata=None))


def _questions_page(found: Statement, form: QuestionForm) -> str:
    value = from_json(found.value_json)
    return render_template(
        "portal/statement_questions.html",
        value=value,
        said_whole=line_said(value, WHOLE),
        line_at=line_at,
        questions=questions_of(db(), found),
        form=form,
    )


@portal.post("/statements/<number>/questions")
@allow("dealer")
def ask_statement(number: str) -> Page:
    """Ask the manager about the statement as a whole."""
    found, form = _own(number), QuestionForm()
    if not form.validate() or not _ask(found, WHOLE, form):
        return _questions_page(_own(number), form), 422
    return redirect(url_for("portal.statement_questions", number=number), 303)
