"""The due dates in a calendar program: secret addresses made and ended in the office, and read without signing in."""

from __future__ import annotations

from collections.abc import Callable

from flask import Blueprint, Response, abort, flash, redirect, render_template, request, url_for
from flask_wtf import FlaskForm
from wtforms import StringField
from wtforms.validators import Length

from coop.core.errors import Refusal
from coop.core.web import ANYONE, Page, allow, db, now, request_id, roll_back, site, visitor
from coop.dealers.feeds import make_feed, open_feed, revoke_feed, running_feeds
from coop.office import tax_queries
from coop.office.views import READERS
from coop.tax.documents import CAUTION, calendar_text
from coop.tax.due import due_days, due_rows

feeds = Blueprint("tax_feeds", __name__)

TAX = "tax"
"""Kind of the feeds of the due dates of sales-tax returns."""
_KEPT_S = 3600
"""How long a calendar program may keep what it read, so that one which asks every minute costs nothing."""


def due_dates() -> str:
    """The due dates of every office, as iCalendar; the same all day unless a return is filed or a setting changes."""
    days = due_days(due_rows(db(), tax_queries.today(db(), now())))
    made_at = now().replace(hour=0, minute=0, second=0, microsecond=0)
    return calendar_text("Sales-tax returns", days, made_at=made_at, mail_domain=site().settings.mail_domain)


SHOWN: dict[str, tuple[frozenset[str], Callable[[], str]]] = {TAX: (frozenset(READERS), due_dates)}
"""By kind: the roles of which its user must still have one, and what makes its calendar."""


@feeds.get("/feeds/<token>.ics")
@allow(ANYONE)
def read(token: str) -> Page:
    """A calendar at its secret address. One answer for what is unknown, ended, or of a user who may no longer read it."""
    opened = open_feed(db(), now(), token)
    if opened is None:
        abort(404)
    feed, roles = opened
    allowed, make = SHOWN.get(feed.kind, (frozenset(), due_dates))
    if not roles & allowed:
        roll_back()
        abort(404)
    response = Response(make(), content_type="text/calendar; charset=utf-8")
    response.headers["Cache-Control"] = f"private, max-age={_KEPT_S}"
    response.add_etag()
    return response.make_conditional(request)


class FeedForm(FlaskForm):  # type: ignore[misc]
    label = StringField("What will read it", validators=[Length(max=60, message="Write it in 60 characters.")])


@feeds.get("/office/tax/calendar")
@allow(*READERS)
def addresses() -> Page:
    return _page(FeedForm(formdata=None))


def _page(form: FeedForm, made: str = "") -> str:
    rows = running_feeds(db(), visitor().user_id, TAX)
    return render_template("office/tax/calendar.html", rows=rows, form=form, made=made, caution=CAUTION)


@feeds.post("/office/tax/calendar")
@allow(*READERS)
def make() -> Page:
    """Make an address and show it, in the answer and nowhere else."""
    form = FeedForm()
    if not form.validate_on_submit():
        return _page(form), 422
    try:
        token = make_feed(db(), now(), visitor().user_id, TAX, label=form.label.data or "", request_id=request_id())
    except Refusal as refusal:
        roll_back()
        form.label.errors = [str(refusal)]
        return _page(form), 422
    return _page(FeedForm(formdata=None), url_for("tax_feeds.read", token=token, _external=True))


@feeds.post("/office/tax/calendar/<int:feed_id>/end")
@allow(*READERS)
def end(feed_id: int) -> Page:
    if not revoke_feed(db(), now(), visitor().user_id, feed_id, request_id=request_id()):
        abort(404)
    flash("That address is ended: whatever reads it gets nothing from now on.")
    return redirect(url_for("tax_feeds.addresses"), 303)
