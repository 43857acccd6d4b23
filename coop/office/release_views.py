"""Money nobody asked for, in the office: what a state's rule lets go, asked by one person and approved by another."""

from __future__ import annotations

from flask import Blueprint, abort, flash, redirect, render_template, request, url_for
from sqlalchemy import select

from coop.books.rules import release_rule_on
from coop.core.errors import Refusal
from coop.core.web import Page, allow, db, now, roll_back, visitor
from coop.dealers.models import UserAccount
from coop.floor.models import Mall
from coop.office import payout_views
from coop.office.views import READERS
from coop.payouts import releases as service
from coop.payouts.models import Release
from coop.payouts.queries import coop_today

releases = Blueprint("releases", __name__, url_prefix="/office/payouts/releases")
releases.context_processor(payout_views.shared)
KEEPERS = payout_views.KEEPERS
CAUTION = (
    "What nobody asks for is not the co-op’s. Most states want it reported and paid to them after some years, and some first "
    "want the owner written to: ask whoever advises the co-op before you release anything."
)


@releases.get("/")
@allow(*READERS)
def first() -> Page:
    return _page()


def _page(wrong: str = "") -> str:
    session = db()
    today = coop_today(session, now())
    asked = service.releases(session, "asked")
    decided = service.releases(session, "released", "refused", most=25)
    users = {one.release.asked_by for one in (*asked, *decided)} | {one.release.approved_by for one in decided}
    emails = session.execute(select(UserAccount.id, UserAccount.email).where(UserAccount.id.in_(users - {None})))
    return render_template(
        "office/payouts/releases.html",
        kinds=[(what, release_rule_on(session, what, today), service.due_on(session, today, what)) for what in service.KINDS],
        asked=asked,
        decided=decided,
        malls={mall.id: mall for mall in session.scalars(select(Mall))},
        who={row.id: row.email for row in emails},
        caution=CAUTION,
        most=service.MOST,
        wrong=wrong,
    )


@releases.post("/")
@allow(*KEEPERS)
def ask() -> Page:
    things = []
    for key in request.form.getlist("thing"):
        what, _, thing = key.rpartition(":")
        if what not in service.KINDS or not (thing.isascii() and thing.isdigit() and len(thing) < 16):
            abort(404)
        things.append((what, int(thing)))
    try:
        made = service.ask_releases(db(), now(), things, user_id=visitor().user_id)
    except Refusal as refusal:
        roll_back()
        return _page(str(refusal)), 422
    flash(f"Asked for {len(made)}. Nothing is posted until a second person approves.")
    return redirect(url_for("releases.first"), 303)


def _release(release_id: int) -> Release:
    found = db().get(Release, release_id)
    if found is None:
        abort(404)
    return found


@releases.post("/<int:release_id>/approve")
@allow(*KEEPERS)
def approve(release_id: int) -> Page:
    try:
        service.approve_release(db(), now(), _release(release_id), user_id=visitor().user_id)
    except Refusal as refusal:
        roll_back()
        return _page(str(refusal)), 422
    flash("It is released and posted.")
    return redirect(url_for("releases.first"), 303)


@releases.post("/<int:release_id>/refuse")
@allow(*KEEPERS)
def refuse(release_id: int) -> Page:
    try:
        service.refuse_release(db(), now(), _release(release_id), user_id=visitor().user_id)
    except Refusal as refusal:
        roll_back()
        return _page(str(refusal)), 422
    flash("It stays a liability.")
    return redirect(url_for("releases.first"), 303)
