"""The house of a mall's turns in the office: when it is open, on holidays and on dates of their own."""

from __future__ import annotations

from datetime import date
from typing import Any

from flask import Blueprint, abort, flash, redirect, render_template, request, url_for

from coop.core.errors import Refusal
from coop.core.templating import day as written
from coop.core.web import Page, allow, db, now, request_id, roll_back, visitor
from coop.floor.models import Mall
from coop.office import rota_house_queries as queries
from coop.office.mall_page import by, page_of, row_of, today_of, wanted_mall
from coop.office.rota_house_forms import DateForm, HolidayForm, WeekForm, week_form
from coop.office.views import READERS
from coop.shifts import hours as opening
from coop.shifts.domain.hours import CLOSED, Hours, hours_words
from coop.shifts.hours import HOW_WORDS
from coop.shifts.models import OpeningException
from coop.shifts.planning import close_day
from coop.shifts.substitutes import CAUTION
from coop.shifts.wording import balance_shown, turns_shown

rota_house = Blueprint("rota_house", __name__, url_prefix="/office/rota")


@rota_house.context_processor
def _shared() -> dict[str, object]:
    return {
        "caution": CAUTION,
        "turns_shown": turns_shown,
        "balance_shown": balance_shown,
    }


def leading(mall: Mall) -> dict[str, Any]:
    """The same for a page that says what is still to be set."""
    return page_of(mall) | {"setup": queries.setup_of(db(), mall.id)}


# --- hours ------------------------------------------------------------------------------------------------------------------


@rota_house.get("/<mall_code>/hours")
@allow(*READERS)
def hours(mall_code: str) -> Page:
    return _hours_page(wanted_mall(mall_code))


def _hours_page(mall: Mall, dated: DateForm | None = None, holiday: HolidayForm | None = None) -> str:
    today = today_of(mall)
    rows = opening.opening_rows(db(), mall.id)
    holidays = queries.holidays_of_year(db(), mall, today, rows)
    names = sorted({row.name for row in holidays})
    if holiday is None:
        asked = request.args.get("holiday", "")
        holiday = HolidayForm(formdata=None, names=names, chosen_from=today, name=asked if asked in names else None)
    weeks = queries.weeks_of(rows.weekly)
    return render_template(
        "office/rota/hours.html",
        **leading(mall),
        week=next((week for week in reversed(weeks) if week.starts_on <= today), None),
        coming=[week for week in weeks if week.starts_on > today],
        holidays=holidays,
        dates=queries.dates_to_come(db(), mall.id, today),
        date_hours=lambda row: hours_words(Hours(row.opens_min, row.closes_min)),
        dated=dated or DateForm(formdata=None),
        holiday=holiday,
    )


@rota_house.get("/<mall_code>/hours/week")
@allow("manager")
def change_week(mall_code: str) -> Page:
    mall = wanted_mall(mall_code)
    rows, today = opening.opening_rows(db(), mall.id), today_of(mall)
    last = max((week.starts_on for week in queries.weeks_of(rows.weekly)), default=today)
    return _week_page(mall, week_form(queries.week_on(rows.weekly, max(today, last)), today))


def _week_page(mall: Mall, form: WeekForm) -> str:
    return render_template("office/rota/week.html", **page_of(mall), form=form)


@rota_house.post("/<mall_code>/hours/week")
@allow("manager")
def set_week(mall_code: str) -> Page:
    mall = wanted_mall(mall_code)
    form = WeekForm()
    if not form.check():
        return _week_page(mall, form), 422
    try:
        opening.set_week(db(), now(), mall, form.starts_on.data, form.week, by=by())
    except Refusal as refusal:
        roll_back()
        form.starts_on.errors = [str(refusal)]
        return _week_page(wanted_mall(mall_code), form), 422
    flash(f"The hours are set from {written(form.starts_on.data)}. A rota that is published keeps its turns.")
    return _to_hours(mall)


@rota_house.post("/<mall_code>/hours/<first_day>/withdraw")
@allow("manager")
def withdraw_week(mall_code: str, first_day: str) -> Page:
    mall = wanted_mall(mall_code)
    try:
        starts_on = date.fromisoformat(first_day)
    except ValueError:
        abort(404)
    opening.take_back_week(db(), now(), mall, starts_on, by=by())
    flash(f"The hours from {written(starts_on)} are taken back.")
    return _to_hours(mall)


def _to_hours(mall: Mall, anchor: str | None = None) -> Page:
    return redirect(url_for("rota_house.hours", mall_code=mall.code, _anchor=anchor), 303)


# --- dates and holidays -----------------------------------------------------------------------------------------------------


@rota_house.post("/<mall_code>/hours/dates")
@allow("manager")
def set_date(mall_code: str) -> Page:
    """Hours of one date; a date that is closed closes its turns too."""
    mall = wanted_mall(mall_code)
    form = DateForm()
    if not form.check():
        return _hours_page(mall, dated=form), 422
    day = form.on_date.data
    try:
        if form.wanted == CLOSED:
            closed = close_day(db(), now(), mall, day, form.why.data, visitor().user_id, request_id())
            said = f"{mall.name} stays closed on {written(day)}."
            if closed:
                turns = "its turn is" if len(closed) == 1 else f"its {len(closed)} turns are"
                said += f" With it {turns} closed, and who had one is told."
        else:
            opening.set_exception(db(), now(), mall, day, form.wanted, form.why.data, by=by())
            said = f"{mall.name} is open on {written(day)} from {hours_words(form.wanted)}."
            if queries.is_published(db(), mall.id, day):
                said += " The month's rota is published: its turns keep their times, so look at that day on its page."
    except Refusal as refusal:
        roll_back()
        form.on_date.errors = [str(refusal)]
        return _hours_page(wanted_mall(mall_code), dated=form), 422
    flash(said)
    return _to_hours(mall, "dates")


@rota_house.post("/<mall_code>/hours/dates/<int:row_id>/withdraw")
@allow("manager")
def withdraw_date(mall_code: str, row_id: int) -> Page:
    mall = wanted_mall(mall_code)
    row = row_of(mall, OpeningException, row_id)
    said = f"{written(row.on_date)} has the hours of its weekday or holiday again."
    if queries.is_published(db(), mall.id, row.on_date):
        said += " The month's rota is published: turns that were closed stay closed."
    opening.remove_exception(db(), now(), mall, row, by=by())
    flash(said)
    return _to_hours(mall, "dates")


@rota_house.post("/<mall_code>/hours/holidays")
@allow("manager")
def choose_holiday(mall_code: str) -> Page:
    mall = wanted_mall(mall_code)
    rows = opening.opening_rows(db(), mall.id)
    names = sorted({row.name for row in queries.holidays_of_year(db(), mall, today_of(mall), rows)})
    form = HolidayForm(names=names)
    if not form.check():
        return _hours_page(mall, holiday=form), 422
    try:
        row = opening.choose_holiday(
            db(), now(), mall, form.name.data, form.how.data, form.wanted, starts_on=form.chosen_from.data, by=by()
        )
    except Refusal as refusal:
        roll_back()
        form.name.errors = [str(refusal)]
        return _hours_page(wanted_mall(mall_code), holiday=form), 422
    how = f"open {hours_words(form.wanted)}" if row.how == "short" else HOW_WORDS[row.how]
    flash(f"On {row.name} the mall is {how}, from {written(row.starts_on)}.")
    return _to_hours(mall, "holidays")
