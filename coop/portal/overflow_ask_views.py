"""The portal: floor in the aisles asked for, the request changed, withdrawn and taken up again, and what came of it."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import Any

from flask import abort, flash, redirect, render_template, request, url_for
from sqlalchemy import select
from werkzeug.datastructures import MultiDict

from coop.core.errors import Refusal
from coop.core.fields import whole_number
from coop.core.web import Page, allow, db, now, roll_back, visitor
from coop.dealers.models import Dealer
from coop.floor.models import Mall
from coop.leases.holding import today_at
from coop.overflow import asking
from coop.overflow.asking import MOST_PIECES, Asked, AskRefused
from coop.overflow.models import OverflowRequest
from coop.overflow.queries import RequestRow, answers_of, request_row
from coop.overflow.reading import bays_on
from coop.overflow.rules import rules_on
from coop.portal import overflow_queries as queries
from coop.portal.overflow_forms import AskForm, data_of, has_empty_row, request_data, rows_said
from coop.portal.overflow_quotes import Ground, ground_of, had_then, reckon
from coop.portal.overflow_views import by_dealer, dealers_here, lent, malls_here
from coop.portal.queries import own_dealers_query
from coop.resets.models import PieceRow

_WEEKS = 4
"""Asked for, unless another number is written."""
OUT = "out-"
"""The press that takes a row out, with the number of the row behind it."""


# --- the form ---------------------------------------------------------------------------------------------------------------


def _own_pieces() -> Sequence[PieceRow]:
    """What these dealers have written down for resets: its measures need not be taken again."""
    own = PieceRow.dealer_id.in_(own_dealers_query(visitor())), PieceRow.gone_on.is_(None)
    return db().scalars(select(PieceRow).where(*own).order_by(PieceRow.name_key)).all()


def _malls() -> Sequence[Mall]:
    found = malls_here()
    if not found:
        raise Refusal("You hold no lease now: floor is lent to those who rent a space.")
    return found


def _dressed(form: AskForm, dealers: Sequence[Dealer], malls: Sequence[Mall]) -> AskForm:
    bays = [bay for mall in malls for bay in bays_on(db(), mall.id, today_at(db(), now(), mall.id)) if bay.is_lent]
    form.among(dealers)
    form.at(malls, bays)
    return form


def _sent(dealers: Sequence[Dealer], malls: Sequence[Mall]) -> AskForm:
    """The form as it was sent, less the row that was to be taken out."""
    without = request.form.get("do", "").removeprefix(OUT) if request.form.get("do", "").startswith(OUT) else ""
    return _dressed(AskForm(formdata=rows_said(MultiDict(request.form), without)), dealers, malls)


def _page(form: AskForm, row: OverflowRequest | None = None, *, judged: bool = False) -> str:
    """`judged`: all of it was looked at, and nothing is in its way."""
    if not form.pieces.entries:
        form.one_more()
    mall = form.mall_meant
    today = today_at(db(), now(), mall.id)
    first = today if form.not_before.errors else max(today, form.not_before.data or today)
    rules = rules_on(db(), mall.id, first)
    weeks = _WEEKS if form.weeks.errors else form.weeks.data or _WEEKS
    measured = [one.form.asked for one in form.pieces if one.form.is_measured]
    ground = ground_of(db(), mall, form.dealer_meant, first, form.bay_meant) if measured else Ground()
    reckoned = reckon(rules, measured, weeks, ground)
    return render_template(
        "portal/overflow/ask.html",
        form=form,
        row=row,
        # The one it was opened with, whatever was done to its rows since.
        version=request.form.get("version", row.version) if row else None,
        rules=rules,
        reckoned=reckoned,
        judged=judged,
        had=had_then(db(), mall, form.dealer_meant, rules, first, reckoned) if judged else None,
        own=_own_pieces(),
        may_add=len(form.pieces) < MOST_PIECES,
        words=queries,
    )


def _judge(form: AskForm, keep: Callable[[Dealer, Mall, Asked], OverflowRequest], row: OverflowRequest | None = None) -> Page:
    """Do what the press says: change the rows alone, say what is in the way of the request, or keep it."""
    do = request.form.get("do", "")
    if do == "more":
        if form.one_more() and has_empty_row(request.form):
            form.wants_piece()
    elif do == "fill":
        taken = next((one for one in _own_pieces() if one.id == whole_number(request.form.get("take"))), None)
        form.one_more(data_of(taken) if taken else None)
    if do in ("more", "fill") or do.startswith(OUT):
        return _page(form, row)
    form.validate()
    dealer, mall = form.chosen(), form.chosen_mall()
    if dealer is None or mall is None:
        return _page(form, row), 422
    wanted = form.read(today_at(db(), now(), mall.id))
    can_be_read = not form.wrong
    try:
        kept_id = keep(dealer, mall, wanted).id
    except AskRefused as refused:
        roll_back()
        form.tell(refused.faults)
        return _page(form, row), 422
    if can_be_read and do == "keep":
        flash("The request is changed." if row else "Floor is asked for. What came of it is told here and by mail.")
        return redirect(url_for("lent.asked", asked_id=kept_id), 303)
    roll_back()
    return _page(form, row, judged=can_be_read), 200 if can_be_read else 422


@lent.get("/ask")
@allow("dealer")
def ask() -> Page:
    malls = _malls()
    wanted = {whole_number(one) for one in request.args.getlist("piece")}
    like = request_row(db(), whole_number(request.args.get("like")) or 0)
    data: dict[str, Any] = {"weeks": _WEEKS, "flexible_weeks": 0}
    if like is not None and like.dealer.id in {dealer.id for dealer in dealers_here()}:
        data |= request_data(like.request, like.mall, like.pieces, anew=True)
    data["not_before"] = today_at(db(), now(), malls[0].id)
    form = _dressed(AskForm(formdata=None, data=data), dealers_here(), malls)
    for piece in _own_pieces():
        if piece.id in wanted:
            form.one_more(data_of(piece))
    return _page(form)


@lent.post("/ask")
@allow("dealer")
def ask_floor() -> Page:
    form = _sent(dealers_here(), _malls())

    def keep(dealer: Dealer, mall: Mall, asked: Asked) -> OverflowRequest:
        return asking.ask_floor(db(), now(), dealer, mall, asked, by=by_dealer(), key=form.key.made())

    return _judge(form, keep)


# --- one request ------------------------------------------------------------------------------------------------------------


def _own(asked_id: int) -> RequestRow:
    found = request_row(db(), asked_id)
    if found is None or found.dealer.id not in {dealer.id for dealer in dealers_here()}:
        abort(404)
    return found


def _asked_page(row: RequestRow) -> str:
    today = today_at(db(), now(), row.mall.id)
    first, weeks = max(today, row.request.not_before), row.request.weeks
    rules = rules_on(db(), row.mall.id, first)
    ground = ground_of(db(), row.mall, row.dealer, first, row.request.bay_code)
    waiting = reckon(rules, row.waiting, weeks, ground)
    return render_template(
        "portal/overflow/asked.html",
        row=row,
        today=today,
        timezone=row.mall.timezone,
        rules=rules,
        waiting=waiting,
        reckoned=reckon(rules, row.pieces, weeks, ground),
        had=had_then(db(), row.mall, row.dealer, rules, first, waiting),
        answers=answers_of(db(), row.request),
        given_out=queries.last_given_out(db(), row.mall.id),
        bays=queries.bays_shown(db(), row, today),
        words=queries,
    )


def _do(asked_id: int, deed: Callable[[OverflowRequest], None], sentence: str) -> Page:
    """Do one thing to a request; what refuses it stands on its page, as it is now."""
    row = _own(asked_id)
    try:
        deed(row.request)
    except Refusal as refusal:
        roll_back()
        flash(str(refusal))
        return _asked_page(_own(asked_id)), 422
    flash(sentence)
    return redirect(url_for("lent.asked", asked_id=asked_id), 303)


@lent.get("/requests/<int:asked_id>")
@allow("dealer")
def asked(asked_id: int) -> Page:
    return _asked_page(_own(asked_id))


@lent.get("/requests/<int:asked_id>/change")
@allow("dealer")
def change(asked_id: int) -> Page:
    row = _own(asked_id)
    if row.request.state != "waiting":
        return redirect(url_for("lent.asked", asked_id=asked_id), 303)
    form = AskForm(formdata=None, data=request_data(row.request, row.mall, row.pieces))
    return _page(_dressed(form, [row.dealer], [row.mall]), row.request)


@lent.post("/requests/<int:asked_id>/change")
@allow("dealer")
def change_asked(asked_id: int) -> Page:
    row = _own(asked_id)
    version = whole_number(request.form.get("version"))

    def keep(_dealer: Dealer, _mall: Mall, wanted: Asked) -> OverflowRequest:
        asking.change_request(db(), now(), row.request, wanted, version=-1 if version is None else version, by=by_dealer())
        return row.request

    try:
        return _judge(_sent([row.dealer], [row.mall]), keep, row.request)
    except Refusal as refusal:
        roll_back()
        flash(str(refusal))
        return _asked_page(_own(asked_id)), 422


@lent.post("/requests/<int:asked_id>/withdraw")
@allow("dealer")
def withdraw(asked_id: int) -> Page:
    return _do(
        asked_id,
        lambda row: asking.withdraw(db(), now(), row, by=by_dealer()),
        "The request is withdrawn: nothing of it waits any more. What was given stays.",
    )


@lent.post("/requests/<int:asked_id>/again")
@allow("dealer")
def again(asked_id: int) -> Page:
    return _do(
        asked_id,
        lambda row: asking.ask_again(db(), now(), row, by=by_dealer()),
        "It waits again, and has since the day it was asked.",
    )
