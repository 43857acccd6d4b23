"""Every write the books forbid, attempted: by a program that knows nothing of ours, on both databases, and through the ORM.

SQLite is attacked twice: through our engine, and through a plain connection of its own module, where `recursive_triggers` is off.
"""

from __future__ import annotations

import sqlite3
from collections.abc import Callable, Iterator
from datetime import date
from pathlib import Path
from typing import Any

import pytest
from sqlalchemy.exc import DBAPIError, IntegrityError
from sqlalchemy.orm import Session

from coop.books.checking import check_books
from coop.books.models import Account, Entry, EntryProof, Period, Posting, Seal
from coop.core.audit import AuditLog
from coop.core.db import make_sessions, transaction
from coop.core.documents import Document
from coop.leases.models import LeaseSpace
from coop.rooms import METADATA
from coop.statements.models import Statement
from coop.tax.models import TaxCharged, TaxRate
from tests.factories.books import Books
from tests.integration.books import attacks, layaway_attacks, overflow_attacks, people_attacks, reset_attacks, turn_attacks
from tests.integration.books.attacks import ALLOWED, BOTH, POSTGRESQL, SQLITE, Attack
from tests.integration.books.doors import NOW, ON_POSTGRESQL, ON_SQLITE, Door, opened


@pytest.fixture(scope="module", params=[*ON_SQLITE, *ON_POSTGRESQL])
def door(request: pytest.FixtureRequest, tmp_path_factory: pytest.TempPathFactory) -> Iterator[Door]:
    with opened(request.param, request, tmp_path_factory.mktemp("attacked")) as door:
        yield door


@pytest.fixture(scope="module", params=ON_SQLITE)
def sqlite_door(request: pytest.FixtureRequest, tmp_path_factory: pytest.TempPathFactory) -> Iterator[Door]:
    with opened(request.param, request, tmp_path_factory.mktemp("attacked")) as door:
        yield door


@pytest.fixture(scope="module", params=ON_POSTGRESQL)
def postgres_door(request: pytest.FixtureRequest, tmp_path_factory: pytest.TempPathFactory) -> Iterator[Door]:
    with opened(request.param, request, tmp_path_factory.mktemp("attacked")) as door:
        yield door


def refused(door: Door, attempted: Attack) -> None:
    with pytest.raises((DBAPIError, sqlite3.Error), match=attempted.says):
        door.run(attempted.statements)
    assert door.everything() == door.before


def named(some: list[Attack]) -> pytest.MarkDecorator:
    assert len({a.name for a in some}) == len(some)
    return pytest.mark.parametrize("attempted", some, ids=lambda a: a.name)


@named([*BOTH, *layaway_attacks.BOTH, *people_attacks.BOTH, *turn_attacks.BOTH, *reset_attacks.BOTH, *overflow_attacks.BOTH])
def test_refused_everywhere(door: Door, attempted: Attack) -> None:
    refused(door, attempted)


@named([*SQLITE, *layaway_attacks.SQLITE, *overflow_attacks.SQLITE])
def test_refused_on_sqlite(sqlite_door: Door, attempted: Attack) -> None:
    refused(sqlite_door, attempted)


@named([*POSTGRESQL, *overflow_attacks.POSTGRESQL])
def test_refused_on_postgresql(postgres_door: Door, attempted: Attack) -> None:
    refused(postgres_door, attempted)


@pytest.mark.parametrize(
    ("table", "changes"),
    [("ticket", attacks.TICKET_CHANGES), ("ticket_line", attacks.LINE_CHANGES), ("charge", attacks.CHARGE_CHANGES)],
)
def test_no_column_of_a_sale_or_a_charge_is_left_out(table: str, changes: dict[str, str]) -> None:
    assert {"id", *changes} == {column.name for column in METADATA.tables[table].columns}


def test_no_column_of_a_layaway_is_left_out_but_its_buyer() -> None:
    columns = {column.name for column in METADATA.tables["layaway"].columns}
    assert {"id", "buyer_name", "buyer_contact", *layaway_attacks.LAYAWAY_CHANGES} == columns


@pytest.mark.parametrize("kind", [*ON_SQLITE, *ON_POSTGRESQL])
def test_what_is_right_is_taken(kind: str, request: pytest.FixtureRequest, tmp_path: Path) -> None:
    with opened(kind, request, tmp_path) as door:
        for statements in ALLOWED.values():
            before = door.everything()
            door.run(statements)
            assert door.everything() != before


# --- through the ORM ----------------------------------------------------------------------------------------------------


def change(model: type[Any], name: str, attribute: str, value: object) -> Callable[[Session, Books], None]:
    def attempt(session: Session, books: Books) -> None:
        setattr(session.get_one(model, getattr(books, name)), attribute, value)

    return attempt


def delete(model: type[Any], name: str) -> Callable[[Session, Books], None]:
    def attempt(session: Session, books: Books) -> None:
        session.delete(session.get_one(model, getattr(books, name)))

    return attempt


def delete_a_posting(session: Session, books: Books) -> None:
    session.delete(session.query(Posting).filter_by(entry_id=books.entry).first())


def one_more_posting(session: Session, books: Books) -> None:
    session.add(Posting(entry_id=books.entry, account_id=books.cash, amount_cents=1))


def entry_of(books: Books, period_id: int, day: date) -> Entry:
    return Entry(
        id=9001,
        period_id=period_id,
        mall_id=books.main,
        business_date=day,
        kind="sale",
        source_kind="ticket",
        source_id="orm",
        purpose="sale",
        posted_at=NOW,
    )


def entry_without_proof(session: Session, books: Books) -> None:
    session.add(entry_of(books, books.open_period, date(2026, 10, 9)))


def entry_in_a_closed_month(session: Session, books: Books) -> None:
    session.add(entry_of(books, books.closed_period, date(2026, 9, 9)))


def unbalanced_entry(session: Session, books: Books) -> None:
    session.add(entry_of(books, books.open_period, date(2026, 10, 9)))
    session.flush()
    session.add(Posting(entry_id=9001, account_id=books.cash, amount_cents=1))
    session.flush()
    session.add(EntryProof(entry_id=9001, postings=1, debits_cents=1))


def overlapping_lease(session: Session, books: Books) -> None:
    session.add(LeaseSpace(lease_id=books.lease, space_id=books.space, starts_on=date(2026, 6, 30), leased_area_sqft100=1))


def overlapping_rate(session: Session, books: Books) -> None:
    session.add(TaxRate(jurisdiction_id=books.jurisdiction, percent=1, starts_on=date(2025, 1, 1)))


def month_before_a_closed_one(session: Session, books: Books) -> None:
    session.add(Period(mall_id=books.main, first_day=date(2026, 8, 1), last_day=date(2026, 8, 31)))


def bulk_update(session: Session, books: Books) -> None:
    session.query(Posting).update({"amount_cents": Posting.amount_cents + 1})


def bulk_delete(session: Session, books: Books) -> None:
    session.query(AuditLog).delete()


ORM: dict[str, Callable[[Session, Books], None]] = {
    "an entry's memo": change(Entry, "entry", "memo", "x"),
    "an entry's date": change(Entry, "entry", "business_date", date(2026, 10, 6)),
    "an entry": delete(Entry, "entry"),
    "a proof's debits": change(EntryProof, "entry", "debits_cents", 1),
    "a proof": delete(EntryProof, "entry"),
    "a posting": delete_a_posting,
    "one more posting": one_more_posting,
    "an entry without proof": entry_without_proof,
    "an entry in a closed month": entry_in_a_closed_month,
    "an unbalanced entry": unbalanced_entry,
    "a seal's hash": change(Seal, "seal", "sha256", "0" * 64),
    "a seal": delete(Seal, "seal"),
    "a document's bytes": change(Document, "document", "content", b""),
    "a document": delete(Document, "document"),
    "a log line's action": change(AuditLog, "audit_row", "action", "nothing"),
    "a log line": delete(AuditLog, "audit_row"),
    "a tax's amount": change(TaxCharged, "tax_charged", "amount_cents", 0),
    "a tax": delete(TaxCharged, "tax_charged"),
    "a closed month's state": change(Period, "closed_period", "state", "open"),
    "a month": delete(Period, "closed_period"),
    "a month's last day": change(Period, "open_period", "last_day", date(2026, 11, 30)),
    "a month before a closed one": month_before_a_closed_one,
    "an account's path": change(Account, "owed", "path", "Income:Mine"),
    "a statement's value": change(Statement, "statement", "value_json", "{}"),
    "a statement's document": change(Statement, "statement", "document_id", None),
    "a statement": delete(Statement, "statement"),
    "a lease's end": change(LeaseSpace, "held", "ends_on", date(2026, 9, 1)),
    "an overlapping lease": overlapping_lease,
    "a rate's end": change(TaxRate, "ended_rate", "ends_on", None),
    "an overlapping rate": overlapping_rate,
    "all postings at once": bulk_update,
    "the whole log": bulk_delete,
}


@pytest.mark.parametrize("name", ORM)
def test_refused_through_the_orm(door: Door, name: str) -> None:
    with pytest.raises(IntegrityError), transaction(make_sessions(door.engine)) as session:
        ORM[name](session, door.books)
    assert door.everything() == door.before


def test_the_books_hold_after_all_of_it(door: Door) -> None:
    with transaction(make_sessions(door.engine)) as session:
        assert check_books(session) == []
