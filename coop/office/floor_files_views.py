"""A mall's plan as files: taken as SVG, DXF, CSV and as paper at a true scale; brought as CSV, as a proposal first."""

from __future__ import annotations

import json

from flask import abort, flash, redirect, render_template, request, url_for

from coop.core.errors import Refusal
from coop.core.web import Page, allow, db, download, now, roll_back, send_document, takes, visitor
from coop.floor import planning, rendering
from coop.floor import queries as floor_queries
from coop.floor.domain.draft import PlanDraft, draft_value, plan_change, read_draft
from coop.floor.domain.plan_csv import COLUMNS, HELP, REQUIRED, PlanFileRefused, plan_csv, read_plan_csv
from coop.floor.domain.scale import scale_words
from coop.floor.dxf import plan_dxf
from coop.floor.models import Mall
from coop.floor.svg import drawing_css, plan_svg
from coop.office import floor_queries as queries
from coop.office.floor_edit_views import MOST_BYTES, said_of
from coop.office.floor_forms import PaperForm, PlanFileForm
from coop.office.floor_views import floor
from coop.office.mall_page import today_of, wanted_mall
from coop.office.views import READERS
from coop.overflow.survey_asking import plan_changed


@floor.get("/<mall_code>/files")
@allow(*READERS)
def files(mall_code: str) -> Page:
    return _files_page(wanted_mall(mall_code))


def _files_page(mall: Mall, form: PlanFileForm | None = None) -> str:
    version = floor_queries.plan_version(db(), mall.id)
    return render_template(
        "office/floor/files.html",
        mall=mall,
        version=version,
        form=form or PlanFileForm(formdata=None),
        paper=PaperForm(formdata=None),
        made=rendering.newest_plan_pdf(db(), mall, version),
        pending=rendering.plan_pdf_pending(db(), mall),
        columns=[(name, HELP[name], name in REQUIRED) for name in COLUMNS],
    )


# --- taken ---------------------------------------------------------------------------------------------------------------


def _drawn(mall_code: str) -> tuple[Mall, PlanDraft]:
    """A mall's plan as it is today. Refuses a mall without one."""
    mall = wanted_mall(mall_code)
    draft = floor_queries.draft_of(db(), mall, today_of(mall))
    if draft is None:
        raise Refusal(f"{mall.name} has no plan yet: draw it or bring it as a file first.")
    return mall, draft


@floor.get("/<mall_code>/plan.svg")
@allow(*READERS)
def plan_as_svg(mall_code: str) -> Page:
    mall, draft = _drawn(mall_code)
    findings = queries.judged(db(), mall, today_of(mall), draft)[1]
    picture = plan_svg(draft, findings, title=f"Floor plan of {mall.name}", css=drawing_css())
    return download(picture, "image/svg+xml", f"floor-plan-{mall.code}.svg")


@floor.get("/<mall_code>/plan.dxf")
@allow(*READERS)
def plan_as_dxf(mall_code: str) -> Page:
    mall, draft = _drawn(mall_code)
    return download(plan_dxf(draft), "image/vnd.dxf", f"floor-plan-{mall.code}.dxf")


@floor.get("/<mall_code>/plan.csv")
@allow(*READERS)
def plan_as_csv(mall_code: str) -> Page:
    mall, draft = _drawn(mall_code)
    return download(plan_csv(draft), "text/csv", f"floor-plan-{mall.code}.csv")


@floor.post("/<mall_code>/paper")
@allow(*READERS)
def print_plan(mall_code: str) -> Page:
    """Have the plan's paper made, by the worker."""
    mall = wanted_mall(mall_code)
    form = PaperForm()
    if not form.validate_on_submit():
        return _files_page(mall), 422
    scale = int(form.scale.data)
    rendering.start_plan_pdf(db(), now(), mall, today_of(mall), scale=scale, paper=form.paper.data)
    flash(f"The paper is being made, {scale_words(scale)}. It is shown here when it is done.")
    return redirect(url_for("floor.files", mall_code=mall.code), 303)


@floor.get("/<mall_code>/paper/<int:document_id>.pdf")
@allow(*READERS)
def plan_paper(mall_code: str, document_id: int) -> Page:
    return send_document(rendering.plan_pdf_document(db(), wanted_mall(mall_code), document_id))


# --- brought ---------------------------------------------------------------------------------------------------------------


@floor.post("/<mall_code>/files")
@allow("manager")
@takes(MOST_BYTES)
def bring_plan(mall_code: str) -> Page:
    """Read a file, and show what applying it would change. Nothing is saved."""
    mall = wanted_mall(mall_code)
    form = PlanFileForm()
    if not form.validate_on_submit():
        return _files_page(mall, form), 422
    try:
        draft = read_plan_csv(form.file.data.read())
    except PlanFileRefused as refused:
        form.file.errors = str(refused).splitlines()
        return _files_page(mall, form), 422
    return _proposal(mall, draft, form.file.data.filename or "file")


def _proposal(mall: Mall, draft: PlanDraft, file_name: str) -> str:
    today = today_of(mall)
    there = queries.whole_draft(db(), mall, today)
    return render_template(
        "office/floor/proposal.html",
        mall=mall,
        file_name=file_name,
        change=plan_change(there, draft),
        first=not there.outline,
        findings=queries.judged(db(), mall, today, draft)[1],
        text=json.dumps(draft_value(draft), separators=(",", ":")),
        version=floor_queries.plan_version(db(), mall.id),
    )


@floor.post("/<mall_code>/files/apply")
@allow("manager")
@takes(MOST_BYTES)
def apply_plan(mall_code: str) -> Page:
    """Save the plan that was proposed, against the version it was proposed for."""
    mall = wanted_mall(mall_code)
    version = request.form.get("version", "")
    try:
        draft = read_draft(request.form.get("draft", ""))
    except ValueError as error:
        raise Refusal(f"This is no proposal ({error}): bring the file in again.") from error
    if not (version.isascii() and version.isdigit()):
        abort(400)
    try:
        change = planning.save_plan(db(), now(), mall, draft, version=int(version), user_id=visitor().user_id)
    except planning.PlanOutdated as outdated:
        roll_back()
        flash(f"{outdated} Bring the file in again to see what it would change now.")
        return redirect(url_for("floor.files", mall_code=mall_code), 303)
    plan_changed(db(), now(), mall)
    flash(said_of(change, draft))
    return redirect(url_for("floor.plan", mall_code=mall.code), 303)
