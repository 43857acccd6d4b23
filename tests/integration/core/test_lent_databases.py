"""What tests are lent is as if new: no rows, numbers or listeners of an earlier test; what is brought back is guarded."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import datetime

import pytest
from sqlalchemy import Connection, Engine, event, func, select, text
from sqlalchemy.exc import DBAPIError

from coop.books.models import Entry
from coop.core.db import make_engine, make_sessions, transaction
from coop.floor.models import Mall
from coop.rooms import METADATA
from tests.databases import ENGINES, PostgresDatabases, SqliteDatabases, fill
from tests.factories.house import House, build_house
from tests.factories.people import make_mall


class Lender:
    """One database of a kind, lent again and again."""

    def __init__(self, databases: SqliteDatabases | PostgresDatabases, now: datetime) -> None:
        self.databases, self.now = databases, now
        self.address = ""

    def lend(self) -> Engine:
        self.address = self.databases.lend()
        return ENGINES.of(self.address)

    def give_back(self) -> None:
        if isinstance(self.databases, SqliteDatabases):
            self.databases.give_back()
        else:
            self.databases.give_back(self.address)
        self.address = ""

    def house(self, engine: Engine) -> House:
        return fill(engine, ("house", self.now), lambda session: build_house(session, self.now))


@pytest.fixture(params=["sqlite_databases", pytest.param("postgres_databases", marks=pytest.mark.postgres)])
def lender(request: pytest.FixtureRequest, now: datetime) -> Iterator[Lender]:
    made = Lender(request.getfixturevalue(request.param), now)
    yield made
    if made.address:
        made.give_back()


def test_rows_and_numbers_of_one_test_are_gone_for_the_next(lender: Lender) -> None:
    for _ in range(2):
        with transaction(make_sessions(lender.lend())) as session:
            assert session.scalar(select(func.count(Mall.id))) == 0
            assert make_mall(session, lender.now, "MAIN").id == 1
        lender.give_back()


def test_a_listener_of_one_test_hears_nothing_of_the_next(lender: Lender) -> None:
    heard: list[str] = []
    first = lender.lend()
    event.listen(first, "before_cursor_execute", lambda *args: heard.append(args[2]))
    with first.connect() as connection:
        connection.execute(text("SELECT 1"))
    assert heard.pop() == "SELECT 1"
    heard.clear()
    lender.give_back()
    with lender.lend().connect() as connection:
        connection.execute(text("SELECT 2"))
    assert heard == []


def test_what_is_brought_back_is_what_was_built_and_guarded_and_goes_on_in_its_numbers(lender: Lender) -> None:
    engine = lender.lend()
    built = lender.house(engine)
    lender.give_back()
    again = lender.lend()
    brought = lender.house(again)
    assert (brought.tokens, brought.mall.code) == (built.tokens, built.mall.code)
    assert brought.mall is not built.mall
    with transaction(make_sessions(again)) as session:
        assert session.scalar(select(func.count(Entry.id)))
        assert make_mall(session, lender.now, "EAST").id == brought.mall.id + 1
    with pytest.raises(DBAPIError), again.begin() as connection:
        connection.execute(text("DELETE FROM posting"))
    lender.give_back()


@pytest.mark.postgres
def test_a_database_whose_schema_was_touched_is_not_lent_again(postgres_databases: PostgresDatabases) -> None:
    for touch in ("ALTER TABLE mall ADD COLUMN colour text", "ALTER TABLE posting DISABLE TRIGGER USER", "CREATE SCHEMA other"):
        address = postgres_databases.lend()
        with ENGINES.of(address).begin() as connection:
            connection.execute(text(touch))
        postgres_databases.give_back(address)
        assert address not in postgres_databases.made


WRITES = {
    "nothing": "SELECT count(*) FROM mall",
    "a row": "INSERT INTO mall SELECT 77, 'EAST', 'East', timezone, address, created_at FROM mall",
    "rows away, past the guards": "SET session_replication_role = replica; DELETE FROM posting; DELETE FROM mall",
    "rows changed, past the guards": "SET session_replication_role = replica; UPDATE entry SET memo = 'another'",
    "a table emptied": "SET session_replication_role = replica; TRUNCATE posting",
    "guards off and on": "ALTER TABLE posting DISABLE TRIGGER USER; DELETE FROM posting; ALTER TABLE posting ENABLE TRIGGER USER",
    "numbers": "SELECT nextval('mall_id_seq')",
}


@pytest.mark.postgres
@pytest.mark.parametrize("kept", [True, False], ids=["by a connection that stays", "by one of its own"])
@pytest.mark.parametrize("written", WRITES.values(), ids=WRITES)
def test_what_a_test_wrote_is_put_back_for_the_next_that_begins_with_the_same(
    postgres_databases: PostgresDatabases, now: datetime, written: str, kept: bool
) -> None:
    key = ("house", now)
    lender = Lender(postgres_databases, now)
    for turn in range(3):
        address = postgres_databases.lend(key)
        engine = ENGINES.of(address)
        lender.house(engine)
        with engine.connect() as connection:
            holds = everything_in(connection)
        if turn == 0:
            before = holds
        assert holds == before
        other = engine if kept else make_engine(address)
        with other.begin() as connection:
            driver = connection.connection.driver_connection
            assert driver is not None
            driver.execute(written)
        if not kept:
            other.dispose()
        postgres_databases.give_back(address, key)
    nobodys = postgres_databases.lend()
    with ENGINES.of(nobodys).connect() as connection:
        assert connection.scalar(select(func.count(Mall.id))) == 0
    postgres_databases.give_back(nobodys)


def everything_in(connection: Connection) -> dict[str, object]:
    """Rows of every table, and every sequence's number."""
    rows = {name: sorted(map(repr, connection.execute(select(table)))) for name, table in METADATA.tables.items()}
    return {**rows, "numbers": connection.execute(text("SELECT sequencename, last_value FROM pg_sequences ORDER BY 1")).all()}
