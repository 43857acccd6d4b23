"""A dealer's money in the office, beside her payments: checks that came back, chargebacks, charges and credits."""

from __future__ import annotations

from datetime import date

from flask import flash, redirect, render_template, url_for
from wtforms import Field

from coop.books.payments import charge_back, checks_of
from coop.core.errors import Refusal
from coop.core.fields import told
from coop.core.money import format_dollars
from coop.core.web import Page, allow, db, now, roll_back, visitor
from coop.dealers.models import Dealer
from coop.floor.models import Mall
from coop.leases.bounced import bounce_check
from coop.leases.queries import latest_leases
from coop.leases.turn_charges import LONGEST_KEY, charge_overflow, charge_turn
from coop.office import queries as office_queries
from coop.office.dealer_money_forms import BouncedForm, ChargebackForm, ExtraForm
from coop.office.dealer_views import dealers, malls_of, wanted_dealer
from coop.office.mall_page import today_of
from coop.office.tax_queries import today as office_today

KEEPERS = ("manager", "bookkeeper")


def _mall(code: str) -> Mall:
    mall = office_queries.mall_by_code(db(), code)
    assert mall is not None  # One of the choices.
    return mall


def _has_come(day: Field, today: date) -> bool:
    if day.data is not None and day.data > today:
        told(day, "This day is still to come: write the day it was.")
    return not day.errors


# --- a check that came back ---------------------------------------------------------------------------------------------


@dealers.get("/<code>/bounced")
@allow(*KEEPERS)
def bounced(code: str) -> Page:
    return _bounced_page(wanted_dealer(code), BouncedForm(formdata=None, on=office_today(db(), now())))


def _bounced_page(found: Dealer, form: BouncedForm) -> str:
    checks = checks_of(db(), found.id)
    form.among(checks)
    return render_template("office/dealers/bounced.html", dealer=found, form=form, checks=checks)


@dealers.post("/<code>/bounced")
@allow(*KEEPERS)
def take_check_back(code: str) -> Page:
    found, form = wanted_dealer(code), BouncedForm()
    checks = {str(one.entry_id): one for one in checks_of(db(), found.id)}
    form.among(list(checks.values()))
    if not (form.check() and _has_come(form.on, office_today(db(), now()))):
        return _bounced_page(found, form), 422
    paid = checks[form.payment.data]
    try:
        bounce_check(
            db(),
            now(),
            db().get_one(Mall, paid.mall_id),
            found,
            paid.entry_id,
            on=form.on.data,
            reference=form.reference.data,
            bank_fee_cents=form.bank_fee.data or 0,
            passed_on=form.passed_on.data,
            user_id=visitor().user_id,
        )
    except Refusal as refusal:
        roll_back()
        form.tell(str(refusal))
        return _bounced_page(wanted_dealer(code), form), 422
    flash(f"The check of {format_dollars(paid.amount_cents)} is taken back: {code} owes again what it had paid.")
    return redirect(url_for("dealers.dealer", code=code), 303)


# --- what the bank took back --------------------------------------------------------------------------------------------


@dealers.get("/<code>/chargeback")
@allow(*KEEPERS)
def chargeback(code: str) -> Page:
    return _chargeback_page(wanted_dealer(code), ChargebackForm(formdata=None, on=office_today(db(), now())))


def _chargeback_page(found: Dealer, form: ChargebackForm) -> str:
    form.mall.among(malls_of(found))
    return render_template("office/dealers/chargeback.html", dealer=found, form=form)


@dealers.post("/<code>/chargeback")
@allow(*KEEPERS)
def post_chargeback(code: str) -> Page:
    found, form = wanted_dealer(code), ChargebackForm()
    form.mall.among(malls_of(found))
    if not (form.validate() and _has_come(form.on, office_today(db(), now()))):
        return _chargeback_page(found, form), 422
    try:
        charge_back(
            db(),
            now(),
            _mall(form.mall.data),
            dealer=found,
            amount_cents=form.amount.data,
            on=form.on.data,
            reference=form.reference.data,
            reason=form.reason,
            borne_by=form.borne_by.data,
            user_id=visitor().user_id,
        )
    except Refusal as refusal:
        roll_back()
        form.tell(str(refusal))
        return _chargeback_page(wanted_dealer(code), form), 422
    bearer = code if form.borne_by.data == "dealer" else "the co-op"
    flash(f"The chargeback of {format_dollars(form.amount.data)} is posted, borne by {bearer}.")
    return redirect(url_for("dealers.dealer", code=code), 303)


# --- charges and credits ------------------------------------------------------------------------------------------------


@dealers.get("/<code>/charge")
@allow(*KEEPERS)
def extra(code: str) -> Page:
    return _extra_page(wanted_dealer(code), ExtraForm(formdata=None, on=office_today(db(), now()), count=1))


def _extra_page(found: Dealer, form: ExtraForm) -> str:
    form.mall.among(malls_of(found))
    return render_template("office/dealers/charge.html", dealer=found, form=form)


@dealers.post("/<code>/charge")
@allow(*KEEPERS)
def post_extra(code: str) -> Page:
    found, form = wanted_dealer(code), ExtraForm()
    form.mall.among(malls_of(found))
    if not form.validate():
        return _extra_page(found, form), 422
    mall = _mall(form.mall.data)
    lease = latest_leases(db(), mall.id, form.on.data).get(found.id)
    if form.on.data > today_of(mall):
        told(form.on, "This day is still to come: write the day it was.")
    elif lease is None:
        told(form.on, f"{code} had no lease at {mall.name} on this day: choose a day under the lease.")
    if form.errors or lease is None:
        return _extra_page(found, form), 422
    post = charge_overflow if form.what.data == "overflow" else charge_turn
    try:
        post(
            db(),
            now(),
            lease,
            form.amount_cents,
            key=form.key.made()[:LONGEST_KEY],
            label=form.label,
            working=form.working,
            on=form.on.data,
            user_id=visitor().user_id,
        )
    except Refusal as refusal:
        roll_back()
        form.tell(str(refusal))
        return _extra_page(wanted_dealer(code), form), 422
    deed = "given to" if form.amount_cents < 0 else "charged to"
    flash(f"{format_dollars(abs(form.amount_cents))} is {deed} {code}: {form.label}.")
    return redirect(url_for("dealers.dealer", code=code), 303)
