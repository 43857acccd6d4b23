"""Statements from the books: they prove themselves, carry balances over, and are checked against the ledger ever after."""

from __future__ import annotations

import json
from datetime import date, datetime

import pytest
from sqlalchemy import select, text

from coop.books.queries import balances, dealer_balances_before
from coop.books.service import close_period, ensure_period, lock_period, pay_dealer
from coop.closing.queries import dealer_rows
from coop.core.db import Sessions, dialect_name, transaction
from coop.core.documents import keep_document
from coop.core.errors import Refusal
from coop.core.periods import Month
from coop.leases.posting import post_commissions, post_rents
from coop.sales.queries import month_sales
from coop.sales.service import take_tickets
from coop.statements.building import build_value
from coop.statements.checking import check_statements
from coop.statements.domain import PaymentLine, StatementError, from_json, prove, sha256, to_json
from coop.statements.exporting import export_statements
from coop.statements.models import Statement
from coop.statements.service import freeze_statement, queue_statement_mail
from tests.factories.coops import APRIL, MARCH, SmallCoop, build_coop, line, ticket

SQLITE = pytest.mark.parametrize("database_url", ["sqlite"], indirect=True)
MADE_ON = date(2026, 11, 3)


@pytest.fixture
def coop(sessions: Sessions, now: datetime) -> SmallCoop:
    with transaction(sessions) as session:
        return build_coop(session, now)


def charge(session, now, coop, month: Month) -> None:
    """Rent and commission of a month, as its close posts them."""
    sales = month_sales(session, coop.mall.id, month)
    post_rents(session, now, coop.mall, month)
    post_commissions(session, now, coop.mall, month, {d: s.net_cents for d, s in sales.items() if d is not None})


def shut(session, now, coop, month: Month) -> dict[str, Statement]:
    """Close a month's books and freeze every dealer's statement."""
    charge(session, now, coop, month)
    period = lock_period(session, ensure_period(session, coop.mall.id, month).id)
    close_period(session, now, period)
    return {code: freeze_statement(session, now, coop.mall, dealer, month) for code, dealer in coop.dealers.items()}


def values(session, coop, month: Month):
    return {code: build_value(session, coop.mall, dealer, month, made_on=MADE_ON) for code, dealer in coop.dealers.items()}


# --- the value ----------------------------------------------------------------------------------------------------------


def test_a_statement_proves_itself_and_is_the_ledgers(sessions, coop, now):
    with transaction(sessions) as session:
        charge(session, now, coop, MARCH)
        made = values(session, coop, MARCH)
        ledger = dealer_balances_before(session, coop.mall.id, APRIL.first_day)
        rows = {row.dealer: row for row in dealer_rows(session, coop.mall.id, MARCH)}
    for code, value in made.items():
        prove(value)
        assert value.opening_cents + value.net_cents + value.charged_cents + value.paid_cents == value.closing_cents
        assert value.closing_cents == ledger[coop.dealers[code].id] == rows[code].closing
        assert (value.gross_cents, value.discounts_cents, value.returns_cents) == (
            rows[code].gross,
            rows[code].discounts,
            rows[code].returns,
        )
        assert -value.charged_cents == rows[code].commission + rows[code].rent + rows[code].fees
    ida, amos = made["D01"], made["D02"]
    assert [(s.sold_on, s.ticket, s.tag_cents, s.discount_cents, s.discount_authority) for s in ida.sales] == [
        (date(2025, 3, 1), "1001", 12500, 0, ""),
        (date(2025, 3, 3), "1002", 4250, 425, "Spring sale"),
        (date(2025, 3, 31), "1006", 101, 0, ""),
    ]
    assert [(r.ticket, r.price_cents, r.returns) for r in ida.returns] == [("R2", -700, "")]  # untied
    assert [(r.ticket, r.price_cents, r.returns) for r in amos.returns] == [("R1", -33333, "1003")]
    assert [(c.label, c.working, c.amount_cents) for c in ida.charges] == [
        ("Booth 1", "120.00 sq ft × $2.25 a month", -27000),
        ("Commission", "10% of $157.26", -1573),
    ]
    assert [(c.label, c.working) for c in made["D03"].charges] == [("Booth 2", "90.00 sq ft × $2.25 a month × 15/31 days")]
    assert ida.spaces == ("Booth 1, 120.00 sq ft",)
    assert [(t.jurisdiction, t.taxable_cents) for t in ida.tax_collected] == [("State of Elmora", 15726), ("Pine County", 15726)]


def test_the_sums_of_all_dealers_are_the_trial_balance_of_their_accounts(sessions, coop, now):
    with transaction(sessions) as session:
        shut(session, now, coop, MARCH)
        pay_dealer(session, now, coop.mall, coop.dealers["D04"], amount_cents=50000, on=date(2025, 4, 10), reference="CHECK 1")
        rows = dealer_rows(session, coop.mall.id, APRIL)
        dealers = [b for b in balances(session, through=APRIL.last_day) if b.path.startswith("Liabilities:Dealers:")]
        income = {b.path.split(":")[1]: -b.amount_cents for b in balances(session) if b.path.startswith("Income:")}
        march = dealer_rows(session, coop.mall.id, MARCH)
    assert sum(row.closing for row in rows) == -sum(b.amount_cents for b in dealers)
    assert {row.dealer: row.closing for row in rows} == {b.path.rpartition(":")[2]: -b.amount_cents for b in dealers}
    assert income["Commission"] == sum(row.commission for row in march)
    assert income["Booth-rent"] + income["Case-rent"] == sum(row.rent for row in march)
    for row in march + rows:
        assert row.closing == row.opening + row.net - row.commission - row.rent - row.fees - row.paid
        assert row.net == row.gross - row.returns - row.discounts


def test_balances_are_carried_over_debts_too_and_a_payout_is_shown_in_its_month(sessions, coop, now):
    with transaction(sessions) as session:
        march = shut(session, now, coop, MARCH)
        owed = march["D02"].closing_cents
        pay_dealer(session, now, coop.mall, coop.dealers["D02"], amount_cents=owed, on=date(2025, 4, 10), reference="ACH 7")
        sold = ticket("2001", date(2025, 4, 5), [line(coop.dealers["D03"], 30000)])
        take_tickets(session, now, coop.mall, [sold])
        april = shut(session, now, coop, APRIL)
        first = {code: from_json(s.value_json) for code, s in march.items()}
        second = {code: from_json(s.value_json) for code, s in april.items()}
        assert check_statements(session) == []
    for code in coop.dealers:
        assert second[code].opening_cents == first[code].closing_cents
    # D01 owes: nothing is paid, it stays on the account.
    assert first["D01"].closing_cents == 15726 - 1573 - 27000
    assert (first["D01"].pay_on, first["D01"].to_be_paid_cents) == (None, 0)
    assert first["D01"].carried_cents == first["D01"].closing_cents < 0
    # D02 is owed: paid on the tenth, of the month it is made in; what was paid in April is on April's statement.
    assert (first["D02"].pay_on, first["D02"].to_be_paid_cents) == (date(2026, 11, 10), owed)
    assert second["D02"].payments == (PaymentLine(date(2025, 4, 10), "Paid to you, ACH 7", -owed, "payout"),)
    assert second["D02"].closing_cents == -4500  # April's case
    # D03 owed for half of March and sold in April: the debt is netted.
    assert second["D03"].closing_cents == -9798 + 30000 - 3000 - 20250


def test_a_statement_is_frozen_once_and_equal_values_have_equal_bytes(sessions, coop, now):
    with transaction(sessions) as session:
        first = shut(session, now, coop, MARCH)["D01"]
        again = freeze_statement(session, now, coop.mall, coop.dealers["D01"], MARCH)
        value = build_value(session, coop.mall, coop.dealers["D01"], MARCH, made_on=MADE_ON)
        assert again.id == first.id
        assert to_json(value) == first.value_json
        assert sha256(first.value_json) == first.value_sha256
        assert from_json(first.value_json) == value
        assert first.number == "MAIN.D01.2025-03"


def test_lines_that_are_not_the_ledgers_are_no_statement(sessions, coop, now):
    with transaction(sessions) as session:
        charge(session, now, coop, MARCH)
        without_guards(session, "ticket_line", "UPDATE ticket_line SET price_cents = 200, tag_cents = 200 WHERE tag = 'D01-101'")
        session.expire_all()
        with pytest.raises(StatementError, match=r"statement MAIN.D01.2025-03 does not add up: the closing balance is stated as"):
            build_value(session, coop.mall, coop.dealers["D01"], MARCH, made_on=MADE_ON)
        session.rollback()


# --- checked ever after -------------------------------------------------------------------------------------------------


def without_guards(session, table: str, statement: str, **bound) -> None:
    """As an administrator can who drops the guards first."""
    if dialect_name(session) == "sqlite":
        names = session.connection().exec_driver_sql(
            "SELECT name FROM sqlite_master WHERE type = 'trigger' AND tbl_name = ?", (table,)
        )
        for name in names.scalars().all():
            session.execute(text(f"DROP TRIGGER {name}"))
    else:
        session.execute(text(f"ALTER TABLE {table} DISABLE TRIGGER USER"))
    session.execute(text(statement), bound)


def forged_value(session) -> None:
    value = json.loads(session.scalars(select(Statement.value_json).where(Statement.number == "MAIN.D02.2025-03")).one())
    value["closing_cents"] += 100
    body = json.dumps(value, sort_keys=True, separators=(",", ":"), ensure_ascii=False)
    change = "UPDATE statement SET value_json = :body, value_sha256 = :hash WHERE number = 'MAIN.D02.2025-03'"
    without_guards(session, "statement", change, body=body, hash=sha256(body))


FORGERIES = {
    "value": (
        lambda session: without_guards(
            session, "statement", "UPDATE statement SET value_json = value_json || ' ' WHERE number = 'MAIN.D01.2025-03'"
        ),
        ["Statement MAIN.D01.2025-03 is not the one that was made: its hash differs."],
    ),
    "value and hash": (
        forged_value,
        ["Statement MAIN.D02.2025-03: statement MAIN.D02.2025-03 does not add up"],
    ),
    "row": (
        lambda session: without_guards(
            session, "statement", "UPDATE statement SET closing_cents = closing_cents + 1 WHERE number = 'MAIN.D01.2025-03'"
        ),
        [
            "Statement MAIN.D01.2025-03 closes with -128.46, the ledger with -128.47.",
            "Statement MAIN.D01.2025-03: its value and its row differ.",
        ],
    ),
    "document": (
        lambda session: without_guards(session, "document", "UPDATE document SET content = :other", other=b"%PDF-1.7 other"),
        ["Document statement-MAIN.D01.2025-03.pdf is not the one that was made: its hash differs."],
    ),
    "ledger": (
        lambda session: without_guards(
            session,
            "posting",
            "UPDATE posting SET amount_cents = amount_cents - 5 WHERE id = "
            "(SELECT min(p.id) FROM posting p JOIN account a ON a.id = p.account_id WHERE a.path LIKE '%:MAIN:D04')",
        ),
        ["Statement MAIN.D04.2025-03 closes with 693.68, the ledger with 693.73."],
    ),
}


@pytest.mark.parametrize("what", FORGERIES)
def test_what_was_changed_behind_the_programs_back_is_found(sessions, coop, now, what):
    forge, expected = FORGERIES[what]
    with transaction(sessions) as session:
        statements = shut(session, now, coop, MARCH)
        statements["D01"].document_id = keep_document(
            session,
            now,
            file_name="statement-MAIN.D01.2025-03.pdf",
            media_type="application/pdf",
            content=b"%PDF-1.7",
            made_with="a test",
        ).id
    with transaction(sessions) as session:
        assert check_statements(session) == []
        forge(session)
        session.expire_all()
        found = check_statements(session)
        assert len(found) == len(expected)
        assert all(said.startswith(begin) for said, begin in zip(found, expected, strict=True)), found


# --- written out, and mailed --------------------------------------------------------------------------------------------


def keep(session, now, statement: Statement) -> None:
    statement.document_id = keep_document(
        session,
        now,
        file_name=f"statement-{statement.number}.pdf",
        media_type="application/pdf",
        content=b"%PDF-1.7 " + statement.number.encode(),
        made_with="a test",
    ).id


@SQLITE
def test_statements_are_written_whole_and_only_where_they_are_not_there(sessions, coop, now, tmp_path):
    folder = tmp_path / "made" / "here"
    with transaction(sessions) as session:
        for statement in shut(session, now, coop, MARCH).values():
            keep(session, now, statement)
    with pytest.raises(Refusal, match="No statement of April 2025 has been made at MAIN: close the month first"):
        export_statements(sessions, coop.mall, APRIL, folder)
    first = export_statements(sessions, coop.mall, MARCH, folder)
    assert (first.written, first.unchanged) == (4, 0)
    assert (folder / "statement-MAIN.D01.2025-03.pdf").read_bytes() == b"%PDF-1.7 MAIN.D01.2025-03"
    (folder / "statement-MAIN.D02.2025-03.pdf").write_bytes(b"half")
    (folder / "statement-MAIN.D03.2025-03.pdf").unlink()
    again = export_statements(sessions, coop.mall, MARCH, folder)
    assert (again.written, again.unchanged) == (2, 2)
    assert len(list(folder.iterdir())) == 4


@SQLITE
def test_a_folder_that_takes_nothing_is_named_with_the_file_and_the_mend(sessions, coop, now, tmp_path):
    with transaction(sessions) as session:
        for statement in shut(session, now, coop, MARCH).values():
            keep(session, now, statement)
    (tmp_path / "file").write_text("")
    (tmp_path / "folder" / "statement-MAIN.D02.2025-03.pdf").mkdir(parents=True)
    with pytest.raises(Refusal, match=r"--to .*/file: a statement could not be written .*choose another folder"):
        export_statements(sessions, coop.mall, MARCH, tmp_path / "file")
    with pytest.raises(Refusal, match=r"statement-MAIN.D02.2025-03.pdf could not be written .*1 was written before"):
        export_statements(sessions, coop.mall, MARCH, tmp_path / "folder")


@SQLITE
def test_a_statement_is_mailed_once_it_is_rendered_to_whoever_has_an_address(sessions, coop, now):
    with transaction(sessions) as session:
        made = shut(session, now, coop, MARCH)
        options = {"mail_domain": "example.org", "group_key": "close:1"}
        assert not queue_statement_mail(session, now, made["D01"], **options)  # not rendered yet
        for statement in made.values():
            keep(session, now, statement)
        assert queue_statement_mail(session, now, made["D01"], **options)
        assert not queue_statement_mail(session, now, made["D04"], **options)  # no address
        first = made["D01"].outbox_id
        assert queue_statement_mail(session, now, made["D01"], **options)
        assert made["D01"].outbox_id == first
