"""What is owed to an office of tax and what was paid to it; a worksheet on paper before it is filed."""

from __future__ import annotations

from flask import abort, flash, redirect, render_template, url_for

from coop.core.errors import Refusal
from coop.core.fields import told
from coop.core.periods import Month
from coop.core.web import Page, allow, db, now, roll_back, send_document, visitor
from coop.office import tax_queries as queries
from coop.office.tax_places_forms import PaymentForm
from coop.office.tax_views import draft_of, tax, wanted_period
from coop.office.views import READERS
from coop.tax import filing
from coop.tax.filing_queries import office_moves
from coop.tax.offices import Settings, office_called, return_number
from coop.tax.rendering import draft_document, start_draft


def _office(office_slug: str) -> str:
    office = office_called(Settings(db()), office_slug)
    if office is None:
        abort(404)
    return office


@tax.get("/offices/<office_slug>/payments")
@allow(*READERS)
def payments(office_slug: str) -> Page:
    owed = -filing.office_balance(db(), _office(office_slug))
    form = PaymentForm(formdata=None, on=queries.today(db(), now()), amount=owed if owed > 0 else None)
    return _payments_page(office_slug, form)


def _payments_page(office_slug: str, form: PaymentForm) -> str:
    office = _office(office_slug)
    return render_template(
        "office/tax/payments.html",
        office=office,
        office_slug=office_slug,
        balance=filing.office_balance(db(), office),
        moves=office_moves(db(), office),
        form=form,
    )


@tax.post("/offices/<office_slug>/payments")
@allow("manager")
def note_payment(office_slug: str) -> Page:
    office = _office(office_slug)
    form = PaymentForm()
    if form.validate_on_submit() and form.on.data > queries.today(db(), now()):
        told(form.on, "This day is still to come: write the day it was paid.")
    if form.errors:
        return _payments_page(office_slug, form), 422
    try:
        filing.pay_office(
            db(),
            now(),
            office,
            amount_cents=form.amount.data,
            on=form.on.data,
            reference=form.reference.data,
            user_id=visitor().user_id,
        )
    except Refusal as refusal:
        roll_back()
        told(form.reference, str(refusal))
        return _payments_page(office_slug, form), 422
    flash("The payment is in the books.")
    return redirect(url_for("tax.payments", office_slug=office_slug), 303)


@tax.post("/offices/<office_slug>/<month:first>/draft")
@allow("manager")
def print_draft(office_slug: str, first: Month) -> Page:
    """Have the worksheet, as it is now, put on paper in the background."""
    office, period = wanted_period(office_slug, first)
    if queries.return_by_number(db(), return_number(office, period)) is not None:
        raise Refusal(f"The return of {period.name} is filed: its own paper is on its page.")
    start_draft(db(), now(), draft_of(office, period))
    return redirect(url_for("tax.worksheet", office_slug=office_slug, first=first, _anchor="drafts"), 303)


@tax.get("/offices/<office_slug>/<month:first>/drafts/<int:document_id>.pdf")
@allow(*READERS)
def draft_pdf(office_slug: str, first: Month, document_id: int) -> Page:
    office, period = wanted_period(office_slug, first)
    return send_document(draft_document(db(), return_number(office, period), document_id))
