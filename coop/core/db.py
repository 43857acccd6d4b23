"""The database: types, engine, and the one transaction a request or job has."""

from __future__ import annotations

import sqlite3
from collections.abc import Iterator
from contextlib import contextmanager
from datetime import UTC, datetime
from decimal import Decimal
from typing import Any

from sqlalchemy import BigInteger, DateTime, Dialect, Engine, Integer, MetaData, create_engine, event, text
from sqlalchemy.dialects.postgresql import insert as pg_insert
from sqlalchemy.dialects.sqlite import insert as sqlite_insert
from sqlalchemy.engine import URL, ExceptionContext, make_url
from sqlalchemy.orm import DeclarativeBase, Session, sessionmaker
from sqlalchemy.types import TypeDecorator

NAMING = {
    "ix": "ix_%(table_name)s_%(column_0_N_name)s",
    "uq": "uq_%(table_name)s_%(column_0_N_name)s",
    "ck": "ck_%(table_name)s_%(constraint_name)s",
    "fk": "fk_%(table_name)s_%(column_0_name)s",
    "pk": "pk_%(table_name)s",
}

Key = BigInteger().with_variant(Integer(), "sqlite")
"""Type of every surrogate key (SQLite numbers rows only in INTEGER)."""
Cents = BigInteger()
"""Type of every amount of money, in cents."""


class Base(DeclarativeBase):
    metadata = MetaData(naming_convention=NAMING)


class UtcDateTime(TypeDecorator[datetime]):
    """A moment, always aware and in UTC on both databases. Refuses a naive value."""

    impl = DateTime(timezone=True)
    cache_ok = True

    def process_bind_param(self, value: datetime | None, dialect: Dialect) -> datetime | None:
        if value is None:
            return None
        if value.tzinfo is None:
            raise ValueError("a moment without a time zone cannot be stored")
        utc = value.astimezone(UTC)
        return utc.replace(tzinfo=None) if dialect.name == "sqlite" else utc

    def process_result_value(self, value: datetime | None, dialect: Dialect) -> datetime | None:
        if value is None:
            return None
        return value.replace(tzinfo=UTC) if value.tzinfo is None else value.astimezone(UTC)


class Scaled(TypeDecorator[Decimal]):
    """A Decimal with a fixed number of places, stored as an integer: SQLite has no exact numeric.

    Refuses a value with more places than fit, and a float.
    """

    impl = BigInteger
    cache_ok = True

    def __init__(self, places: int) -> None:
        super().__init__()
        self.places = places

    def process_bind_param(self, value: Decimal | int | None, dialect: Dialect) -> int | None:
        if value is None:
            return None
        if not isinstance(value, int | Decimal):
            raise TypeError(f"a rate is a Decimal, not {type(value).__name__}")
        scaled = Decimal(value).scaleb(self.places)
        if scaled != scaled.to_integral_value():
            raise ValueError(f"{value} has more than {self.places} decimal places")
        return int(scaled)

    def process_result_value(self, value: int | None, dialect: Dialect) -> Decimal | None:
        return None if value is None else Decimal(value).scaleb(-self.places)


Rate = Scaled(6)
"""A price per unit in dollars, or a percent: six places."""


def make_engine(url: str | URL, **options: Any) -> Engine:
    """An engine whose transactions are kept apart as the books need: IMMEDIATE on SQLite, row locks on PostgreSQL."""
    parsed = make_url(url)
    # Errors are kept with their jobs and in logs: what they say must not hold people's data.
    options.setdefault("hide_parameters", True)
    if parsed.get_backend_name() == "sqlite":
        options.setdefault("connect_args", {})["timeout"] = 60
        engine = create_engine(parsed, **options)
        event.listen(engine, "connect", _sqlite_connect)
        event.listen(engine, "begin", _sqlite_begin)
    else:
        options.setdefault("pool_pre_ping", True)
        engine = create_engine(parsed, **options)
        event.listen(engine, "handle_error", _without_rows)
    return engine


def _without_rows(context: ExceptionContext) -> None:
    """Keep of a server's error its first line, its SQLSTATE and the constraint's name.

    The lines after it quote rows and keys ("Failing row contains (...)", "Key (email)=(...)"), and would carry them into logs
    and into what a job keeps. A connection that is not made has no rows, and its lines help whoever mends it.
    """
    original, raised = context.original_exception, context.sqlalchemy_exception
    state = getattr(original, "sqlstate", None)
    if state is None or context.connection is None:
        return
    whole = str(original)
    constraint = original.diag.constraint_name  # type: ignore[attr-defined]
    brief = f"{whole.partition(chr(10))[0]} [{state}{f', {constraint}' if constraint else ''}]"
    original.args = (brief,)
    if raised is not None:
        raised.args = tuple(arg.replace(whole, brief) if isinstance(arg, str) else arg for arg in raised.args)


def _sqlite_connect(connection: sqlite3.Connection, _record: object) -> None:
    # The driver's own transaction handling loses updates under threads; we begin ourselves.
    connection.isolation_level = None
    for pragma in ("journal_mode=WAL", "synchronous=FULL", "foreign_keys=ON", "recursive_triggers=ON"):
        connection.execute(f"PRAGMA {pragma}")
    # SQLite's own know A to Z alone: CAFÉ would not be found by café, as it is on PostgreSQL.
    connection.create_function("lower", 1, _lower, deterministic=True)
    connection.create_function("upper", 1, _upper, deterministic=True)


def _lower(value: object) -> str | None:
    return None if value is None else str(value).lower()


def _upper(value: object) -> str | None:
    return None if value is None else str(value).upper()


def _sqlite_begin(connection: Any) -> None:
    connection.exec_driver_sql("BEGIN IMMEDIATE")


Sessions = sessionmaker[Session]


def make_sessions(engine: Engine) -> Sessions:
    return sessionmaker(engine, expire_on_commit=False, autoflush=True)


@contextmanager
def transaction(sessions: Sessions) -> Iterator[Session]:
    """One session, one transaction: committed at the end, rolled back on any error."""
    with sessions() as session, session.begin():
        yield session


def dialect_name(session: Session) -> str:
    return session.get_bind().dialect.name


def insert_ignoring(session: Session, table: type[Any], *key: str) -> Any:
    """An insert that leaves a row alone which is there already: under that key (columns), or under any if none is named."""
    insert = pg_insert if dialect_name(session) == "postgresql" else sqlite_insert
    return insert(table).on_conflict_do_nothing(index_elements=key or None)


def server_version(session: Session) -> str:
    """The database's own version, for `coop check`."""
    if dialect_name(session) == "postgresql":
        return "PostgreSQL " + str(session.scalar(text("SHOW server_version")))
    return "SQLite " + str(session.scalar(text("SELECT sqlite_version()")))
