"""A calendar at its secret address, read without signing in, whatever it shows."""

from __future__ import annotations

from flask import Blueprint, Response, request

from coop.core.web import ANYONE, Page, allow, db, now, roll_back
from coop.dealers.feeds import SHOWN, open_feed

read_feeds = Blueprint("feeds", __name__)

_KEPT_S = 3600
"""How long a calendar program may keep what it read, so that one which asks every minute costs nothing."""
_NOTHING = "No calendar is read here: the address is wrong, or it was ended. Sign in to the co-op, and make a new one.\n"


@read_feeds.get("/feeds/<token>.ics")
@allow(ANYONE)
def read(token: str) -> Page:
    """A calendar at its secret address. One answer for what is unknown, ended, or of a user who may no longer read it."""
    opened = open_feed(db(), now(), token)
    if opened is None:
        return _nothing()
    feed, roles = opened
    shown = SHOWN.get(feed.kind)
    if shown is None or not roles & shown.roles:
        roll_back()
        return _nothing()
    response = Response(shown.make(feed.user_id), content_type="text/calendar; charset=utf-8")
    response.headers["Cache-Control"] = f"private, max-age={_KEPT_S}"
    response.add_etag()
    return response.make_conditional(request)


def _nothing() -> Response:
    """What whoever reads an address that is no more is told, in a line that calendar programs show."""
    response = Response(_NOTHING, 404, content_type="text/plain; charset=utf-8")
    response.headers["Cache-Control"] = "no-store"
    return response
