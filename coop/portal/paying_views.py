"""The portal: how a dealer is paid, as she sees it and changes it herself, with her passphrase."""

from __future__ import annotations

from flask import abort, flash, redirect, render_template, request, url_for

from coop.core.errors import Refusal
from coop.core.sealed_text import FieldKeys
from coop.core.templating import day as written
from coop.core.web import Page, allow, db, now, roll_back, site, visitor
from coop.dealers import domain, paying
from coop.dealers import service as people
from coop.dealers.models import Dealer
from coop.dealers.paying_forms import OwnPayingForm
from coop.payouts.came_back import came_back
from coop.payouts.holding import free_days, free_from
from coop.portal import queries
from coop.portal.views import portal


@portal.get("/paid")
@allow("dealer")
def paid() -> Page:
    rows = queries.own_paying(db(), visitor())
    back = came_back(db(), [one.id for one, _, _ in rows])
    free = free_days(db(), now(), [detail for _, detail, _ in rows if detail is not None])
    return render_template("portal/paid.html", rows=rows, back=back, free=free, how_paid=paying.how_paid, masked=paying.masked)


@portal.get("/paid/<code>")
@allow("dealer")
def how_paid(code: str) -> Page:
    found = _own(code)
    return _page(found, OwnPayingForm.of(paying.detail_of(db(), found.id)))


def _page(found: Dealer, form: OwnPayingForm) -> str:
    return render_template("portal/paying.html", dealer=found, form=form)


def _own(code: str) -> Dealer:
    found = next((dealer for dealer in queries.own_dealers(db(), visitor()) if dealer.code == code), None)
    if found is None:
        abort(404)
    return found


@portal.post("/paid/<code>")
@allow("dealer")
def change_paid(code: str) -> Page:
    found, form, who = _own(code), OwnPayingForm(), visitor()
    if not form.validate():
        return _page(found, form), 422
    judged = people.judge(db(), now(), email=who.email, passphrase=form.passphrase.data, address=request.remote_addr or "")
    if isinstance(judged, people.TurnedAway):
        if judged.wait:
            wait = domain.in_minutes(judged.wait)
            form.passphrase.errors = [f"There were too many tries. Wait {wait}, then try again."]
            return _page(found, form), 429
        form.passphrase.errors = ["This is not the passphrase you sign in with."]
        return _page(found, form), 422
    try:
        detail = paying.set_detail(
            db(),
            now(),
            FieldKeys.of(site().settings),
            found,
            form.paying,
            mail_domain=site().settings.mail_domain,
            user_id=who.user_id,
        )
    except Refusal as refusal:
        roll_back()
        form.tell(str(refusal))
        return _page(_own(code), form), 422
    free = free_from(db(), now(), detail)
    first = f"The first money goes there from {written(free)} on. " if free else ""
    flash(f"From now on you are paid {paying.METHODS[form.method.data]}. {first}A letter says so too.")
    return redirect(url_for("portal.paid"), 303)
