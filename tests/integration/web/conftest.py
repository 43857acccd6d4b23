"""The app over a small co-op, on both databases, with a clock the test sets."""

from __future__ import annotations

import logging
import re
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path

import pytest
from flask import Flask
from flask.testing import FlaskClient
from werkzeug.test import TestResponse

from coop.app import create_app
from coop.config import Settings
from coop.core.db import Sessions, transaction
from tests.factories.house import House, build_house


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


def form_token(client: FlaskClient) -> str:
    """The token of a form this browser was shown."""
    page = client.get("/account")
    if page.status_code == 303:
        page = client.get("/sign-in")
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
def settings(database_url: str, tmp_path: Path) -> Settings:
    return Settings(data=tmp_path, database_url=database_url, secret_key="a key of the tests", mail_domain="example.org")


@pytest.fixture
def app(settings: Settings, clock: Clock) -> Iterator[Flask]:
    made = create_app(settings, clock=clock)
    yield made
    made.extensions["coop"].engine.dispose()
    # The app sends the `coop` loggers to a handler of its own: other tests read them where they were.
    logger = logging.getLogger("coop")
    for handler in [h for h in logger.handlers if getattr(h, "is_coops", False)]:
        logger.removeHandler(handler)
    logger.propagate = True
    logger.setLevel(logging.NOTSET)


@pytest.fixture
def web(app: Flask, sessions: Sessions, clock: Clock) -> Web:
    with transaction(sessions) as session:
        house = build_house(session, clock.at)
    return Web(app, house, sessions, clock)
