"""Tax in the office: due dates, worksheets, filed returns; jurisdictions, places, certificates and files."""

from __future__ import annotations

from flask import Blueprint, abort, flash, redirect, render_template, request, url_for

from coop.core.errors import Refusal
from coop.core.fields import told
from coop.core.money import format_cents
from coop.core.periods import Month
from coop.core.web import Page, allow, db, download, now, roll_back, send_document, show_list, site, visitor
from coop.office import tax_queries as queries
from coop.office import tax_terms_queries as terms_queries
from coop.office.tax_forms import AmendingForm, FilingForm
from coop.office.tax_lists import RETURNS
from coop.office.views import READERS
from coop.tax import filing
from coop.tax.documents import CAUTION, calendar_text, file_stem, rate_label, return_csv, sum_rows
from coop.tax.domain.frozen import Worksheet
from coop.tax.domain.returns import FilingPeriod
from coop.tax.due import due_days, due_rows
from coop.tax.offices import Settings, office_called, period_at, return_number, slug
from coop.tax.rendering import document_of, draft_pending, drafts_of
from coop.tax.wording import KINDS

tax = Blueprint("tax", __name__, url_prefix="/office/tax")


@tax.context_processor
def _caution() -> dict[str, str]:
    """Every page of tax shows it."""
    return {"caution": CAUTION}


# --- due dates ----------------------------------------------------------------------------------------------------------


@tax.get("/")
@allow(*READERS)
def due() -> Page:
    day = queries.today(db(), now())
    offices = [(office, slug(office), filing.office_balance(db(), office)) for office in Settings(db()).offices()]
    rows = due_rows(db(), day)
    listed = RETURNS.pick(rows, request.args)
    return show_list(listed, "office/tax/due.html", "tax-returns", there_are=bool(rows), offices=offices)


@tax.get("/due-dates.ics")
@allow(*READERS)
def calendar() -> Page:
    """The due dates for a calendar program."""
    rows = due_rows(db(), queries.today(db(), now()))
    text = calendar_text("Sales-tax returns", due_days(rows), made_at=now(), mail_domain=site().settings.mail_domain)
    return download(text, "text/calendar", "tax-due-dates.ics")


# --- a return not filed yet -----------------------------------------------------------------------------------------------


def wanted_period(office_slug: str, first: Month) -> tuple[str, FilingPeriod]:
    """The office and its period that an address names."""
    settings = Settings(db())
    office = office_called(settings, office_slug)
    period = period_at(settings, office, first.first_day) if office else None
    if office is None or period is None or period.first != first:
        abort(404)
    return office, period


@tax.get("/offices/<office_slug>/<month:first>")
@allow(*READERS)
def worksheet(office_slug: str, first: Month) -> Page:
    office, period = wanted_period(office_slug, first)
    found = queries.return_by_number(db(), return_number(office, period))
    if found is not None:
        return redirect(url_for("tax.filed", number=found.number), 303)
    sheet = draft_of(office, period)
    form = FilingForm(formdata=None, filed_on=sheet.value.filed_on, paid=format_cents(max(0, sheet.value.net_due_cents)))
    return _worksheet_page(sheet, form)


def draft_of(office: str, period: FilingPeriod) -> Worksheet:
    """The period's worksheet as it would be filed today."""
    apart = queries.tickets_apart(db(), period)
    return filing.draft_return(db(), office, period, filed_on=queries.today(db(), now()), tickets_apart=apart)


def _worksheet_page(sheet: Worksheet, form: FilingForm) -> str:
    value = sheet.value
    return render_template(
        "office/tax/worksheet.html",
        sheet=sheet,
        value=value,
        sum_rows=sum_rows(sheet),
        rate_label=rate_label,
        office_slug=slug(value.office),
        over=value.period.last_day < queries.today(db(), now()),
        drafts=drafts_of(db(), value.number),
        drawing=draft_pending(db(), value.number),
        form=form,
    )


@tax.get("/offices/<office_slug>/<month:first>.csv")
@allow(*READERS)
def worksheet_csv(office_slug: str, first: Month) -> Page:
    office, period = wanted_period(office_slug, first)
    sheet = draft_of(office, period)
    return download(return_csv(sheet), "text/csv", f"{file_stem(sheet.value.number)}-draft.csv")


@tax.post("/offices/<office_slug>/<month:first>/file")
@allow("manager")
def file_return(office_slug: str, first: Month) -> Page:
    office, period = wanted_period(office_slug, first)
    form = FilingForm()
    if form.validate_on_submit():
        _not_to_come(form)
    if form.errors:
        return _worksheet_page(draft_of(office, period), form), 422
    try:
        made = filing.file_return(
            db(),
            now(),
            office,
            period,
            filed_on=form.filed_on.data,
            user_id=visitor().user_id,
            paid_cents=form.paid_cents,
            reason=form.reason.data or "",
            tickets_apart=queries.tickets_apart(db(), period),
        )
    except Refusal as refusal:
        if queries.return_by_number(db(), return_number(office, period)) is not None:
            raise
        roll_back()
        _told_at_its_field(form, refusal)
        return _worksheet_page(draft_of(office, period), form), 422
    flash("It is filed and posted. What changes from now on makes an amended return.")
    return redirect(url_for("tax.filed", number=made.number), 303)


def _told_at_its_field(form: FilingForm, refusal: Refusal) -> None:
    at = {filing.DayRefused: form.filed_on, filing.PaidRefused: form.paid}.get(type(refusal), form.reason)
    told(at, str(refusal))


def _not_to_come(form: FilingForm) -> None:
    if form.filed_on.data > queries.today(db(), now()):
        form.filed_on.errors = [*form.filed_on.errors, "This day is still to come: write the day it is filed."]


# --- a filed return -------------------------------------------------------------------------------------------------------


@tax.get("/returns/<number>")
@allow(*READERS)
def filed(number: str) -> Page:
    return _filed_page(number, AmendingForm(formdata=None))


def _filed_page(number: str, form: AmendingForm) -> str:
    found = queries.return_by_number(db(), number)
    if found is None:
        abort(404)
    sheet = filing.read_return(found)
    later = queries.replaced_by(db(), found)
    pending = None
    if later is None:
        apart = queries.tickets_apart(db(), sheet.value.period)
        pending = filing.draft_amendment(db(), number, filed_on=queries.today(db(), now()), tickets_apart=apart)
    if pending is not None and form.filed_on.data is None and not form.errors:
        form.filed_on.data = pending.value.filed_on
        form.paid.data = format_cents(max(0, pending.value.net_due_cents))
    return render_template(
        "office/tax/filed.html",
        found=found,
        sheet=sheet,
        value=sheet.value,
        sum_rows=sum_rows(sheet),
        rate_label=rate_label,
        later=later,
        pending=pending,
        pending_rows=sum_rows(pending) if pending else [],
        has_document=document_of(db(), number) is not None,
        office_slug=slug(sheet.value.office),
        form=form,
    )


@tax.get("/returns/<number>.csv")
@allow(*READERS)
def filed_csv(number: str) -> Page:
    found = queries.return_by_number(db(), number)
    if found is None:
        abort(404)
    return download(return_csv(filing.read_return(found)), "text/csv", f"{file_stem(number)}.csv")


@tax.get("/returns/<number>.pdf")
@allow(*READERS)
def filed_pdf(number: str) -> Page:
    return send_document(document_of(db(), number))


@tax.post("/returns/<number>/amend")
@allow("manager")
def amend_return(number: str) -> Page:
    found = queries.return_by_number(db(), number)
    if found is None:
        abort(404)
    form = AmendingForm()
    if form.validate_on_submit():
        _not_to_come(form)
    if form.errors:
        return _filed_page(number, form), 422
    try:
        made = filing.amend_return(
            db(),
            now(),
            number,
            filed_on=form.filed_on.data,
            reason=form.reason.data,
            user_id=visitor().user_id,
            paid_cents=form.paid_cents,
            tickets_apart=queries.tickets_apart(db(), filing.read_return(found).value.period),
        )
    except (filing.DayRefused, filing.PaidRefused) as refusal:
        roll_back()
        _told_at_its_field(form, refusal)
        return _filed_page(number, form), 422
    flash("The amended return is filed, and what it changes is posted.")
    return redirect(url_for("tax.filed", number=made.number), 303)


# --- what taxes -----------------------------------------------------------------------------------------------------------


@tax.get("/jurisdictions")
@allow(*READERS)
def jurisdictions() -> Page:
    wanted = request.args.get("wanted", "").strip()[:60]
    after = request.args.get("after", "")[:40]
    rows = queries.jurisdiction_rows(db(), queries.today(db(), now()), wanted=wanted, after=after)
    return render_template(
        "office/tax/jurisdictions.html",
        rows=rows[: queries.PAGE],
        more=rows[queries.PAGE - 1].jurisdiction.code if len(rows) > queries.PAGE else None,
        wanted=wanted,
        paged=bool(after),
    )


@tax.get("/jurisdictions/<code>")
@allow(*READERS)
def jurisdiction(code: str) -> Page:
    found = queries.jurisdiction_by_code(db(), code)
    if found is None:
        abort(404)
    return render_template(
        "office/tax/jurisdiction.html",
        found=found,
        rates=queries.all_rates(db(), found),
        tiers=terms_queries.tiers_here(db(), found),
        rules=terms_queries.rule_rows(db(), found, queries.today(db(), now())),
        kinds=KINDS,
        settings=queries.settings_of(db(), found),
        malls=terms_queries.mall_names(db()),
        day=queries.today(db(), now()),
    )
