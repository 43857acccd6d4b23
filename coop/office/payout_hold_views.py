"""What holds a dealer's payout, decided in the office; the bank's terms for the file of transfers."""

from __future__ import annotations

from flask import flash, redirect, render_template, request, url_for
from sqlalchemy import select

from coop.core.errors import Refusal
from coop.core.periods import Month
from coop.core.sealed_text import FieldKeys
from coop.core.web import Page, allow, db, now, roll_back, site, visitor
from coop.floor.models import Mall
from coop.office.dealer_views import wanted_dealer
from coop.office.payout_forms import DecideForm, HoldForm, OriginForm
from coop.office.payout_views import KEEPERS, by_code, dealer_names, payouts, prepare_form, this_month
from coop.office.views import READERS
from coop.payouts import bank_file, holding, queries, runs

# --- holds --------------------------------------------------------------------------------------------------------------


@payouts.get("/holds")
@allow(*READERS)
def holds() -> Page:
    month = request.args.get("month", type=_month_or_none) or queries.waiting_month(db()) or this_month(db())
    return render_template("office/payouts/holds.html", **_holds(month), form=prepare_form(month))


def _month_or_none(text: str) -> Month:
    return Month.parse(text)


def _holds(month: Month) -> dict[str, object]:
    names = dealer_names()
    rows = by_code(runs.listed(db(), now(), month), names)
    return {
        "month": month,
        "names": names,
        "held": [row for row in rows if row.reasons],
        "free": [row for row in rows if not row.reasons and row.payable.amount_cents > 0],
        "owing": [row for row in rows if not row.reasons and row.payable.amount_cents <= 0],
        "open_malls": queries.open_malls(db(), month),
    }


@payouts.get("/holds/<month:month>/<code>")
@allow(*READERS)
def hold(month: Month, code: str) -> Page:
    return _hold_page(month, code)


def _hold_page(
    month: Month, code: str, *, deciding: DecideForm | None = None, placing: HoldForm | None = None, wrong: str = ""
) -> str:
    session, dealer = db(), wanted_dealer(code)
    owed = queries.payables(session, month, dealer_id=dealer.id)
    return render_template(
        "office/payouts/hold.html",
        month=month,
        dealer=dealer,
        payable=owed.get(dealer.id),
        malls={mall.id: mall for mall in session.scalars(select(Mall))},
        reasons=holding.hold_reasons(session, now(), month, dealer_id=dealer.id, owed=owed).get(dealer.id, ()),
        standing=holding.open_hold(session, dealer.id),
        deciding=deciding or DecideForm(formdata=None),
        placing=placing or HoldForm(formdata=None),
        wrong=wrong,
    )


@payouts.post("/holds/<month:month>/<code>/decide")
@allow(*KEEPERS)
def decide(month: Month, code: str) -> Page:
    form = DecideForm()
    if not form.validate():
        return _hold_page(month, code, deciding=form), 422
    pays = form.pays.data == "yes"
    try:
        holding.decide_hold(
            db(),
            now(),
            month,
            wanted_dealer(code),
            kind=form.kind.data or "",
            pays=pays,
            reason=form.reason.data,
            user_id=visitor().user_id,
        )
    except Refusal as refusal:
        roll_back()
        return _hold_page(month, code, deciding=form, wrong=str(refusal)), 422
    flash(f"Decided: {code} is {'paid all the same' if pays else 'not paid'} for {month.name}.")
    return redirect(url_for("payouts.hold", month=month, code=code), 303)


@payouts.post("/holds/<month:month>/<code>/place")
@allow(*KEEPERS)
def place(month: Month, code: str) -> Page:
    form = HoldForm()
    if not form.validate():
        return _hold_page(month, code, placing=form), 422
    try:
        holding.place_hold(db(), now(), wanted_dealer(code), form.reason.data, user_id=visitor().user_id)
    except Refusal as refusal:
        roll_back()
        return _hold_page(month, code, placing=form, wrong=str(refusal)), 422
    flash(f"The payouts of {code} are held until somebody lifts it.")
    return redirect(url_for("payouts.hold", month=month, code=code), 303)


@payouts.post("/holds/<month:month>/<code>/lift")
@allow(*KEEPERS)
def lift(month: Month, code: str) -> Page:
    try:
        holding.lift_hold(db(), now(), wanted_dealer(code), user_id=visitor().user_id)
    except Refusal as refusal:
        roll_back()
        return _hold_page(month, code, wrong=str(refusal)), 422
    flash(f"The payouts of {code} are no longer held by hand.")
    return redirect(url_for("payouts.hold", month=month, code=code), 303)


# --- the bank's terms -----------------------------------------------------------------------------------------------------


@payouts.get("/bank")
@allow(*READERS)
def bank() -> Page:
    return _bank_page(OriginForm.of(queries.origin_of(db())))


def _bank_page(form: OriginForm, wrong: str = "") -> str:
    return render_template("office/payouts/origin.html", form=form, origin=queries.origin_of(db()), wrong=wrong)


@payouts.post("/bank")
@allow(*KEEPERS)
def set_bank() -> Page:
    form, before = OriginForm(), queries.origin_of(db())
    if not form.check(account_kept=bool(before and before.account_sealed)):
        return _bank_page(form), 422
    try:
        bank_file.set_origin(
            db(),
            now(),
            FieldKeys.of(site().settings),
            bank_routing=form.bank_routing.data,
            bank_name=form.bank_name.data,
            company_id=form.company_id.data,
            company_name=form.company_name.data,
            balanced=form.balanced.data,
            account=form.account.data,
            user_id=visitor().user_id,
        )
    except Refusal as refusal:
        roll_back()
        return _bank_page(form, str(refusal)), 422
    flash("The bank’s terms are kept. Files made from now on follow them.")
    return redirect(url_for("payouts.bank"), 303)
