"""The web edge: one transaction a request, who may use each address, the headers, files that do not change.

Knows nothing of any feature: the app hands in how a visitor is recognised, and rooms above state who may come in.
"""

from __future__ import annotations

import functools
import hashlib
import logging
import secrets
import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import Any, TypeVar, cast
from urllib.parse import urlsplit
from zoneinfo import ZoneInfo

from flask import Blueprint, Flask, Response, abort, current_app, g, jsonify, redirect, render_template, request, url_for
from sqlalchemy import Engine
from sqlalchemy.exc import DBAPIError
from sqlalchemy.orm import Session
from werkzeug.datastructures import MultiDict
from werkzeug.exceptions import BadRequest
from werkzeug.routing import BaseConverter, IntegerConverter, Map, ValidationError
from werkzeug.wrappers import Response as WerkzeugResponse

from coop.config import Settings
from coop.core import migrate, paths
from coop.core.db import Sessions
from coop.core.documents import Document
from coop.core.listing import Listed, list_csv, wants_csv
from coop.core.logs import REQUEST_ID
from coop.core.periods import Month
from coop.core.templating import day

log = logging.getLogger("coop.web")

ANYONE = "anyone"
"""Without signing in."""
SIGNED_IN = "signed in"
"""Any user, whatever the role."""

Page = str | WerkzeugResponse | tuple[str, int]
"""What a view returns."""
View = TypeVar("View", bound=Callable[..., Any])


@dataclass(frozen=True)
class Site:
    """What every request of one co-op shares."""

    settings: Settings
    engine: Engine
    sessions: Sessions
    clock: Callable[[], datetime]


@dataclass(frozen=True)
class Visitor:
    """Who is asking. A plain value: it outlives the transaction it was read in."""

    user_id: int
    session_id: int
    email: str
    roles: frozenset[str]
    member_id: int | None


class CoopFlask(Flask):
    """Flask whose request commits its transaction once the view has succeeded, before anything is sent."""

    def dispatch_request(self) -> Any:
        answer = super().dispatch_request()
        session: Session | None = g.get("session")
        if session is not None:
            session.commit()
        return answer

    def log_exception(self, exc_info: Any, **_more: Any) -> None:
        """As Flask does, but naming the address's rule: the address itself could say who."""
        rule = request.url_rule.rule if request.url_rule else ""
        log.error("failed", exc_info=exc_info, extra={"fields": {"method": request.method, "rule": rule}})


def site() -> Site:
    return cast(Site, current_app.extensions["coop"])


def db() -> Session:
    """This request's session; its one transaction begins when it is first used."""
    session: Session | None = g.get("session")
    if session is None:
        session = g.session = site().sessions()
    return session


def now() -> datetime:
    """This request's one moment, in UTC."""
    if "now" not in g:
        g.now = site().clock()
    return cast(datetime, g.now)


def visitor() -> Visitor:
    """Who is signed in. Only for views that are not open to anyone."""
    found = visitor_or_none()
    if found is None:
        raise LookupError("nobody is signed in")
    return found


def visitor_or_none() -> Visitor | None:
    return cast("Visitor | None", g.get("visitor"))


def request_id() -> str:
    """Names this request in logs, in the log of who did what, and in the jobs it leaves behind."""
    if "request_id" not in g:
        g.request_id = secrets.token_hex(8)
    return cast(str, g.request_id)


# --- rights -------------------------------------------------------------------------------------------------------------


def allow(*who: str) -> Callable[[View], View]:
    """State who may use an address: roles, or SIGNED_IN, or ANYONE. An address that does not say cannot be added."""

    def state(view: View) -> View:
        view.allowed = frozenset(who)  # type: ignore[attr-defined]
        return view

    return state


def takes(most_bytes: int) -> Callable[[View], View]:
    """State that an address takes a file of this size at most; all others take what a form needs."""

    def state(view: View) -> View:
        view.most_bytes = most_bytes  # type: ignore[attr-defined]
        return view

    return state


def allowed_at(app: Flask, endpoint: str) -> frozenset[str]:
    """Who may use an address. Raises LookupError when it does not say."""
    allowed: frozenset[str] | None = getattr(app.view_functions[endpoint], "allowed", None)
    if not allowed:
        raise LookupError(f"the address {endpoint} does not say who may use it")
    return allowed


def may(who: Visitor | None, allowed: frozenset[str]) -> bool:
    if ANYONE in allowed:
        return True
    return who is not None and (SIGNED_IN in allowed or bool(who.roles & allowed))


def _guard(sign_in: str) -> WerkzeugResponse | None:
    if request.url_rule is None:
        return None
    who = visitor_or_none()
    if may(who, allowed_at(current_app, request.url_rule.endpoint)):
        # Before anything reads the form: who may not come in cannot send much either.
        request.max_content_length = getattr(current_app.view_functions[request.url_rule.endpoint], "most_bytes", None)
        return None
    if who is not None:
        abort(403)
    target = request.full_path.rstrip("?") if request.method == "GET" else None
    return redirect(url_for(sign_in, next=target), 303)


class NotText(BadRequest):
    """What was sent has a NUL in it: nobody types one, and no text of the database can hold it."""


def _require_text_in_address() -> None:
    _require_text(request.path, *request.args.keys(), *_all_of(request.args))


def _require_text_in_form() -> None:
    names = [file.filename or "" for _, file in request.files.items(multi=True)]
    _require_text(*request.form.keys(), *_all_of(request.form), *request.files.keys(), *names)


def _all_of(sent: MultiDict[str, str]) -> Iterator[str]:
    return (value for _, value in sent.items(multi=True))


def _require_text(*texts: str) -> None:
    if any("\0" in text for text in texts):
        raise NotText


def local_path(target: str | None) -> str | None:
    """The path of a page of ours that `target` names, or None: a sign-in must never lead to another site."""
    if not target or not target.startswith("/") or target.startswith(("//", "/\\")):
        return None
    if any(ord(c) < 33 or c == "\\" for c in target):
        return None
    parts = urlsplit(target)
    return None if parts.scheme or parts.netloc else target


# --- alive and ready ----------------------------------------------------------------------------------------------------

edge = Blueprint("edge", __name__)


@edge.get("/healthz")
@allow(ANYONE)
def healthz() -> Response:
    """Whether the process answers at all."""
    return jsonify(alive=True)


@edge.get("/readyz")
@allow(ANYONE)
def readyz() -> tuple[Response, int]:
    """Whether it can serve: the database answers and is of this program's version."""
    try:
        here = migrate.revision_of(site().engine)
    except DBAPIError:
        return jsonify(ready=False, why="the database does not answer"), 503
    if here != _newest_revision():
        return jsonify(ready=False, why="the database is of another version; run: coop upgrade"), 503
    return jsonify(ready=True), 200


@functools.cache
def _newest_revision() -> str | None:
    return migrate.newest_revision()


# --- files that do not change -------------------------------------------------------------------------------------------

FONT_FILES = tuple(f"SourceSerifPro-{cut}.otf" for cut in ("Regular", "It", "Semibold", "Bold"))
_A_YEAR_S = 365 * 24 * 3600


@dataclass(frozen=True)
class _Kept:
    """A small file held in memory: nothing is left open when a browser hangs up."""

    content: bytes
    digest: str


@functools.cache
def _kept(path: Path) -> _Kept:
    content = path.read_bytes()
    return _Kept(content, hashlib.sha256(content).hexdigest()[:12])


@functools.cache
def _static_types() -> dict[str, str]:
    """The names that are served of coop/static, each with its media type."""
    types = {".css": "text/css", ".js": "text/javascript", ".svg": "image/svg+xml"}
    return {path.name: types[path.suffix] for path in paths.static().iterdir() if path.suffix in types}


def asset(name: str) -> str:
    """The address of a file of coop/static, with its content's hash so that it may be kept for a year."""
    return url_for("edge.static_file", name=name, v=_kept(paths.static() / name).digest)


def _send_kept(kept: _Kept, media_type: str, cache_control: str) -> WerkzeugResponse:
    response = Response(kept.content, mimetype=media_type)
    response.headers["Cache-Control"] = cache_control
    response.set_etag(kept.digest)
    return response.make_conditional(request)


@edge.get("/static/<name>")
@allow(ANYONE)
def static_file(name: str) -> Page:
    media_type = _static_types().get(name)
    if media_type is None:
        abort(404)
    kept = _kept(paths.static() / name)
    named = request.args.get("v") == kept.digest
    return _send_kept(kept, media_type, f"public, max-age={_A_YEAR_S}, immutable" if named else "no-cache")


@edge.get("/static-fonts/<name>")
@allow(ANYONE)
def font_file(name: str) -> Page:
    if name not in FONT_FILES:
        abort(404)
    return _send_kept(_kept(paths.fonts() / name), "font/otf", f"public, max-age={_A_YEAR_S}")


def send_document(document: Document | None) -> Response:
    """A kept document, shown in the browser under its own name; 304 when the browser has these very bytes."""
    if document is None:
        abort(404)
    if request.if_none_match.contains_weak(document.sha256):
        response = Response(status=304)
    else:
        response = Response(document.content, mimetype=document.media_type)
        response.headers.set("Content-Disposition", "inline", filename=document.file_name)
    response.set_etag(document.sha256)
    # Kept by this browser only, and asked about each time: a sign-out must end it.
    response.headers["Cache-Control"] = "private, no-cache"
    return response


def first_to_focus() -> bool:
    """True once a request: a page has one field to begin at, the first that is wrong, which may be far down its form."""
    is_first = "focused" not in g
    g.focused = True
    return is_first


def download(content: str | bytes | Iterator[bytes], media_type: str, file_name: str) -> Response:
    """A file made at this moment, to be saved. What comes in pieces is text in UTF-8."""
    response = Response(content, content_type=media_type if isinstance(content, bytes) else f"{media_type}; charset=utf-8")
    response.headers.set("Content-Disposition", "attachment", filename=file_name)
    return response


def show_list(listed: Listed[Any], template: str, file_stem: str, *, refused: bool = False, **values: Any) -> Page:
    """A page with a list on it; or, where the address asks for that, the list as CSV.

    `refused`: the page is shown again because of what was sent from it, which is never answered by a CSV.
    """
    if refused:
        return render_template(template, listed=listed, **values), 422
    if wants_csv(request.args):
        return download(list_csv(listed), "text/csv", f"{file_stem}.csv")
    return render_template(template, listed=listed, **values)


# --- headers, logs, the end of the transaction --------------------------------------------------------------------------

_POLICY = (
    "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self'; font-src 'self'; "
    "connect-src 'self'; form-action 'self'; frame-ancestors 'none'; base-uri 'none'"
)
_HEADERS = {
    "Content-Security-Policy": _POLICY,
    "X-Content-Type-Options": "nosniff",
    "Referrer-Policy": "same-origin",
    "Permissions-Policy": "camera=(), geolocation=(), microphone=(), payment=(), usb=()",
    "Cross-Origin-Opener-Policy": "same-origin",
    "Cross-Origin-Resource-Policy": "same-origin",
}


def _begin() -> None:
    g.started = time.perf_counter()
    g.log_token = REQUEST_ID.set(request_id())


def _dress(response: Response) -> Response:
    for name, value in _HEADERS.items():
        response.headers.setdefault(name, value)
    if site().settings.secure_cookies:
        response.headers.setdefault("Strict-Transport-Security", f"max-age={_A_YEAR_S}; includeSubDomains")
    if "Cache-Control" not in response.headers:
        response.headers["Cache-Control"] = "no-store"
    response.headers["X-Request-ID"] = request_id()
    quiet = request.endpoint in ("edge.static_file", "edge.font_file", "edge.healthz", "edge.readyz")
    who = visitor_or_none()
    log.log(
        logging.DEBUG if quiet else logging.INFO,
        "request",
        extra={
            "fields": {
                "method": request.method,
                "rule": request.url_rule.rule if request.url_rule else "",
                "status": response.status_code,
                "ms": round((time.perf_counter() - g.started) * 1000, 1),
                "user": who.user_id if who else None,
            }
        },
    )
    return response


def roll_back() -> None:
    """Undo what this request wrote: an error is being answered."""
    session: Session | None = g.get("session")
    if session is not None:
        session.rollback()


def _end(_error: BaseException | None) -> None:
    session: Session | None = g.pop("session", None)
    if session is not None:
        session.close()
    token = g.pop("log_token", None)
    if token is not None:
        REQUEST_ID.reset(token)


class MonthConverter(BaseConverter):
    """A month in an address, `/2010-12`; what is no month is no address."""

    regex = r"\d{4}-\d{2}"

    def to_python(self, value: str) -> Month:
        try:
            return Month.parse(value)
        except ValueError as error:
            raise ValidationError from error

    def to_url(self, value: Month) -> str:
        return str(value)


class IdConverter(IntegerConverter):
    """A whole number in an address, such as an id; what no column of ids holds is no address."""

    regex = "[0-9]{1,19}"
    part_isolating = True
    largest = 2**63 - 1

    def __init__(self, url_map: Map) -> None:
        super().__init__(url_map, max=self.largest)


class CountConverter(IdConverter):
    """A number of something that is counted on, such as a year's or a layaway's: columns of these are half as wide."""

    largest = 2**31 - 1


def moment(value: datetime, timezone: str) -> str:
    """A moment at a place: `Nov 3, 2026, 2:05 pm`."""
    there = value.astimezone(ZoneInfo(timezone))
    return f"{day(there.date())}, {there.hour % 12 or 12}:{there.minute:02d} {'am' if there.hour < 12 else 'pm'}"


def install(app: Flask, recognise: Callable[[], Visitor | None], sign_in: str) -> None:
    """Hang the edge on an app: before each request who is it and may they, after it the headers, at its end the session.

    `sign_in` is the endpoint a visitor who is nobody yet is sent to.
    """

    def _recognise() -> None:
        rule = request.url_rule
        g.visitor = None if rule is not None and rule.endpoint.startswith("edge.") else recognise()

    app.url_map.converters |= {"month": MonthConverter, "int": IdConverter, "count": CountConverter}
    app.before_request(_begin)
    app.before_request(_require_text_in_address)
    app.before_request(_recognise)
    app.before_request(lambda: _guard(sign_in))
    # Once it is known who may send how much.
    app.before_request(_require_text_in_form)
    app.after_request(_dress)
    app.teardown_request(_end)
    app.register_blueprint(edge)
    app.jinja_env.globals.update(asset=asset, first_to_focus=first_to_focus)
    app.jinja_env.filters["moment"] = moment
    app.context_processor(lambda: {"visitor": visitor_or_none()})
