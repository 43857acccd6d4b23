"""The portal: what the co-op knows of a dealer, what of it she changes herself, and the way to how she is paid and signs in."""

from __future__ import annotations

from flask import abort, flash, redirect, render_template, url_for
from flask_wtf import FlaskForm
from wtforms import StringField, TextAreaField
from wtforms.validators import Length

from coop.core.errors import Refusal
from coop.core.fields import stripped
from coop.core.web import Page, allow, db, now, roll_back, site, visitor
from coop.dealers import paying
from coop.dealers.details import Details, address_lines, change_details
from coop.dealers.models import Member
from coop.portal import queries
from coop.portal.views import portal


def _short(most: int) -> Length:
    return Length(max=most, message=f"Write it in {most} characters.")


class OwnDetailsForm(FlaskForm):  # type: ignore[misc]
    """How she is reached. Her name stands on leases and tax forms: the office changes it."""

    phone = StringField("Telephone", filters=[stripped], validators=[_short(40)])
    email = StringField("Mail address", filters=[stripped], validators=[_short(254)])
    address = TextAreaField("Postal address", filters=[stripped], validators=[_short(400)], render_kw={"rows": 4})

    @classmethod
    def of(cls, member: Member) -> OwnDetailsForm:
        return cls(formdata=None, phone=member.phone, email=member.email, address=member.address)


@portal.get("/details")
@allow("dealer")
def details() -> Page:
    return _page()


def _page(form: OwnDetailsForm | None = None) -> str:
    rows = queries.own_paying(db(), visitor())
    member = rows[0][0].member if rows else None
    if form is None and member is not None:
        form = OwnDetailsForm.of(member)
    return render_template(
        "portal/details.html",
        form=form,
        member=member,
        rows=rows,
        how_paid=paying.how_paid,
        masked=paying.masked,
    )


@portal.post("/details")
@allow("dealer")
def change_own_details() -> Page:
    """Telephone, mail address and postal address, of the member behind all her codes."""
    form = OwnDetailsForm()
    dealers = queries.own_dealers(db(), visitor())
    if not dealers:
        abort(404)
    if not form.validate():
        return _page(form), 422
    wanted = Details(
        name=dealers[0].member.name,
        email=form.email.data,
        phone=form.phone.data,
        address=address_lines(form.address.data),
        trade_name=dealers[0].trade_name,
    )
    try:
        change_details(db(), now(), dealers[0], wanted, mail_domain=site().settings.mail_domain, user_id=visitor().user_id)
    except Refusal as refusal:
        roll_back()
        (form.phone if "telephone" in str(refusal) else form.email).errors = [str(refusal)]
        return _page(form), 422
    flash("It is kept. Statements and letters that were made keep what they said.")
    return redirect(url_for("portal.details"), 303)
