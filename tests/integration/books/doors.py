"""Databases with books laid out in them, and ways in: ours, and that of a program that knows nothing of ours."""

from __future__ import annotations

import sqlite3
from collections.abc import Iterator
from contextlib import closing, contextmanager
from dataclasses import asdict
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import pytest
from sqlalchemy import Engine, text

from coop.core.db import make_engine, make_sessions, transaction
from tests.databases import PostgresDatabases
from tests.factories.books import Books, lay_out
from tests.integration.books.attacks import GUARDED, key

NOW = datetime(2026, 10, 9, 15, 0, tzinfo=UTC)


class Door:
    """A database with books in it, and a way in."""

    def __init__(self, engine: Engine, books: Books, plain: Path | None) -> None:
        self.engine, self.books, self.plain = engine, books, plain
        self.before = self.everything()

    def run(self, statements: tuple[str, ...]) -> None:
        """The statements in one transaction, committed."""
        filled = [statement.format(**asdict(self.books)) for statement in statements]
        if self.plain is None:
            with self.engine.begin() as connection:
                for statement in filled:
                    connection.exec_driver_sql(statement)
            return
        with closing(sqlite3.connect(self.plain, isolation_level=None)) as raw:
            raw.execute("PRAGMA foreign_keys = ON")
            assert raw.execute("PRAGMA recursive_triggers").fetchone() == (0,)
            raw.execute("BEGIN IMMEDIATE")
            for statement in filled:
                raw.execute(statement)
            raw.execute("COMMIT")

    def everything(self) -> dict[str, list[Any]]:
        """Every row of every guarded table."""
        with self.engine.connect() as connection:
            return {table: connection.execute(text(f"SELECT * FROM {table} ORDER BY {key(table)}")).all() for table in GUARDED}


@contextmanager
def opened(kind: str, request: pytest.FixtureRequest, folder: Path) -> Iterator[Door]:
    """A door of its kind: sqlite (our engine), plain (SQLite without it), postgresql."""
    if kind == "postgresql":
        databases: PostgresDatabases = request.getfixturevalue("postgres_databases")
        url, plain = databases.migrated(), None
    else:
        path = folder / "coop.sqlite3"
        path.write_bytes(request.getfixturevalue("sqlite_template").read_bytes())
        url, plain = f"sqlite:///{path}", path if kind == "plain" else None
    engine = make_engine(url)
    with transaction(make_sessions(engine)) as session:
        books = lay_out(session, NOW)
    yield Door(engine, books, plain)
    engine.dispose()
    if kind == "postgresql":
        databases.drop(url)


ON_SQLITE = ["sqlite", "plain"]
ON_POSTGRESQL = [pytest.param("postgresql", marks=pytest.mark.postgres)]
