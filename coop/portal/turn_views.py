"""The portal: a dealer's own turns, and turns offered, answered, taken and signed for."""

from __future__ import annotations

from collections.abc import Callable

from flask import Blueprint, abort, flash, redirect, render_template, request, url_for

from coop.core.errors import Refusal
from coop.core.periods import Month
from coop.core.web import Page, allow, db, now, roll_back, visitor
from coop.portal import turn_queries as queries
from coop.portal.turn_forms import OfferForm, ReturnForm, SendForm
from coop.portal.turn_queries import OfferRow
from coop.shifts import offer_limits, offering
from coop.shifts.answering import answers_close, first_open_month, has_answered, last_day_to_answer, own_malls, standing
from coop.shifts.helping import send_helper
from coop.shifts.models import Turn, TurnHelper
from coop.shifts.people import helpers_of
from coop.shifts.queries import PUBLISHED, STANDING, TurnRow, also_on, coming_turns, signed_at, turn_rows
from coop.shifts.rules import rules_on
from coop.shifts.substitutes import CAUTION
from coop.shifts.turn_models import TurnOffer
from coop.shifts.wording import balance_shown, moment_said, turns_shown

turns = Blueprint("turns", __name__, url_prefix="/portal/turns")
turns.add_app_template_filter(turns_shown, "turns")
turns.add_app_template_filter(balance_shown, "balance")


def own_member() -> int:
    """The member whose pages these are. Refuses a sign-in that is no member's."""
    found = visitor().member_id
    if found is None:
        raise Refusal("Your sign-in belongs to no dealer yet. Ask the manager to name the one you are.")
    return found


def to_turns(sentence: str) -> Page:
    flash(sentence)
    return redirect(url_for("turns.first"), 303)


# --- the page ---------------------------------------------------------------------------------------------------------------


@turns.get("/")
@allow("dealer")
def first() -> Page:
    member_id = visitor().member_id
    if member_id is None:
        return render_template("portal/turns/nobody.html")
    malls = own_malls(db(), now(), member_id)
    rows = coming_turns(db(), now(), member_id)
    offers = queries.open_offers(db(), now(), member_id, malls)
    return render_template(
        "portal/turns/first.html",
        rows=rows,
        beside=also_on(db(), [row.turn for row in rows]),
        offered={row.offer.turn_id: row for row in offers if row.offer.by_member_id == member_id},
        sign=[row for row in offers if row.offer.by_member_id == member_id and row.offer.state == "answered"],
        alone=[row for row in offers if row.offer.to_member_id == member_id],
        to_all=[row for row in offers if row.offer.to_member_id is None and row.offer.by_member_id != member_id],
        free=queries.free_turns(db(), now(), malls),
        balances=queries.own_balances(db(), member_id, malls),
        asked=_asked(member_id) if malls else None,
        malls=malls,
        member_id=member_id,
    )


def _asked(member_id: int) -> dict[str, object]:
    """The month whose answers are taken now, until when, and whether this member has said anything."""
    month = first_open_month(db(), now(), member_id)
    mall = next(one for one in own_malls(db(), now(), member_id) if now() < answers_close(db(), one, month))
    return {
        "month": month,
        "until": last_day_to_answer(db(), mall, month),
        "answered": has_answered(db(), member_id, month),
        "said": len(standing(db(), member_id)),
    }


# --- one turn ---------------------------------------------------------------------------------------------------------------


def _own_turn(turn_id: int) -> TurnRow:
    found = queries.own_turn(db(), turn_id, own_member())
    if found is None:
        abort(404)
    return found


def _offer_form(turn: Turn, **given: object) -> OfferForm:
    return OfferForm(
        people=queries.offered_to(db(), turn, own_member()),
        theirs=queries.had_by_others(db(), now(), turn, own_member()),
        may_pay=rules_on(db(), turn.mall_id, Month.of(turn.on_date).first_day).paid_substitutes,
        **given,
    )


def _helpers(turn: Turn) -> list[TurnHelper]:
    return helpers_of(db(), turn.on_date, member_ids=[own_member()]).get(own_member(), [])


def _send_form(turn: Turn, **given: object) -> SendForm:
    return SendForm(helpers=[(one.id, one.name) for one in _helpers(turn)], **given)


@turns.get("/<int:turn_id>")
@allow("dealer")
def turn(turn_id: int) -> Page:
    return _turn_page(_own_turn(turn_id))


def _turn_page(row: TurnRow, form: OfferForm | None = None, send: SendForm | None = None) -> str:
    ends = offer_limits.cut_off(db(), row.turn)
    running = queries.offer_rows(db(), TurnOffer.turn_id == row.turn.id, TurnOffer.state.in_(offer_limits.OPEN))
    sent = "" if row.turn.helper_id is None else str(row.turn.helper_id)
    return render_template(
        "portal/turns/turn.html",
        row=row,
        beside=also_on(db(), [row.turn]).get(row.turn.id, []),
        offer=running[0] if running else None,
        in_time=now() < ends,
        until=moment_said(ends, row.mall.timezone),
        form=form or _offer_form(row.turn, formdata=None),
        send=send or _send_form(row.turn, formdata=None, data={"helper": sent}),
        caution=CAUTION,
    )


@turns.post("/<int:turn_id>/offer")
@allow("dealer")
def offer_turn(turn_id: int) -> Page:
    row = _own_turn(turn_id)
    form = _offer_form(row.turn)
    if form.check():
        try:
            made = offering.offer_turn(db(), now(), row.turn, form.terms, member_id=own_member(), user_id=visitor().user_id)
        except Refusal as refusal:
            roll_back()
            form.how.errors = [str(refusal)]
        else:
            to = "everybody sees it here" if made.to_member_id is None else "one alone is asked, by mail and here"
            return to_turns(f"Your turn is offered, and {to}. Until somebody takes it you have it.")
    return _turn_page(_own_turn(turn_id), form=form), 422


@turns.post("/<int:turn_id>/helper")
@allow("dealer")
def send(turn_id: int) -> Page:
    row = _own_turn(turn_id)
    form = _send_form(row.turn)
    if form.validate():
        helper = db().get(TurnHelper, form.helper_id) if form.helper_id is not None else None
        try:
            send_helper(db(), now(), row.turn, helper, member_id=own_member(), user_id=visitor().user_id)
        except Refusal as refusal:
            roll_back()
            form.helper.errors = [str(refusal)]
        else:
            flash(f"{helper.name} comes for you." if helper else "You come yourself.")
            return redirect(url_for("turns.turn", turn_id=turn_id), 303)
    return _turn_page(_own_turn(turn_id), send=form), 422


# --- turns that nobody has --------------------------------------------------------------------------------------------------


@turns.get("/free/<int:turn_id>")
@allow("dealer")
def free(turn_id: int) -> Page:
    return _free_page(turn_id)


def _free_page(turn_id: int, wrong: str = "") -> str:
    row = next(iter(turn_rows(db(), Turn.id == turn_id, PUBLISHED, STANDING)), None)
    if row is None:
        abort(404)
    return render_template(
        "portal/turns/free.html",
        row=row,
        beside=also_on(db(), [row.turn]).get(row.turn.id, []),
        wrong=wrong,
        has_begun=now() >= row.turn.starts_at,
    )


@turns.post("/free/<int:turn_id>")
@allow("dealer")
def take_free(turn_id: int) -> Page:
    wanted = db().get(Turn, turn_id)
    if wanted is None:
        abort(404)
    try:
        offering.take_free_turn(db(), now(), wanted, member_id=own_member(), user_id=visitor().user_id)
    except Refusal as refusal:
        roll_back()
        return _free_page(turn_id, str(refusal)), 422
    return to_turns("The turn is yours.")


# --- offers -----------------------------------------------------------------------------------------------------------------


def _own_offer(offer_id: int) -> OfferRow:
    found = queries.own_offer(db(), offer_id, own_member())
    if found is None:
        abort(404)
    return found


def _return_form(**given: object) -> ReturnForm:
    return ReturnForm(own=queries.own_to_give(db(), now(), own_member()), **given)


@turns.get("/offers/<int:offer_id>")
@allow("dealer")
def offer(offer_id: int) -> Page:
    return _offer_page(_own_offer(offer_id))


def _offer_page(row: OfferRow, form: ReturnForm | None = None, wrong: str = "") -> str:
    member_id, made = own_member(), row.offer
    is_own = made.by_member_id == member_id
    may_take = not is_own and made.state == "open"
    in_the_way = wrong
    if may_take and not wrong:
        in_the_way = offer_limits.refusal_to_take(db(), now(), made, member_id)
    return render_template(
        "portal/turns/offer.html",
        row=row,
        is_own=is_own,
        signed=signed_at(made),
        may_take=may_take,
        in_the_way=in_the_way,
        beside=also_on(db(), [row.turn.turn]).get(row.turn.turn.id, []),
        until=moment_said(offer_limits.cut_off(db(), row.turn.turn), row.turn.mall.timezone),
        form=form or _return_form(formdata=None),
        is_alone=made.to_member_id == member_id,
        caution=CAUTION,
    )


def _do(offer_id: int, deed: Callable[[TurnOffer], None], sentence: str) -> Page:
    """Do one thing to an offer; what refuses it stands on the offer's page, as it is now."""
    row = _own_offer(offer_id)
    try:
        deed(row.offer)
    except Refusal as refusal:
        roll_back()
        return _offer_page(_own_offer(offer_id), wrong=str(refusal)), 422
    return to_turns(sentence)


@turns.post("/offers/<int:offer_id>/take")
@allow("dealer")
def take(offer_id: int) -> Page:
    return _do(
        offer_id,
        lambda made: offering.take_offer(db(), now(), made, member_id=own_member(), user_id=visitor().user_id),
        "The turn is yours. Both of you have signed for it, and both get a mail.",
    )


@turns.post("/offers/<int:offer_id>/answer")
@allow("dealer")
def answer(offer_id: int) -> Page:
    row = _own_offer(offer_id)
    form = _return_form()
    if form.validate():
        given = db().get_one(Turn, int(form.given.data))
        try:
            offering.answer_offer(db(), now(), row.offer, given, member_id=own_member(), user_id=visitor().user_id)
        except Refusal as refusal:
            roll_back()
            form.given.errors = [str(refusal)]
        else:
            return to_turns(f"{row.by} is asked to agree. Until then both of you come as planned.")
    return _offer_page(_own_offer(offer_id), form), 422


@turns.post("/offers/<int:offer_id>/sign")
@allow("dealer")
def sign(offer_id: int) -> Page:
    seen = request.form.get("back", "")
    agreed = int(seen) if seen.isascii() and seen.isdigit() and len(seen) < 19 else 0
    return _do(
        offer_id,
        lambda made: offering.sign_offer(
            db(), now(), made, member_id=own_member(), agreed_turn_id=agreed, user_id=visitor().user_id
        ),
        "The two turns are swapped. Both of you have signed for it, and both get a mail.",
    )


@turns.post("/offers/<int:offer_id>/decline")
@allow("dealer")
def decline(offer_id: int) -> Page:
    """The offerer does not want that turn in return; or whoever alone was asked does not take it."""

    def deed(made: TurnOffer) -> None:
        decide = offering.turn_down if made.by_member_id == own_member() else offering.decline_offer
        decide(db(), now(), made, member_id=own_member(), user_id=visitor().user_id)

    return _do(offer_id, deed, "Declined: everything stays as it is, and the other side is told.")


@turns.post("/offers/<int:offer_id>/withdraw")
@allow("dealer")
def withdraw(offer_id: int) -> Page:
    return _do(
        offer_id,
        lambda made: offering.withdraw_offer(db(), now(), made, member_id=own_member(), user_id=visitor().user_id),
        "The offer is withdrawn: you keep your turn.",
    )
