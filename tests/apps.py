"""The app, made once in a test process: to register some three hundred addresses takes a quarter of a second."""

from __future__ import annotations

import functools
import logging
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from datetime import datetime
from pathlib import Path

from flask import Flask
from sqlalchemy import Engine

from coop.app import create_app
from coop.config import Settings
from coop.core.db import make_sessions
from coop.core.logs import configure_logs
from coop.core.web import Site


@functools.cache
def _made(secret_key: str) -> Flask:
    """An app of no co-op; it opens no database."""
    return create_app(Settings(data=Path("nowhere"), secret_key=secret_key))


@contextmanager
def one_app(settings: Settings, engine: Engine, clock: Callable[[], datetime]) -> Iterator[Flask]:
    """The one app, of this co-op while the block runs. A test that changes the app makes its own with `create_app`."""
    # What an app takes from its settings when it is made, besides the key.
    assert (settings.secure_cookies, settings.trusted_proxies, settings.jobs) == (False, 0, "embedded")
    app = _made(settings.secret_key)
    addresses = dict(app.view_functions)
    app.extensions["coop"] = Site(settings, engine, make_sessions(engine), clock)
    with logs_left_as_found():
        configure_logs(settings.log_format)
        yield app
    assert app.view_functions == addresses, "a test that adds addresses makes an app of its own"


@contextmanager
def logs_left_as_found() -> Iterator[None]:
    """An app sends the `coop` loggers to a handler of its own: other tests read them where they were."""
    yield
    logger = logging.getLogger("coop")
    for handler in [h for h in logger.handlers if getattr(h, "is_coops", False)]:
        logger.removeHandler(handler)
    logger.propagate = True
    logger.setLevel(logging.NOTSET)
