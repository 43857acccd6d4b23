"""The portal: helpers whom a dealer names for turns; the secret addresses of a dealer's calendar of turns and of lent floor."""

from __future__ import annotations

from datetime import date

from flask import abort, flash, redirect, render_template, url_for

from coop.core.errors import Refusal
from coop.core.web import Page, allow, db, now, request_id, roll_back, site, visitor
from coop.dealers.feeds import make_feed, revoke_feed, running_feeds, show_feed
from coop.dealers.models import Member, UserAccount
from coop.leases.editing import By
from coop.leases.holding import today_at
from coop.overflow.calendar import floor_events
from coop.portal.turn_forms import CalendarForm, HelperForm
from coop.portal.turn_views import own_member, turns
from coop.shifts import helping
from coop.shifts.answering import own_malls
from coop.shifts.calendar import KEPT, TURNS, calendar_of_turns
from coop.shifts.models import TurnHelper
from coop.shifts.people import helpers_of, name_helper

# --- helpers ----------------------------------------------------------------------------------------------------------------


def _today() -> date:
    malls = own_malls(db(), now(), own_member())
    return today_at(db(), now(), malls[0].id) if malls else now().date()


@turns.get("/helpers")
@allow("dealer")
def helpers() -> Page:
    return _helpers_page(HelperForm(formdata=None))


def _helpers_page(form: HelperForm) -> str:
    rows = helpers_of(db(), _today(), member_ids=[own_member()]).get(own_member(), [])
    return render_template("portal/turns/who_helps.html", rows=rows, form=form)


@turns.post("/helpers")
@allow("dealer")
def add_helper() -> Page:
    form = HelperForm()
    if form.validate():
        try:
            name_helper(
                db(),
                now(),
                db().get_one(Member, own_member()),
                form.name.data,
                phone=form.phone.data or "",
                by=By(visitor().user_id, request_id()),
            )
        except Refusal as refusal:
            roll_back()
            form.name.errors = [str(refusal)]
        else:
            flash("The helper is named. Send the helper to a turn on the turn's own page.")
            return redirect(url_for("turns.helpers"), 303)
    return _helpers_page(form), 422


@turns.post("/helpers/<int:helper_id>/end")
@allow("dealer")
def drop_helper(helper_id: int) -> Page:
    row = db().get(TurnHelper, helper_id)
    if row is None or row.member_id != own_member():
        abort(404)
    helping.drop_helper(db(), now(), row, _today(), by=By(visitor().user_id, request_id()))
    flash(f"{row.name} works no turns for you any more: to those the helper had you come yourself.")
    return redirect(url_for("turns.helpers"), 303)


# --- the calendar -----------------------------------------------------------------------------------------------------------


def _calendar(user_id: int) -> bytes:
    """The member's turns, and the days on which pieces of the member's move into an aisle or out of it."""
    member_id, domain = db().get_one(UserAccount, user_id).member_id or 0, site().settings.mail_domain
    lent = floor_events(db(), now(), member_id, kept=KEPT, mail_domain=domain)
    return calendar_of_turns(db(), now(), member_id, mail_domain=domain, more=lent)


show_feed(TURNS, ["dealer"], _calendar)


@turns.get("/calendar")
@allow("dealer")
def calendar() -> Page:
    return _calendar_page(CalendarForm(formdata=None))


def _calendar_page(form: CalendarForm, made: str = "") -> str:
    rows = running_feeds(db(), visitor().user_id, TURNS)
    return render_template("portal/turns/calendar.html", rows=rows, form=form, made=made)


@turns.post("/calendar")
@allow("dealer")
def make_calendar() -> Page:
    """Make an address and show it, in the answer and nowhere else."""
    form = CalendarForm()
    if not form.validate():
        return _calendar_page(form), 422
    try:
        token = make_feed(db(), now(), visitor().user_id, TURNS, label=form.label.data or "", request_id=request_id())
    except Refusal as refusal:
        roll_back()
        form.label.errors = [str(refusal)]
        return _calendar_page(form), 422
    return _calendar_page(CalendarForm(formdata=None), url_for("feeds.read", token=token, _external=True))


@turns.post("/calendar/<int:feed_id>/end")
@allow("dealer")
def end_calendar(feed_id: int) -> Page:
    if not revoke_feed(db(), now(), visitor().user_id, feed_id, request_id=request_id()):
        abort(404)
    flash("That address is ended: whatever reads it gets nothing from now on.")
    return redirect(url_for("turns.calendar"), 303)
