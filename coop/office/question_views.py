"""What dealers ask about their statements: the list, the manager's answer; and the lines of statements they ask about."""

from __future__ import annotations

from flask import Blueprint, abort, flash, redirect, render_template, request, url_for
from flask_wtf import FlaskForm
from wtforms import TextAreaField
from wtforms.validators import Length

from coop.core.errors import Refusal
from coop.core.fields import Needed, stripped, told, whole_number
from coop.core.web import Page, allow, db, now, roll_back, site, visitor
from coop.dealers.second_person import is_own
from coop.office.queries import statement_by_number
from coop.office.views import READERS, line_at, office
from coop.statements import questions as asking
from coop.statements.domain import from_json
from coop.statements.line_pages import line_page

questions = Blueprint("questions", __name__, url_prefix="/office/letters/questions")


class AnswerForm(FlaskForm):  # type: ignore[misc]
    """What the manager answers."""

    answer = TextAreaField(
        "Your answer",
        filters=[stripped],
        validators=[
            Needed("Write what the dealer is to know."),
            Length(max=asking.LONGEST_ANSWER, message=f"Write it in {asking.LONGEST_ANSWER:,} characters."),
        ],
        render_kw={"rows": 5},
    )


@questions.get("/")
@allow(*READERS)
def first() -> Page:
    """Open questions first, the oldest of them first; answered ones below, or alone on later pages."""
    after, before = whole_number(request.args.get("after")), whole_number(request.args.get("before"))
    waiting = asking.questions(db(), is_open=True, before_id=after) if before is None else []
    answered = asking.questions(db(), is_open=False, before_id=before) if after is None else []
    return render_template(
        "office/questions/listed.html",
        waiting=waiting[: asking.PAGE],
        answered=answered[: asking.PAGE],
        open_count=asking.count_open(db()),
        further=waiting[asking.PAGE - 1].question.id if len(waiting) > asking.PAGE else None,
        older=answered[asking.PAGE - 1].question.id if len(answered) > asking.PAGE else None,
        paged=after is not None or before is not None,
        line_at=line_at,
    )


def _asked(question_id: int) -> asking.Asked:
    found = asking.question_by_id(db(), question_id)
    if found is None:
        abort(404)
    return found


@questions.get("/<int:question_id>")
@allow(*READERS)
def question(question_id: int) -> Page:
    return _question_page(_asked(question_id), AnswerForm(formdata=None))


def _question_page(row: asking.Asked, form: AnswerForm) -> str:
    return render_template(
        "office/questions/question.html",
        row=row,
        form=form,
        line_at=line_at,
        is_hers=is_own(db(), visitor().user_id, row.statement.dealer_id),
    )


@questions.post("/<int:question_id>")
@allow("manager")
def answer(question_id: int) -> Page:
    """Answer it, once."""
    row, form = _asked(question_id), AnswerForm()
    if not form.validate():
        return _question_page(row, form), 422
    try:
        asking.answer_question(
            db(),
            now(),
            row.question,
            form.answer.data,
            user_id=visitor().user_id,
            mail_domain=site().settings.mail_domain,
        )
    except Refusal as refusal:
        roll_back()
        row = _asked(question_id)
        if row.question.answered_at is not None:
            # Its page has the answer, and no form any more that could say why.
            raise
        told(form.answer, str(refusal))
        return _question_page(row, form), 422
    flash("The answer is given: the dealer gets it by mail and finds it beside the line.")
    return redirect(url_for("questions.first"), 303)


# --- lines --------------------------------------------------------------------------------------------------------------


@office.get("/statements/<number>/lines/<section>/<int:n>")
@allow(*READERS)
def statement_line(number: str, section: str, n: int) -> Page:
    """One line of a statement and what it is made of, as its dealer sees it."""
    found = statement_by_number(db(), number)
    page = line_page(db(), found, section, n) if found is not None else None
    if found is None or page is None:
        abort(404)
    return render_template(
        "office/statement_line.html",
        page=page,
        value=from_json(found.value_json),
        line_at=line_at,
        questions=asking.questions_of(db(), found, page.place.key),
    )
