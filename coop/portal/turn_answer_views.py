"""The portal: when a dealer can take turns and when not, and that all is said for a month."""

from __future__ import annotations

from flask import abort, flash, redirect, render_template, url_for

from coop.core.errors import Refusal
from coop.core.periods import Month
from coop.core.templating import day, joined
from coop.core.web import Page, allow, db, now, request_id, roll_back, visitor
from coop.dealers.models import Member
from coop.portal.turn_forms import SAYS, AvailabilityForm
from coop.portal.turn_views import own_member, turns
from coop.shifts import answering
from coop.shifts.domain.hours import EVERY_DAY, clock_span, weekday_words
from coop.shifts.domain.spans import Said
from coop.shifts.models import Availability
from coop.shifts.rules import rules_on


def said_in_words(said: Said) -> str:
    """`every Tuesday, from Dec 1, 2026 on, 10 am to noon`: when it is that something is said of."""
    days = weekday_words(said.weekdays)
    if said.every_weeks > 1:
        days = f"every {said.every_weeks} weeks on {'all days' if said.weekdays == EVERY_DAY else days}"
    elif said.weekdays != EVERY_DAY:
        days = f"every {days}"
    if said.ends_on == said.starts_on:
        dates = f"on {day(said.starts_on)}"
    elif said.ends_on is None:
        dates = f"{days}, from {day(said.starts_on)} on"
    else:
        dates = f"{days}, {day(said.starts_on)} through {day(said.ends_on)}"
    return dates if said.whole_day else f"{dates}, {clock_span(said.from_min, said.to_min)}"


@turns.get("/availability")
@allow("dealer")
def availability() -> Page:
    return _page()


def _page(form: AvailabilityForm | None = None) -> str:
    member_id = own_member()
    malls = answering.own_malls(db(), now(), member_id)
    open_month = answering.first_open_month(db(), now(), member_id) if malls else None
    months = []
    for mall in malls:
        month = Month.of(open_month.first_day) if open_month else None
        while month and now() >= answering.answers_close(db(), mall, month):
            month = month.next
        if month:
            silence = rules_on(db(), mall.id, month.first_day).silence
            until = answering.last_day_to_answer(db(), mall, month)
            months.append((mall, month, until, silence, answering.has_answered(db(), member_id, month)))
    if form is None and open_month is not None:
        given = {
            "kind": "never",
            "starts_on": open_month.first_day,
            "weekdays": [str(n) for n in range(7)],
            "every": 1,
            "part": "day",
        }
        form = AvailabilityForm(formdata=None, data=given)
    rows = answering.standing(db(), member_id)
    return render_template(
        "portal/turns/availability.html",
        rows=[(row, SAYS[row.kind], said_in_words(answering.as_said(row))) for row in rows],
        months=months,
        form=form,
    )


@turns.post("/availability")
@allow("dealer")
def give_availability() -> Page:
    form = AvailabilityForm()
    if form.check():
        member = db().get_one(Member, own_member())
        try:
            answering.give_availability(db(), now(), member, form.said, user_id=visitor().user_id, request_id=request_id())
        except Refusal as refusal:
            roll_back()
            form.starts_on.errors = [str(refusal)]
        else:
            flash(f"{SAYS[form.kind.data]}: {said_in_words(form.said)}. It is written down.")
            return redirect(url_for("turns.availability"), 303)
    return _page(form), 422


@turns.post("/availability/<int:said_id>/end")
@allow("dealer")
def end_availability(said_id: int) -> Page:
    row = db().get(Availability, said_id)
    if row is None or row.member_id != own_member():
        abort(404)
    counts = answering.take_back(db(), now(), row, user_id=visitor().user_id, request_id=request_id())
    still = f" For {joined([month.name for month in counts])} it counts still: answers are closed." if counts else ""
    flash(f"That is taken back.{still}")
    return redirect(url_for("turns.availability"), 303)


@turns.post("/availability/<month:month>/all-said")
@allow("dealer")
def answer_month(month: Month) -> Page:
    member = db().get_one(Member, own_member())
    answering.answer_month(db(), now(), member, month, user_id=visitor().user_id, request_id=request_id())
    flash(f"All is said for {month.name}: what stands below is what you mean.")
    return redirect(url_for("turns.availability"), 303)
