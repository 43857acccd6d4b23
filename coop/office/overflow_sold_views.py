"""Sold pieces in the aisles, in the office and at the desk: put in a bay to wait, fetched, and that taken back."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date, timedelta

from flask import abort, flash, redirect, render_template, request, url_for
from sqlalchemy import select
from sqlalchemy.orm import Session

from coop.core.errors import Refusal
from coop.core.periods import shown_day
from coop.core.web import Page, allow, db, now, roll_back, visitor
from coop.dealers.models import Dealer
from coop.floor.models import Mall
from coop.office import queries as office_queries
from coop.office.mall_page import by, page_of, today_of, wanted_mall
from coop.office.overflow_floor import mall_lending
from coop.office.overflow_request_forms import SoldForm
from coop.office.overflow_request_list import bay_choices, lent_bays, renting
from coop.office.overflow_stay import after_all_words
from coop.office.overflow_views import overflow
from coop.office.views import READERS
from coop.overflow.asking import AskRefused
from coop.overflow.placing import place_sold
from coop.overflow.queries import overdue_sold, sold_since, stay_of
from coop.overflow.reading import Standing
from coop.overflow.rules import rules_on
from coop.overflow.staying import end_stay, gone_on, take_back_end

_DAY = timedelta(days=1)
_LATELY = timedelta(days=7)
"""So long after it was fetched a piece is shown, for that may have been said of the wrong one."""
_LEFT = timedelta(days=30)
"""Who has left a mall so lately may still have something there that was sold."""


@dataclass(frozen=True)
class Sold:
    """Sold pieces by how they stand, the first to be fetched first."""

    overdue: list[Standing]
    waiting: list[Standing]
    fetched: list[Standing]


def sold_of(session: Session, mall: Mall, today: date) -> Sold:
    found = sold_since(session, mall.id, today - _LATELY)
    return Sold(
        overdue_sold(session, mall.id, today),
        [one for one in found if one.stay.ends_on >= today and one.stay.gone_said_at is None],
        [one for one in found if one.stay.gone_said_at is not None],
    )


@overflow.get("/sold")
@allow(*READERS, "desk")
def sold_here() -> Page:
    """The desk’s way in: that of the first mall that lends floor."""
    mall = mall_lending(db(), office_queries.malls(db()))
    return redirect(url_for("overflow.sold", mall_code=mall.code) if mall else url_for("people.home"), 303)


@overflow.get("/<mall_code>/sold")
@allow(*READERS, "desk")
def sold(mall_code: str) -> Page:
    return _page(wanted_mall(mall_code))


def _page(mall: Mall, form: SoldForm | None = None) -> str:
    today = today_of(mall)
    days = max(1, rules_on(db(), mall.id, today).sold_days)
    return render_template(
        "office/overflow/sold.html",
        **page_of(mall),
        it=sold_of(db(), mall, today),
        form=form or _dressed(mall, SoldForm(formdata=None, until=today + timedelta(days=days) - _DAY)),
        refused=form is not None,
        days=days,
        has_bays=bool(lent_bays(db(), mall, today)),
        may_put=bool(visitor().roles & {"manager", "desk"}),
        may_read=bool(visitor().roles & set(READERS)),
    )


def _dressed(mall: Mall, form: SoldForm) -> SoldForm:
    today = today_of(mall)
    form.among(renting(db(), mall, today - _LEFT), bay_choices(db(), mall, today))
    return form


@overflow.post("/<mall_code>/sold")
@allow("manager", "desk")
def put_sold(mall_code: str) -> Page:
    mall = wanted_mall(mall_code)
    form = _dressed(mall, SoldForm())
    if not form.validate():
        return _page(mall, form), 422
    dealer = db().scalars(select(Dealer).where(Dealer.code == form.dealer.data)).one()
    bay = next(row for row in lent_bays(db(), mall, today_of(mall)) if row.code == form.bay.data)
    # Limits are the manager's to let pass.
    anyway = bool(form.anyway.data) and "manager" in visitor().roles
    try:
        stay = place_sold(
            db(),
            now(),
            mall,
            dealer,
            form.asked,
            bay,
            by=by(),
            until=form.until.data,
            from_in16=form.begins.data,
            anyway=anyway,
            key=form.key.made(),
        )
    except AskRefused as refused:
        roll_back()
        form.tell(refused.faults)
        return _page(wanted_mall(mall_code), form), 422
    except Refusal as refusal:
        roll_back()
        form.refused(refusal)
        return _page(wanted_mall(mall_code), form), 422
    # As it is written down: the same form sent twice is one piece.
    one = stay_of(db(), stay.id)
    assert one is not None, "it was put there"
    flash(f"{one.piece.name} waits in bay {one.bay.code} until {shown_day(stay.ends_on)}.")
    return _to(mall_code)


@overflow.post("/<mall_code>/sold/<int:stay_id>/fetched")
@allow("manager", "desk")
def fetched(mall_code: str, stay_id: int) -> Page:
    """It is gone by today; or, of one that is said to be gone, it is there after all."""
    mall, one = wanted_mall(mall_code), stay_of(db(), stay_id)
    if one is None or one.bay.mall_id != mall.id:
        abort(404)
    if one.stay.kind != "sold":
        raise Refusal(f"{one.piece.name} is not a sold piece that waits: its own page says how long it stands.")
    name = one.piece.name
    try:
        if request.form.get("undo") == "yes":
            said = after_all_words(one, take_back_end(db(), now(), one.stay, by=by()), today_of(mall))
        else:
            end_stay(db(), now(), one.stay, on=gone_on(db(), one.stay, today_of(mall)), by=by())
            said = f"{name} is fetched."
    except Refusal as refusal:
        roll_back()
        flash(str(refusal))
        return _page(wanted_mall(mall_code)), 422
    flash(said)
    return _to(mall_code)


def _to(mall_code: str) -> Page:
    return redirect(url_for("overflow.sold", mall_code=mall_code), 303)
