"""The portal: the paper of a reset's plan, asked for, waited for, and taken."""

from __future__ import annotations

from flask import flash, redirect, render_template, url_for
from flask_wtf import FlaskForm
from wtforms import SelectField
from wtforms.fields.choices import SelectChoice

from coop.core.errors import Refusal
from coop.core.web import Page, allow, db, now, roll_back, send_document
from coop.floor.domain.scale import scale_words
from coop.portal import reset_day_queries as queries
from coop.portal.reset_day_views import reset_here
from coop.portal.reset_views import resets
from coop.resets import papers
from coop.resets.reset_models import Reset
from coop.resets.sheets import PAPERS, SCALES

PAPER_WORDS = {"letter": "letter, 8.5 × 11 in.", "a4": "A4, 210 × 297 mm"}


class ResetPaperForm(FlaskForm):  # type: ignore[misc]
    scale = SelectField("Scale", choices=[SelectChoice(str(scale), scale_words(scale)) for scale in SCALES])
    size = SelectField("Paper", choices=[SelectChoice(size, PAPER_WORDS[size]) for size in PAPERS])


@resets.get("/days/<int:reset_id>/paper")
@allow("dealer")
def paper(reset_id: int) -> Page:
    return _paper_page(reset_here(reset_id))


def _paper_page(row: Reset, form: ResetPaperForm | None = None, refused: str = "") -> str:
    it = queries.reset_desk(db(), row)
    if form is None:
        scale = papers.usual_scale(it.plan, PAPERS[0]) if it.plan else SCALES[0]
        form = ResetPaperForm(formdata=None, data={"scale": str(scale), "size": PAPERS[0]})
    made = papers.papers_of(db(), row, it.plan) if it.plan else ()
    return render_template("portal/resets/paper.html", it=it, form=form, made=made, refused=refused, **_being_made(row))


def _being_made(row: Reset) -> dict[str, object]:
    """Whether a paper is being made, what came of the last one, and a line that says so."""
    job = papers.last_paper_job(db(), row)
    state = "" if job is None else job.state
    line = {
        "queued": "The paper waits to be made.",
        "running": "The paper is being made.",
        "failed": "The paper could not be made.",
        "done": "The paper is made.",
    }.get(state, "")
    return {"job": job, "is_going": state in ("queued", "running"), "line": line}


@resets.get("/days/<int:reset_id>/paper/steps")
@allow("dealer")
def paper_steps(reset_id: int) -> Page:
    """How far the paper is, for the page that waits for it."""
    return render_template("portal/resets/paper_steps.html", **_being_made(reset_here(reset_id)))


@resets.post("/days/<int:reset_id>/paper")
@allow("dealer")
def ask_paper(reset_id: int) -> Page:
    row, form = reset_here(reset_id), ResetPaperForm()
    refused = ""
    if form.validate():
        try:
            papers.start_reset_pdf(db(), now(), row, scale=int(form.scale.data), size=form.size.data)
        except Refusal as refusal:
            roll_back()
            row, refused = reset_here(reset_id), str(refusal)
        else:
            flash("The paper is asked for. It stands here when it is made.")
            return redirect(url_for("resets.paper", reset_id=row.id), 303)
    return _paper_page(row, form, refused), 422


@resets.get("/days/<int:reset_id>/paper/<int:document_id>.pdf")
@allow("dealer")
def paper_file(reset_id: int, document_id: int) -> Page:
    return send_document(papers.reset_pdf_document(db(), reset_here(reset_id), document_id))
