"""The portal: places of the mall booked for a reset beside what the neighbors have, and the way to the van as it was measured."""

from __future__ import annotations

from flask import render_template, request

from coop.core.errors import Refusal
from coop.core.web import Page, allow, db, now, roll_back
from coop.floor.models import Mall, Space
from coop.floor.queries import spaces_of
from coop.leases.holding import today_at
from coop.portal.reset_day_queries import reset_desk
from coop.portal.reset_day_views import by_visitor, reset_here, to_day
from coop.portal.reset_place_forms import PlacesForm
from coop.portal.reset_views import resets
from coop.resets.booking import Wanted, book_places, bookings_of, place_words, places_of, resets_hours, taken_words
from coop.resets.place_needs import propose_places
from coop.resets.planning import OPEN, newest_plan
from coop.resets.reset_models import Reset
from coop.resets.ways import floors_of, leg_words, way_of, ways_of
from coop.shifts.domain.hours import CLOSED, hours_words

resets.add_app_template_global(place_words, "place_words")
resets.add_app_template_filter(taken_words, "taken_words")
resets.add_app_template_filter(leg_words, "leg_words")


def _where(row: Reset) -> tuple[Space, Mall]:
    space = db().get_one(Space, row.space_id)
    return space, db().get_one(Mall, space.mall_id)


def _form(row: Reset, **given: object) -> PlacesForm:
    """Offers the floors the mall lends and those of the reset, and the front of each booth, its own first; and what it has."""
    space, mall = _where(row)
    has = places_of(db(), row)
    floors = [floor.name for floor in floors_of(db(), mall.id)] + [one["name"] for one in row.staging]
    floors += [one.place for one in has if one.kind == "staging"]
    booths = {one.code for one in spaces_of(db(), mall.id, today_at(db(), now(), mall.id)) if one.kind == "booth"}
    booths |= {one.place for one in has if one.kind == "aisle"}
    # 2 before 10, as the booths stand.
    fronts = [space.code, *sorted(booths - {space.code}, key=lambda code: (len(code), code))]
    return PlacesForm(floors=list(dict.fromkeys(floors)), fronts=fronts, **given)


@resets.get("/days/<int:reset_id>/places")
@allow("dealer")
def places(reset_id: int) -> Page:
    row = reset_here(reset_id)
    booked = [Wanted(one.kind, one.place, one.from_minute, one.to_minute) for one in places_of(db(), row)]
    proposed = []
    if row.state in OPEN and (not booked or request.args.get("from") == "plan"):
        plan = newest_plan(db(), row)
        proposed = propose_places(row, _where(row)[0], None if plan is None else plan.value)
    form = _form(row, formdata=None, data=PlacesForm.shown(proposed or booked))
    return _places_page(row, form, is_proposed=bool(proposed), is_booked=bool(booked))


def _places_page(row: Reset, form: PlacesForm, *, is_proposed: bool = False, is_booked: bool = False, refused: str = "") -> str:
    space, mall = _where(row)
    form.give_room()
    hours = resets_hours(db(), mall, row.on_date).get(row.on_date, CLOSED)
    return render_template(
        "portal/resets/places.html",
        row=row,
        space=space,
        mall=mall,
        form=form,
        is_open=row.state in OPEN,
        is_proposed=is_proposed,
        is_booked=is_booked,
        refused=refused,
        booked=places_of(db(), row),
        others=bookings_of(db(), mall, row.on_date, row.on_date, besides=row),
        hours=hours_words(hours) if hours.opens_min is None or hours.opens_min > 0 else "",
    )


@resets.post("/days/<int:reset_id>/places")
@allow("dealer")
def book_day(reset_id: int) -> Page:
    row = reset_here(reset_id)
    form = _form(row)
    wanted = form.read()
    refused = ""
    if wanted is not None:
        try:
            book_places(db(), now(), row, wanted, by=by_visitor())
        except Refusal as refusal:
            roll_back()
            refused, row = str(refusal), reset_here(reset_id)
        else:
            count = f"{len(wanted)} {'place is' if len(wanted) == 1 else 'places are'}" if wanted else "Nothing is"
            return to_day(row, f"{count} booked for this reset.")
    return _places_page(row, form, refused=refused), 422


# --- the way to the van -------------------------------------------------------------------------------------------------------


@resets.get("/days/<int:reset_id>/way")
@allow("dealer")
def way(reset_id: int) -> Page:
    """The way this reset goes by, what passes it, and what else the mall has measured; the office sets them."""
    it = reset_desk(db(), reset_here(reset_id))
    said = {move["key"]: (move["name"], move["way"], move["way_notes"]) for move in it.moves if move["way"]}
    return render_template(
        "portal/resets/way.html",
        it=it,
        said=list(said.values()),
        ways=[(one, way_of(one).legs) for one in ways_of(db(), it.row.mall.id)],
        floors=floors_of(db(), it.row.mall.id),
    )
