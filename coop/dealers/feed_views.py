"""A calendar at its secret address, read without signing in, whatever it shows."""

from __future__ import annotations

from flask import Blueprint, Response, abort, request

from coop.core.web import ANYONE, Page, allow, db, now, roll_back
from coop.dealers.feeds import SHOWN, open_feed

read_feeds = Blueprint("feeds", __name__)

_KEPT_S = 3600
"""How long a calendar program may keep what it read, so that one which asks every minute costs nothing."""


@read_feeds.get("/feeds/<token>.ics")
@allow(ANYONE)
def read(token: str) -> Page:
    """A calendar at its secret address. One answer for what is unknown, ended, or of a user who may no longer read it."""
    opened = open_feed(db(), now(), token)
    if opened is None:
        abort(404)
    feed, roles = opened
    shown = SHOWN.get(feed.kind)
    if shown is None or not roles & shown.roles:
        roll_back()
        abort(404)
    response = Response(shown.make(feed.user_id), content_type="text/calendar; charset=utf-8")
    response.headers["Cache-Control"] = f"private, max-age={_KEPT_S}"
    response.add_etag()
    return response.make_conditional(request)
