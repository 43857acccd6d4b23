"""The app over a small co-op, on both databases, with a clock the test sets."""

from __future__ import annotations

import dataclasses
import re
from collections.abc import Callable, Hashable, Iterator
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path

import pytest
from flask import Flask
from flask.testing import FlaskClient
from sqlalchemy import Engine
from werkzeug.test import TestResponse

from coop.app import create_app
from coop.config import Settings
from coop.core.db import Sessions, transaction
from coop.floor.models import Mall
from tests.apps import one_app
from tests.databases import fill
from tests.factories.house import House, build_house
from tests.factories.leasing import Leasing, build_leasing


@dataclass
class Clock:
    """The app's clock: stands where the test puts it."""

    at: datetime

    def __call__(self) -> datetime:
        return self.at


@dataclass
class Web:
    """The app, what is in its database, and browsers of its people."""

    app: Flask
    house: House
    sessions: Sessions
    clock: Clock

    def browser(self, who: str | None = None) -> FlaskClient:
        """A browser signed in as a user of the house, or as nobody."""
        client = self.app.test_client()
        if who is not None:
            client.set_cookie("coop", self.house.tokens[who])
        return client


def form_token(client: FlaskClient, host: str = "localhost") -> str:
    """The token of a form this browser was shown; it belongs to the host's cookie."""
    page = client.get("/account", headers={"Host": host})
    if page.status_code == 303:
        page = client.get("/sign-in", headers={"Host": host})
    found = re.search(r'name="csrf_token"[^>]* value="([^"]+)"', page.text)
    assert found, page.text
    return found[1]


def send(client: FlaskClient, address: str, /, **fields: str | list[str]) -> TestResponse:
    """Send a form as its page does, with its token."""
    return client.post(address, data={"csrf_token": form_token(client), **fields})


@pytest.fixture
def clock(now: datetime) -> Clock:
    return Clock(now)


@pytest.fixture
def begins_with(request: pytest.FixtureRequest, clock: Clock) -> Hashable:
    return ("house", clock.at) if "web" in request.fixturenames else None


@pytest.fixture
def settings(database_url: str, tmp_path: Path) -> Settings:
    return Settings(data=tmp_path, database_url=database_url, secret_key="a key of the tests", mail_domain="example.org")


@pytest.fixture
def app(settings: Settings, clock: Clock, make_test_engine: Callable[[str], Engine]) -> Iterator[Flask]:
    """The one app of this process, on this test's database, by an engine of its own."""
    with one_app(settings, make_test_engine(settings.url), clock) as lent:
        yield lent


@pytest.fixture
def web(app: Flask, sessions: Sessions, clock: Clock, engine: Engine) -> Web:
    house = fill(engine, ("house", clock.at), lambda session: build_house(session, clock.at))
    return Web(app, house, sessions, clock)


@pytest.fixture
def own_web(web: Web, settings: Settings) -> Iterator[Web]:
    """With an app of its own, for a test that changes the app itself."""
    app = create_app(settings, clock=web.clock)
    yield dataclasses.replace(web, app=app)
    app.extensions["coop"].engine.dispose()


@pytest.fixture
def leasing(web: Web) -> Leasing:
    """The house with leases of every state, a waiting list, an offer, letters and a dispute."""
    with transaction(web.sessions) as session:
        return build_leasing(session, web.clock.at, session.get_one(Mall, web.house.mall.id))
