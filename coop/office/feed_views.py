"""The due dates in a calendar program: secret addresses made and ended in the office."""

from __future__ import annotations

from flask import Blueprint, abort, flash, redirect, render_template, url_for
from flask_wtf import FlaskForm
from wtforms import StringField
from wtforms.validators import Length

from coop.core.errors import Refusal
from coop.core.web import Page, allow, db, now, request_id, roll_back, site, visitor
from coop.dealers.feeds import make_feed, revoke_feed, running_feeds, show_feed
from coop.office import tax_queries
from coop.office.views import READERS
from coop.tax.documents import CAUTION, calendar_text
from coop.tax.due import due_days, due_rows

feeds = Blueprint("tax_feeds", __name__)

TAX = "tax"
"""Kind of the feeds of the due dates of sales-tax returns."""


def due_dates(_user_id: int) -> str:
    """The due dates of every office, as iCalendar; the same all day unless a return is filed or a setting changes."""
    days = due_days(due_rows(db(), tax_queries.today(db(), now())))
    made_at = now().replace(hour=0, minute=0, second=0, microsecond=0)
    return calendar_text("Sales-tax returns", days, made_at=made_at, mail_domain=site().settings.mail_domain)


show_feed(TAX, READERS, due_dates)


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
    return _page(FeedForm(formdata=None), url_for("feeds.read", token=token, _external=True))


@feeds.post("/office/tax/calendar/<int:feed_id>/end")
@allow(*READERS)
def end(feed_id: int) -> Page:
    if not revoke_feed(db(), now(), visitor().user_id, feed_id, request_id=request_id()):
        abort(404)
    flash("That address is ended: whatever reads it gets nothing from now on.")
    return redirect(url_for("tax_feeds.addresses"), 303)
