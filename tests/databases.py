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
from dataclasses import dataclass
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
SEQUENCES = "sequences"
Rows = dict[str, bytes]
"""What COPY gives of each table that has rows, and under SEQUENCES each used sequence and its last number."""


@dataclass(frozen=True)
class Held:
    """What a database of PostgreSQL holds: the rows of a key, or none, and how much had been written when it held just them."""

    key: Hashable
    counts: dict[str, int] | None


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
        self._kept: dict[Hashable, list[str]] = {}
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

    def lend(self, begins_with: Hashable = None) -> str:
        """A migrated database: one given back that stands as `fill` made it by this key, or else one without rows. Its address.

        Cloning one costs a third of a second of disk, filling one a tenth; a suite has thousands of tests.
        """
        kept = self._kept.get(begins_with) or self._kept.get(None)
        address = kept.pop() if kept else self.migrated()
        ENGINES.lent(address)
        return address

    def give_back(self, address: str, begins_with: Hashable = None) -> None:
        """Make a lent database again what the next test begins with: as `fill` made it by this key, if it did, or else empty.

        It is dropped where its schema is not what it was, or it may not be emptied.
        """
        holds = _HOLDS.get(make_url(address).database)
        key = begins_with if holds is not None and holds.key == begins_with else None
        try:
            same = self._restored(address, key)
        except psycopg.Error:
            same = False
        if same:
            self._kept.setdefault(key, []).append(address)
        else:
            self.drop(address)

    def _restored(self, address: str, key: Hashable) -> bool:
        """Whether it could be: of the kept engine's connections one remains, as it was when it was new; all others end."""
        pool = ENGINES.lent(address).pool
        idle = [pool.connect() for _ in range(pool.checkedin())]  # type: ignore[attr-defined]
        for extra in idle[1:]:
            extra.invalidate()
        one = idle[0] if idle else pool.connect()
        connection = one.driver_connection
        assert isinstance(connection, psycopg.Connection)
        name = connection.info.dbname
        try:
            connection.rollback()
            connection.execute("RESET ALL")
            connection.execute(
                "SELECT pg_advisory_unlock_all(), pg_terminate_backend(pid, 5000) FROM pg_stat_activity "
                "WHERE datname = current_database() AND pid <> pg_backend_pid()"
            )
            held, counts = _HOLDS.pop(name, Held(None, None)), _counts(connection)
            written = None if counts is None or held.counts is None else {n for n in counts if counts[n] != held.counts.get(n)}
            schema_written = written is None or bool(written & set(SCHEMA_TABLES))
            same = not schema_written or _shape(connection) == self._shape
            if same:
                _put_rows(connection, key, None if schema_written else written)
            connection.commit()
            _HOLDS[name] = Held(key, _counts(connection))
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
        _HOLDS.pop(name, None)
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


def _put_rows(connection: psycopg.Connection, key: Hashable, tables: set[str] | None) -> None:
    """Only the rows of a key again, or none; in these tables, the only ones that were written, or in all.

    Past the guards, as the superuser of the test server may; and every number goes on where it did.
    """
    kept = _ROWS["postgresql", key] if key is not None else {}
    tables = {*_filled_tables(connection), *kept} if tables is None else tables
    connection.execute("SET LOCAL session_replication_role = replica")
    if tables:
        deletes = (sql.SQL("DELETE FROM {}").format(sql.Identifier(name)) for name in tables - {SEQUENCES})
        connection.execute(sql.SQL("; ").join(deletes))
        _copy_in(connection, {name: text for name, text in kept.items() if name in tables})
    wanted = dict(pickle.loads(kept[SEQUENCES])) if kept else {}
    used = dict(_used_sequences(connection))
    _set_sequences(
        connection, {name: wanted.get(name) for name in used.keys() | wanted.keys() if used.get(name) != wanted.get(name)}
    )


SCHEMA_TABLES = (
    *("pg_class", "pg_attribute", "pg_constraint", "pg_trigger", "pg_proc", "pg_namespace", "pg_db_role_setting"),
    "alembic_version",
)
"""Where a change of the schema, or of a table as a whole, writes."""


def _counts(connection: psycopg.Connection) -> dict[str, int] | None:
    """How many rows were ever written in each table and in SCHEMA_TABLES, by whoever it was; None of a server that does not say.

    Other connections tell what they wrote when they end, this one when it is asked to (PostgreSQL manual, "The Cumulative
    Statistics System").
    """
    if connection.info.server_version < 150000:
        return None
    connection.execute("SELECT pg_stat_force_next_flush()")
    connection.commit()
    asked = (
        "SELECT relname, pg_stat_get_tuples_inserted(oid) + pg_stat_get_tuples_updated(oid) + pg_stat_get_tuples_deleted(oid) "
        "FROM pg_class WHERE relkind = 'r' AND (relnamespace = 'public'::regnamespace OR relname = ANY(%s)) "
        "AND current_setting('track_counts')::boolean"
    )
    return dict(connection.execute(asked, [list(SCHEMA_TABLES)]).fetchall()) or None


def _used_sequences(connection: psycopg.Connection) -> list[tuple[str, int]]:
    """Name and last number of each sequence that gave one."""
    asked = "SELECT sequencename, last_value FROM pg_sequences WHERE schemaname = 'public' AND last_value IS NOT NULL"
    return [(name, last) for name, last in connection.execute(asked)]


# --- what many tests begin with -----------------------------------------------------------------------------------------


_VALUES: dict[Hashable, bytes] = {}
_FILES: dict[Hashable, bytes] = {}
_ROWS: dict[Hashable, Rows] = {}
_HOLDS: dict[str | None, Held] = {}
"""By the database's name."""


def fill(engine: Engine, key: Hashable, build: Callable[[Session], Value]) -> Value:
    """Fill a migrated database without rows with what `build` makes; `key` names the builder and its arguments.

    It is built once in this process on each kind of database, and brought back for every test that begins with it. What the
    builder returned comes back as a copy of its own (by pickle), so that no test sees what another did to it.
    """
    on_sqlite = engine.dialect.name == "sqlite"
    holds = _HOLDS.pop(engine.url.database, Held(None, None))
    assert holds.key in (None, key), f"lent with {holds.key}"
    held, key = Held(key, holds.counts if holds.key == key else None), (engine.dialect.name, key)
    if key in _VALUES:
        if on_sqlite:
            _put_file(engine, _FILES[key])
        elif holds.key is None:
            with engine.begin() as pooled:
                _put_rows(_driver(pooled), held.key, None)
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
    if not on_sqlite:
        _HOLDS[engine.url.database] = held
    copy: Value = pickle.loads(_VALUES[key])
    return copy


def _rows_of(engine: Engine) -> Rows:
    """Every row of a database, as COPY has it."""
    rows: Rows = {}
    with engine.connect() as pooled, _driver(pooled).cursor() as cursor:
        for name in _filled_tables(cursor.connection):
            with cursor.copy(sql.SQL("COPY {} TO STDOUT").format(sql.Identifier(name))) as out:
                rows[name] = b"".join(bytes(part) for part in out)
        rows[SEQUENCES] = pickle.dumps(_used_sequences(cursor.connection))
    return rows


def _copy_in(connection: psycopg.Connection, rows: Rows) -> None:
    """Put rows where there are none; the guards were passed when they were built."""
    with connection.cursor() as cursor:
        for name, text in rows.items():
            if name != SEQUENCES:
                with cursor.copy(sql.SQL("COPY {} FROM STDIN").format(sql.Identifier(name))) as into:
                    into.write(text)


def _set_sequences(connection: psycopg.Connection, last: dict[str, int | None]) -> None:
    """Have each sequence go on after its last number; None begins it again."""
    connection.execute(
        "SELECT CASE WHEN last IS NULL THEN setval(format('%%I', name)::regclass, start_value, false) "
        "ELSE setval(format('%%I', name)::regclass, last) END "
        "FROM unnest(%s::text[], %s::bigint[]) AS used (name, last) "
        "JOIN pg_sequences ON schemaname = 'public' AND sequencename = name",
        (list(last), list(last.values())),
    )


def _driver(pooled: Any) -> psycopg.Connection:
    connection = pooled.connection.driver_connection
    assert isinstance(connection, psycopg.Connection)
    return connection
