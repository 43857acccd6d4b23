"""The rota in the office: the list of months, a month with its days and members, its draft and publication, who had how much."""

from __future__ import annotations

from typing import Any

from flask import Blueprint, abort, flash, redirect, render_template, request, url_for

from coop.core.errors import Refusal
from coop.core.periods import Month
from coop.core.web import Page, allow, db, now, roll_back, visitor
from coop.floor.models import Mall
from coop.office import queries as office_queries
from coop.office.mall_page import today_of, wanted_mall
from coop.office.rota_forms import DraftForm
from coop.office.rota_last import last_move
from coop.office.rota_list import mall_rotas
from coop.office.rota_month import MonthOfTurns, job_of, month_of
from coop.office.rota_outcome import outcome_told, progress_line
from coop.office.views import READERS
from coop.shifts import drafting, fair_words, publishing
from coop.shifts.fair import fairness as fairness_of
from coop.shifts.models import Rota
from coop.shifts.planning import ensure_rota, rota_of, seats_of
from coop.shifts.wording import balance_shown, turns_shown

rota = Blueprint("rota", __name__, url_prefix="/office/rota")
rota.add_app_template_filter(turns_shown, "turns")
rota.add_app_template_filter(balance_shown, "balance")


def wanted_rota(mall: Mall, month: Month) -> Rota:
    """The rota an address names."""
    found = rota_of(db(), mall.id, month)
    if found is None:
        abort(404)
    return found


def wanted_version() -> int:
    """The rota's version that the sent page was of; one that is none is of no version."""
    text = request.form.get("version", "")
    return int(text) if text.isascii() and text.isdigit() and len(text) < 10 else -1


def to_month(mall: Mall, month: Month, anchor: str | None = None, **more: Any) -> Page:
    return redirect(url_for("rota.month", mall_code=mall.code, month=month, _anchor=anchor, **more), 303)


# --- months -----------------------------------------------------------------------------------------------------------------


@rota.get("/")
@allow(*READERS)
def first() -> Page:
    malls = office_queries.malls(db())
    rows = mall_rotas(db(), now(), malls, older=request.args.get("older") == "yes")
    return render_template("office/rota/list.html", malls=rows)


@rota.get("/<mall_code>/<month:month>")
@allow(*READERS)
def month(mall_code: str, month: Month) -> Page:
    return _month_page(wanted_mall(mall_code), month)


def _month_page(mall: Mall, month: Month, form: DraftForm | None = None) -> str:
    it = month_of(db(), now(), mall, month)
    form = form or DraftForm(formdata=None, seconds=drafting.SECONDS)
    return render_template(
        "office/rota/month.html",
        mall=mall,
        it=it,
        seats=len(seats_of(db(), mall, month)) if it.rota is None else 0,
        drafting=form,
        told=outcome_told(it),
        line=progress_line(it),
        last=last_move(it, request.args),
        whose=it.row_of(request.args.get("who", "")) if it.rota else None,
    )


@rota.post("/<mall_code>/<month:month>/begin")
@allow("manager")
def begin(mall_code: str, month: Month) -> Page:
    """Lay a month's turns out, or bring those of a draft up to changed hours and posts."""
    mall = wanted_mall(mall_code)
    before = rota_of(db(), mall.id, month)
    version = before.version if before else 0
    made = ensure_rota(db(), now(), mall, month, user_id=visitor().user_id)
    if before is None:
        flash(f"The turns of {month.name} are laid out. Draft it, or say turn by turn who has it.")
    elif made.state == "published":
        flash(f"The rota of {month.name} is published: its turns stay as they are.")
    elif made.version == version:
        flash("Nothing has changed since: its turns are those of the hours and posts.")
    else:
        flash("Its turns are those of the hours and posts as they are now.")
    return to_month(mall, month)


# --- the draft --------------------------------------------------------------------------------------------------------------


@rota.get("/<mall_code>/<month:month>/progress")
@allow(*READERS)
def progress(mall_code: str, month: Month) -> Page:
    """How far a draft is, for the page that shows it as it goes."""
    mall = wanted_mall(mall_code)
    found = wanted_rota(mall, month)
    it = MonthOfTurns(mall, month, found, today_of(mall), job=job_of(db(), found))
    return render_template("office/rota/progress.html", it=it, line=progress_line(it))


@rota.post("/<mall_code>/<month:month>/draft")
@allow("manager")
def draft(mall_code: str, month: Month) -> Page:
    mall = wanted_mall(mall_code)
    form = DraftForm()
    if not form.validate():
        return _month_page(mall, month, form), 422
    try:
        drafting.ask_draft(
            db(),
            now(),
            wanted_rota(mall, month),
            seconds=form.seconds.data,
            seed=form.seed.data,
            user_id=visitor().user_id,
        )
    except Refusal as refusal:
        roll_back()
        flash(str(refusal))
    return to_month(wanted_mall(mall_code), month)


@rota.post("/<mall_code>/<month:month>/stop")
@allow("manager")
def stop(mall_code: str, month: Month) -> Page:
    """Let a draft end with the best it has."""
    mall = wanted_mall(mall_code)
    drafting.stop_draft(db(), now(), wanted_rota(mall, month), user_id=visitor().user_id)
    flash("It is being stopped: the best that is found so far is kept.")
    return to_month(mall, month)


@rota.post("/<mall_code>/<month:month>/publish")
@allow("manager")
def publish(mall_code: str, month: Month) -> Page:
    mall = wanted_mall(mall_code)
    uncovered = publishing.publish(db(), now(), wanted_rota(mall, month), visitor().user_id, version=wanted_version())
    more = f" {uncovered} {'turn is' if uncovered == 1 else 'turns are'} uncovered still." if uncovered else ""
    flash(f"The rota of {month.name} is published, and its members are told.{more}")
    return to_month(mall, month)


# --- fairness ---------------------------------------------------------------------------------------------------------------


@rota.get("/<mall_code>/fairness")
@allow(*READERS)
def fairness(mall_code: str) -> Page:
    """Who has had how many turns, weekends, holidays, openings and closings for what was owed."""
    mall = wanted_mall(mall_code)
    return render_template("office/rota/fairness.html", mall=mall, fair=fairness_of(db(), now(), mall), words=fair_words)
