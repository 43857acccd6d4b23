"""A browser and a server for the tests of pages: the app on an address, windows signed in to it, what holds of every page."""

from __future__ import annotations

import base64
import logging
import threading
from collections.abc import Callable, Iterable, Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from pathlib import Path

from flask import Flask
from playwright.sync_api import Browser, BrowserContext, Page
from sqlalchemy import Engine
from werkzeug.serving import make_server

from coop.config import Settings
from coop.core.clock import utc_now
from coop.core.db import Sessions, make_sessions, transaction
from coop.core.jobs import claim_next, run_job
from tests.apps import one_app
from tests.databases import ENGINES, fill
from tests.factories.house import House, build_house

ARGS = [
    "--no-sandbox",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
    "--no-first-run",
    "--disable-gpu",
]
PHONE, DESKTOP, NARROWEST = (360, 740), (1280, 900), (320, 640)
FIELD_KEY = base64.urlsafe_b64encode(b"thirty-two bytes of these tests.").decode()
NOW = datetime(2026, 11, 3, 15, 0, tzinfo=UTC)


@dataclass
class Served:
    """The app on an address, and what is in it."""

    base: str
    house: House
    sessions: Sessions
    settings: Settings


def settings_in(folder: Path, url: str) -> Settings:
    return Settings(
        data=folder,
        database_url=url,
        secret_key="a key of the tests",
        # Not the folder's own: what `fill` brings back was sealed for an earlier test.
        field_keys=FIELD_KEY,
        mail_domain="example.org",
    )


@contextmanager
def serving(app: Flask) -> Iterator[str]:
    """Serve an app while the block runs; its address."""
    logging.getLogger("coop").setLevel(logging.WARNING)
    logging.getLogger("werkzeug").setLevel(logging.WARNING)
    server = make_server("127.0.0.1", 0, app, threaded=True)
    # How often it looks whether it shall end: a test waits for that.
    thread = threading.Thread(target=server.serve_forever, kwargs={"poll_interval": 0.02})
    thread.start()
    yield f"http://127.0.0.1:{server.server_port}"
    server.shutdown()
    thread.join(timeout=30)
    server.server_close()


@contextmanager
def site_at(settings: Settings, clock: Callable[[], datetime] = lambda: NOW) -> Iterator[tuple[Flask, Engine]]:
    """The one app of this process on a database, and its engine."""
    engine = ENGINES.of(settings.url)
    with one_app(settings, engine, clock) as app:
        yield app, engine
    engine.dispose()


def serve(url: str, folder: Path, *, month_end: bool) -> Iterator[Served]:
    """The house of tests on an address. Its database has no rows yet."""
    settings = settings_in(folder, url)
    with site_at(settings) as (app, engine):
        house = fill(engine, ("house", NOW, month_end), lambda session: build_house(session, NOW, month_end=month_end))
        with serving(app) as base:
            yield Served(base, house, make_sessions(engine), settings)


def finish_jobs(served: Served) -> int:
    """Do what is queued, one job after another, as a worker would; how many ran. Its clock runs ahead so that nothing waits."""
    lease = timedelta(seconds=60)
    ran = 0
    while ran < 200:
        ahead = utc_now() + timedelta(hours=ran + 1)
        with transaction(served.sessions) as session:
            claimed = claim_next(session, ahead, lease)
        if claimed is None:
            return ran
        job_id, token = claimed
        run_job(served.sessions, job_id, lease=lease, settings=served.settings, token=token, clock=lambda at=ahead: at)
        ran += 1
    raise AssertionError("the work does not end")


def window(
    browser: Browser,
    base: str,
    token: str | None,
    size: tuple[int, int],
    *,
    scheme: str = "light",
    script: bool = True,
    bypass_csp: bool = False,
) -> BrowserContext:
    """A window of a browser, signed in by a session's token. An audit's script needs the policy bypassed."""
    made = browser.new_context(
        viewport={"width": size[0], "height": size[1]},
        color_scheme="dark" if scheme == "dark" else "light",
        java_script_enabled=script,
        bypass_csp=bypass_csp,
        accept_downloads=True,
    )
    if token is not None:
        made.add_cookies([{"name": "coop", "value": token, "url": base}])
    return made


def context(
    browser: Browser, served: Served, who: str | None, size: tuple[int, int], *, scheme: str = "light", **options: bool
) -> BrowserContext:
    """A window of one of the house's people; None is not signed in."""
    tokens: Mapping[str | None, str] = {**served.house.tokens}
    return window(browser, served.base, None if who is None else tokens[who], size, scheme=scheme, **options)


def listen(page: Page) -> list[str]:
    """What the browser complains of, a blocked style or script among it; a 404 that was asked for is none."""
    said: list[str] = []
    page.on("console", lambda m: said.append(m.text) if m.type in ("error", "warning") else None)
    page.on("pageerror", lambda e: said.append(str(e)))
    return said


def touch(page: Page) -> Callable[..., None]:
    """Send touches as a screen does: `send(kind, (x, y), ...)`."""
    screen = page.context.new_cdp_session(page)

    def send(kind: str, *points: tuple[float, float]) -> None:
        touches = [{"x": x, "y": y, "id": n} for n, (x, y) in enumerate(points)]
        screen.send("Input.dispatchTouchEvent", {"type": kind, "touchPoints": touches})

    return send


def tab_to(page: Page, role: str, name: str) -> None:
    """Go on with the Tab key until the thing of this role and name has the focus."""
    wanted = page.get_by_role(role, name=name, exact=True)  # type: ignore[arg-type]
    for _ in range(80):
        if wanted.evaluate("it => it === document.activeElement"):
            return
        page.keyboard.press("Tab")
    raise AssertionError(f"no Tab reaches the {role} {name}")


def audited(page: Page, axe: str, path: str) -> list[str]:
    """What the audit finds on the page that is shown, a line each."""
    if not page.evaluate("'axe' in window"):
        page.evaluate(axe)
    # All that passed would be half the audit's time on its way here.
    violations, passed = page.evaluate(
        "axe.run(document, {resultTypes: ['violations']}).then(found => "
        "[found.violations.map(one => [one.id, one.nodes[0].html]), found.passes.length])"
    )
    assert passed, "the audit did not run"
    return [f"{path}: {rule}: {html}" for rule, html in violations]


def audited_in_both(page: Page, axe: str, path: str) -> list[str]:
    """What the audit finds on the page that is shown, in light and in dark, a line each."""
    faults = []
    for scheme in ("light", "dark"):
        page.emulate_media(color_scheme=scheme)  # type: ignore[arg-type]
        faults += [f"{scheme}: {fault}" for fault in audited(page, axe, path)]
    return faults


def width_of(page: Page) -> int:
    """How wide the page is in its own face, which on a busy machine comes after the page."""
    return int(page.evaluate("document.fonts.ready.then(() => document.documentElement.scrollWidth)"))


def faults_of(page: Page, axe: str, base: str, paths: Iterable[str], size: tuple[int, int]) -> list[str]:
    """What an audit finds on pages of this size, and whether they scroll sideways at the narrowest."""
    faults = []
    for path in paths:
        page.set_viewport_size({"width": size[0], "height": size[1]})
        answer = page.goto(base + path)
        assert answer is not None
        assert answer.status == 200, path
        faults += audited(page, axe, path)
        page.set_viewport_size({"width": NARROWEST[0], "height": NARROWEST[1]})
        if width_of(page) > NARROWEST[0]:
            faults.append(f"{path}: scrolls sideways")
    return faults
