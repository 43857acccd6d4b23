"""The floor in the office: the plan coloured by what is asked, its findings, a space's page, the widths of aisles."""

from __future__ import annotations

from collections.abc import Sequence

from flask import Blueprint, abort, flash, redirect, render_template, request, url_for

from coop.core.csv_text import csv_text, defused
from coop.core.errors import Refusal
from coop.core.geometry import format_length
from coop.core.periods import shown_day
from coop.core.templating import FILTERS
from coop.core.web import Page, allow, db, download, now, roll_back, visitor
from coop.floor import measuring, planning
from coop.floor import queries as floor_queries
from coop.floor.domain.findings import CAUTION
from coop.floor.models import SPACE_KINDS, AisleWidth, Mall, Space
from coop.leases.occupancy import area_note, holds, require_free_from
from coop.office import floor_asked as asked
from coop.office import floor_queries as queries
from coop.office import queries as office_queries
from coop.office.floor_drawing import drawing
from coop.office.floor_forms import CodeForm, MeasureForm, RetireForm, WidthForm, bounds
from coop.office.floor_queries import SpaceRow
from coop.office.mall_page import first_mall, row_of, today_of, wanted_mall
from coop.office.views import READERS
from coop.overflow.survey_asking import plan_changed

floor = Blueprint("floor", __name__, url_prefix="/office/floor")

STATES = {
    "held": "occupied",
    "noticed": "notice given",
    "promised": "vacant, leased from a later day",
    "offered": "vacant, offered, waits for an answer",
    "vacant": "vacant",
}
floor.add_app_template_filter(asked.per_sqft, "per_sqft")


@floor.context_processor
def _shared() -> dict[str, object]:
    """Every page that shows findings shows the caution."""
    return {"caution": CAUTION, "state_words": STATES}


# --- the plan ---------------------------------------------------------------------------------------------------------------


@floor.get("/")
@allow(*READERS)
def first() -> Page:
    return first_mall("floor.plan", "office/floor/none.html")


def _wanted(name: str, known: Sequence[str], otherwise: str) -> str:
    value = request.args.get(name, otherwise)
    return value if value in known else otherwise


def _number(name: str, known: Sequence[int], otherwise: int) -> int:
    return int(_wanted(name, [str(number) for number in known], str(otherwise)))


def _filter() -> asked.Filter:
    return asked.Filter(
        sort=_wanted("sort", tuple(asked.SORTS), "space"),
        down=request.args.get("down") == "yes",
        kind=_wanted("kind", SPACE_KINDS, ""),
        zone=request.args.get("zone", "")[:20],
        state=_wanted("state", tuple(STATES), ""),
        find=request.args.get("find", "").strip()[:60],
    )


@floor.get("/<mall_code>")
@allow(*READERS)
def plan(mall_code: str) -> Page:
    mall = wanted_mall(mall_code)
    today = today_of(mall)
    question = _wanted("ask", tuple(asked.ASKED), "held")
    months = _number("months", queries.MONTHS, 1)
    within = _number("within", asked.WITHIN_DAYS, 90)
    span = queries.span_of(db(), mall, today, months)
    rows = queries.space_rows(db(), mall, today, span)
    draft = queries.whole_draft(db(), mall, today)
    findings = queries.judged(db(), mall, today, draft)[1] if draft.outline else []
    lent = queries.lent_lengths(db(), mall.id, today) if question == "overflow" else None
    wanted = _filter()
    return render_template(
        "office/floor/plan.html",
        mall=mall,
        malls=office_queries.malls(db()),
        drawn=drawing(draft, rows, findings) if draft.outline else None,
        coloured=asked.colour(rows, question, today=today, within_days=within, lent=lent),
        asked=asked.ASKED,
        question=question,
        months=months,
        within=within,
        withins=asked.WITHIN_DAYS,
        span=span,
        today=today,
        filter=wanted,
        rows=wanted.apply(rows),
        total=len(rows),
        zones=sorted({row.zone for row in rows}),
        kinds=SPACE_KINDS,
        kept={"ask": question, "months": months, "within": within},
    )


@floor.get("/<mall_code>/spaces.csv")
@allow(*READERS)
def spaces_csv(mall_code: str) -> Page:
    """The table beside the plan, with its filter and its order, for other programs."""
    mall = wanted_mall(mall_code)
    today = today_of(mall)
    span = queries.span_of(db(), mall, today, _number("months", queries.MONTHS, 1))
    rows = _filter().apply(queries.space_rows(db(), mall, today, span))
    text = csv_text(_CSV_COLUMNS, [_csv_row(row, f"{span.first} to {span.last}") for row in rows])
    return download(text, "text/csv", f"floor-{mall.code}-{today}.csv")


_CSV_COLUMNS = "space kind zone area_sqft state dealers until rent_per_sqft sales_per_sqft past_due months".split()


def _csv_row(row: SpaceRow, months: str) -> list[str]:
    return [
        defused(row.code),
        row.kind,
        defused(row.zone),
        FILTERS["sqft"](row.area_sqft100).removesuffix(" sq ft").replace(",", ""),
        STATES[row.state],
        defused(row.dealers),
        row.until.isoformat() if row.until else "",
        asked.per_sqft(row.rent_per_sqft_cents).replace(",", ""),
        asked.per_sqft(row.sales_per_sqft_cents).replace(",", ""),
        FILTERS["money_plain"](row.past_due_cents).replace(",", ""),
        months,
    ]


# --- a space ------------------------------------------------------------------------------------------------------------------


def _space(mall_code: str, code: str) -> tuple[Mall, Space]:
    mall = wanted_mall(mall_code)
    space = floor_queries.find_space(db(), mall.id, code)
    if space is None:
        abort(404)
    return mall, space


@floor.get("/<mall_code>/spaces/<code>")
@allow(*READERS)
def space(mall_code: str, code: str) -> Page:
    mall, found = _space(mall_code, code)
    return _space_page(mall, found)


def _space_page(
    mall: Mall,
    found: Space,
    measure: MeasureForm | None = None,
    retiring: RetireForm | None = None,
    renaming: CodeForm | None = None,
) -> str:
    today = today_of(mall)
    held = holds(db(), mall.id, space_id=found.id)
    outline = floor_queries.as_outline(found.outline_in16)
    return render_template(
        "office/floor/space.html",
        mall=mall,
        space=found,
        today=today,
        held=held,
        measures=floor_queries.measures_of(db(), found.id),
        note=area_note(db(), mall, found, held, today),
        box=bounds(outline) if outline else None,
        corners=len(outline),
        form=measure or MeasureForm(formdata=None, measured_on=today),
        retiring=retiring or RetireForm(formdata=None),
        renaming=renaming or CodeForm(formdata=None),
    )


@floor.post("/<mall_code>/spaces/<code>/measure")
@allow("manager")
def record_measure(mall_code: str, code: str) -> Page:
    mall, found = _space(mall_code, code)
    form = MeasureForm()
    if form.validate_on_submit():
        try:
            measuring.record_measure(
                db(),
                now(),
                found,
                measured_on=form.measured_on.data,
                measured_by=form.measured_by.data,
                area_sqft100=form.area.data,
                length_in16=form.length.data,
                note=form.note.data or "",
                user_id=visitor().user_id,
            )
        except Refusal as refusal:
            roll_back()
            form.measured_on.errors = [str(refusal)]
        else:
            flash("The measuring is kept. What a lease says does not change by it.")
            return redirect(url_for("floor.space", mall_code=mall.code, code=found.code), 303)
    return _space_page(*_space(mall_code, code), measure=form), 422


@floor.post("/<mall_code>/spaces/<code>/code")
@allow("manager")
def rename_space(mall_code: str, code: str) -> Page:
    mall, found = _space(mall_code, code)
    form = CodeForm()
    if form.validate_on_submit():
        try:
            planning.rename_space(db(), now(), found, form.code.data, user_id=visitor().user_id)
        except Refusal as refusal:
            roll_back()
            form.code.errors = [str(refusal)]
        else:
            plan_changed(db(), now(), mall)
            flash("It has its new code. Its leases and its past stay its own.")
            return redirect(url_for("floor.space", mall_code=mall.code, code=found.code), 303)
    return _space_page(*_space(mall_code, code), renaming=form), 422


@floor.post("/<mall_code>/spaces/<code>/retire")
@allow("manager")
def retire_space(mall_code: str, code: str) -> Page:
    """Take a space out of renting from a day on. One that is held on that day or later is refused."""
    mall, found = _space(mall_code, code)
    form = RetireForm()
    if form.validate_on_submit():
        try:
            require_free_from(db(), found, form.retired_on.data)
        except Refusal as refusal:
            form.retired_on.errors = [str(refusal)]
        else:
            planning.retire_space(db(), now(), found, form.retired_on.data, user_id=visitor().user_id)
            plan_changed(db(), now(), mall)
            flash("It is retired from that day. Its leases and its past stay on record.")
            return redirect(url_for("floor.space", mall_code=mall.code, code=found.code), 303)
    return _space_page(mall, found, retiring=form), 422


@floor.post("/<mall_code>/spaces/<code>/return")
@allow("manager")
def return_space(mall_code: str, code: str) -> Page:
    mall, found = _space(mall_code, code)
    planning.retire_space(db(), now(), found, None, user_id=visitor().user_id)
    plan_changed(db(), now(), mall)
    flash("It can be rented again, and is on the plan.")
    return redirect(url_for("floor.space", mall_code=mall.code, code=found.code), 303)


# --- aisles -------------------------------------------------------------------------------------------------------------------


@floor.get("/<mall_code>/aisles")
@allow(*READERS)
def aisles(mall_code: str) -> Page:
    return _aisles_page(wanted_mall(mall_code))


def _aisle_codes(mall: Mall) -> list[str]:
    return [part.code for part in floor_queries.parts_of(db(), mall.id) if part.kind == "aisle"]


def _aisles_page(mall: Mall, form: WidthForm | None = None) -> str:
    today = today_of(mall)
    codes = _aisle_codes(mall)
    return render_template(
        "office/floor/aisles.html",
        mall=mall,
        today=today,
        widths=floor_queries.widths_of(db(), mall.id),
        plan=floor_queries.plan_row(db(), mall.id),
        form=form or WidthForm(formdata=None, aisles=codes, starts_on=today),
    )


@floor.post("/<mall_code>/aisles")
@allow("manager")
def set_aisle_width(mall_code: str) -> Page:
    mall = wanted_mall(mall_code)
    form = WidthForm(aisles=_aisle_codes(mall))
    if form.validate_on_submit():
        try:
            width = planning.set_aisle_width(
                db(),
                now(),
                mall,
                form.aisle.data,
                form.starts_on.data,
                form.width.data,
                said_by=form.said_by.data,
                user_id=visitor().user_id,
            )
        except Refusal as refusal:
            roll_back()
            form.width.errors = [str(refusal)]
        else:
            plan_changed(db(), now(), mall)
            flash("The width is set, and the plan is judged by it from that day.")
            later = floor_queries.narrower_later(db(), width)
            if later is not None:
                clear = format_length(later.required_clear_in16)
                flash(
                    f"From {shown_day(later.starts_on)} on it may be {clear} again, as was said before: "
                    "set a width from that day too, if it is to stay wider."
                )
            return redirect(url_for("floor.aisles", mall_code=mall.code), 303)
    return _aisles_page(wanted_mall(mall_code), form), 422


@floor.post("/<mall_code>/aisles/<int:width_id>/back")
@allow("manager")
def take_width_back(mall_code: str, width_id: int) -> Page:
    mall = wanted_mall(mall_code)
    planning.take_width_back(db(), now(), mall, row_of(mall, AisleWidth, width_id), user_id=visitor().user_id)
    plan_changed(db(), now(), mall)
    flash("The width is taken back: what was asked before it holds.")
    return redirect(url_for("floor.aisles", mall_code=mall.code), 303)
