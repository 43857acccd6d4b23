"""Databases of one test process: made by migration once, then lent to one test after another, each time as if new.

A lent database is known by its address. Its engine is kept with it, for what an engine has compiled of SQL, and the connection
it has open, serve the next test as well; a test gets the engine through `execution_options()`, which has listeners of its own.
Rows that many tests begin with are built once and kept (`fill`): a small co-op takes a second to build, a tenth to bring back.
"""

from __future__ import annotations

import contextlib
import pickle
import tempfile
import uuid
from collections.abc import Callable, Hashable, Iterator
from pathlib import Path
from typing import Any, TypeVar

import psycopg
from psycopg import sql
from sqlalchemy import Engine, make_url
from sqlalchemy.orm import Session

from coop.core import migrate
from coop.core.db import make_engine, make_sessions, transaction
from tests.services import MEMORY, has_room

Value = TypeVar("Value")
ROOM_BYTES = 1 << 29
Rows = dict[str, bytes]
"""What COPY gives of each table that has rows, and under "sequences" each used sequence and its last number."""


class Engines:
    """The engine of each lent address."""

    def __init__(self) -> None:
        self._kept: dict[str, Engine] = {}

    def lent(self, address: str) -> Engine:
        """The kept engine itself."""
        if address not in self._kept:
            self._kept[address] = make_engine(address)
        return self._kept[address]

    def of(self, address: str) -> Engine:
        """A lent database's kept engine, with listeners of the caller's own; any other's new one, to be disposed of."""
        return self._kept[address].execution_options() if address in self._kept else make_engine(address)

    def keeps(self, engine: Engine) -> bool:
        """Whether its connections serve the next test too."""
        return any(engine.pool is kept.pool for kept in self._kept.values())

    def forget(self, address: str) -> None:
        if address in self._kept:
            self._kept.pop(address).dispose()


ENGINES = Engines()
"""Of this process."""


@contextlib.contextmanager
def quick_folder() -> Iterator[Path]:
    """A folder for databases that every test waits for: in memory where this machine has such a place with room."""
    with tempfile.TemporaryDirectory(prefix="coop-test-", dir=MEMORY if has_room(MEMORY, ROOM_BYTES) else None) as folder:
        yield Path(folder)


class SqliteDatabases:
    """One file in one place, put there anew for each test."""

    def __init__(self, folder: Path, template: Path) -> None:
        self.path = folder / "coop.sqlite3"
        self.address = f"sqlite:///{self.path}"
        self.template = template.read_bytes()

    def lend(self) -> str:
        """Address of a migrated database without rows."""
        _put_file(ENGINES.lent(self.address), self.template)
        return self.address

    def give_back(self) -> None:
        ENGINES.lent(self.address).dispose()


def _put_file(engine: Engine, content: bytes) -> None:
    """Put another file where an engine has its own. Who still has the old one open keeps that one, and never meets the new."""
    engine.dispose()
    path = Path(str(engine.url.database))
    for end in ("", "-wal", "-shm", "-journal"):
        path.with_name(path.name + end).unlink(missing_ok=True)
    path.write_bytes(content)


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

    def lend(self) -> str:
        """A migrated database with no rows in it: one given back, emptied, or else a fresh one. Its address.

        Cloning one costs a third of a second of disk; a suite has hundreds of tests.
        """
        address = self._empty.pop() if self._empty else self.migrated()
        ENGINES.lent(address)
        return address

    def give_back(self, address: str) -> None:
        """Empty a lent database for the next test; dropped where its schema is not what it was, or it may not be emptied."""
        try:
            same = self._emptied(address)
        except psycopg.Error:
            same = False
        if same:
            self._empty.append(address)
        else:
            self.drop(address)

    def _emptied(self, address: str) -> bool:
        """Whether it could be: of the kept engine's connections one remains, as it was when it was new; all others end."""
        pool = ENGINES.lent(address).pool
        idle = [pool.connect() for _ in range(pool.checkedin())]  # type: ignore[attr-defined]
        for extra in idle[1:]:
            extra.invalidate()
        one = idle[0] if idle else pool.connect()
        connection = one.driver_connection
        assert isinstance(connection, psycopg.Connection)
        try:
            connection.rollback()
            connection.execute("RESET ALL")
            connection.execute(
                "SELECT pg_advisory_unlock_all(), pg_terminate_backend(pid) FROM pg_stat_activity "
                "WHERE datname = current_database() AND pid <> pg_backend_pid()"
            )
            same = _shape(connection) == self._shape
            if same:
                _delete_rows(connection)
            connection.commit()
        except psycopg.Error:
            one.invalidate()
            raise
        one.close()
        return same

    @staticmethod
    def _plain(address: str) -> psycopg.Connection:
        return psycopg.connect(make_url(address).set(drivername="postgresql").render_as_string(hide_password=False))

    def drop(self, address: str) -> None:
        name = make_url(address).database
        ENGINES.forget(address)
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
    # Told one from another on the server: the rows themselves are thousands.
    hashed = (f"SELECT md5(string_agg(row::text, E'\\n' ORDER BY row::text)) FROM ({query}) row" for query in queries)
    return tuple(connection.execute(" UNION ALL ".join(f"({query})" for query in hashed)).fetchall())


TABLES = "SELECT relname FROM pg_class WHERE relnamespace = 'public'::regnamespace AND relkind = 'r'"


def _filled_tables(connection: psycopg.Connection) -> list[str]:
    """Names of the tables that have rows."""
    tables = [row[0] for row in connection.execute(TABLES) if row[0] != "alembic_version"]
    asked = sql.SQL(" UNION ALL ").join(
        sql.SQL("SELECT {} WHERE EXISTS (SELECT 1 FROM {})").format(sql.Literal(name), sql.Identifier(name)) for name in tables
    )
    return [row[0] for row in connection.execute(asked)]


def _delete_rows(connection: psycopg.Connection) -> None:
    """Every row away, and every number begun again, past the guards: as the superuser of the test server may."""
    connection.execute("SET LOCAL session_replication_role = replica")
    filled = _filled_tables(connection)
    if filled:
        deletes = (sql.SQL("DELETE FROM {}").format(sql.Identifier(name)) for name in filled)
        connection.execute(sql.SQL("; ").join(deletes))
    connection.execute(
        "SELECT setval(format('%I', sequencename)::regclass, start_value, false) FROM pg_sequences "
        "WHERE schemaname = 'public' AND last_value IS NOT NULL"
    )


def _used_sequences(connection: psycopg.Connection) -> list[tuple[str, int]]:
    """Name and last number of each sequence that gave one."""
    asked = "SELECT sequencename, last_value FROM pg_sequences WHERE schemaname = 'public' AND last_value IS NOT NULL"
    return [(name, last) for name, last in connection.execute(asked)]


# --- what many tests begin with -----------------------------------------------------------------------------------------


_VALUES: dict[Hashable, bytes] = {}
_FILES: dict[Hashable, bytes] = {}
_ROWS: dict[Hashable, Rows] = {}


def fill(engine: Engine, key: Hashable, build: Callable[[Session], Value]) -> Value:
    """Fill a migrated database without rows with what `build` makes; `key` names the builder and its arguments.

    It is built once in this process on each kind of database, and brought back for every test that begins with it. What the
    builder returned comes back as a copy of its own (by pickle), so that no test sees what another did to it.
    """
    on_sqlite = engine.dialect.name == "sqlite"
    key = (engine.dialect.name, key)
    if key in _VALUES:
        if on_sqlite:
            _put_file(engine, _FILES[key])
        else:
            _bring_back(engine, _ROWS[key])
    else:
        with transaction(make_sessions(engine)) as session:
            value = build(session)
        if on_sqlite:
            # Closed, it is one file.
            engine.dispose()
            _FILES[key] = Path(str(engine.url.database)).read_bytes()
        else:
            _ROWS[key] = _rows_of(engine)
        _VALUES[key] = pickle.dumps(value)
    copy: Value = pickle.loads(_VALUES[key])
    return copy


def _rows_of(engine: Engine) -> Rows:
    """Every row of a database, as COPY has it."""
    rows: Rows = {}
    with engine.connect() as pooled, _driver(pooled).cursor() as cursor:
        for name in _filled_tables(cursor.connection):
            with cursor.copy(sql.SQL("COPY {} TO STDOUT").format(sql.Identifier(name))) as out:
                rows[name] = b"".join(bytes(part) for part in out)
        rows["sequences"] = pickle.dumps(_used_sequences(cursor.connection))
    return rows


def _bring_back(engine: Engine, rows: Rows) -> None:
    """Put rows where there are none, past the guards, which they passed when they were built; and numbers go on after them."""
    with engine.begin() as pooled, _driver(pooled).cursor() as cursor:
        cursor.execute("SET LOCAL session_replication_role = replica")
        for name, text in rows.items():
            if name != "sequences":
                with cursor.copy(sql.SQL("COPY {} FROM STDIN").format(sql.Identifier(name))) as into:
                    into.write(text)
        names, numbers = zip(*pickle.loads(rows["sequences"]), strict=True)
        cursor.execute(
            "SELECT setval(format('%%I', name)::regclass, last) FROM unnest(%s::text[], %s::bigint[]) AS used (name, last)",
            (list(names), list(numbers)),
        )


def _driver(pooled: Any) -> psycopg.Connection:
    connection = pooled.connection.driver_connection
    assert isinstance(connection, psycopg.Connection)
    return connection
