"""The portal: resets of a dealer's booths: planned for a day, their plan shown, changed, dropped, done."""

from __future__ import annotations

from datetime import date, timedelta

from flask import abort, flash, redirect, render_template, request, url_for

from coop.core.errors import Refusal
from coop.core.geometry import IN16_PER_FOOT
from coop.core.periods import shown_day
from coop.core.web import Page, allow, db, now, request_id, roll_back, visitor
from coop.leases.editing import By
from coop.portal import reset_day_queries as queries
from coop.portal.reset_day_forms import ResetForm
from coop.portal.reset_queries import own_booths
from coop.portal.reset_set_queries import own_sets
from coop.portal.reset_views import booth_here, resets
from coop.resets import planning
from coop.resets.domain.caution import LIFT_CAUTION
from coop.resets.domain.weight import OZ_PER_LB
from coop.resets.holding import HeldBooth
from coop.resets.models import BoothSet
from coop.resets.reset_models import Reset
from coop.resets.ways import floors_of, ways_of
from coop.shifts.domain.hours import clock, clock_span

resets.add_app_template_filter(clock, "clock")
resets.add_app_template_filter(lambda text: f"{date.fromisoformat(text):%A}, {shown_day(date.fromisoformat(text))}", "day_words")
resets.add_app_template_global(clock_span, "clock_span")

STATES = {"planned": "planned", "under way": "under way", "done": "done", "dropped": "dropped"}
_BEGINS, _ENDS = 10 * 60, 18 * 60
"""The usual day of a reset (common practice, no source)."""


def reset_here(reset_id: int) -> Reset:
    """One of this user's resets; 404 where it is another's."""
    found = queries.own_reset(db(), visitor(), reset_id)
    if found is None:
        abort(404)
    return found


def by_visitor() -> By:
    return By(visitor().user_id, request_id())


def to_day(row: Reset, sentence: str) -> Page:
    flash(sentence)
    return redirect(url_for("resets.day", reset_id=row.id), 303)


@resets.get("/days")
@allow("dealer")
def days() -> Page:
    return render_template(
        "portal/resets/days.html",
        rows=queries.own_resets(db(), visitor()),
        booths=own_booths(db(), visitor(), now()),
        states=STATES,
    )


# --- planned for a day --------------------------------------------------------------------------------------------------------


def _form(booth: HeldBooth, **given: object) -> ResetForm:
    sets = [one for one in own_sets(db(), visitor(), space_id=booth.space.id) if one.dealer_id == booth.dealer.id]
    return ResetForm(
        sets=[(one.id, one.name) for one in sets],
        floors=floors_of(db(), booth.mall.id),
        ways=[(way.id, way.name) for way in ways_of(db(), booth.mall.id)],
        **given,
    )


def _usual(booth: HeldBooth) -> dict[str, object]:
    """What a new form begins with: from what stands to the next draft, on its first day."""
    sets = own_sets(db(), visitor(), space_id=booth.space.id)
    stands = next((one for one in sets if one.state == "stands"), None)
    wanted = request.args.get("set", "")
    draft = next((one for one in sets if str(one.id) == wanted), None)
    draft = draft or next((one for one in sets if one.state == "draft"), None)
    first = max(booth.starts_on, booth.today + timedelta(days=1))
    return {
        "before": "" if stands is None else str(stands.id),
        "after": "" if draft is None else str(draft.id),
        "on_date": first if draft is None else max(first, draft.starts_on),
        "begins": _BEGINS,
        "ends": _ENDS,
        "people": 2,
        "way": next((str(way.id) for way in ways_of(db(), booth.mall.id)), ""),
    }


@resets.get("/booths/<mall_code>/<space_code>/reset")
@allow("dealer")
def new_day(mall_code: str, space_code: str) -> Page:
    booth = booth_here(mall_code, space_code)
    return _new_page(booth, _form(booth, formdata=None, data=_usual(booth)))


def _new_page(booth: HeldBooth, form: ResetForm, refused: str = "") -> str:
    return render_template("portal/resets/day_new.html", booth=booth, form=form, refused=refused)


@resets.post("/booths/<mall_code>/<space_code>/reset")
@allow("dealer")
def make_day(mall_code: str, space_code: str) -> Page:
    booth = booth_here(mall_code, space_code)
    form = _form(booth)
    refused = ""
    if form.check():
        try:
            made = planning.make_reset(
                db(),
                now(),
                booth.dealer,
                booth.space,
                before=_set(form.before_id),
                after=_set(form.after_id),
                asked=form.asked,
                by=by_visitor(),
            )
        except Refusal as refusal:
            roll_back()
            refused, booth = str(refusal), booth_here(mall_code, space_code)
        else:
            return to_day(made, "The reset is planned; its order is being worked out.")
    return _new_page(booth, form, refused), 422


def _set(set_id: int | None) -> BoothSet | None:
    """Only sets of this user's are among the form's choices."""
    return None if set_id is None else db().get_one(BoothSet, set_id)


# --- one reset ----------------------------------------------------------------------------------------------------------------


@resets.get("/days/<int:reset_id>")
@allow("dealer")
def day(reset_id: int) -> Page:
    return render_template(
        "portal/resets/day.html",
        it=queries.reset_desk(db(), reset_here(reset_id)),
        states=STATES,
        lift_caution=LIFT_CAUTION,
    )


@resets.get("/days/<int:reset_id>/steps")
@allow("dealer")
def day_steps(reset_id: int) -> Page:
    """Whether its plan is still being worked out, for the page that waits for it."""
    return render_template("portal/resets/day_steps.html", it=queries.reset_desk(db(), reset_here(reset_id)))


def _booth_of(row: Reset) -> HeldBooth:
    held = own_booths(db(), visitor(), now(), space_id=row.space_id)
    found = next((one for one in held if one.dealer.id == row.dealer_id), None)
    if found is None:
        raise Refusal("This booth is not yours any more: its resets are kept as they were.")
    return found


@resets.get("/days/<int:reset_id>/change")
@allow("dealer")
def changing_day(reset_id: int) -> Page:
    row = reset_here(reset_id)
    booth = _booth_of(row)
    return _change_page(row, booth, _form(booth, formdata=None, data=_said(row, booth)))


def _change_page(row: Reset, booth: HeldBooth, form: ResetForm, refused: str = "") -> str:
    return render_template("portal/resets/day_change.html", row=row, booth=booth, form=form, refused=refused)


def _said(row: Reset, booth: HeldBooth) -> dict[str, object]:
    """What a reset's form shows of it."""
    named = {one["name"] for one in row.staging}
    more = row.helpers[0] if row.helpers else {}
    van = row.van or {}
    return {
        "before": str(row.from_set_id or ""),
        "after": str(row.to_set_id or ""),
        "on_date": row.on_date,
        "begins": row.begins_minute,
        "ends": row.ends_minute,
        "people": row.people,
        "more_people": more.get("people"),
        "more_from": more.get("from_minute"),
        "more_to": more.get("to_minute"),
        "staging": [floor.id for floor in floors_of(db(), booth.mall.id) if floor.name in named],
        "way": str(row.way_id or ""),
        "with_van": bool(van),
        "van_width": van.get("width_in16", 4 * IN16_PER_FOOT),
        "van_depth": van.get("depth_in16", 8 * IN16_PER_FOOT),
        "van_height": van.get("height_in16"),
        "van_pounds": van["payload_oz"] // OZ_PER_LB if van else None,
        "note": row.note,
    }


@resets.post("/days/<int:reset_id>/change")
@allow("dealer")
def change_day(reset_id: int) -> Page:
    row = reset_here(reset_id)
    booth = _booth_of(row)
    form = _form(booth)
    del form.before, form.after
    refused = ""
    if form.check():
        try:
            planning.change_reset(db(), now(), row, form.asked, by=by_visitor())
        except Refusal as refusal:
            roll_back()
            refused, row = str(refusal), reset_here(reset_id)
            booth = _booth_of(row)
        else:
            return to_day(row, "The reset is changed; its order is worked out again.")
    return _change_page(row, booth, form, refused), 422


@resets.post("/days/<int:reset_id>/plan")
@allow("dealer")
def plan_day(reset_id: int) -> Page:
    row = reset_here(reset_id)
    planning.plan_again(db(), now(), row, by=by_visitor())
    return to_day(row, "Its order is being worked out again, from where things stand.")


@resets.post("/days/<int:reset_id>/drop")
@allow("dealer")
def drop_day(reset_id: int) -> Page:
    row = reset_here(reset_id)
    planning.drop_reset(db(), now(), row, by=by_visitor())
    return to_day(row, "The reset is dropped, and what was booked for it is free again.")


@resets.post("/days/<int:reset_id>/again")
@allow("dealer")
def take_day_up(reset_id: int) -> Page:
    row = reset_here(reset_id)
    planning.take_up_again(db(), now(), row, by=by_visitor())
    return to_day(row, "The reset is planned again. Book its places anew.")


@resets.post("/days/<int:reset_id>/done")
@allow("dealer")
def finish_day(reset_id: int) -> Page:
    row = reset_here(reset_id)
    planning.finish_reset(db(), now(), row, by=by_visitor())
    return to_day(row, "The reset is done: the set stands.")
