"""Every revision, up and down, on both databases: its guards as written down, its tables as in code, its data kept."""

from __future__ import annotations

import re
from collections.abc import Callable
from datetime import UTC, date, datetime
from typing import Any

import pytest
from alembic import command
from alembic.script import ScriptDirectory
from sqlalchemy import Engine, func, select, text
from sqlalchemy.exc import DBAPIError
from sqlalchemy.schema import CreateTable

from coop.books.checking import check_books
from coop.books.models import Entry, Posting
from coop.books.queries import balances
from coop.books.service import post_entry
from coop.core import migrate
from coop.core.db import make_sessions, transaction
from coop.core.periods import Month
from coop.dealers.models import Dealer
from coop.floor.models import Mall
from coop.leases.posting import post_rents
from coop.rooms import METADATA
from tests.factories.books import sale
from tests.integration.migrations.later_guards import GUARDS
from tests.integration.migrations.loaders import LOADERS

REVISIONS = [script.revision for script in ScriptDirectory.from_config(migrate.alembic_config()).walk_revisions()][::-1]
CHECK = re.compile(r"CONSTRAINT (\w+) CHECK \((.+?)\)(?:,| *\n|\)$)")
NOW = datetime(2026, 11, 3, 15, 0, tzinfo=UTC)


@pytest.fixture
def engine(empty_database_url: str, make_test_engine: Callable[[str], Engine]) -> Engine:
    return make_test_engine(empty_database_url)


def rows(engine: Engine, query: str) -> list[Any]:
    with engine.connect() as connection:
        return [tuple(row) for row in connection.execute(text(query))]


def guards_found(engine: Engine) -> dict[str, frozenset[str]]:
    """Triggers, CHECKs, exclusions, functions and deferred keys there are, as `table.name`."""
    if engine.dialect.name == "sqlite":
        triggers = rows(engine, "SELECT tbl_name || '.' || name FROM sqlite_master WHERE type = 'trigger'")
        tables = rows(engine, "SELECT name, sql FROM sqlite_master WHERE type = 'table'")
        deferred = re.compile(r"CONSTRAINT (\w+) FOREIGN KEY[^\n]*DEFERRABLE INITIALLY DEFERRED")
        return {
            "triggers": frozenset(name for (name,) in triggers),
            "checks": frozenset(f"{table}.{name}" for table, sql in tables for name, _ in CHECK.findall(sql)),
            "exclusions": frozenset(),
            "functions": frozenset(),
            "deferred_keys": frozenset(f"{table}.{name}" for table, sql in tables for name in deferred.findall(sql)),
        }
    constraints = (
        "SELECT c.relname || '.' || k.conname FROM pg_constraint k JOIN pg_class c ON c.oid = k.conrelid "
        "WHERE k.connamespace = 'public'::regnamespace AND "
    )
    queries = {
        "triggers": (
            "SELECT c.relname || '.' || t.tgname FROM pg_trigger t JOIN pg_class c ON c.oid = t.tgrelid "
            "WHERE NOT t.tgisinternal AND t.tgenabled = 'O'"
        ),
        "checks": constraints + "k.contype = 'c'",
        "exclusions": constraints + "k.contype = 'x'",
        "functions": (
            "SELECT p.proname FROM pg_proc p JOIN pg_language l ON l.oid = p.prolang "
            "WHERE l.lanname = 'plpgsql' AND p.pronamespace = 'public'::regnamespace"
        ),
        "deferred_keys": constraints + "k.contype = 'f' AND k.condeferred",
    }
    return {what: frozenset(name for (name,) in rows(engine, query)) for what, query in queries.items()}


def guards_expected(engine: Engine, revision: str) -> dict[str, frozenset[str]]:
    guards, postgresql = GUARDS[revision], engine.dialect.name == "postgresql"
    return {
        "triggers": guards.postgresql_triggers if postgresql else guards.sqlite_triggers,
        "checks": guards.checks,
        "exclusions": guards.exclusions if postgresql else frozenset(),
        "functions": guards.functions if postgresql else frozenset(),
        "deferred_keys": guards.deferred_keys,
    }


def shape(engine: Engine) -> list[Any]:
    """Everything the schema is: tables, columns, indexes, constraints, triggers, functions."""
    if engine.dialect.name == "sqlite":
        found = rows(engine, "SELECT type, name, tbl_name, sql FROM sqlite_master ORDER BY type, name")
        return [(kind, name, table, " ".join((sql or "").split())) for kind, name, table, sql in found]
    return [
        rows(engine, query)
        for query in (
            "SELECT table_name, column_name, data_type, is_nullable, column_default, character_maximum_length "
            "FROM information_schema.columns WHERE table_schema = 'public' ORDER BY 1, ordinal_position",
            "SELECT indexdef FROM pg_indexes WHERE schemaname = 'public' ORDER BY 1",
            "SELECT conrelid::regclass::text, conname, pg_get_constraintdef(oid) FROM pg_constraint "
            "WHERE connamespace = 'public'::regnamespace ORDER BY 1, 2",
            "SELECT pg_get_triggerdef(oid) FROM pg_trigger WHERE NOT tgisinternal ORDER BY 1",
            "SELECT pg_get_functiondef(p.oid) FROM pg_proc p JOIN pg_language l ON l.oid = p.prolang "
            "WHERE l.lanname = 'plpgsql' AND p.pronamespace = 'public'::regnamespace ORDER BY 1",
        )
    ]


def test_every_revision_is_written_down() -> None:
    assert list(GUARDS) == list(LOADERS) == REVISIONS


def test_every_revision_goes_up_and_down_and_up(engine: Engine) -> None:
    """After each step, up and down, the guards are those on the list and the schema is what it was there before."""
    shapes: dict[str, list[Any]] = {}
    for revision in REVISIONS:
        migrate.upgrade(engine, revision)
        assert migrate.revision_of(engine) == revision
        assert guards_found(engine) == guards_expected(engine, revision)
        shapes[revision] = shape(engine)
    for revision in REVISIONS[-2::-1]:
        migrate.downgrade(engine, revision)
        assert guards_found(engine) == guards_expected(engine, revision)
        assert shape(engine) == shapes[revision]
    migrate.downgrade(engine, "base")
    assert not any(guards_found(engine).values())
    assert rows(engine, TABLES[engine.dialect.name]) == [("alembic_version",)]
    for revision in REVISIONS:
        migrate.upgrade(engine, revision)
        assert shape(engine) == shapes[revision]


TABLES = {
    "sqlite": "SELECT name FROM sqlite_master WHERE type = 'table'",
    "postgresql": "SELECT tablename FROM pg_tables WHERE schemaname = 'public'",
}


def test_the_newest_revision_is_the_tables_in_code(engine: Engine) -> None:
    migrate.upgrade(engine)
    command.check(migrate.alembic_config(engine, METADATA))


def test_the_checks_are_those_in_code(engine: Engine) -> None:
    """Alembic's comparison does not see CHECKs: their names, and on SQLite their words, are compared here."""
    migrate.upgrade(engine)
    in_code = {
        (table.name, name): words
        for table in METADATA.sorted_tables
        for name, words in CHECK.findall(str(CreateTable(table).compile(dialect=engine.dialect)))
    }
    assert {f"{table}.{name}" for table, name in in_code} == guards_found(engine)["checks"]
    if engine.dialect.name == "sqlite":
        found = rows(engine, "SELECT name, sql FROM sqlite_master WHERE type = 'table'")
        assert {(table, name): words for table, sql in found for name, words in CHECK.findall(sql)} == in_code


def test_an_upgrade_that_fails_leaves_all_as_it_was(engine: Engine) -> None:
    """Something in the way of the second revision: the first is not left behind either."""
    with engine.begin() as connection:
        if engine.dialect.name == "postgresql":
            connection.execute(text("CREATE FUNCTION guard_frozen() RETURNS trigger LANGUAGE plpgsql AS 'BEGIN END'"))
        else:
            connection.execute(text("CREATE TABLE in_the_way (id INTEGER)"))
            connection.execute(text("CREATE TRIGGER guard_entry_period BEFORE INSERT ON in_the_way BEGIN SELECT 1; END"))
    before = shape(engine)
    with pytest.raises(DBAPIError, match="already exists"):
        migrate.upgrade(engine)
    assert shape(engine) == before
    assert migrate.revision_of(engine) is None


def totals(engine: Engine) -> dict[str, Any]:
    """How many rows each table has, and what the books come to."""
    tables = [name for (name,) in rows(engine, TABLES[engine.dialect.name]) if name != "alembic_version"]
    found: dict[str, Any] = {table: rows(engine, f"SELECT count(*) FROM {table}")[0][0] for table in sorted(tables)}
    for what, query in {
        "balances": "SELECT path, sum(amount_cents) FROM posting JOIN account ON account.id = account_id GROUP BY 1 ORDER BY 1",
        "tax": "SELECT jurisdiction_id, sum(taxable_cents), sum(amount_cents) FROM tax_charged GROUP BY 1 ORDER BY 1",
        "sales": "SELECT kind, sum(net_cents), sum(tax_cents), sum(total_cents) FROM ticket GROUP BY 1 ORDER BY 1",
        "charges": "SELECT kind, sum(amount_cents) FROM charge GROUP BY 1 ORDER BY 1",
        "statements": "SELECT number, opening_cents, closing_cents FROM statement ORDER BY 1",
        "months": "SELECT first_day, state FROM period ORDER BY 1",
        "seals": "SELECT chain, number, sha256 FROM seal ORDER BY 1, 2",
        "rates": "SELECT id, percent FROM tax_rate ORDER BY 1",
        "prices": "SELECT zone, price FROM rent_rate ORDER BY 1",
    }.items():
        found[what] = [tuple(int(v) if hasattr(v, "as_tuple") else v for v in row) for row in rows(engine, query)]
    return found


@pytest.mark.parametrize("revision", REVISIONS)
def test_data_of_every_released_revision_comes_through(engine: Engine, revision: str) -> None:
    """Loaded at its revision, brought to the newest, and back: nothing lost, the old seals hold, and work goes on."""
    migrate.upgrade(engine, revision)
    with engine.begin() as connection:
        LOADERS[revision](connection)
    before = totals(engine)
    assert before["entry"] == 4
    assert sum(amount for _, amount in before["balances"]) == 0
    migrate.upgrade(engine)
    after = totals(engine)
    assert {what: after[what] for what in before} == before
    with transaction(make_sessions(engine)) as session:
        assert check_books(session) == []
    migrate.downgrade(engine, revision)
    assert totals(engine) == before
    migrate.upgrade(engine)
    assert totals(engine) == after
    with transaction(make_sessions(engine)) as session:
        mall, dealer = session.get_one(Mall, 1), session.get_one(Dealer, 1)
        post_entry(session, NOW, sale(session, mall, dealer, 5_00, date(2026, 10, 2), "after the upgrade"))
        post_rents(session, NOW, mall, Month(2026, 10))
    with transaction(make_sessions(engine)) as session:
        assert check_books(session) == []
        owed = {b.path: b.amount_cents for b in balances(session)}
        assert owed["Liabilities:Dealers:MAIN:D01"] == -(100_00 - 270_00 + 5_00 - 270_00)
        assert session.scalar(select(func.count(Entry.id))) == 6
        assert session.scalar(select(func.sum(Posting.amount_cents))) == 0
    with pytest.raises(DBAPIError, match="closed and takes no entry"), engine.begin() as connection:
        connection.execute(
            text(
                "INSERT INTO entry (period_id, mall_id, business_date, kind, source_kind, source_id, purpose, memo, posted_at) "
                "VALUES (1, 1, '2026-09-05', 'sale', 'ticket', 'late', 'sale', '', '2026-11-03 15:00:00')"
            )
        )
