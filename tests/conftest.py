"""Fixtures for every test: the services' addresses, databases made by migration, a moment, a mail server.

A service that is missing is a failure here, never a skip. `coop test` starts what does not run.
"""

from __future__ import annotations

import os
import shutil
import uuid
from collections.abc import Callable, Iterator
from datetime import UTC, datetime
from pathlib import Path

import psycopg
import pytest
import redis
from hypothesis import settings
from psycopg import sql
from sqlalchemy import Engine, make_url

import coop.rooms
from coop.core import migrate
from coop.core.db import Sessions, make_engine, make_sessions
from tests import services
from tests.mail_server import MailServer

assert coop.rooms.METADATA.tables

# Random examples judge results, never how long a busy machine took.
settings.register_profile("coop", deadline=None)
settings.load_profile("coop")

BOTH_DATABASES = ["sqlite", pytest.param("postgresql", marks=pytest.mark.postgres)]


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
def postgres_databases(postgres_url: str) -> Iterator[PostgresDatabases]:
    """Makes and drops databases, from a migrated template."""
    databases = PostgresDatabases(postgres_url)
    try:
        yield databases
    finally:
        databases.drop_all()


class PostgresDatabases:
    """Databases of this test process, all under one name nobody else uses."""

    def __init__(self, server_url: str) -> None:
        self.server_url = server_url
        self.name = f"coop_test_{uuid.uuid4().hex[:12]}"
        self.made: list[str] = []
        self._template: str | None = None
        self._empty: list[str] = []
        self._shape: tuple[object, ...] = ()

    def url(self, name: str) -> str:
        """SQLAlchemy's address of a database on this server."""
        url = make_url(self.server_url).set(drivername="postgresql+psycopg", database=name)
        return url.render_as_string(hide_password=False)

    def empty(self) -> str:
        """A fresh database without tables; its address."""
        return self._create("template1")

    def migrated(self) -> str:
        """A fresh database at the newest revision; its address."""
        if self._template is None:
            address = self.empty()
            engine = make_engine(address)
            migrate.upgrade(engine)
            engine.dispose()
            self._template = self.made[-1]
            with self._plain(address) as connection:
                self._shape = _shape(connection)
        return self._create(self._template)

    def borrowed(self) -> str:
        """A migrated database with no rows in it: one given back, emptied, or else a fresh one. Its address.

        Cloning one costs a third of a second of disk; a suite has hundreds of tests.
        """
        return self._empty.pop() if self._empty else self.migrated()

    def give_back(self, address: str) -> None:
        """Empty a borrowed database for the next test; dropped where its schema is not what it was, or it may not be emptied."""
        try:
            with self._plain(address) as connection:
                connection.execute(
                    "SELECT pg_terminate_backend(pid) FROM pg_stat_activity "
                    "WHERE datname = current_database() AND pid <> pg_backend_pid()"
                )
                same = _shape(connection) == self._shape
                if same:
                    _delete_rows(connection)
        except psycopg.Error:
            same = False
        if same:
            self._empty.append(address)
        else:
            self.drop(address)

    @staticmethod
    def _plain(address: str) -> psycopg.Connection:
        return psycopg.connect(make_url(address).set(drivername="postgresql").render_as_string(hide_password=False))

    def drop(self, address: str) -> None:
        name = make_url(address).database
        if name in self.made:
            self._do(sql.SQL("DROP DATABASE IF EXISTS {} WITH (FORCE)").format(sql.Identifier(name)))
            self.made.remove(name)

    def drop_all(self) -> None:
        for name in list(self.made):
            self.drop(self.url(name))

    def _create(self, template: str) -> str:
        name = f"{self.name}_{uuid.uuid4().hex[:8]}"
        self._do(sql.SQL("CREATE DATABASE {} TEMPLATE {}").format(sql.Identifier(name), sql.Identifier(template)))
        self.made.append(name)
        return self.url(name)

    def _do(self, statement: sql.Composed) -> None:
        with psycopg.connect(self.server_url, autocommit=True) as connection:
            connection.execute(statement)


def _shape(connection: psycopg.Connection) -> tuple[object, ...]:
    """What tells one schema from another: every relation, column, constraint, trigger, function and setting of the database."""
    queries = (
        "SELECT relname, relkind, relrowsecurity, relacl FROM pg_class WHERE relnamespace = 'public'::regnamespace",
        "SELECT attrelid::regclass::text, attname, atttypid, attnotnull FROM pg_attribute JOIN pg_class c ON c.oid = attrelid "
        "WHERE c.relnamespace = 'public'::regnamespace AND attnum > 0",
        "SELECT conname, pg_get_constraintdef(oid), convalidated FROM pg_constraint WHERE connamespace = 'public'::regnamespace",
        "SELECT tgrelid::regclass::text, tgname, tgenabled FROM pg_trigger WHERE NOT tgisinternal",
        "SELECT proname, prosrc FROM pg_proc WHERE pronamespace = 'public'::regnamespace AND prolang <> 13",
        "SELECT setconfig FROM pg_db_role_setting JOIN pg_database d ON d.oid = setdatabase WHERE datname = current_database()",
        "SELECT nspname FROM pg_namespace WHERE nspname NOT LIKE 'pg\\_%'",
        "SELECT version_num FROM alembic_version",
    )
    return tuple(sorted(map(repr, connection.execute(query).fetchall())) for query in queries)


def _delete_rows(connection: psycopg.Connection) -> None:
    """Every row away, and every number begun again, past the guards: as the superuser of the test server may."""
    connection.execute("SET LOCAL session_replication_role = replica")
    tables = [
        row[0]
        for row in connection.execute(
            "SELECT relname FROM pg_class WHERE relnamespace = 'public'::regnamespace AND relkind = 'r'"
        )
    ]
    filled = connection.execute(
        sql.SQL(" UNION ALL ").join(
            sql.SQL("SELECT {} WHERE EXISTS (SELECT 1 FROM {})").format(sql.Literal(name), sql.Identifier(name))
            for name in tables
            if name != "alembic_version"
        )
    ).fetchall()
    for (name,) in filled:
        connection.execute(sql.SQL("DELETE FROM {}").format(sql.Identifier(name)))
    used = connection.execute(
        "SELECT sequencename FROM pg_sequences WHERE schemaname = 'public' AND last_value IS NOT NULL"
    ).fetchall()
    for (name,) in used:
        connection.execute(sql.SQL("ALTER SEQUENCE {} RESTART").format(sql.Identifier(name)))


@pytest.fixture
def sqlite_url(sqlite_template: Path, tmp_path: Path) -> str:
    """SQLAlchemy's address of a fresh, migrated SQLite database."""
    path = tmp_path / "coop.sqlite3"
    shutil.copyfile(sqlite_template, path)
    return f"sqlite:///{path}"


@pytest.fixture
def postgres_database_url(postgres_databases: PostgresDatabases) -> Iterator[str]:
    """SQLAlchemy's address of a migrated PostgreSQL database without rows, given back afterwards."""
    address = postgres_databases.borrowed()
    yield address
    postgres_databases.give_back(address)


@pytest.fixture(params=BOTH_DATABASES)
def database_url(request: pytest.FixtureRequest) -> str:
    """SQLAlchemy's address of a fresh, migrated database: the test runs on SQLite and on PostgreSQL."""
    name = "sqlite_url" if request.param == "sqlite" else "postgres_database_url"
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
    """Makes engines that are disposed of at the test's end."""
    engines: list[Engine] = []

    def make(address: str) -> Engine:
        engines.append(make_engine(address))
        return engines[-1]

    yield make
    for engine in engines:
        engine.dispose()


@pytest.fixture
def engine(database_url: str, make_test_engine: Callable[[str], Engine]) -> Engine:
    """An engine on `database_url`."""
    return make_test_engine(database_url)


@pytest.fixture
def sessions(engine: Engine) -> Sessions:
    """Sessions on `engine`; use them with `coop.core.db.transaction`."""
    return make_sessions(engine)
