"""The portal: a dealer's own lease, its rent, its papers; signing, leaving, disputing, offers and wishes."""

from __future__ import annotations

from flask import abort, flash, redirect, render_template, request, url_for
from sqlalchemy import select

from coop.core.errors import Refusal
from coop.core.templating import day as written
from coop.core.web import Page, allow, db, now, request_id, roll_back, send_document, visitor
from coop.dealers.models import Member
from coop.floor.models import Mall, Space
from coop.leases import agreements, asking, editing, leaving, letters, offering
from coop.leases.agreements import deposit_asked
from coop.leases.documents import CAUTION
from coop.leases.holding import today_at
from coop.leases.models import Charge, Lease, Offer
from coop.leases.pricing import Asked, known_rates, monthly_rent, named
from coop.leases.wording import PRORATION
from coop.portal import lease_queries as queries
from coop.portal import queries as portal_queries
from coop.portal.lease_forms import DisputeForm, NoticeForm, SignForm, WishForm
from coop.portal.views import portal


def _to_lease(sentence: str) -> Page:
    flash(sentence)
    return redirect(url_for("portal.my_lease"), 303)


def _lease(lease_id: int) -> Lease:
    found = queries.own_lease(db(), visitor(), lease_id)
    if found is None:
        abort(404)
    return found


# --- the page ---------------------------------------------------------------------------------------------------------------


@portal.get("/lease")
@allow("dealer")
def my_lease() -> Page:
    return _lease_page()


def _lease_page(sign: tuple[int, SignForm] | None = None) -> str:
    who = visitor()
    return render_template(
        "portal/lease.html",
        leases=queries.own_leases(db(), who, now()),
        ended=queries.own_ended_leases(db(), who),
        offers=queries.own_offers(db(), who),
        wishes=queries.own_wishes(db(), who),
        dealers=portal_queries.own_dealers(db(), who),
        prorations=PRORATION,
        caution=CAUTION,
        signing=sign or (0, SignForm(formdata=None)),
    )


@portal.post("/lease/<int:lease_id>/sign")
@allow("dealer")
def sign(lease_id: int) -> Page:
    found = _lease(lease_id)
    form = SignForm()
    if not form.validate():
        return _lease_page((lease_id, form)), 422
    try:
        agreements.sign_in_portal(
            db(), now(), found, name=form.name.data, member_id=visitor().member_id, user_id=visitor().user_id
        )
    except Refusal as refusal:
        roll_back()
        form.name.errors = [str(refusal)]
        return _lease_page((lease_id, form)), 422
    return _to_lease(f"You signed the lease as {found.signed_name}.")


@portal.post("/lease/<int:lease_id>/agreement")
@allow("dealer")
def write_agreement(lease_id: int) -> Page:
    letters.write_agreement(db(), now(), _lease(lease_id), user_id=visitor().user_id)
    return _to_lease("The agreement is being made as PDF: it is below in a moment.")


@portal.get("/letters/<int:letter_id>.pdf")
@allow("dealer")
def letter_pdf(letter_id: int) -> Page:
    return send_document(queries.own_letter(db(), visitor(), letter_id))


# --- leaving ----------------------------------------------------------------------------------------------------------------


@portal.get("/lease/<int:lease_id>/notice")
@allow("dealer")
def notice(lease_id: int) -> Page:
    found = _lease(lease_id)
    return _notice_page(found, NoticeForm(formdata=None, last_day=_first_last_day(found)))


def _first_last_day(lease: Lease) -> object:
    return max(leaving.first_last_day(lease, today_at(db(), now(), lease.mall_id)), lease.starts_on)


def _notice_page(lease: Lease, form: NoticeForm) -> str:
    return render_template(
        "portal/notice.html",
        lease=lease,
        mall=db().get_one(Mall, lease.mall_id),
        first=_first_last_day(lease),
        caution=CAUTION,
        form=form,
    )


@portal.post("/lease/<int:lease_id>/notice")
@allow("dealer")
def give_notice(lease_id: int) -> Page:
    found = _lease(lease_id)
    form = NoticeForm()
    if not form.validate():
        return _notice_page(found, form), 422
    try:
        last = leaving.give_notice(
            db(),
            now(),
            found,
            by="dealer",
            given_on=today_at(db(), now(), found.mall_id),
            last_day=form.last_day.data,
            user_id=visitor().user_id,
        )
    except Refusal as refusal:
        roll_back()
        form.last_day.errors = [str(refusal)]
        return _notice_page(_lease(lease_id), form), 422
    return _to_lease(f"You gave notice: your last day is {written(last)}. Today you can still take it back here.")


@portal.post("/lease/<int:lease_id>/notice/take-back")
@allow("dealer")
def take_back_notice(lease_id: int) -> Page:
    """Her own, on its day; later both must agree, and the office does it."""
    found = _lease(lease_id)
    if found.notice_by != "dealer" or found.notice_on != today_at(db(), now(), found.mall_id):
        raise Refusal("Only your own notice of today can be taken back here: ask the manager.")
    leaving.take_back_notice(db(), now(), found, user_id=visitor().user_id)
    return _to_lease("Your notice is taken back: the lease goes on.")


# --- disputes ---------------------------------------------------------------------------------------------------------------


def _charge(charge_id: int) -> Charge:
    found = queries.own_charge(db(), visitor(), charge_id)
    if found is None:
        abort(404)
    return found


@portal.get("/charges/<int:charge_id>/dispute")
@allow("dealer")
def dispute(charge_id: int) -> Page:
    return render_template("portal/dispute.html", charge=_charge(charge_id), form=DisputeForm(formdata=None))


@portal.post("/charges/<int:charge_id>/dispute")
@allow("dealer")
def open_dispute(charge_id: int) -> Page:
    charge = _charge(charge_id)
    form = DisputeForm()
    if form.validate():
        today = today_at(db(), now(), charge.mall_id)
        by = editing.By(visitor().user_id, request_id())
        try:
            editing.raise_dispute(db(), now(), by, charge, on=today, reason=form.reason.data)
        except Refusal as refusal:
            roll_back()
            form.reason.errors = [str(refusal)]
        else:
            return _to_lease(f"{charge.label} is in dispute: no late fee runs on it until it is decided.")
    return render_template("portal/dispute.html", charge=_charge(charge_id), form=form), 422


# --- offers -----------------------------------------------------------------------------------------------------------------


def _offer(offer_id: int) -> Offer:
    found = queries.own_offer(db(), visitor(), offer_id)
    if found is None:
        abort(404)
    return found


@portal.get("/offers/<int:offer_id>")
@allow("dealer")
def offer(offer_id: int) -> Page:
    found = _offer(offer_id)
    space = db().get_one(Space, found.space_id)
    mall = db().get_one(Mall, space.mall_id)
    asked = Asked(space)
    return render_template(
        "portal/offer.html",
        offer=found,
        space=space,
        name=named(space),
        mall=mall,
        rent=monthly_rent(asked, known_rates(db(), mall.id), found.starts_on),
        deposit=deposit_asked(db(), mall, [asked], found.starts_on),
        caution=CAUTION,
    )


@portal.post("/offers/<int:offer_id>")
@allow("dealer")
def answer_offer(offer_id: int) -> Page:
    found = _offer(offer_id)
    who = visitor()
    if request.form.get("answer") == "take":
        offering.accept_offer(db(), now(), found, member_id=who.member_id, user_id=who.user_id)
        return _to_lease("You took the offer. Read the lease below, and sign it.")
    if request.form.get("answer") == "decline":
        offering.decline_offer(db(), now(), found, member_id=who.member_id, user_id=who.user_id)
        return _to_lease("You declined the offer. You keep your place for another space.")
    return redirect(url_for("portal.offer", offer_id=offer_id), 303)


# --- the waiting list -------------------------------------------------------------------------------------------------------


def _wish_form(**given: object) -> WishForm:
    malls = db().scalars(select(Mall).order_by(Mall.code)).all()
    zones = db().scalars(select(Space.zone).where(Space.retired_on.is_(None)).distinct().order_by(Space.zone)).all()
    return WishForm(malls=[(mall.code, mall.name) for mall in malls], zones=zones, **given)


@portal.get("/waiting")
@allow("dealer")
def waiting() -> Page:
    return _waiting_page(_wish_form(formdata=None))


def _waiting_page(form: WishForm) -> str:
    return render_template("portal/waiting.html", wishes=queries.own_wishes(db(), visitor()), form=form)


@portal.post("/waiting")
@allow("dealer")
def ask() -> Page:
    form = _wish_form()
    who = visitor()
    if form.check():
        try:
            member = db().get(Member, who.member_id) if who.member_id else None
            if member is None:
                raise Refusal("Your sign-in belongs to no member yet: ask the manager to name the one you are.")
            mall = db().scalars(select(Mall).where(Mall.code == form.mall.data)).one()
            asking.ask_for_space(db(), now(), mall, member, form.wish, user_id=who.user_id)
        except Refusal as refusal:
            roll_back()
            form.kind.errors = [str(refusal)]
        else:
            flash("You are on the waiting list. An offer comes by mail, and stands here.")
            return redirect(url_for("portal.waiting"), 303)
    return _waiting_page(form), 422


@portal.post("/waiting/<int:waiting_id>/withdraw")
@allow("dealer")
def withdraw_wish(waiting_id: int) -> Page:
    found = queries.own_asking(db(), visitor(), waiting_id)
    if found is None:
        abort(404)
    asking.withdraw_asking(db(), now(), found, user_id=visitor().user_id)
    flash("You are off the waiting list for that.")
    return redirect(url_for("portal.waiting"), 303)
