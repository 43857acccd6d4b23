"""Files of rates and boundaries in the office: chosen, looked at, applied, undone. Large ones go on in the background."""

from __future__ import annotations

from flask import abort, flash, redirect, render_template, request, url_for

from coop.core.errors import Refusal
from coop.core.web import Page, allow, db, now, roll_back, takes, visitor
from coop.office import tax_queries as queries
from coop.office.tax_places_forms import FileForm
from coop.office.tax_views import tax
from coop.office.views import READERS
from coop.tax import file_work
from coop.tax.domain import own_rates
from coop.tax.models import TaxImport

MOST_BYTES = 200 * 1024 * 1024
"""Of a file sent by a browser. A state's boundary file with every address is larger than most: the command line takes any."""


@tax.get("/files")
@allow(*READERS)
def imports() -> Page:
    return _list(FileForm(formdata=None))


def _list(form: FileForm) -> str:
    rows = [(row, file_work.work_on(db(), row.id)) for row in queries.imports(db())]
    return render_template(
        "office/tax/imports.html", rows=rows, form=form, most_mib=MOST_BYTES // (1024 * 1024), columns=own_rates.COLUMNS
    )


@tax.post("/files")
@allow("manager")
@takes(MOST_BYTES)
def bring_file() -> Page:
    form = FileForm()
    if not form.validate_on_submit():
        return _list(form), 422
    try:
        work = file_work.receive_file(db(), now(), form.file.data.filename or "file", form.file.data.stream, by=visitor().user_id)
    except Refusal as refusal:
        roll_back()
        form.file.errors = [str(refusal)]
        return _list(form), 422
    return redirect(url_for("tax.proposal", import_id=work.id), 303)


def _found(import_id: int) -> TaxImport:
    found = queries.import_by_id(db(), import_id)
    if found is None:
        abort(404)
    return found


@tax.get("/files/<int:import_id>")
@allow(*READERS)
def proposal(import_id: int) -> Page:
    return _proposal("office/tax/proposal.html", import_id)


@tax.get("/files/<int:import_id>/work")
@allow(*READERS)
def file_progress(import_id: int) -> Page:
    """How far the work on a file is, alone, for the page that shows it as it goes."""
    return _proposal("office/tax/file_work.html", import_id)


def _proposal(template: str, import_id: int) -> str:
    found = _found(import_id)
    return render_template(
        template, found=found, work=file_work.work_on(db(), import_id), halfway=file_work.halfway(db(), import_id)
    )


@tax.post("/files/<int:import_id>/apply")
@allow("manager")
def apply_proposal(import_id: int) -> Page:
    """Do what was proposed: rates at once, boundaries in the background."""
    _found(import_id)
    without = request.form.get("without_refused") == "yes"
    work = file_work.start_applying(db(), now(), import_id, by=visitor().user_id, without_refused=without)
    if work.state == "applied":
        flash("It is applied.")
    return redirect(url_for("tax.proposal", import_id=import_id), 303)


@tax.post("/files/<int:import_id>/stop")
@allow("manager")
def stop_file(import_id: int) -> Page:
    _found(import_id)
    file_work.stop_applying(db(), now(), import_id, by=visitor().user_id)
    flash("It is being stopped: what it has written is taken away.")
    return redirect(url_for("tax.proposal", import_id=import_id), 303)


@tax.post("/files/<int:import_id>/undo")
@allow("manager")
def undo_proposal(import_id: int) -> Page:
    _found(import_id)
    work = file_work.start_undoing(db(), now(), import_id, by=visitor().user_id)
    if work.state == "undone":
        flash("It is undone: everything is as it was before.")
    return redirect(url_for("tax.proposal", import_id=import_id), 303)


@tax.post("/files/<int:import_id>/discard")
@allow("manager")
def discard_file(import_id: int) -> Page:
    _found(import_id)
    file_work.discard_import(db(), now(), import_id, by=visitor().user_id)
    flash("The proposal is taken away. Nothing had been changed by it.")
    return redirect(url_for("tax.imports"), 303)
