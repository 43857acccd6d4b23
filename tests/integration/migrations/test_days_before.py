"""Revision 0018 on both databases: the day a piece was asked back until, before it was said to be gone, there and back."""

from __future__ import annotations

from collections.abc import Callable

import pytest
from sqlalchemy import Engine, text

from coop.core import migrate
from tests.integration.migrations.loaders import AT, load_sent


@pytest.fixture
def engine(empty_database_url: str, make_test_engine: Callable[[str], Engine]) -> Engine:
    return make_test_engine(empty_database_url)


def days(engine: Engine, column: str) -> dict[int, str]:
    with engine.connect() as connection:
        found = connection.execute(text(f"SELECT id, {column} FROM overflow_stay WHERE {column} IS NOT NULL"))
        return {row[0]: str(row[1]) for row in found}


def test_the_day_of_what_was_asked_back_and_gone_has_a_column_of_its_own(engine: Engine) -> None:
    """Of the three, 1 is asked back, 2 asked back and gone, 3 made longer."""
    migrate.upgrade(engine, "0017")
    with engine.begin() as connection:
        load_sent(connection)
        connection.exec_driver_sql(f"UPDATE overflow_stay SET recalled_at = '{AT}' WHERE id IN (1, 2)")
        connection.exec_driver_sql("UPDATE overflow_stay SET lengthened_from = '2026-09-13' WHERE id = 3")
    for _ in range(2):
        assert days(engine, "lengthened_from") == {2: "2026-09-13", 3: "2026-09-13"}
        migrate.upgrade(engine, "0018")
        assert days(engine, "gone_from") == {2: "2026-09-13"}
        assert days(engine, "lengthened_from") == {3: "2026-09-13"}
        assert days(engine, "recalled_from") == {}
        migrate.downgrade(engine, "0017")
