"""Lent floor in the office: the floor map of a day, what must move, what stands, and whether the bays are still the plan's."""

from __future__ import annotations

from datetime import date, timedelta
from textwrap import shorten

from flask import Blueprint, flash, redirect, render_template, request, url_for

from coop.core.fields import whole_number
from coop.core.periods import shown_day, with_days_shown
from coop.core.web import Page, allow, db, now, show_list
from coop.office import queries as office_queries
from coop.office.mall_page import by, page_of, today_of, wanted_mall
from coop.office.overflow_floor import floor_on, mall_lending
from coop.office.overflow_list import STANDING
from coop.office.views import READERS
from coop.overflow.domain.fitting import CAUTION
from coop.overflow.queries import in_the_way, must_move
from coop.overflow.recalling import LONGEST_WHY, recall_many
from coop.overflow.rules import rules_on
from coop.overflow.survey_asking import ask_survey
from coop.overflow.surveying import survey_of

overflow = Blueprint("overflow", __name__, url_prefix="/office/overflow")
overflow.add_app_template_filter(with_days_shown, "with_days_shown")
_WEEK = timedelta(weeks=1)


@overflow.context_processor
def _shared() -> dict[str, object]:
    return {"caution": CAUTION}


# --- the floor map ----------------------------------------------------------------------------------------------------------


@overflow.get("/")
@allow(*READERS)
def first() -> Page:
    mall = mall_lending(db(), office_queries.malls(db()))
    # Without a mall, Floor says what to do first.
    address = url_for("overflow.plan", mall_code=mall.code) if mall else url_for("floor.first")
    return redirect(address, 303)


@overflow.get("/<mall_code>")
@allow(*READERS)
def plan(mall_code: str) -> Page:
    mall = wanted_mall(mall_code)
    today = today_of(mall)
    day = _wanted_day(today)
    it = floor_on(db(), mall, today, day)
    aisles = sorted({row.standing.bay.aisle for row in it.rows})
    listed = STANDING.with_choices("aisle", [(aisle, aisle) for aisle in aisles]).pick(it.rows, request.args)
    return show_list(
        listed,
        "office/overflow/plan.html",
        f"overflow-{mall.code}-{day}",
        **page_of(mall),
        it=it,
        weeks=[listed.args(day="" if there == today else there.isoformat(), page=None) for there in (day - _WEEK, day + _WEEK)],
    )


def _wanted_day(today: date) -> date:
    """The day an address asks for; today where it asks for none, or for one that is none."""
    asked = STANDING.values(request.args)["day"]
    return today if not asked or STANDING.filters[0].fault(asked) else date.fromisoformat(asked)


# --- bays worked out --------------------------------------------------------------------------------------------------------


@overflow.get("/<mall_code>/survey")
@allow(*READERS)
def survey(mall_code: str) -> Page:
    """How working out the bays goes, for the page that shows it as it goes."""
    mall = wanted_mall(mall_code)
    return render_template("office/overflow/survey.html", mall=mall, survey=survey_of(db(), mall, today_of(mall)))


@overflow.post("/<mall_code>/survey")
@allow("manager")
def work_out(mall_code: str) -> Page:
    mall = wanted_mall(mall_code)
    ask_survey(db(), now(), mall)
    flash("The bays are being worked out from the plan. You may leave this page.")
    return redirect(url_for("overflow.plan", mall_code=mall.code), 303)


# --- what must move ---------------------------------------------------------------------------------------------------------


@overflow.post("/<mall_code>/must-move")
@allow("manager")
def ask_back(mall_code: str) -> Page:
    """Ask back what must move, or one of it: today for safety, or with the notice of the house's rules.

    One that was asked back by a later day is asked back sooner.
    """
    mall, today = wanted_mall(mall_code), today_of(wanted_mall(mall_code))
    for_safety = request.form.get("when") == "today"
    days = 0 if for_safety else rules_on(db(), mall.id, today).recall_days
    wanted = whole_number(request.form.get("stay"))
    moving = (in_the_way if for_safety and wanted is not None else must_move)(db(), mall.id, today)
    chosen = [(one, why) for one, why in moving if wanted in (None, one.stay.id)]
    here = [(one, why) for one, why in chosen if one.stay.starts_on <= today + timedelta(days=days)]
    asked = recall_many(
        db(),
        now(),
        [one.stay for one, _ in here],
        why={one.stay.id: shorten(why, LONGEST_WHY, placeholder=" …") for one, why in here},
        by=by(),
        days=days,
        for_safety=for_safety,
    )
    flash(_said_asked(asked, len(here) - asked, len(chosen) - len(here), today, days))
    return redirect(url_for("overflow.plan", mall_code=mall.code), 303)


def _said_asked(asked: int, going: int, coming: int, today: date, days: int) -> str:
    last = "the end of today" if not days else shown_day(today + timedelta(days=days))
    said = []
    if asked:
        pieces, whose = ("1 piece is", "its dealer is") if asked == 1 else (f"{asked} pieces are", "their dealers are")
        said.append(f"{pieces} asked back by {last}, and {whose} told.")
    if going:
        said.append(f"{going} {'goes' if going == 1 else 'go'} by then anyway.")
    if coming:
        said.append(f"{coming} {'comes' if coming == 1 else 'come'} later only: take that floor back on its page.")
    return " ".join(said) or "Nothing must move any more."
