"""The portal: how long work took, logged, and what it corrects; and what a dealer's hours and seasons go by."""

from __future__ import annotations

from datetime import timedelta
from typing import Any

from flask import abort, flash, redirect, render_template, request, url_for
from sqlalchemy import select

from coop.core.errors import Refusal
from coop.core.fields import whole_number
from coop.core.periods import shown_day
from coop.core.web import Page, allow, db, now, roll_back, visitor
from coop.dealers.models import Dealer
from coop.leases.pricing import named
from coop.portal import reset_day_queries
from coop.portal.queries import own_dealers_query
from coop.portal.reset_time_forms import SettingsForm, TimeForm
from coop.portal.reset_views import dealers_here, resets, today_here
from coop.resets.domain.hours.estimate import PERT_CAUTION
from coop.resets.reset_models import Reset, ResetTime
from coop.resets.settings import change_settings, setting_of
from coop.resets.timing import (
    TASK_WORDS,
    corrections_for,
    counted_words,
    log_time,
    minutes_words,
    take_back_time,
    time_words,
    times_of,
)

_SHOWN = timedelta(days=120)
"""Resets of so long ago may still have times logged for them."""
resets.add_app_template_global(counted_words, "counted_words")
resets.add_app_template_filter(minutes_words, "minutes_words")


def dealer_here() -> Dealer:
    """The dealer an address names (`?dealer=D01`), else the first this user is; 404 for another's."""
    found = dealers_here()
    code = request.args.get("dealer", "")
    one = next((one for one in found if one.code == code), None if code else found[0])
    if one is None:
        abort(404)
    return one


def _asked(dealer: Dealer) -> dict[str, Any]:
    """What the addresses of these pages carry where a user is more dealers than one."""
    return {"dealer": dealer.code} if len(dealers_here()) > 1 else {}


# --- times logged ---------------------------------------------------------------------------------------------------------------


def _form(dealer: Dealer, **given: object) -> TimeForm:
    form = TimeForm(**given)
    since = today_here() - _SHOWN
    rows = [row for row in reset_day_queries.own_resets(db(), visitor()) if row.reset.dealer_id == dealer.id]
    form.among(
        (row.reset.id, f"{named(row.space)}, {shown_day(row.reset.on_date)}") for row in rows if row.reset.on_date >= since
    )
    return form


@resets.get("/times")
@allow("dealer")
def times() -> Page:
    wanted = whole_number(request.args.get("reset"))
    reset = None if wanted is None else reset_day_queries.own_reset(db(), visitor(), wanted)
    dealer = dealer_here() if reset is None else db().get_one(Dealer, reset.dealer_id)
    data = {"on_date": today_here(), "count": 1, "people": 1, "reset": "" if wanted is None else str(wanted)}
    return _times_page(dealer, _form(dealer, formdata=None, data=data))


def _times_page(dealer: Dealer, form: TimeForm, refused: str = "") -> str:
    return render_template(
        "portal/resets/times.html",
        dealer=dealer,
        dealers=dealers_here(),
        asked=_asked(dealer),
        rows=times_of(db(), dealer.id),
        corrections=corrections_for(db(), dealer.id),
        form=form,
        refused=refused,
        task_words=TASK_WORDS,
        pert_caution=PERT_CAUTION,
    )


@resets.post("/times")
@allow("dealer")
def log_work() -> Page:
    dealer = dealer_here()
    form = _form(dealer)
    refused = ""
    if form.validate():
        try:
            row = log_time(
                db(),
                now(),
                dealer,
                task=form.task.data,
                minutes=form.minutes.data,
                count=form.count.data,
                people=form.people.data,
                on=form.on_date.data,
                today=today_here(),
                # Only resets of this dealer's are among the form's choices.
                reset=db().get_one(Reset, int(form.reset.data)) if form.reset.data else None,
                user_id=visitor().user_id,
            )
        except Refusal as refusal:
            roll_back()
            refused, dealer = str(refusal), dealer_here()
        else:
            flash(f"Logged, {time_words(row)}.")
            return redirect(url_for("resets.times", **_asked(dealer), reset=form.reset.data or None), 303)
    return _times_page(dealer, form, refused), 422


@resets.post("/times/<int:time_id>/take-back")
@allow("dealer")
def take_time_back(time_id: int) -> Page:
    """Take a time off the list, and show it filled in below: sent again, it is there again."""
    row = db().scalar(select(ResetTime).where(ResetTime.id == time_id, ResetTime.dealer_id.in_(own_dealers_query(visitor()))))
    if row is None:
        abort(404)
    dealer = db().get_one(Dealer, row.dealer_id)
    was = {one: getattr(row, one) for one in ("task", "minutes", "count", "people", "on_date")}
    said, reset = time_words(row), str(row.reset_id or "")
    take_back_time(db(), now(), row, user_id=visitor().user_id)
    flash(f"Taken back, {said}. It stands filled in below: log it again to have it back.")
    return _times_page(dealer, _form(dealer, formdata=None, data=was | {"reset": reset}))


# --- settings -------------------------------------------------------------------------------------------------------------------


@resets.get("/settings")
@allow("dealer")
def settings() -> Page:
    dealer = dealer_here()
    return _settings_page(dealer, SettingsForm.of(setting_of(db(), dealer.id)))


def _settings_page(dealer: Dealer, form: SettingsForm) -> str:
    return render_template(
        "portal/resets/settings.html",
        dealer=dealer,
        dealers=dealers_here(),
        asked=_asked(dealer),
        form=form,
        pert_caution=PERT_CAUTION,
    )


@resets.post("/settings")
@allow("dealer")
def set_settings() -> Page:
    dealer = dealer_here()
    form = SettingsForm()
    wanted = form.read()
    if wanted is None:
        return _settings_page(dealer, form), 422
    change_settings(db(), now(), dealer, wanted, user_id=visitor().user_id)
    flash("The settings are kept. Plans that are worked out from now on go by them.")
    return redirect(url_for("resets.settings", **_asked(dealer)), 303)
