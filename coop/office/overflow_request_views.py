"""Floor asked for, in the office: what waits, one request given floor by hand or withdrawn, one written down for a dealer."""

from __future__ import annotations

from collections import defaultdict

from flask import abort, flash, redirect, render_template, request, url_for
from sqlalchemy import select

from coop.core.errors import Refusal
from coop.core.fields import whole_number
from coop.core.geometry import format_length
from coop.core.periods import shown_day
from coop.core.web import Page, allow, db, now, roll_back, show_list
from coop.dealers.models import Dealer
from coop.floor.models import Mall
from coop.office.mall_page import by, page_of, today_of, wanted_mall
from coop.office.overflow_request_forms import GiveForm, WriteForm
from coop.office.overflow_request_list import (
    ASKED,
    STATES,
    asked_lines,
    bay_choices,
    given_now,
    last_day,
    leftmost,
    lent_bays,
    pieces_shown,
    renting,
)
from coop.office.overflow_views import overflow
from coop.office.views import READERS
from coop.overflow.asking import AskRefused, RequestOutdated, ask_again, ask_floor, require_version, withdraw
from coop.overflow.domain.taking import Taken
from coop.overflow.judging import Place
from coop.overflow.models import OverflowPiece
from coop.overflow.placing import place_request
from coop.overflow.queries import WAITING, RequestRow, answers_of, request_row, requests_waiting
from coop.overflow.rules import rules_on

_WEEKS = 4
"""Asked for, unless another number is written."""


# --- what waits -------------------------------------------------------------------------------------------------------------


@overflow.get("/<mall_code>/requests")
@allow(*READERS)
def requests(mall_code: str) -> Page:
    mall = wanted_mall(mall_code)
    rows = requests_waiting(db(), mall.id)
    return show_list(
        ASKED.pick(asked_lines(rows, today_of(mall)), request.args),
        "office/overflow/requests.html",
        f"overflow-requests-{mall.code}",
        **page_of(mall),
    )


# --- one request ------------------------------------------------------------------------------------------------------------


def _wanted(mall_code: str, asked_id: int) -> tuple[Mall, RequestRow]:
    mall, row = wanted_mall(mall_code), request_row(db(), asked_id)
    if row is None or row.mall.id != mall.id:
        abort(404)
    return mall, row


def _give_form(mall: Mall, row: RequestRow, sent: object = None) -> GiveForm:
    first = max(row.request.not_before, today_of(mall))
    last = last_day(first, row.request.weeks)
    bays = {one.piece.id: one.bays for one in pieces_shown(db(), mall, row, first, last)}
    return GiveForm(
        row.waiting, bays, {"bay": row.request.bay_code, "on": first, "until": last, "version": row.request.version}, sent
    )


def _page(mall: Mall, row: RequestRow, form: GiveForm | None = None) -> str:
    today = today_of(mall)
    first = max(row.request.not_before, today)
    may_give = row.request.state in WAITING
    return render_template(
        "office/overflow/request.html",
        **page_of(mall),
        row=row,
        state=f"{STATES[row.request.state]}{' for fewer weeks' if row.has_fewer_weeks else ''}",
        pieces=pieces_shown(db(), mall, row, first, last_day(first, row.request.weeks)),
        answers=answers_of(db(), row.request),
        form=(form or _give_form(mall, row)) if may_give else None,
        refused=form is not None,
        days=row.days_waited(today),
    )


@overflow.get("/<mall_code>/requests/<int:asked_id>")
@allow(*READERS)
def asked(mall_code: str, asked_id: int) -> Page:
    return _page(*_wanted(mall_code, asked_id))


@overflow.post("/<mall_code>/requests/<int:asked_id>/give")
@allow("manager")
def give(mall_code: str, asked_id: int) -> Page:
    """Give pieces floor by hand; with no place said, the leftmost that is free in the bay."""
    mall, row = _wanted(mall_code, asked_id)
    form = _give_form(mall, row, request.form)
    # As it was sent: a form without it has not looked at any.
    seen = whole_number(request.form.get("version")) or 0
    try:
        require_version(row.request, seen, "no floor was given")
    except RequestOutdated as refusal:
        return _outdated(mall_code, asked_id, refusal)
    if not form.check():
        return _page(mall, row, form), 422
    places = _places(mall, row, form)
    if places is None:
        return _page(mall, row, form), 422
    try:
        why, anyway = form.why.data or "", bool(form.anyway.data)
        place_request(db(), now(), row.request, places, by=by(), why=why, anyway=anyway, version=seen)
    except RequestOutdated as refusal:
        return _outdated(mall_code, asked_id, refusal)
    except Refusal as refusal:
        roll_back()
        mall, row = _wanted(mall_code, asked_id)
        if form.chosen:
            form.refused(refusal, {piece.id: piece.name for piece in row.pieces})
        else:
            flash(str(refusal))
        return _page(mall, row, form), 422
    said = "; ".join(
        f"{piece.name} has bay {place.bay.code} from {format_length(place.from_in16)} on, from {shown_day(place.starts_on)}"
        for piece, place in places
    )
    flash(f"{said}. {row.dealer.code} is told.")
    return _to(mall_code, asked_id)


def _outdated(mall_code: str, asked_id: int, refusal: RequestOutdated) -> Page:
    """The request as it is now, with what nobody has looked at yet."""
    roll_back()
    flash(str(refusal))
    return _page(*_wanted(mall_code, asked_id)), 422


def _places(mall: Mall, row: RequestRow, form: GiveForm) -> list[tuple[OverflowPiece, Place]] | None:
    """The places as they are typed; None where one has no free place, which stands at its field then."""
    places: list[tuple[OverflowPiece, Place]] = []
    taken: dict[str, list[Taken]] = defaultdict(list)
    for piece in row.waiting:
        it = form.chosen.get(piece.id)
        if it is None:
            continue
        days, turned = (it.on.data, it.until.data), it.turned.data
        bay = next((one for one in lent_bays(db(), mall, days[0]) if one.code == it.bay.data), None)
        if bay is None:
            it.bay.errors = [f"No bay {it.bay.data} is lent on {shown_day(days[0])}: choose another, or another day."]
            return None
        at = it.begins.data
        if at is None:
            own = taken[bay.code]
            at = leftmost(db(), mall, bay, piece, (days[0], max(days)), turned=turned, own=own)
        if at is None:
            it.bay.errors = [
                f"Bay {bay.code} has no room for {piece.name} until {shown_day(days[1])}: choose another bay, or other days."
            ]
            return None
        gap = rules_on(db(), mall.id, days[0]).gap_in16
        taken[bay.code].append(given_now(piece, at, days, gap, turned=turned))
        places.append((piece, Place(bay, at, *days, turned)))
    return places


@overflow.post("/<mall_code>/requests/<int:asked_id>/withdraw")
@allow("manager")
def withdraw_asked(mall_code: str, asked_id: int) -> Page:
    """Withdraw a request for its dealer, or let it wait again."""
    _, row = _wanted(mall_code, asked_id)
    try:
        if request.form.get("again") == "yes":
            ask_again(db(), now(), row.request, by=by())
            said = "It waits again, and has since it was made."
        else:
            withdraw(db(), now(), row.request, by=by())
            said = "Nothing of it waits any more; what was given stays."
    except Refusal as refusal:
        roll_back()
        flash(str(refusal))
        return _page(*_wanted(mall_code, asked_id)), 422
    flash(said)
    return _to(mall_code, asked_id)


def _to(mall_code: str, asked_id: int) -> Page:
    return redirect(url_for("overflow.asked", mall_code=mall_code, asked_id=asked_id), 303)


# --- written down -----------------------------------------------------------------------------------------------------------


def _write_page(mall: Mall, form: WriteForm) -> str:
    return render_template(
        "office/overflow/write.html", **page_of(mall), form=form, rules=rules_on(db(), mall.id, today_of(mall))
    )


def _dressed(mall: Mall, form: WriteForm) -> WriteForm:
    today = today_of(mall)
    form.among(renting(db(), mall, today), bay_choices(db(), mall, today))
    return form


@overflow.get("/<mall_code>/requests/new")
@allow("manager")
def write(mall_code: str) -> Page:
    mall = wanted_mall(mall_code)
    form = WriteForm(formdata=None, not_before=today_of(mall), weeks=_WEEKS, flexible_weeks=0)
    return _write_page(mall, _dressed(mall, form))


@overflow.post("/<mall_code>/requests/new")
@allow("manager")
def write_down(mall_code: str) -> Page:
    """Ask for floor for a dealer, who may have no sign-in."""
    mall = wanted_mall(mall_code)
    form = _dressed(mall, WriteForm())
    if request.form.get("do") == "more":
        form.one_more()
        return _write_page(mall, form)
    if not form.check():
        return _write_page(mall, form), 422
    dealer = db().scalars(select(Dealer).where(Dealer.code == form.dealer.data)).one()
    try:
        made = ask_floor(db(), now(), dealer, mall, form.asked, by=by(), key=form.key.made())
    except AskRefused as refused:
        roll_back()
        form.tell(refused.faults)
        return _write_page(wanted_mall(mall_code), form), 422
    flash(f"It is written down for {dealer.code}, and waits.")
    return _to(mall_code, made.id)
