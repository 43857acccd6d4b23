"""A small co-op with data at each released revision, in plain SQL: what somebody may have when she upgrades.

A later revision adds a loader of its own; the ones before it stay as they are, hashes included.
"""

from __future__ import annotations

from typing import Any

from sqlalchemy import Connection, inspect

AT = "2026-10-01 14:30:00"
FIRST_SEAL = "d67a323578d136d45af7af50f0b6e0339f5b0e6861e047383835909609c1bac6"
"""Over entries 1 to 3: computed apart from the program, by the rule of coop.books.domain.seal_hash at these revisions."""


def literal(value: object) -> str:
    if value is None:
        return "NULL"
    if isinstance(value, bool):
        return "true" if value else "false"
    return str(value) if isinstance(value, int) else "'" + str(value).replace("'", "''") + "'"


def insert(connection: Connection, table: str, *rows: dict[str, Any]) -> None:
    if table == "ticket_line" and any(column["name"] == "credited_on" for column in inspect(connection).get_columns(table)):
        # From revision 0008 on a line says when it was credited to its dealer.
        rows = tuple({**row, "credited_on": row["posting_date"] if row["dealer_id"] else None} for row in rows)
    for row in rows:
        values = ", ".join(literal(value) for value in row.values())
        connection.exec_driver_sql(f"INSERT INTO {table} ({', '.join(row)}) VALUES ({values})")


def entry(
    connection: Connection, entry_id: int, period_id: int, day: str, kind: str, source: str, *postings: tuple[int, int]
) -> None:
    """An entry with its postings and its proof."""
    source_kind, _, source_id = source.partition(":")
    insert(
        connection,
        "entry",
        {
            "id": entry_id,
            "period_id": period_id,
            "mall_id": 1,
            "business_date": day,
            "kind": kind,
            "source_kind": source_kind,
            "source_id": source_id,
            "purpose": kind,
            "memo": "",
            "posted_at": AT,
        },
    )
    for account_id, amount in postings:
        insert(connection, "posting", {"entry_id": entry_id, "account_id": account_id, "amount_cents": amount})
    debits = sum(amount for _, amount in postings if amount > 0)
    insert(connection, "entry_proof", {"entry_id": entry_id, "postings": len(postings), "debits_cents": debits})


def load_first(connection: Connection) -> None:
    """Revisions 0001 and 0002: a mall with two dealers; September sold, taxed, charged, sealed, closed, stated; October begun."""
    if connection.dialect.name == "postgresql":
        connection.exec_driver_sql("SET LOCAL TIME ZONE 'UTC'")
    insert(
        connection,
        "cooperative",
        {
            "id": 1,
            "name": "Lantern Yard Dealers' Co-op",
            "currency": "USD",
            "commission_percent": 10_000_000,
            "paper": "letter",
            "payout_day": 10,
            "created_at": AT,
        },
    )
    insert(
        connection,
        "mall",
        {"id": 1, "code": "MAIN", "name": "Lantern Yard", "timezone": "America/Chicago", "address": "", "created_at": AT},
    )
    for n, name in ((1, "Ida Fenwick"), (2, "Amos Pell")):
        insert(connection, "member", {"id": n, "name": name, "email": "", "phone": "", "address": "", "joined_on": "2025-03-01"})
        insert(connection, "dealer", {"id": n, "member_id": n, "code": f"D0{n}", "trade_name": "", "created_at": AT})
    insert(
        connection,
        "account",
        {"id": 1, "path": "Assets:Drawer:MAIN", "kind": "tender", "mall_id": 1, "dealer_id": None},
        {"id": 2, "path": "Liabilities:Dealers:MAIN:D01", "kind": "dealer", "mall_id": 1, "dealer_id": 1},
        {"id": 3, "path": "Liabilities:Dealers:MAIN:D02", "kind": "dealer", "mall_id": 1, "dealer_id": 2},
        {"id": 4, "path": "Liabilities:Tax:STATE-EL", "kind": "tax", "mall_id": None, "dealer_id": None},
        {"id": 5, "path": "Income:Booth-rent:MAIN", "kind": "income", "mall_id": 1, "dealer_id": None},
        {"id": 6, "path": "Assets:Bank", "kind": "bank", "mall_id": None, "dealer_id": None},
    )
    insert(connection, "jurisdiction", {"id": 1, "code": "STATE-EL", "name": "State of Elm", "kind": "state", "account_id": 4})
    insert(
        connection,
        "tax_rate",
        {
            "id": 1,
            "jurisdiction_id": 1,
            "tax_class": "general",
            "percent": 5_000_000,
            "starts_on": "2020-01-01",
            "ends_on": "2025-12-31",
        },
        {"id": 2, "jurisdiction_id": 1, "tax_class": "general", "percent": 5_500_000, "starts_on": "2026-01-01", "ends_on": None},
    )
    insert(connection, "tax_place", {"id": 1, "mall_id": 1, "starts_on": "2020-01-01", "basis": "ticket", "aggregated": True})
    insert(connection, "tax_place_jurisdiction", {"place_id": 1, "jurisdiction_id": 1, "position": 0})
    insert(
        connection,
        "space",
        {
            "id": 1,
            "mall_id": 1,
            "code": "12",
            "kind": "booth",
            "zone": "front",
            "outline_in16": "[[0, 0], [1920, 0], [1920, 2304], [0, 2304]]",
            "measured_area_sqft100": 12000,
            "measured_on": "2026-01-02",
            "measured_by": "",
        },
    )
    insert(
        connection,
        "rent_rate",
        {"id": 1, "mall_id": 1, "zone": "front", "per": "sqft", "price": 2_250_000, "starts_on": "2020-01-01"},
    )
    insert(
        connection,
        "lease",
        {
            "id": 1,
            "dealer_id": 1,
            "mall_id": 1,
            "starts_on": "2026-01-01",
            "ends_on": None,
            "commission_percent": 10_000_000,
            "proration": "actual",
            "created_at": AT,
        },
    )
    insert(
        connection,
        "lease_space",
        {"id": 1, "lease_id": 1, "space_id": 1, "starts_on": "2026-01-01", "ends_on": None, "leased_area_sqft100": 12000},
    )
    insert(
        connection,
        "period",
        {"id": 1, "mall_id": 1, "first_day": "2026-09-01", "last_day": "2026-09-30", "state": "open"},
        {"id": 2, "mall_id": 1, "first_day": "2026-10-01", "last_day": "2026-10-31", "state": "open"},
    )
    entry(connection, 1, 1, "2026-09-05", "sale", "ticket:desk/1", (1, 105_50), (2, -100_00), (4, -5_50))
    entry(connection, 2, 1, "2026-09-20", "sale", "ticket:desk/2", (1, 42_20), (3, -40_00), (4, -2_20))
    entry(connection, 3, 1, "2026-09-30", "rent", "lease:1/space:1/2026-09/0", (2, 270_00), (5, -270_00))
    entry(connection, 4, 2, "2026-10-01", "payout", "payout:1041", (3, 40_00), (6, -40_00))
    for n, (net, tax) in enumerate(((100_00, 5_50), (40_00, 2_20)), 1):
        insert(
            connection,
            "ticket",
            {
                "id": n,
                "mall_id": 1,
                "key": f"desk/{n}",
                "number": str(n),
                "source": "desk",
                "kind": "sale",
                "sold_at": AT,
                "sold_on": "2026-09-05",
                "received_at": AT,
                "posting_date": "2026-09-05",
                "taxed": True,
                "net_cents": net,
                "tax_cents": tax,
                "total_cents": net + tax,
                "entry_id": n,
                "buyer_key": "",
            },
        )
        insert(
            connection,
            "ticket_line",
            {
                "ticket_id": n,
                "mall_id": 1,
                "posting_date": "2026-09-05",
                "position": 1,
                "dealer_id": n,
                "tag": f"D0{n}-1",
                "description": "Cane-seat side chair",
                "tax_class": "general",
                "quantity": 1,
                "unit_price": net * 10_000,
                "tag_cents": net,
                "discount_cents": 0,
                "discount_reason": "",
                "discount_authority": "",
                "price_cents": net,
                "tax_cents": tax,
            },
        )
        insert(connection, "tender", {"ticket_id": n, "kind": "cash", "account_id": 1, "amount_cents": net + tax})
        insert(
            connection,
            "tax_charged",
            {
                "mall_id": 1,
                "posting_date": "2026-09-05",
                "ticket_key": f"desk/{n}",
                "position": 1,
                "dealer_id": n,
                "jurisdiction_id": 1,
                "rate_id": 2,
                "taxable_cents": net,
                "amount_cents": tax,
            },
        )
    insert(
        connection,
        "charge",
        {
            "lease_id": 1,
            "mall_id": 1,
            "dealer_id": 1,
            "kind": "rent",
            "what": "space:1",
            "first_day": "2026-09-01",
            "change": 0,
            "label": "Booth 12",
            "working": "120.00 sq ft × $2.25",
            "amount_cents": 270_00,
            "entry_id": 3,
        },
    )
    insert(
        connection,
        "seal",
        {
            "chain": "MAIN",
            "number": 1,
            "period_id": 1,
            "reason": "close",
            "after_entry_id": 0,
            "last_entry_id": 3,
            "entries": 3,
            "debits_cents": 417_70,
            "previous_sha256": "0" * 64,
            "sha256": FIRST_SEAL,
            "sealed_at": AT,
        },
    )
    connection.exec_driver_sql(f"UPDATE period SET state = 'closed', closed_at = '{AT}' WHERE id = 1")
    insert(
        connection,
        "document",
        {
            "id": 1,
            "file_name": "statement.pdf",
            "media_type": "application/pdf",
            "content": "PDF-1.7",
            "size_bytes": 7,
            "sha256": "f" * 64,
            "made_with": "a test",
            "created_at": AT,
        },
    )
    insert(
        connection,
        "statement",
        {
            "id": 1,
            "number": "MAIN-D01-2026-09",
            "mall_id": 1,
            "dealer_id": 1,
            "first_day": "2026-09-01",
            "value_json": "{}",
            "value_sha256": "f" * 64,
            "opening_cents": 0,
            "closing_cents": -170_00,
            "document_id": 1,
            "created_at": AT,
        },
    )
    insert(
        connection,
        "audit_log",
        {
            "at": AT,
            "action": "month.closed",
            "subject_kind": "period",
            "subject_id": "1",
            "detail": "",
            "request_id": "",
        },
    )
    if connection.dialect.name == "postgresql":
        for table in ("account", "entry", "period", "document", "statement", "lease", "lease_space", "space", "mall", "ticket"):
            connection.exec_driver_sql(f"SELECT setval(pg_get_serial_sequence('{table}', 'id'), (SELECT max(id) FROM {table}))")


def load_tax(connection: Connection) -> None:
    """Revision 0003: the same co-op, with a row of everything that tax keeps since; one return filed, one begun."""
    load_first(connection)
    connection.exec_driver_sql("UPDATE jurisdiction SET state_fips = '98', fips = '98' WHERE id = 1")
    rule = {"jurisdiction_id": 1, "kind": "exempt", "starts_on": "2026-01-01", "ends_on": None, "terms": '{"tax_class": "books"}'}
    insert(connection, "tax_rule", rule)
    insert(
        connection,
        "tax_setting",
        {
            "scope": "state:98",
            "state_fips": "98",
            "starts_on": "2026-01-01",
            "owed_by": "coop",
            "layaway_at": "completion",
            "office": "Elm Revenue",
            "frequency": "month",
            "year_begins": 1,
            "remits": "greater",
            "due_day": 20,
            "due_months_after": 1,
            "due_region": "",
            "due_roll": "next",
            "closed_days": "[]",
            "allowance": '{"tiers": [[null, "2"]]}',
            "interest_percent": 3_000_000,
            "interest_per": "year",
        },
    )
    insert(
        connection,
        "tax_certificate",
        {
            "number": "R-17",
            "kind": "resale",
            "buyer_name": "Orla Quint",
            "states": '["98"]',
            "starts_on": "2026-01-01",
            "expires_on": None,
            "created_at": AT,
        },
    )
    file = {
        "kind": "boundary",
        "file_name": "elm.csv",
        "sha256": "e" * 64,
        "content": "1f8b",
        "state": "applied",
        "proposal": "{}",
    }
    insert(connection, "tax_import", {"id": 1, **file, "done": "{}", "proposed_at": AT, "applied_at": AT})
    insert(
        connection,
        "tax_boundary",
        {
            "key_sha": "d" * 32,
            "import_id": 1,
            "state_fips": "98",
            "record": "Z",
            "zip_low": "99101",
            "plus4_low": "",
            "zip_high": "99103",
            "plus4_high": "",
            "starts_on": "2026-01-01",
            "ends_on": None,
            "places": '[["state", "98"]]',
        },
    )
    untaxed = {"mall_id": 1, "posting_date": "2026-09-05", "sold_on": "2026-09-05", "ticket_key": "desk/1", "position": 1}
    why = {
        "dealer_id": 1,
        "jurisdiction_id": 1,
        "kind": "deduction",
        "reason": "discount",
        "certificate": "",
        "amount_cents": 5_00,
    }
    insert(connection, "tax_untaxed", {**untaxed, **why})
    for n, (month, state) in enumerate((("09", "filed"), ("10", "draft")), 1):
        period = {"office": "Elm Revenue", "first_day": f"2026-{month}-01", "last_day": f"2026-{month}-30"}
        value = {"due_on": "2026-11-20", "state": state, "value_json": "{}", "value_sha256": "c" * 64, "created_at": AT}
        insert(connection, "tax_return", {"id": n, "number": f"elm-2026-{month}", **period, **value})


def load_feeds(connection: Connection) -> None:
    """Revision 0004: the same co-op, with a manager whose one calendar feed is read and whose other is revoked."""
    load_tax(connection)
    manager = {"id": 1, "email": "fenwick@lantern.example", "password_hash": "x", "created_at": AT}
    insert(connection, "user_account", manager)
    for n, revoked in enumerate((None, AT)):
        feed = {"user_id": 1, "kind": "tax", "label": "Office", "token_sha256": f"{n}" * 64, "created_at": AT}
        insert(connection, "calendar_feed", {**feed, "last_read_at": AT, "revoked_at": revoked})


def load_facts(connection: Connection) -> None:
    """Revision 0005: the same co-op, with a layaway of a resale buyer, brought to her, and the return that gives it back."""
    load_feeds(connection)
    for n, sign in ((3, 1), (4, -1)):
        facts = {
            "certificate": "R-17",
            "certificate_kind": "resale",
            "delivery_cents": sign * 15_00,
            "delivery_of_id": None if sign > 0 else 3,
            "layaway_accepted_on": "2026-08-20" if sign > 0 else None,
            "layaway_completed_on": "2026-10-02" if sign > 0 else None,
        }
        ticket = {
            "id": n,
            "mall_id": 1,
            "key": f"desk/{n}",
            "number": str(n),
            "source": "desk",
            "kind": "sale" if sign > 0 else "return",
            "sold_at": AT,
            "sold_on": "2026-10-02",
            "received_at": AT,
            "posting_date": "2026-10-02",
            "taxed": True,
            "net_cents": sign * 28_00,
            "tax_cents": 0,
            "total_cents": sign * 43_00,
            "buyer_key": "b",
        }
        line = {
            "ticket_id": n,
            "mall_id": 1,
            "posting_date": "2026-10-02",
            "position": 1,
            "dealer_id": 1,
            "tag": "D01-3",
            "description": "Tole tray",
            "tax_class": "general",
            "quantity": sign,
            "unit_price": 30_000_000,
            "tag_cents": sign * 30_00,
            "discount_cents": 0,
            "discount_reason": "",
            "discount_authority": "",
            "seller_coupon_cents": sign * 2_00,
            "maker_coupon_cents": sign * 1_00,
            "trade_in_cents": sign * 4_00,
            "own_use": False,
            "price_cents": sign * 28_00,
            "tax_cents": 0,
        }
        insert(connection, "ticket", {**ticket, **facts})
        insert(connection, "ticket_line", line)
    if connection.dialect.name == "postgresql":
        connection.exec_driver_sql("SELECT setval(pg_get_serial_sequence('ticket', 'id'), (SELECT max(id) FROM ticket))")
