"""The waiting list, whose turn it is for a space, and offers: made, withdrawn, answered."""

from __future__ import annotations

from dataclasses import dataclass

from flask import abort, flash, redirect, render_template, request, url_for
from sqlalchemy import select

from coop.core.errors import Refusal
from coop.core.templating import day as written
from coop.core.web import Page, allow, db, now, roll_back, visitor
from coop.dealers import queries as people
from coop.dealers.models import Dealer, Member
from coop.floor import queries as floor
from coop.floor.models import Mall, Space
from coop.leases import asking, offering
from coop.leases.agreements import Terms, deposit_asked
from coop.leases.domain.notice import offer_deadline
from coop.leases.holding import first_free_day
from coop.leases.models import Offer, Waiting
from coop.leases.pricing import Asked, known_rates, monthly_rent, named
from coop.leases.rules import rules_on
from coop.office import lease_life
from coop.office.lease_views import leases
from coop.office.lease_waiting_forms import AcceptForm, AskForm, OfferForm
from coop.office.mall_page import page_of, row_of, today_of, wanted_mall
from coop.office.views import READERS


@dataclass(frozen=True)
class AskRow:
    """Somebody on the list as the page shows her."""

    asked: Waiting
    name: str
    codes: str


def _rows(mall: Mall) -> list[AskRow]:
    """Everyone who ever asked, those who wait first, by the day they asked."""
    rows = db().execute(
        select(Waiting, Member.name)
        .outerjoin(Member, Member.id == Waiting.member_id)
        .where(Waiting.mall_id == mall.id)
        .order_by(Waiting.asked_on, Waiting.id)
    )
    codes: dict[int, list[str]] = {}
    for member_id, code in db().execute(select(Dealer.member_id, Dealer.code).order_by(Dealer.code)):
        codes.setdefault(member_id, []).append(code)
    return [
        AskRow(asked, name or asked.name or "name removed", ", ".join(codes.get(asked.member_id or 0, ())))
        for asked, name in rows
    ]


@leases.get("/<mall_code>/waiting")
@allow(*READERS)
def waiting(mall_code: str) -> Page:
    mall = wanted_mall(mall_code)
    rows = _rows(mall)
    return render_template(
        "office/leases/waiting.html",
        **page_of(mall),
        waiting=[row for row in rows if row.asked.state in ("waiting", "offered")],
        past=[row for row in reversed(rows) if row.asked.state in ("leased", "withdrawn")][:50],
    )


@leases.get("/<mall_code>/waiting/new")
@allow("manager")
def ask(mall_code: str) -> Page:
    mall = wanted_mall(mall_code)
    return _ask_page(mall, AskForm(formdata=None, asked_on=today_of(mall)))


def _ask_choices(mall: Mall, form: AskForm) -> None:
    members = db().scalars(select(Member).where(Member.left_on.is_(None)).order_by(Member.name, Member.id))
    form.member.among([(str(member.id), member.name) for member in members], "no member")
    zones = sorted({space.zone for space in floor.spaces_of(db(), mall.id, today_of(mall))})
    form.zone.among([(zone, zone) for zone in zones], "any")


def _ask_page(mall: Mall, form: AskForm) -> str:
    _ask_choices(mall, form)
    return render_template("office/leases/ask.html", **page_of(mall), form=form)


@leases.post("/<mall_code>/waiting/new")
@allow("manager")
def put_on_list(mall_code: str) -> Page:
    mall = wanted_mall(mall_code)
    form = AskForm()
    _ask_choices(mall, form)
    if not form.check():
        return _ask_page(mall, form), 422
    try:
        who = db().get_one(Member, int(form.member.data)) if form.member.data else form.outsider
        asking.ask_for_space(db(), now(), mall, who, form.wish, asked_on=form.asked_on.data, user_id=visitor().user_id)
    except Refusal as refusal:
        roll_back()
        text = str(refusal)
        at = form.email if "mail address" in text else form.asked_on if "day asked" in text else form.member
        at.errors = [text]
        return _ask_page(wanted_mall(mall_code), form), 422
    flash("It is on the waiting list.")
    return redirect(url_for("leases.waiting", mall_code=mall.code), 303)


def _asked(mall: Mall, waiting_id: int) -> Waiting:
    return row_of(mall, Waiting, waiting_id)


@leases.post("/<mall_code>/waiting/<int:waiting_id>/withdraw")
@allow("manager")
def withdraw_asking(mall_code: str, waiting_id: int) -> Page:
    mall = wanted_mall(mall_code)
    asking.withdraw_asking(db(), now(), _asked(mall, waiting_id), user_id=visitor().user_id)
    flash("It is off the waiting list. Its name can be removed below.")
    return redirect(url_for("leases.waiting", mall_code=mall.code), 303)


@leases.post("/<mall_code>/waiting/<int:waiting_id>/forget")
@allow("manager")
def forget_asker(mall_code: str, waiting_id: int) -> Page:
    mall = wanted_mall(mall_code)
    asking.forget_asker(db(), now(), _asked(mall, waiting_id), user_id=visitor().user_id)
    flash("The name, addresses and numbers are removed.")
    return redirect(url_for("leases.waiting", mall_code=mall.code), 303)


# --- whose turn it is -------------------------------------------------------------------------------------------------------


def _space(mall: Mall, code: str) -> Space:
    space = floor.find_space(db(), mall.id, code)
    if space is None:
        abort(404)
    return space


@leases.get("/<mall_code>/vacancies/<code>")
@allow(*READERS)
def turn(mall_code: str, code: str) -> Page:
    mall = wanted_mall(mall_code)
    space = _space(mall, code)
    today = today_of(mall)
    found = asking.next_for(db(), space, today)
    rules = rules_on(db(), mall.id, today)
    form = OfferForm(
        formdata=None,
        asked=str(found.waiting.id) if found else "",
        starts_on=first_free_day(db(), space, today),
        answer_by=offer_deadline(today, rules.offer_days),
    )
    return _turn_page(mall, space, form)


def _turn_page(mall: Mall, space: Space, form: OfferForm) -> str:
    today = today_of(mall)
    names = {row.asked.id: row for row in _rows(mall)}
    listed = asking.WaitingList(db(), mall.id, today)
    places = listed.places(space)
    form.asked.among([(str(place.waiting.id), names[place.waiting.id].name) for place in places])
    try:
        rent = monthly_rent(Asked(space), known_rates(db(), mall.id), today)
    except Refusal as refusal:
        rent = None
        fault = str(refusal)
    else:
        fault = ""
    return render_template(
        "office/leases/turn.html",
        **page_of(mall),
        space=space,
        name=named(space),
        free=first_free_day(db(), space, today),
        open=db().scalar(select(Offer).where(Offer.space_id == space.id, Offer.state == "open")),
        next=listed.turn(space),
        places=places,
        names=names,
        rent=rent,
        fault=fault,
        form=form,
    )


@leases.post("/<mall_code>/vacancies/<code>")
@allow("manager")
def make_offer(mall_code: str, code: str) -> Page:
    mall = wanted_mall(mall_code)
    space = _space(mall, code)
    form = OfferForm()
    form.asked.among([(str(place.waiting.id), "") for place in asking.WaitingList(db(), mall.id, today_of(mall)).places(space)])
    if form.validate():
        try:
            offer = offering.make_offer(
                db(),
                now(),
                space,
                db().get_one(Waiting, int(form.asked.data)),
                starts_on=form.starts_on.data,
                answer_by=form.answer_by.data,
                reason=form.reason.data,
                user_id=visitor().user_id,
            )
        except Refusal as refusal:
            roll_back()
            text = str(refusal)
            at = form.reason if "say why" in text else form.answer_by if "deadline" in text else form.starts_on
            at.errors = [text]
        else:
            flash(f"{named(space)} is offered until {written(offer.answer_by)}. Write the letter next.")
            return redirect(url_for("leases.offer", mall_code=mall.code, offer_id=offer.id), 303)
    mall = wanted_mall(mall_code)
    return _turn_page(mall, _space(mall, code), form), 422


# --- offers -----------------------------------------------------------------------------------------------------------------


def _offer(mall: Mall, offer_id: int) -> tuple[Offer, Space, Waiting]:
    offer = db().get(Offer, offer_id)
    if offer is None:
        abort(404)
    space = db().get_one(Space, offer.space_id)
    if space.mall_id != mall.id:
        abort(404)
    return offer, space, db().get_one(Waiting, offer.waiting_id)


@leases.get("/<mall_code>/offers/<int:offer_id>")
@allow(*READERS)
def offer(mall_code: str, offer_id: int) -> Page:
    return _offer_page(wanted_mall(mall_code), offer_id)


def _offer_page(mall: Mall, offer_id: int, form: AcceptForm | None = None) -> str:
    found, space, asked = _offer(mall, offer_id)
    if form is None:
        coop = people.cooperative(db())
        try:
            deposit: int | None = deposit_asked(db(), mall, [Asked(space)], found.starts_on).amount_cents
        except Refusal:
            deposit = None
        form = AcceptForm(
            formdata=None,
            answered_on=today_of(mall),
            commission_percent=coop.commission_percent if coop else None,
            deposit=deposit,
        )
    member = db().get(Member, asked.member_id) if asked.member_id else None
    return render_template(
        "office/leases/offer.html",
        **page_of(mall),
        offer=found,
        space=space,
        name=named(space),
        asked=asked,
        who=member.name if member else asked.name or "name removed",
        reached=member or asked,
        is_dealer_already=bool(asked.member_id and asking.dealers_of(db(), [asked.member_id])),
        letters=lease_life.letter_rows(db(), mall.id, offer_id=found.id),
        form=form,
    )


@leases.post("/<mall_code>/offers/<int:offer_id>/accept")
@allow("manager")
def accept_offer(mall_code: str, offer_id: int) -> Page:
    mall = wanted_mall(mall_code)
    found = _offer(mall, offer_id)[0]
    form = AcceptForm()
    if not form.validate():
        return _offer_page(mall, offer_id, form), 422
    try:
        lease = offering.accept_offer(
            db(),
            now(),
            found,
            code=form.code.data,
            commission_percent=form.commission_percent.data,
            terms=Terms(term_ends_on=form.term_ends_on.data, deposit_cents=form.deposit.data),
            answered_on=form.answered_on.data,
            user_id=visitor().user_id,
        )
    except Refusal as refusal:
        roll_back()
        text = str(refusal)
        (form.code if "code" in text else form.answered_on).errors = [text]
        return _offer_page(wanted_mall(mall_code), offer_id, form), 422
    flash("The offer is taken, and the lease is made. Print its agreement, and have it signed.")
    return redirect(url_for("leases.lease", mall_code=mall.code, lease_id=lease.id), 303)


@leases.post("/<mall_code>/offers/<int:offer_id>/end")
@allow("manager")
def end_offer(mall_code: str, offer_id: int) -> Page:
    """She declined it, or (`how=withdraw`) the co-op takes it back."""
    mall = wanted_mall(mall_code)
    found = _offer(mall, offer_id)[0]
    if request.form.get("how") == "withdraw":
        offering.withdraw_offer(db(), now(), found, user_id=visitor().user_id)
        flash("The offer is withdrawn. Who had it waits on in the old place.")
    else:
        offering.decline_offer(db(), now(), found, user_id=visitor().user_id)
        flash("The offer is declined. Who had it waits on for another space.")
    return redirect(url_for("leases.waiting", mall_code=mall.code), 303)
