"""The portal: a booth as it was measured, and measuring it, on a phone in the booth."""

from __future__ import annotations

from flask import flash, redirect, render_template, request, url_for
from markupsafe import Markup

from coop.core.web import Page, allow, db, now, roll_back, visitor
from coop.portal.reset_measure_forms import BY, MeasureForm, is_rectangle
from coop.portal.reset_views import booth_here, resets
from coop.resets.domain.booth import Booth, rectangle_booth
from coop.resets.drawing import booth_svg
from coop.resets.holding import HeldBooth
from coop.resets.measuring import (
    MeasureRefused,
    leased_told,
    measure_faults,
    measures_of,
    placed_at_origin,
    propose_measure,
    record_booth,
    said_anew,
)
from coop.resets.reading import booth_of
from coop.resets.wording import side_length, side_names, side_said, size_said

_USUAL = rectangle_booth(10 * 192, 10 * 192)
"""What a form shows of a booth nobody measured or drew."""


def drawn(booth: Booth, title: str) -> Markup:
    """The picture of a booth; all of it that people typed is escaped where it is drawn."""
    return Markup(booth_svg(booth, title=title))


def _sides(booth: Booth) -> list[tuple[str, int, str]]:
    """Each side's name, length and what it is."""
    names = side_names(booth.outline)
    return [(name, side_length(booth.outline, n), side_said(booth.sides[n])) for n, name in enumerate(names)]


@resets.get("/booths/<mall_code>/<space_code>")
@allow("dealer")
def booth(mall_code: str, space_code: str) -> Page:
    held = booth_here(mall_code, space_code)
    rows = measures_of(db(), held.space.id)
    newest = booth_of(rows[0]) if rows else None
    return render_template(
        "portal/resets/booth.html",
        held=held,
        rows=rows,
        booth=newest,
        size=size_said(newest.outline) if newest else "",
        sides=_sides(newest) if newest else [],
        svg=drawn(newest, f"{held.name}, measured") if newest else "",
        leased=leased_told(db(), held, newest) if newest else "",
        differs=said_anew(rows),
    )


@resets.get("/booths/<mall_code>/<space_code>/measure")
@allow("dealer")
def measure(mall_code: str, space_code: str) -> Page:
    held = booth_here(mall_code, space_code)
    rows = measures_of(db(), held.space.id)
    known, filled_from = None, ""
    if rows and request.args.get("from") != "plan":
        known, filled_from = booth_of(rows[0]), "last"
    else:
        known = propose_measure(db(), held.mall, held.space, held.today)
        filled_from = "plan" if known else ""
    shown = known or _USUAL
    by = request.args.get("by", "")
    by = by if by in BY else "sides" if is_rectangle(shown) else "corners"
    form = MeasureForm.of(shown, by, measured_on=held.today, measured_by=held.dealer.member.name)
    return _measure_page(held, form, by, filled_from=filled_from, shown=known)


def _measure_page(held: HeldBooth, form: MeasureForm, by: str, *, filled_from: str = "", shown: Booth | None = None) -> str:
    return render_template(
        "portal/resets/measure.html",
        held=held,
        form=form,
        by=by,
        filled_from=filled_from,
        is_wrong=form.wrong(by),
        size=size_said(shown.outline) if shown else "",
        sides=_sides(shown) if shown else [],
        svg=drawn(shown, f"{held.name} as it is written below") if shown else "",
    )


@resets.post("/booths/<mall_code>/<space_code>/measure")
@allow("dealer")
def keep_measure(mall_code: str, space_code: str) -> Page:
    """Keep what was measured; or, as the button pressed says, only draw it, or give room for more rows."""
    held = booth_here(mall_code, space_code)
    form = MeasureForm()
    by = "corners" if request.form.get("by") == "corners" else "sides"
    if "more" in request.form:
        form.give_room(by)
        return _measure_page(held, form, by)
    measured = form.read(by)
    if measured is None:
        form.give_room(by)
        return _measure_page(held, form, by), 422
    if "draw" in request.form:
        faults = measure_faults(measured)
        form.tell(faults, by)
        form.give_room(by)
        page = _measure_page(held, form, by, shown=None if "outline" in faults else placed_at_origin(measured))
        return (page, 422) if faults else page
    try:
        kept = record_booth(
            db(),
            now(),
            held.dealer,
            held.space,
            measured,
            measured_on=form.measured_on.data,
            measured_by=form.measured_by.data,
            user_id=visitor().user_id,
        )
    except MeasureRefused as refused:
        roll_back()
        form.tell(refused.faults, by)
        form.give_room(by)
        return _measure_page(booth_here(mall_code, space_code), form, by), 422
    flash(f"{held.name} is measured: that is measuring {kept.number} of it.")
    return redirect(url_for("resets.booth", mall_code=mall_code, space_code=space_code), 303)
