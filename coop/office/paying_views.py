"""How a dealer is paid, and her tax form, in the office: masked; a whole number is shown when asked for, and logged."""

from __future__ import annotations

from flask import Blueprint, flash, redirect, render_template, url_for
from sqlalchemy import select

from coop.core.errors import Refusal
from coop.core.sealed_text import FieldKeys
from coop.core.web import Page, allow, db, now, roll_back, site, visitor
from coop.dealers import paying as service
from coop.dealers.models import Dealer, UserAccount
from coop.dealers.paying_forms import OfficePayingForm, TaxFormForm
from coop.office.dealer_views import wanted_dealer
from coop.office.tax_queries import today as office_today
from coop.office.views import READERS

paying = Blueprint("paying", __name__, url_prefix="/office/dealers")
KEEPERS = ("manager", "bookkeeper")
"""Who enter and see the numbers."""


def _keys() -> FieldKeys:
    return FieldKeys.of(site().settings)


@paying.get("/<code>/paying")
@allow(*READERS)
def dealer(code: str) -> Page:
    return _page(wanted_dealer(code))


def _page(
    found: Dealer, *, form: OfficePayingForm | None = None, tax: TaxFormForm | None = None, account: str = "", number: str = ""
) -> str:
    history = service.detail_history(db(), found.id)
    newest = history[0] if history else None
    on_file = service.form_of(db(), found.id)
    users = {row.changed_by for row in history} | ({on_file.entered_by} if on_file else set())
    emails = db().execute(select(UserAccount.id, UserAccount.email).where(UserAccount.id.in_(users - {None}))).all()
    return render_template(
        "office/dealers/paying.html",
        dealer=found,
        detail=newest,
        history=history[1:],
        on_file=on_file,
        who={row.id: row.email for row in emails},
        how_paid=service.how_paid,
        masked=service.masked,
        form=form or OfficePayingForm.of(newest),
        tax=tax or TaxFormForm(formdata=None, received_on=office_today(db(), now())),
        account=account,
        number=number,
        keeps=bool(visitor().roles & set(KEEPERS)),
    )


@paying.post("/<code>/paying")
@allow(*KEEPERS)
def change(code: str) -> Page:
    found, form = wanted_dealer(code), OfficePayingForm()
    if not form.validate():
        return _page(found, form=form), 422
    try:
        service.set_detail(
            db(),
            now(),
            _keys(),
            found,
            form.paying,
            mail_domain=site().settings.mail_domain,
            reason=form.reason.data,
            user_id=visitor().user_id,
        )
    except Refusal as refusal:
        roll_back()
        form.tell(str(refusal))
        return _page(wanted_dealer(code), form=form), 422
    told = "A letter tells the dealer." if found.member.email else "There is no mail address: tell the dealer yourself."
    flash(f"From now on {code} is paid {service.METHODS[form.method.data]}. {told}")
    return redirect(url_for("paying.dealer", code=code), 303)


@paying.post("/<code>/paying/account")
@allow(*KEEPERS)
def show_account(code: str) -> Page:
    found = wanted_dealer(code)
    return _page(found, account=service.reveal_account(db(), now(), _keys(), found, user_id=visitor().user_id))


@paying.post("/<code>/tax-form")
@allow(*KEEPERS)
def keep_tax_form(code: str) -> Page:
    found, tax = wanted_dealer(code), TaxFormForm()
    if tax.validate() and tax.received_on.data > office_today(db(), now()):
        tax.received_on.errors = ["This day is still to come: write the day it came."]
    if tax.errors:
        return _page(found, tax=tax), 422
    try:
        service.record_tax_form(
            db(),
            now(),
            _keys(),
            found,
            form=tax.form.data,
            received_on=tax.received_on.data,
            number_kind=tax.number_kind.data,
            number=tax.number.data if tax.number_kind.data else "",
            user_id=visitor().user_id,
        )
    except Refusal as refusal:
        roll_back()
        tax.tell(str(refusal))
        return _page(wanted_dealer(code), tax=tax), 422
    flash(f"The {tax.form.data} form of {code} is on file.")
    return redirect(url_for("paying.dealer", code=code), 303)


@paying.post("/<code>/tax-form/number")
@allow(*KEEPERS)
def show_tax_number(code: str) -> Page:
    found = wanted_dealer(code)
    return _page(found, number=service.reveal_tax_number(db(), now(), _keys(), found, user_id=visitor().user_id))
