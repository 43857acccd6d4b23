"""Places and certificates in the office: found, chosen, confirmed; put on file, ended, forgotten."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import date

from flask import abort, flash, redirect, render_template, request, url_for

from coop.core.errors import Refusal
from coop.core.fields import told
from coop.core.templating import day as written
from coop.core.web import Page, allow, db, now, roll_back, show_list, visitor
from coop.floor.models import Mall
from coop.office import tax_queries as queries
from coop.office.mall_page import row_of, wanted_mall
from coop.office.tax_lists import KINDS, certificate_list
from coop.office.tax_places_forms import CertificateForm, FindForm, PlaceForm, RenewForm
from coop.office.tax_views import tax
from coop.office.views import READERS
from coop.tax.certificates import forget_buyer, renew_certificate
from coop.tax.domain.states import state_named
from coop.tax.models import Jurisdiction, TaxCertificate, TaxPlace
from coop.tax.places import ShownStack, confirm_place, jurisdictions_called, show_stack, split_zip, withdraw_place
from coop.tax.queries import has_boundaries, jurisdictions_of, locate_zip, place_on
from coop.tax.service import file_certificate

MOST_CHOSEN = 40
"""Jurisdictions of one place. No place has nearly as many; an address must not ask for more."""


def _today() -> date:
    return queries.today(db(), now())


# --- places -------------------------------------------------------------------------------------------------------------


@tax.get("/places")
@allow(*READERS)
def places() -> Page:
    return render_template(
        "office/tax/places.html", malls=queries.mall_places(db()), confirmed=queries.confirmed_places(db()), day=_today()
    )


@tax.get("/places/<mall_code>")
@allow("manager")
def place(mall_code: str) -> Page:
    """Find a mall's place or choose it; everything asked stands in the address, so that any step can be gone back to."""
    mall = wanted_mall(mall_code)
    asked = "zip" in request.args
    find = FindForm(request.args)
    if "on" not in request.args:
        find.on.data = _today()
    stacks: list[tuple[list[Jurisdiction], ShownStack]] = []
    answer = ""
    if asked and find.validate():
        stacks, answer = _located(find)
    return _place_page(mall, find, PlaceForm(formdata=None), stacks=stacks, answer=answer)


def _located(find: FindForm) -> tuple[list[tuple[list[Jurisdiction], ShownStack]], str]:
    """The stacks of a ZIP code and what is to be said of them; what stands in the way is told at the field."""
    try:
        zip5, plus4 = split_zip(find.zip.data)
        located = locate_zip(db(), zip5, plus4, on=find.on.data)
        found = [jurisdictions_of(db(), stack) for stack in located.stacks]
        stacks = [(jurisdictions, show_stack(db(), jurisdictions, find.on.data)) for jurisdictions in found]
    except Refusal as refusal:
        told(find.zip, str(refusal))
        return [], ""
    if located.found:
        return stacks, located.sentence
    nowhere = not located.stacks and not has_boundaries(db())
    told(find.zip, "No file of boundaries has been read yet: no ZIP code leads anywhere." if nowhere else located.sentence)
    return stacks, ""


def _place_page(
    mall: Mall,
    find: FindForm,
    form: PlaceForm,
    *,
    stacks: Sequence[tuple[list[Jurisdiction], ShownStack]] = (),
    answer: str = "",
    codes: Sequence[str] | None = None,
) -> str:
    """`codes` are those sent to be confirmed; else the address names those chosen, or the one stack found is shown."""
    on = find.on.data or _today()
    named = request.args.getlist("code")[:MOST_CHOSEN] if codes is None else codes
    chosen = _known(named) if named else (stacks[0][0] if answer else [])
    nothing = codes == [] or (not named and request.args.get("none") == "yes")
    wanted = request.args.get("wanted", "").strip()[:60]
    have = {one.id for one in chosen}
    matches = [row for row in queries.jurisdiction_rows(db(), on, wanted=wanted) if wanted and row.jurisdiction.id not in have]
    if form.starts_on.data is None and not form.starts_on.errors:
        form.starts_on.data = on
    return render_template(
        "office/tax/place.html",
        mall=mall,
        find=find,
        form=form,
        on=on,
        answer=answer,
        stacks=[] if answer else stacks,
        chosen=chosen,
        codes=[one.code for one in chosen],
        shown=show_stack(db(), chosen, on) if chosen or nothing else None,
        wanted=wanted,
        matches=matches[:20],
        more=len(matches) > 20,
        current=place_on(db(), mall.id, on),
        mapped=has_boundaries(db()),
    )


def _known(codes: Sequence[str]) -> list[Jurisdiction]:
    """Jurisdictions of an address; one that names another than there is is no address."""
    try:
        return jurisdictions_called(db(), codes)
    except Refusal:
        abort(404)


@tax.post("/places/<mall_code>")
@allow("manager")
def set_place(mall_code: str) -> Page:
    mall = wanted_mall(mall_code)
    form = PlaceForm()
    codes = request.form.getlist("code")[:MOST_CHOSEN]
    find = FindForm(formdata=None, on=form.starts_on.data or _today())
    if not form.validate_on_submit():
        return _place_page(mall, find, form, codes=codes), 422
    try:
        confirm_place(
            db(),
            now(),
            mall,
            jurisdictions_called(db(), codes),
            starts_on=form.starts_on.data,
            basis=form.basis.data,
            aggregated=form.aggregated.data == "yes",
            by=visitor().user_id,
        )
    except Refusal as refusal:
        roll_back()
        told(form.starts_on, str(refusal))
        return _place_page(wanted_mall(mall_code), find, form, codes=codes), 422
    flash(f"The place of {mall.name} is confirmed from {written(form.starts_on.data)}. What was before is kept.")
    return redirect(url_for("tax.places"), 303)


@tax.post("/places/<mall_code>/<int:place_id>/withdraw")
@allow("manager")
def take_place_back(mall_code: str, place_id: int) -> Page:
    mall = wanted_mall(mall_code)
    found = row_of(mall, TaxPlace, place_id)
    withdraw_place(db(), now(), mall, found, by=visitor().user_id)
    flash("The place is taken back: the one before it goes on.")
    return redirect(url_for("tax.places"), 303)


# --- certificates -------------------------------------------------------------------------------------------------------


tax.add_app_template_filter(state_named)


@tax.get("/certificates")
@allow(*READERS)
def certificates() -> Page:
    listed, form = certificate_list(db(), _today(), request.args), CertificateForm(formdata=None)
    return show_list(listed, "office/tax/certificates.html", "tax-certificates", day=_today(), form=form, kinds=KINDS)


def _certificates(form: CertificateForm) -> str:
    listed = certificate_list(db(), _today(), request.args)
    return render_template("office/tax/certificates.html", listed=listed, day=_today(), form=form, kinds=KINDS)


@tax.post("/certificates")
@allow("manager")
def add_certificate() -> Page:
    form = CertificateForm(known=queries.states_here(db()))
    if form.validate_on_submit():
        try:
            made = file_certificate(
                db(),
                now(),
                number=form.number.data,
                kind=form.kind.data,
                buyer_name=form.buyer_name.data,
                states=form.codes,
                starts_on=form.starts_on.data,
                expires_on=form.expires_on.data,
                by=visitor().user_id,
            )
        except Refusal as refusal:
            roll_back()
            told(form.number, str(refusal))
        else:
            flash(f"Certificate {made.number} is on file.")
            return redirect(url_for("tax.certificates"), 303)
    return _certificates(form), 422


def _certificate(certificate_id: int) -> TaxCertificate:
    found = db().get(TaxCertificate, certificate_id)
    if found is None:
        abort(404)
    return found


@tax.get("/certificates/<int:certificate_id>")
@allow(*READERS)
def certificate(certificate_id: int) -> Page:
    found = _certificate(certificate_id)
    return _certificate_page(found, RenewForm(formdata=None, expires_on=found.expires_on))


def _certificate_page(found: TaxCertificate, form: RenewForm) -> str:
    return render_template("office/tax/certificate.html", found=found, form=form, day=_today())


@tax.post("/certificates/<int:certificate_id>/until")
@allow("manager")
def date_certificate(certificate_id: int) -> Page:
    found = _certificate(certificate_id)
    form = RenewForm()
    if not form.validate_on_submit():
        return _certificate_page(found, form), 422
    try:
        renew_certificate(db(), now(), found, expires_on=form.expires_on.data, by=visitor().user_id)
    except Refusal as refusal:
        told(form.expires_on, str(refusal))
        return _certificate_page(found, form), 422
    until = f"is good until {written(found.expires_on)}" if found.expires_on else "has no end"
    flash(f"Certificate {found.number} {until}. Past sales stay as they were.")
    return redirect(url_for("tax.certificates"), 303)


@tax.post("/certificates/<int:certificate_id>/forget")
@allow("manager")
def forget_certificate(certificate_id: int) -> Page:
    found = _certificate(certificate_id)
    forget_buyer(db(), now(), found, by=visitor().user_id)
    flash(f"The buyer's name is removed from certificate {found.number}. Its number stays, for the sales it was shown at.")
    return redirect(url_for("tax.certificate", certificate_id=found.id), 303)
