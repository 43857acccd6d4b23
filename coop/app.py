"""The Flask factory: one app of one co-op, its three faces, its edge."""

from __future__ import annotations

from collections.abc import Callable
from datetime import datetime
from typing import cast
from urllib.parse import urlsplit

from flask import Flask, current_app, g, render_template, request
from flask_wtf.csrf import CSRFError, CSRFProtect
from jinja2 import StrictUndefined
from sqlalchemy.exc import OperationalError
from sqlalchemy.orm.exc import StaleDataError
from werkzeug.exceptions import HTTPException
from werkzeug.middleware.proxy_fix import ProxyFix

import coop.dealers.link_views
import coop.office.books_hand_views
import coop.office.dealer_file_views
import coop.office.dealer_money_views
import coop.office.floor_edit_views
import coop.office.floor_files_views
import coop.office.lease_acts_views
import coop.office.lease_house_views
import coop.office.lease_letter_views
import coop.office.lease_waiting_views
import coop.office.letter_views
import coop.office.log_views
import coop.office.mall_views
import coop.office.money_rules_views
import coop.office.overflow_bay_views
import coop.office.overflow_draft_views
import coop.office.overflow_house_views
import coop.office.overflow_request_views
import coop.office.overflow_sold_views
import coop.office.overflow_stay_views
import coop.office.overflow_walk_views
import coop.office.payout_hold_views
import coop.office.reset_views
import coop.office.rota_people_views
import coop.office.rota_posts_views
import coop.office.rota_turn_views
import coop.office.sales_ticket_views
import coop.office.settings_people_views
import coop.office.tax_files_views
import coop.office.tax_payments_views
import coop.office.tax_places_views
import coop.office.today_views
import coop.portal.claim_views
import coop.portal.details_views
import coop.portal.lease_views
import coop.portal.overflow_ask_views
import coop.portal.paying_views
import coop.portal.reset_arrange_views
import coop.portal.reset_day_views
import coop.portal.reset_measure_views
import coop.portal.reset_move_views
import coop.portal.reset_paper_views
import coop.portal.reset_piece_views
import coop.portal.reset_place_views
import coop.portal.reset_price_views
import coop.portal.reset_season_views
import coop.portal.reset_set_views
import coop.portal.reset_smalls_views
import coop.portal.reset_time_views
import coop.portal.sales_views
import coop.portal.statement_views
import coop.portal.turn_answer_views
import coop.portal.turn_buy_views
import coop.portal.turn_own_views
import coop.portal.turn_rota_views
import coop.rooms  # noqa: F401  every table and kind of work
from coop.config import Settings, load_settings, secret_key
from coop.core import broker, paths, web
from coop.core.clock import utc_now
from coop.core.db import make_engine, make_sessions
from coop.core.errors import Refusal
from coop.core.logs import configure_logs
from coop.core.templating import FILTERS, joined
from coop.dealers import queries as people_queries
from coop.dealers.feed_views import read_feeds
from coop.dealers.views import OFFICE_ROLES, people, recognise
from coop.desk.views import desk
from coop.office import queries as office_queries
from coop.office.bank_views import bank
from coop.office.books_views import books
from coop.office.dealer_views import dealers
from coop.office.drawer_views import drawers
from coop.office.feed_views import feeds
from coop.office.floor_views import floor
from coop.office.layaway_views import layaways
from coop.office.lease_views import leases
from coop.office.opening_views import opening
from coop.office.overflow_views import overflow
from coop.office.paying_views import paying
from coop.office.payout_views import payouts
from coop.office.question_views import questions
from coop.office.release_views import releases
from coop.office.rota_days_views import rota_days
from coop.office.rota_house_views import rota_house
from coop.office.rota_views import rota
from coop.office.sales_views import sales
from coop.office.settings_views import settings as settings_pages
from coop.office.tax_terms_views import tax_terms
from coop.office.tax_views import tax
from coop.office.views import office
from coop.office.year_views import year
from coop.portal.overflow_views import lent
from coop.portal.reset_views import resets
from coop.portal.turn_views import turns
from coop.portal.views import portal

_SENTENCES = {
    400: "The browser sent something this page does not understand.",
    404: "There is no such page, or it is not yours to see.",
    405: "This address does not take what the browser sent. Go back and use the button on the page.",
    413: "That is more than this page takes.",
    500: "Something here is broken. Nothing was changed. Tell the manager the number below.",
    503: "The database does not answer just now. Nothing was changed. Try again in a minute.",
}


def create_app(settings: Settings | None = None, *, clock: Callable[[], datetime] = utc_now) -> Flask:
    """The app of the co-op that `settings` (else the environment) names. `clock` gives each request its moment, in UTC.

    Raises SettingsError for a wrong setting and LookupError for an address that does not say who may use it.
    """
    settings = settings or load_settings()
    configure_logs(settings.log_format)
    app = web.CoopFlask("coop", static_folder=None, template_folder=str(paths.templates()))
    secure = settings.secure_cookies
    app.config.update(
        SECRET_KEY=secret_key(settings),
        MAX_CONTENT_LENGTH=256 * 1024,
        PROVIDE_AUTOMATIC_OPTIONS=False,
        SESSION_COOKIE_NAME="__Host-coop-form" if secure else "coop-form",
        SESSION_COOKIE_HTTPONLY=True,
        SESSION_COOKIE_SAMESITE="Lax",
        SESSION_COOKIE_SECURE=secure,
        SESSION_COOKIE_PATH="/",
        # A form may lie open as long as its session lasts; its token ends with the session.
        WTF_CSRF_TIME_LIMIT=None,
        WTF_CSRF_FIELD_NAME="csrf_token",
    )
    broker.connect(settings)
    engine = make_engine(settings.url)
    app.extensions["coop"] = web.Site(settings, engine, make_sessions(engine), clock)
    if settings.trusted_proxies:
        hops = settings.trusted_proxies
        app.wsgi_app = ProxyFix(app.wsgi_app, x_for=hops, x_proto=hops, x_host=hops)  # type: ignore[method-assign]
    app.jinja_env.undefined = StrictUndefined
    app.jinja_env.trim_blocks = app.jinja_env.lstrip_blocks = True
    app.jinja_env.filters.update(FILTERS)
    web.install(app, recognise, sign_in="people.sign_in")
    CSRFProtect(app)
    for face in (
        people,
        office,
        books,
        opening,
        bank,
        dealers,
        paying,
        drawers,
        payouts,
        year,
        releases,
        leases,
        rota,
        rota_days,
        rota_house,
        overflow,
        sales,
        layaways,
        floor,
        tax,
        tax_terms,
        feeds,
        read_feeds,
        questions,
        settings_pages,
        portal,
        desk,
        turns,
        lent,
        resets,
    ):
        app.register_blueprint(face)
    app.context_processor(_letterhead)
    app.register_error_handler(Refusal, _refused)
    app.register_error_handler(CSRFError, _stale_form)
    app.register_error_handler(web.NotText, _not_text)
    app.register_error_handler(StaleDataError, _changed_meanwhile)
    app.register_error_handler(OperationalError, _no_database)
    app.register_error_handler(HTTPException, _http_error)
    for endpoint in app.view_functions:
        web.allowed_at(app, endpoint)
    return app


def _letterhead() -> dict[str, object]:
    """What every page's head and foot need: the co-op's name and the words of the visitor's way about."""
    who = web.visitor_or_none()
    return {
        "coop_name": _coop_name,
        "zone": _zone,
        "in_office": who is not None and bool(who.roles & OFFICE_ROLES),
        "is_dealer": who is not None and "dealer" in who.roles,
        "is_desk": who is not None and "desk" in who.roles,
        "is_manager": who is not None and "manager" in who.roles,
    }


def _coop_name() -> str:
    if g.get("without_database"):
        return "Co-op"
    coop = people_queries.cooperative(web.db())
    return coop.name if coop else "Co-op"


def _zone() -> str:
    """The time zone in which pages that belong to no mall show moments."""
    if "zone" not in g:
        g.zone = office_queries.office_timezone(web.db())
    return cast(str, g.zone)


def _answer(status: int, heading: str, sentence: str) -> tuple[str, int]:
    web.roll_back()
    return (
        render_template(
            "errors/error.html",
            heading=heading,
            sentence=sentence,
            request_id=web.request_id() if status >= 500 else "",
            back=_page_before(),
        ),
        status,
    )


def _page_before() -> str | None:
    """The path of the page of ours whose form was sent, for the way back."""
    if request.method != "POST" or not request.referrer:
        return None
    parts = urlsplit(request.referrer)
    return web.local_path(parts.path) if parts.netloc == request.host else None


def _refused(refusal: Refusal) -> tuple[str, int]:
    return _answer(422, "This cannot be done as asked", str(refusal))


def _stale_form(_error: CSRFError) -> tuple[str, int]:
    return _answer(
        400,
        "This form is no longer good",
        "Its page was opened before you signed in, or in another browser. Nothing was changed. "
        "Open the page again and send it from there.",
    )


def _changed_meanwhile(error: StaleDataError) -> tuple[str, int]:
    """A service that holds what it changes tells this in its own words; what is left is told here, and noted."""
    web.log.warning("changed meanwhile", exc_info=error)
    return _answer(
        409,
        "Somebody was quicker",
        "Somebody changed this meanwhile, or took it away. Nothing of yours was written. Look at it again, and do it anew.",
    )


def _not_text(_error: web.NotText) -> tuple[str, int]:
    return _answer(
        400,
        "This cannot be read",
        "Something in what the browser sent is no text: it has a character of no meaning (NUL), as a copy out of a damaged file "
        "may have. Nothing was changed. Go back, type that line anew, and send it again.",
    )


def _no_database(error: OperationalError) -> tuple[str, int]:
    g.without_database = True
    web.log.error("the database does not answer", exc_info=error)
    return _answer(503, "Not just now", _SENTENCES[503])


def _http_error(error: HTTPException) -> tuple[str, int] | HTTPException:
    status = error.code or 500
    if status < 400:
        return error
    headings = {403: "Not for your role", 404: "Nothing here", 500: "Something is broken"}
    who = web.visitor_or_none()
    if status == 403 and who is not None:
        sentence = _not_for(who)
    else:
        sentence = _SENTENCES.get(status, error.description or error.name)
    return _answer(status, headings.get(status, "This did not work"), sentence)


_PEOPLE = {
    "manager": "the manager",
    "bookkeeper": "the bookkeeper",
    "auditor": "the auditor",
    "desk": "the desk",
    "dealer": "dealers",
}
"""Roles, in the order they are named, as the people who have them."""


def _not_for(who: web.Visitor) -> str:
    """Whom this address is for, and who is asking."""
    allowed = web.allowed_at(current_app, request.endpoint or "")
    for_whom = [words for role, words in _PEOPLE.items() if role in allowed]
    named = joined(for_whom)
    roles = joined([role for role in _PEOPLE if role in who.roles])
    if not roles:
        return f"This page is for {named}. Your sign-in has no role yet: the manager can give you one."
    return f"This page is for {named}. You are signed in as {roles}."
