"""The resets of a mall in the office: those to come with what they have booked; ways to the van and staging floor, measured."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from flask import flash, redirect, render_template, request, url_for
from sqlalchemy import select

from coop.core.errors import Refusal
from coop.core.web import Page, allow, db, now, roll_back, visitor
from coop.dealers.models import Dealer
from coop.floor.models import Mall, Space
from coop.leases.pricing import named
from coop.office.floor_views import floor
from coop.office.mall_page import row_of, today_of, wanted_mall
from coop.office.reset_forms import FloorForm, WayForm
from coop.office.views import READERS
from coop.resets.booking import place_words
from coop.resets.domain.caution import CAUTION
from coop.resets.planning import OPEN
from coop.resets.reset_models import CarryWay, Reset, ResetBooking, StagingFloor
from coop.resets.ways import (
    KIND_WORDS,
    drop_floor,
    drop_way,
    floors_of,
    leg_words,
    set_floor,
    set_way,
    way_of,
    ways_of,
)
from coop.shifts.domain.hours import clock_span

floor.add_app_template_global(clock_span, "clock_span")
floor.add_app_template_global(place_words, "place_words")
floor.add_app_template_filter(leg_words, "leg_words")
floor.add_app_template_filter(named, "space_name")


@dataclass(frozen=True)
class ComingReset:
    reset: Reset
    space: Space
    dealer: Dealer
    booked: Sequence[ResetBooking]


def _coming(mall: Mall) -> list[ComingReset]:
    """The resets of a mall from today on, and those under way, by day; two queries."""
    found = db().execute(
        select(Reset, Space, Dealer)
        .join(Space, Space.id == Reset.space_id)
        .join(Dealer, Dealer.id == Reset.dealer_id)
        .where(Space.mall_id == mall.id, Reset.state.in_(OPEN))
        .where((Reset.on_date >= today_of(mall)) | (Reset.state == "under way"))
        .order_by(Reset.on_date, Reset.begins_minute, Reset.id)
    )
    rows = [(reset, space, dealer) for reset, space, dealer in found]
    ids = [reset.id for reset, _, _ in rows]
    booked = db().scalars(
        select(ResetBooking).where(ResetBooking.reset_id.in_(ids)).order_by(ResetBooking.from_minute, ResetBooking.id)
    )
    by_reset: dict[int, list[ResetBooking]] = {one: [] for one in ids}
    for booking in booked:
        by_reset[booking.reset_id].append(booking)
    return [ComingReset(reset, space, dealer, by_reset[reset.id]) for reset, space, dealer in rows]


@floor.get("/<mall_code>/resets")
@allow(*READERS)
def resets(mall_code: str) -> Page:
    mall = wanted_mall(mall_code)
    wanted = request.args.get("floor", "")
    row = next((one for one in floors_of(db(), mall.id) if str(one.id) == wanted), None)
    return _resets_page(mall, FloorForm(formdata=None) if row is None else _floor_form(row))


def _floor_form(row: StagingFloor) -> FloorForm:
    data = {"name": row.name, "width": row.width_in16, "depth": row.depth_in16, "note": row.note}
    return FloorForm(formdata=None, data=data)


def _resets_page(mall: Mall, form: FloorForm) -> str:
    return render_template(
        "office/floor/resets.html",
        mall=mall,
        rows=_coming(mall),
        ways=[(one, way_of(one).legs) for one in ways_of(db(), mall.id)],
        floors=floors_of(db(), mall.id),
        form=form,
        caution=CAUTION,
    )


def _to_resets(mall: Mall, sentence: str) -> Page:
    flash(sentence)
    return redirect(url_for("floor.resets", mall_code=mall.code), 303)


# --- ways to the van ------------------------------------------------------------------------------------------------------------


@floor.get("/<mall_code>/resets/ways/new")
@allow("manager")
def new_way(mall_code: str) -> Page:
    form = WayForm(formdata=None)
    form.add("aisle")
    form.add("door")
    return _way_page(wanted_mall(mall_code), form)


def _way_page(mall: Mall, form: WayForm, row: CarryWay | None = None, *, added: bool = False, refused: str = "") -> str:
    return render_template(
        "office/floor/way.html",
        mall=mall,
        form=form,
        row=row,
        added=added,
        refused=refused,
        kind_words=KIND_WORDS,
        caution=CAUTION,
    )


def _wanted_way(mall: Mall, way_id: int) -> CarryWay:
    return row_of(mall, CarryWay, way_id)


@floor.post("/<mall_code>/resets/ways/new")
@allow("manager")
def add_way(mall_code: str) -> Page:
    return _keep_way(wanted_mall(mall_code), None)


@floor.get("/<mall_code>/resets/ways/<int:way_id>")
@allow("manager")
def change_way(mall_code: str, way_id: int) -> Page:
    mall = wanted_mall(mall_code)
    row = _wanted_way(mall, way_id)
    return _way_page(mall, WayForm.of(row.name, way_of(row).legs, row.version), row)


@floor.post("/<mall_code>/resets/ways/<int:way_id>")
@allow("manager")
def keep_way(mall_code: str, way_id: int) -> Page:
    mall = wanted_mall(mall_code)
    return _keep_way(mall, _wanted_way(mall, way_id))


def _keep_way(mall: Mall, row: CarryWay | None) -> Page:
    """Keep what was measured; or, as the button pressed says, give room for one more leg."""
    form = WayForm()
    if "add" in request.form:
        return _way_page(mall, form, row, added=form.add(request.form["add"]))
    legs = form.read()
    refused = ""
    if legs is not None:
        try:
            kept = set_way(db(), now(), mall, form.name.data, legs, row=row, version=form.opened, user_id=visitor().user_id)
        except Refusal as refusal:
            way_id = row.id if row else None
            roll_back()
            refused, mall = str(refusal), wanted_mall(mall.code)
            row = None if way_id is None else _wanted_way(mall, way_id)
        else:
            return _to_resets(mall, f"{kept.name} is measured, {len(legs)} {'leg' if len(legs) == 1 else 'legs'}.")
    return _way_page(mall, form, row, refused=refused), 422


@floor.post("/<mall_code>/resets/ways/<int:way_id>/drop")
@allow("manager")
def take_way_away(mall_code: str, way_id: int) -> Page:
    """Take a way off the list, and show it filled in: sent again, it is there again."""
    mall = wanted_mall(mall_code)
    row = _wanted_way(mall, way_id)
    form = WayForm.of(row.name, way_of(row).legs)
    drop_way(db(), now(), mall, row, user_id=visitor().user_id)
    flash(f"{form.name.data} is taken away. It stands filled in below: keep it to have it back.")
    return _way_page(mall, form)


# --- staging floor --------------------------------------------------------------------------------------------------------------


@floor.post("/<mall_code>/resets/floors")
@allow("manager")
def keep_floor(mall_code: str) -> Page:
    mall = wanted_mall(mall_code)
    form = FloorForm()
    if not form.validate():
        return _resets_page(mall, form), 422
    width, depth, note = form.width.data, form.depth.data, form.note.data
    try:
        row = set_floor(db(), now(), mall, form.name.data, width, depth, note=note, user_id=visitor().user_id)
    except Refusal as refusal:
        roll_back()
        form.width.errors = [str(refusal)]
        return _resets_page(wanted_mall(mall_code), form), 422
    return _to_resets(mall, f"{row.name} may be used by resets.")


@floor.post("/<mall_code>/resets/floors/<int:floor_id>/drop")
@allow("manager")
def take_floor_away(mall_code: str, floor_id: int) -> Page:
    """Take a floor off the list, and show it filled in: sent again, it is there again."""
    mall = wanted_mall(mall_code)
    row = row_of(mall, StagingFloor, floor_id)
    form = _floor_form(row)
    drop_floor(db(), now(), mall, row, user_id=visitor().user_id)
    flash(f"{form.name.data} is taken away. It stands filled in below: keep it to have it back.")
    return _resets_page(mall, form)
