"""What was counted, matched, approved or paid stays as it was, whoever writes SQL: every guarded column is tried."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import pytest
from sqlalchemy import JSON, Boolean, Column, Date, Engine, Integer, String, Text, text
from sqlalchemy.exc import DBAPIError

from coop.core import migrate
from coop.core.db import UtcDateTime
from coop.rooms import METADATA
from tests.integration.migrations.data import AT, insert
from tests.integration.migrations.guards import FIXED, FROZEN
from tests.integration.migrations.loaders import load_money

OPEN = {
    "ach_origin": "",
    "payout_detail": "account_sealed",
    "tax_form": "number_sealed",
    "bank_match": "",
    "claim": "entry_id",
    "journal": "state decided_by decided_at decision",
    "opening": "state signed_by signed_at totals content",
    "patronage": "state approved_by approved_at totals",
    "patronage_share": "entry_id",
    "payout_hold": "lifted_by lifted_at",
    "payout_line": "reference returned_on return_reason",
    "payout_part": "entry_id back_entry_id",
    "payout_run": "state pay_on first_check approved_by approved_at paid_on paid_by ach_document_id remittance_document_id",
    "release": "state approved_by approved_at entry_id",
    "statement_question": "answer answered_by answered_at",
}
"""Columns that the rows of the loader leave to be filled in; all else of them is fixed.

Its bank match is undone already, its claim and its journal entry are decided (a CHECK keeps a refused claim without an entry).
What is sealed may be sealed under another key.
"""
OPEN["journal"] = ""
NEVER = "never changed or deleted"


@pytest.fixture
def engine(empty_database_url: str, make_test_engine: Callable[[str], Engine]) -> Engine:
    engine = make_test_engine(empty_database_url)
    migrate.upgrade(engine)
    with engine.begin() as connection:
        load_money(connection)
        close = {"id": 90, "mall_id": 1, "first_day": "2026-08-01", "started_by": 1, "started_at": AT, "locked_at": None}
        insert(connection, "month_close", {**close, "finished_at": None})
        let = {"close_id": 90, "step": "drawers", "reason": "The desk burned down", "made_by": 1, "made_at": AT}
        insert(connection, "close_override", let)
    return engine


def other(column: Column[Any]) -> str:
    """A literal that is no value the loader writes into such a column."""
    kind = column.type
    if isinstance(kind, UtcDateTime):
        return "'2031-05-05 05:05:05'"
    if isinstance(kind, Date):
        return "'2031-05-05'"
    if isinstance(kind, Boolean):
        return f"NOT {column.name}"
    if isinstance(kind, JSON):
        return "'{\"a\": 1}'"
    if isinstance(kind, String | Text):
        return "'z'"
    assert isinstance(kind, Integer) or kind.python_type is not None
    return "987654"


def refused(engine: Engine, statement: str, why: str) -> None:
    with pytest.raises(DBAPIError, match=why), engine.begin() as connection:
        connection.execute(text(statement))


def test_every_fixed_column_is_refused_and_no_row_goes(engine: Engine) -> None:
    postgresql = engine.dialect.name == "postgresql"
    for name in sorted(FROZEN | FIXED):
        table = METADATA.tables[name]
        with engine.connect() as connection:
            assert connection.execute(text(f"SELECT count(*) FROM {name}")).scalar() == 1, name
        for column in table.columns:
            if column.name not in OPEN.get(name, "").split():
                refused(engine, f"UPDATE {name} SET {column.name} = {other(column)}", NEVER)
        refused(engine, f"DELETE FROM {name}", NEVER)
        columns = ", ".join(column.name for column in table.columns)
        if postgresql:
            refused(engine, f"TRUNCATE {name} CASCADE", NEVER)
        else:
            refused(engine, f"INSERT OR REPLACE INTO {name} ({columns}) SELECT {columns} FROM {name}", "is there already")


@pytest.mark.parametrize(
    ("statement", "why"),
    [
        ("UPDATE payout_run SET approved_by = made_by, approved_at = '2026-10-05 10:00:00', state = 'approved'", "second_person"),
        ("UPDATE payout_run SET state = 'paid', paid_on = '2026-10-10'", "approved_first"),
        ("UPDATE opening SET signed_by = read_by, signed_at = '2026-10-05 10:00:00', state = 'signed'", "second_person"),
        ("UPDATE release SET approved_by = asked_by", "second_person"),
        ("UPDATE patronage SET approved_by = made_by", "second_person"),
        (
            "INSERT INTO bank_month (first_day, bank_cents, outstanding_cents, book_cents, difference_cents, "
            "explanation, made_at) VALUES ('2026-10-01', 10, 0, 9, 1, '', '2026-11-01 10:00:00')",
            "explained",
        ),
        (
            "INSERT INTO bank_month (first_day, bank_cents, outstanding_cents, book_cents, difference_cents, "
            "explanation, made_at) VALUES ('2026-10-01', 10, 0, 9, 2, 'rounding', '2026-11-01 10:00:00')",
            "adds_up",
        ),
        (
            "INSERT INTO drawer_count (key, mall_id, drawer, on_day, expected_cents, counted_cents, counted_by, seconded_by, "
            "note, counted_at) VALUES ('d', 1, '', '2026-10-03', 1, 1, 1, 1, '', '2026-10-03 22:00:00')",
            "two_people",
        ),
        (
            "INSERT INTO journal (key, on_day, reason, second_needed, entered_by, entered_at, state, decided_by, decision) "
            "VALUES ('k', '2026-10-03', 'Sign', true, 1, '2026-10-03 22:00:00', 'entered', 1, '')",
            "second_person",
        ),
    ],
)
def test_two_people_and_sums_are_the_database_s_own(engine: Engine, statement: str, why: str) -> None:
    refused(engine, statement, why)


def test_what_is_left_open_is_filled_in_once(engine: Engine) -> None:
    with engine.begin() as connection:
        connection.execute(text("UPDATE payout_hold SET lifted_by = 1, lifted_at = '2026-10-05 10:00:00'"))
        connection.execute(
            text("UPDATE statement_question SET answer = 'That one', answered_by = 1, answered_at = '2026-10-05 10:00:00'")
        )
        connection.execute(text("UPDATE payout_line SET returned_on = '2026-10-12', return_reason = 'R03 no account'"))
        connection.execute(text("UPDATE payout_part SET entry_id = 1"))
    refused(engine, "UPDATE payout_hold SET lifted_at = '2026-10-06 10:00:00'", NEVER)
    refused(engine, "UPDATE statement_question SET answer = 'Another'", NEVER)
    refused(engine, "UPDATE payout_line SET return_reason = 'R02'", NEVER)
    refused(engine, "UPDATE payout_part SET entry_id = 2", NEVER)


def test_a_sale_is_credited_to_its_dealer_once(engine: Engine) -> None:
    with engine.begin() as connection:
        nobodys = connection.execute(
            text(
                "INSERT INTO ticket_line (ticket_id, mall_id, posting_date, position, description, quantity, unit_price, tag, "
                "tax_class, tag_cents, discount_cents, discount_reason, discount_authority, price_cents, tax_cents) VALUES "
                "(1, 1, '2026-09-05', 9, 'Bowl', 1, 5000000, '', 'general', 500, 0, '', '', 500, 0) RETURNING id"
            )
        ).scalar()
    refused(engine, f"UPDATE ticket_line SET dealer_id = 1 WHERE id = {nobodys}", "credited to its dealer once")
    with engine.begin() as connection:
        connection.execute(text(f"UPDATE ticket_line SET dealer_id = 1, credited_on = '2026-10-03' WHERE id = {nobodys}"))
    refused(engine, f"UPDATE ticket_line SET credited_on = '2026-10-04' WHERE id = {nobodys}", "credited to its dealer once")
    refused(engine, f"UPDATE ticket_line SET dealer_id = 2 WHERE id = {nobodys}", NEVER)
