"""The portal: a set arranged by the program, in the background; its page may be left, and the work stopped."""

from __future__ import annotations

from typing import Any

from flask import redirect, render_template, request, url_for
from flask_wtf import FlaskForm
from wtforms import BooleanField

from coop.core.errors import Refusal
from coop.core.fields import LengthField, Needed, NumberField, whole_number
from coop.core.web import Page, allow, db, now, roll_back, visitor
from coop.portal.reset_set_queries import set_desk
from coop.portal.reset_set_views import set_here
from coop.portal.reset_views import resets
from coop.resets import arranging
from coop.resets.arranging import MOST_SECONDS, SECONDS, Asked
from coop.resets.models import BoothSet


class ArrangeForm(FlaskForm):  # type: ignore[misc]
    way = LengthField("Path inside", validators=[Needed("Write how wide the path is, like 36 in.")])
    together = BooleanField("Keep each grouping together")
    seconds = NumberField("Seconds", least=1, most=MOST_SECONDS, validators=[Needed("Write how long it may take, like 5.")])


@resets.get("/sets/<int:set_id>/arrange")
@allow("dealer")
def arrange(set_id: int) -> Page:
    return _arrange_page(set_here(set_id))


def _arrange_page(row: BoothSet, form: ArrangeForm | None = None, wrong: str = "", chosen: set[int] | None = None) -> str:
    desk = set_desk(db(), row)
    given: dict[str, Any] = {"way": desk.booth.way_in16, "together": True, "seconds": SECONDS}
    return render_template(
        "portal/resets/arrange.html",
        it=desk,
        row=row,
        form=form or ArrangeForm(formdata=None, data=given),
        wrong=wrong,
        chosen={put.piece_id for put in desk.puts} if chosen is None else chosen,
        locked={put.piece_id for put in desk.puts if put.locked},
        drafts=arranging.drafts_of(db(), row),
        **_under_way(row),
    )


def _under_way(row: BoothSet) -> dict[str, Any]:
    """The newest arranging of a set, whether it goes on, the draft it made, and a line that says so."""
    job = arranging.last_job(db(), row)
    going = job is not None and job.state in ("queued", "running")
    made = None if job is None or job.state != "done" else arranging.draft_of_job(db(), row, job)
    line = ""
    if job is not None:
        line = {"queued": "It waits its turn.", "running": "It is being arranged.", "failed": "It could not be arranged."}.get(
            job.state, f"{made.name} is laid out." if made else "It has ended."
        )
    return {"job": job, "going": going, "made": made, "line": line}


@resets.post("/sets/<int:set_id>/arrange")
@allow("dealer")
def ask_arrangement(set_id: int) -> Page:
    row = set_here(set_id)
    form = ArrangeForm()
    chosen = {one for one in map(whole_number, request.form.getlist("piece")) if one is not None}
    wrong = ""
    if form.validate():
        asked = Asked(tuple(sorted(chosen)), form.way.data, bool(form.together.data), form.seconds.data)
        try:
            arranging.ask_arrangement(db(), now(), row, asked, user_id=visitor().user_id)
        except Refusal as refusal:
            roll_back()
            row, wrong = set_here(set_id), str(refusal)
        else:
            return redirect(url_for("resets.arrange", set_id=set_id), 303)
    return _arrange_page(row, form, wrong, chosen), 422


@resets.get("/sets/<int:set_id>/arrange/progress")
@allow("dealer")
def arrange_progress(set_id: int) -> Page:
    return render_template("portal/resets/arrange_progress.html", **_under_way(set_here(set_id)))


@resets.post("/sets/<int:set_id>/arrange/stop")
@allow("dealer")
def stop_arrangement(set_id: int) -> Page:
    arranging.stop_arrangement(db(), now(), set_here(set_id), user_id=visitor().user_id)
    return redirect(url_for("resets.arrange", set_id=set_id), 303)
