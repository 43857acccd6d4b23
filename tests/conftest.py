"""Fixtures for every test: the services' addresses, databases made by migration, a moment, a mail server.

A service that is missing is a failure here, never a skip. `coop test` starts what does not run.
"""

from __future__ import annotations

import os
import shutil
import uuid
from collections.abc import Callable, Hashable, Iterator
from datetime import UTC, datetime
from pathlib import Path

import pytest
import redis
from hypothesis import settings
from sqlalchemy import Engine

import coop.rooms
import tests.passphrases
from coop.core import migrate
from coop.core.db import Sessions, make_engine, make_sessions
from tests import services
from tests.databases import ENGINES, PostgresDatabases, SqliteDatabases, quick_folder
from tests.mail_server import MailServer

assert coop.rooms.METADATA.tables

# Random examples judge results, never how long a busy machine took.
settings.register_profile("coop", deadline=None)
settings.load_profile("coop")

# Passphrases are cheap from here on.
assert tests.passphrases.PROGRAMS

BOTH_DATABASES = ["sqlite", pytest.param("postgresql", marks=pytest.mark.postgres)]


# What takes longest a file begins, so that no process of two waits at the end for the other's last file.
LONGEST_FIRST = ("tests/functional/", "tests/integration/web/", "tests/integration/", "tests/")


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    items.sort(key=lambda item: next(n for n, place in enumerate((*LONGEST_FIRST, "")) if item.nodeid.startswith(place)))


@pytest.fixture
def now() -> datetime:
    """A moment: 3 November 2026, 15:00 UTC (a Tuesday; 9:00 in Chicago)."""
    return datetime(2026, 11, 3, 15, 0, tzinfo=UTC)


# --- services -----------------------------------------------------------------------------------------------------------


@pytest.fixture(scope="session")
def postgres_url() -> str:
    """Address of a PostgreSQL whose user may create databases (`postgresql://...`)."""
    fault = services.postgres_fault(services.POSTGRES)
    if fault:
        pytest.fail(
            f"PostgreSQL at {services.POSTGRES} cannot be used: {fault}. "
            "`coop test` starts one; or name one in COOP_TEST_POSTGRES.",
            pytrace=False,
        )
    return services.POSTGRES


@pytest.fixture(scope="session")
def redis_url() -> str:
    """Address of a Redis, with a database number of this test process's own."""
    fault = services.redis_fault(services.REDIS)
    if fault:
        pytest.fail(
            f"Redis at {services.REDIS} cannot be used: {fault}. `coop test` starts one; or name one in COOP_TEST_REDIS.",
            pytrace=False,
        )
    worker = os.environ.get("PYTEST_XDIST_WORKER", "gw0").removeprefix("gw")
    return f"{services.REDIS.rstrip('/')}/{1 + int(worker) % 15}"


@pytest.fixture
def redis_prefix(redis_url: str) -> Iterator[str]:
    """A prefix nobody else uses, for COOP_REDIS_PREFIX; its keys are deleted afterwards (and no others)."""
    prefix = f"coop-test-{uuid.uuid4().hex[:12]}"
    yield prefix
    with redis.Redis.from_url(redis_url) as client:
        for key in client.scan_iter(match=f"{prefix}*", count=1000):
            client.delete(key)


@pytest.fixture
def smtp_server() -> Iterator[MailServer]:
    """A real SMTP server on a free port that a test can have refuse or hang; see tests/mail_server.py."""
    with MailServer() as server:
        yield server


@pytest.fixture(scope="session")
def chromium_path() -> str:
    """The browser's executable, for Playwright."""
    found = services.chromium()
    if found is None:
        pytest.fail("Chromium is not installed. Run: bash .ci/setup", pytrace=False)
    return str(found)


# --- databases ----------------------------------------------------------------------------------------------------------


@pytest.fixture(scope="session")
def sqlite_template(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A migrated, empty SQLite file, to be copied."""
    path = tmp_path_factory.mktemp("template") / "coop.sqlite3"
    engine = make_engine(f"sqlite:///{path}")
    migrate.upgrade(engine)
    with engine.connect() as connection:
        # One file, no log beside it: a copy of the file is then the whole database.
        connection.connection.cursor().execute("PRAGMA journal_mode=DELETE")
    engine.dispose()
    return path


@pytest.fixture(scope="session")
def sqlite_databases(sqlite_template: Path) -> Iterator[SqliteDatabases]:
    """Lends the one SQLite file that tests have by turns."""
    with quick_folder() as folder:
        yield SqliteDatabases(folder, sqlite_template)


@pytest.fixture(scope="session")
def postgres_databases(postgres_url: str) -> Iterator[PostgresDatabases]:
    """Makes and drops databases, from a migrated template."""
    databases = PostgresDatabases(postgres_url)
    try:
        yield databases
    finally:
        databases.drop_all()


@pytest.fixture
def sqlite_url(sqlite_template: Path, tmp_path: Path) -> str:
    """SQLAlchemy's address of a fresh, migrated SQLite database: `coop.sqlite3` in `tmp_path`, where a co-op has its own."""
    path = tmp_path / "coop.sqlite3"
    shutil.copyfile(sqlite_template, path)
    return f"sqlite:///{path}"


@pytest.fixture
def begins_with() -> Hashable:
    """Key of what `fill` fills this test's database with before anything else is done in it; None where it begins without rows.

    Tests that begin with the same have it from one another on PostgreSQL, and only what one wrote is put back for the next.
    """
    return None


@pytest.fixture
def postgres_database_url(postgres_databases: PostgresDatabases, begins_with: Hashable) -> Iterator[str]:
    """SQLAlchemy's address of a migrated PostgreSQL database without rows, or before a `fill`; given back afterwards."""
    address = postgres_databases.lend(begins_with)
    yield address
    postgres_databases.give_back(address, begins_with)


@pytest.fixture
def sqlite_database_url(sqlite_databases: SqliteDatabases) -> Iterator[str]:
    """SQLAlchemy's address of a migrated SQLite database without rows, given back afterwards."""
    yield sqlite_databases.lend()
    sqlite_databases.give_back()


@pytest.fixture(params=BOTH_DATABASES)
def database_url(request: pytest.FixtureRequest) -> str:
    """SQLAlchemy's address of a migrated database without rows: the test runs on SQLite and on PostgreSQL."""
    name = "sqlite_database_url" if request.param == "sqlite" else "postgres_database_url"
    address: str = request.getfixturevalue(name)
    return address


@pytest.fixture(params=BOTH_DATABASES)
def empty_database_url(request: pytest.FixtureRequest, tmp_path: Path) -> Iterator[str]:
    """SQLAlchemy's address of a database without tables, on both kinds: for tests of the migrations themselves."""
    if request.param == "sqlite":
        yield f"sqlite:///{tmp_path / 'empty.sqlite3'}"
        return
    databases: PostgresDatabases = request.getfixturevalue("postgres_databases")
    address = databases.empty()
    yield address
    databases.drop(address)


@pytest.fixture
def make_test_engine() -> Iterator[Callable[[str], Engine]]:
    """Makes engines, the kept one of a lent database among them; their connections are closed at the test's end, or kept."""
    made: list[Engine] = []

    def make(address: str) -> Engine:
        made.append(ENGINES.of(address))
        return made[-1]

    yield make
    for engine in made:
        if not ENGINES.keeps(engine):
            engine.dispose()


@pytest.fixture
def engine(database_url: str, make_test_engine: Callable[[str], Engine]) -> Engine:
    """An engine on `database_url`."""
    return make_test_engine(database_url)


@pytest.fixture
def sessions(engine: Engine) -> Sessions:
    """Sessions on `engine`; use them with `coop.core.db.transaction`."""
    return make_sessions(engine)
