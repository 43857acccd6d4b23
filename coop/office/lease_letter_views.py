"""Letters of leases: written, printed, mailed again."""

from __future__ import annotations

from collections.abc import Callable, Mapping

from flask import abort, flash, redirect, url_for

from coop.core.web import Page, allow, db, now, site, visitor
from coop.floor.models import Space
from coop.leases import letters as writing
from coop.leases.documents import KINDS
from coop.leases.models import Letter, Offer
from coop.office.lease_forms import DayForm
from coop.office.lease_views import leases, wanted_lease
from coop.office.mall_page import row_of, wanted_mall

WRITERS: Mapping[str, Callable[..., Letter]] = {
    "agreement": writing.write_agreement,
    "renewal": writing.write_renewal,
    "arrears": writing.write_arrears,
    "end": writing.write_end,
    "deposit": writing.write_deposit,
}
"""By the kind of letter, what writes one of a lease; an increase takes its day beside."""


@leases.post("/<mall_code>/<int:lease_id>/letters/<kind>")
@allow("manager")
def write_letter(mall_code: str, lease_id: int, kind: str) -> Page:
    mall = wanted_mall(mall_code)
    lease = wanted_lease(mall, lease_id)
    user_id = visitor().user_id
    if kind == "increase":
        begins_on = DayForm().on.data
        if begins_on is None:
            abort(404)
        writing.write_increase(db(), now(), lease, begins_on=begins_on, user_id=user_id)
    elif kind in WRITERS:
        WRITERS[kind](db(), now(), lease, user_id=user_id)
    else:
        abort(404)
    flash(f"{KINDS[kind]}: the letter is written. Its paper is made in a moment, and mailed where there is an address.")
    return redirect(url_for("leases.lease", mall_code=mall.code, lease_id=lease_id, _anchor="letters"), 303)


@leases.post("/<mall_code>/letters/increases")
@allow("manager")
def write_increases(mall_code: str) -> Page:
    """The letters of every lease whose rent rises on a day."""
    mall = wanted_mall(mall_code)
    begins_on = DayForm().on.data
    if begins_on is None:
        flash("No letter is written: choose the day on which rents rise.")
        return redirect(url_for("leases.work", mall_code=mall.code), 303)
    written = writing.write_increases(db(), now(), mall, begins_on=begins_on, user_id=visitor().user_id)
    flash(f"Letters written: {len(written)}. Their papers are made in a moment, and mailed where there is an address.")
    return redirect(url_for("leases.letters", mall_code=mall.code), 303)


@leases.post("/<mall_code>/offers/<int:offer_id>/letter")
@allow("manager")
def write_offer_letter(mall_code: str, offer_id: int) -> Page:
    mall = wanted_mall(mall_code)
    offer = db().get(Offer, offer_id)
    if offer is None or db().get_one(Space, offer.space_id).mall_id != mall.id:
        abort(404)
    writing.write_offer(db(), now(), offer, user_id=visitor().user_id)
    flash("The letter is written. Its paper is made in a moment, and mailed where there is an address.")
    return redirect(url_for("leases.offer", mall_code=mall.code, offer_id=offer_id), 303)


@leases.post("/<mall_code>/letters/<int:letter_id>/send")
@allow("manager")
def send_letter(mall_code: str, letter_id: int) -> Page:
    mall = wanted_mall(mall_code)
    letter = row_of(mall, Letter, letter_id)
    writing.send_letter_again(db(), now(), letter, mail_domain=site().settings.mail_domain, user_id=visitor().user_id)
    flash("The letter is on its way again.")
    return redirect(url_for("leases.letters", mall_code=mall.code), 303)
