"""Layaways in the office: who pays on what, an agreement made and printed, its payments, its end."""

from __future__ import annotations

from collections.abc import Callable

from flask import Blueprint, abort, flash, redirect, render_template, request, url_for
from sqlalchemy import select

from coop.core.errors import Refusal
from coop.core.fields import told
from coop.core.money import format_dollars
from coop.core.web import Page, allow, db, now, roll_back, show_list, visitor
from coop.floor.models import Mall
from coop.office import lease_queries
from coop.office import queries as office_queries
from coop.office.layaway_forms import AgreementForm, EndForm, PaymentForm, fee_words
from coop.office.layaway_list import read_layaways
from coop.office.mall_page import first_mall, today_of, wanted_mall
from coop.office.tax_terms_queries import known_classes
from coop.office.views import READERS
from coop.sales import layaway as service
from coop.sales.domain import TenderIn
from coop.sales.layaway_books import held_of, total_on
from coop.sales.models import LayawayAgreement

layaways = Blueprint("layaways", __name__, url_prefix="/office/layaways")


@layaways.context_processor
def _shared() -> dict[str, object]:
    return {"caution": service.CAUTION, "fee_words": fee_words}


def _wanted(mall: Mall, number: int) -> LayawayAgreement:
    found = db().scalar(select(LayawayAgreement).where(LayawayAgreement.mall_id == mall.id, LayawayAgreement.number == number))
    if found is None:
        abort(404)
    return found


@layaways.get("/")
@allow(*READERS)
def first() -> Page:
    return first_mall("layaways.listed", "office/layaways/none.html")


@layaways.get("/<mall_code>")
@allow(*READERS)
def listed(mall_code: str) -> Page:
    mall = wanted_mall(mall_code)
    return show_list(
        read_layaways(db(), mall.id, request.args),
        "office/layaways/list.html",
        f"layaways-{mall.code}",
        mall=mall,
        malls=office_queries.malls(db()),
        today=today_of(mall),
        held_cents=service.open_layaways(db(), mall.id).held_cents,
    )


# --- the agreement ------------------------------------------------------------------------------------------------------


@layaways.get("/<mall_code>/new")
@allow("manager")
def new(mall_code: str) -> Page:
    return _new_page(wanted_mall(mall_code), AgreementForm(formdata=None))


def _choices(form: AgreementForm) -> None:
    dealers = sorted(lease_queries.dealer_names(db()).items(), key=lambda one: one[1])
    form.among([(str(dealer_id), " ".join(names)) for dealer_id, names in dealers], sorted(known_classes(db())))


def _new_page(mall: Mall, form: AgreementForm, wrong: str = "") -> str:
    _choices(form)
    return render_template("office/layaways/new.html", mall=mall, form=form, wrong=wrong)


@layaways.post("/<mall_code>/new")
@allow("manager")
def agree(mall_code: str) -> Page:
    mall = wanted_mall(mall_code)
    form = AgreementForm()
    _choices(form)
    if not form.check():
        return _new_page(mall, form), 422
    try:
        made = service.agree_layaway(
            db(),
            now(),
            mall,
            form.lines(),
            form.terms(),
            deposit=form.paid(),
            key=form.key.made(),
            user_id=visitor().user_id,
        )
    except Refusal as refusal:
        roll_back()
        wrong = str(refusal)
        if isinstance(refusal, service.DepositRefused):
            told(form.deposit, wrong)
            wrong = ""
        return _new_page(wanted_mall(mall_code), form, wrong), 422
    flash(f"Layaway {made.number} is agreed and its deposit taken: print the agreement for the buyer.")
    return redirect(url_for("layaways.layaway", mall_code=mall.code, number=made.number), 303)


@layaways.get("/<mall_code>/<count:number>/terms")
@allow(*READERS)
def terms(mall_code: str, number: int) -> Page:
    """The agreement, fit for printing."""
    mall = wanted_mall(mall_code)
    found = _wanted(mall, number)
    names = lease_queries.dealer_names(db())
    return render_template("office/layaways/terms.html", mall=mall, layaway=found, names=names)


# --- one layaway --------------------------------------------------------------------------------------------------------


@layaways.get("/<mall_code>/<count:number>")
@allow(*READERS)
def layaway(mall_code: str, number: int) -> Page:
    return _page(mall_code, number)


def _page(mall_code: str, number: int, *, paying: PaymentForm | None = None, wrong: str = "") -> str:
    mall = wanted_mall(mall_code)
    found = _wanted(mall, number)
    today = today_of(mall)
    held = held_of(db(), found)
    total = total_on(db(), mall, found, today) if found.state == "open" else found.net_cents + found.tax_cents
    left = total - held
    return render_template(
        "office/layaways/layaway.html",
        mall=mall,
        layaway=found,
        names=lease_queries.dealer_names(db()),
        today=today,
        held=held,
        total=total,
        left=left,
        kept=min(held, found.fee_cents),
        paying=paying or PaymentForm(formdata=None, amount=left if left > 0 else None),
        ending=EndForm(formdata=None),
        wrong=wrong,
    )


@layaways.post("/<mall_code>/<count:number>/payments")
@allow("manager")
def pay(mall_code: str, number: int) -> Page:
    mall = wanted_mall(mall_code)
    found = _wanted(mall, number)
    form = PaymentForm()
    if not form.validate():
        return _page(mall_code, number, paying=form), 422
    try:
        service.take_layaway_payment(
            db(),
            now(),
            found,
            TenderIn(form.tender.data, form.amount.data),
            key=form.key.made(),
            user_id=visitor().user_id,
        )
    except Refusal as refusal:
        roll_back()
        wrong = str(refusal)
        if isinstance(refusal, service.PaymentRefused):
            told(form.amount, wrong)
            wrong = ""
        return _page(mall_code, number, paying=form, wrong=wrong), 422
    flash(f"{format_dollars(form.amount.data)} is taken and held for the buyer.")
    return redirect(url_for("layaways.layaway", mall_code=mall.code, number=number), 303)


def _do(mall_code: str, number: int, deed: Callable[[LayawayAgreement], str]) -> Page:
    """Do one thing to an agreement, and say so; what refuses it stands on its page, as it is now."""
    found = _wanted(wanted_mall(mall_code), number)
    try:
        sentence = deed(found)
    except Refusal as refusal:
        roll_back()
        return _page(mall_code, number, wrong=str(refusal)), 422
    flash(sentence)
    return redirect(url_for("layaways.layaway", mall_code=mall_code, number=number), 303)


def _tender() -> str:
    return EndForm().tender.data or "cash"


@layaways.post("/<mall_code>/<count:number>/complete")
@allow("manager")
def complete(mall_code: str, number: int) -> Page:
    def deed(found: LayawayAgreement) -> str:
        ticket = service.complete_layaway(db(), now(), found, tender=_tender(), user_id=visitor().user_id)
        return f"Layaway {number} is completed: its ticket is {ticket.number}, {format_dollars(ticket.total_cents)}."

    return _do(mall_code, number, deed)


@layaways.post("/<mall_code>/<count:number>/cancel")
@allow("manager")
def cancel(mall_code: str, number: int) -> Page:
    def deed(found: LayawayAgreement) -> str:
        back = service.cancel_layaway(db(), now(), found, tender=_tender(), user_id=visitor().user_id)
        return f"Layaway {number} is cancelled: give {format_dollars(back)} back to the buyer."

    return _do(mall_code, number, deed)


@layaways.post("/<mall_code>/<count:number>/forget")
@allow("manager")
def forget(mall_code: str, number: int) -> Page:
    def deed(found: LayawayAgreement) -> str:
        service.forget_layaway_buyer(db(), now(), found, user_id=visitor().user_id)
        return "The buyer's name is removed."

    return _do(mall_code, number, deed)
