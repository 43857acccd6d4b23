"""The portal: unclaimed items, which a dealer says are hers; how her claims stand."""

from __future__ import annotations

from flask import abort, flash, redirect, render_template, request, url_for
from flask_wtf import FlaskForm
from wtforms import SelectField, StringField
from wtforms.fields.choices import SelectChoice
from wtforms.validators import Length

from coop.core.errors import Refusal
from coop.core.fields import Needed, stripped, whole_number
from coop.core.web import Page, allow, db, now, roll_back, visitor
from coop.portal import claim_queries as queries
from coop.portal import queries as portal_queries
from coop.portal.views import portal
from coop.sales.claims import ask_claim


class OwnClaimForm(FlaskForm):  # type: ignore[misc]
    dealer = SelectField("For", choices=(), invalid_choice_message="Choose one of those listed.")
    words = StringField(
        "How you know it",
        filters=[stripped],
        validators=[
            Needed("Write how you know it: what the tag said, where it stood, what it cost."),
            Length(max=200, message="Write it in 200 characters."),
        ],
    )


@portal.get("/unclaimed")
@allow("dealer")
def unclaimed() -> Page:
    before = whole_number(request.args.get("before"))
    rows = queries.own_unclaimed(db(), visitor(), before_id=before)
    return render_template(
        "portal/unclaimed.html",
        rows=rows[: queries.PAGE],
        older=rows[queries.PAGE - 1].line.id if len(rows) > queries.PAGE else None,
        paged=before is not None,
        claims=queries.own_claims(db(), visitor()) if before is None else [],
        dealers=portal_queries.own_dealers(db(), visitor()),
    )


@portal.get("/unclaimed/<int:line_id>")
@allow("dealer")
def unclaimed_item(line_id: int) -> Page:
    return _item_page(line_id, OwnClaimForm(formdata=None))


def _item(line_id: int) -> queries.OwnUnclaimed:
    found = queries.own_unclaimed(db(), visitor(), line_id=line_id)
    if not found:
        abort(404)
    return found[0]


def _choose(line_id: int, form: OwnClaimForm) -> None:
    hers = queries.dealers_for(db(), visitor(), line_id)
    form.dealer.choices = [SelectChoice(one.code, f"{one.code} {one.trade_name}".strip()) for one in hers]


def _item_page(line_id: int, form: OwnClaimForm, wrong: str = "") -> str:
    row = _item(line_id)
    _choose(line_id, form)
    return render_template("portal/claim.html", row=row, form=form, wrong=wrong)


@portal.post("/unclaimed/<int:line_id>")
@allow("dealer")
def claim(line_id: int) -> Page:
    row = _item(line_id)
    form = OwnClaimForm()
    _choose(line_id, form)
    if not form.validate():
        return _item_page(line_id, form), 422
    dealer = next(one for one in queries.dealers_for(db(), visitor(), line_id) if one.code == form.dealer.data)
    try:
        ask_claim(db(), now(), row.line, dealer, words=form.words.data, user_id=visitor().user_id)
    except Refusal as refusal:
        roll_back()
        return _item_page(line_id, form, str(refusal)), 422
    flash(f"You asked for {row.line.description}: the manager decides, and you are told.")
    return redirect(url_for("portal.unclaimed"), 303)
