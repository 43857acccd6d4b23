"""The forbidden writes, as SQL a foreign program would send: each a transaction, and what the database says of it."""

from __future__ import annotations

from dataclasses import dataclass

from coop.rooms import METADATA
from tests.factories.books import entry_sql, month_sql, posting_sql, proof_sql

FROZEN = {
    "entry": "memo",
    "posting": "amount_cents",
    "entry_proof": "debits_cents",
    "seal": "sha256",
    "document": "sha256",
    "audit_log": "action",
    "tax_charged": "amount_cents",
    "tender": "amount_cents",
    "deposit_line": "amount_cents",
    "layaway_line": "price_cents",
    "layaway_move": "amount_cents",
}
"""Tables whose rows never change, each with a column to attack."""
FIXED = ("account", "statement", "period", "ticket", "ticket_line", "charge", "layaway")
"""Tables whose rows are never deleted and of which some columns never change."""
GUARDED = (*FROZEN, *FIXED, "lease_space", "tax_rate")

UNBALANCED = "two or more postings that sum to zero"
NO_MORE = "takes no more postings"
UNPROVED = "FOREIGN KEY constraint failed|fk_entry_proved"
OWN_PERIOD = "period of its own mall that holds its date"
OWN_MALL = "takes postings of that mall"
CLOSED = "closed and takes no entry"
NEVER = "is never changed or deleted|is there already"
CREDITED = "credited to its dealer once"
STAYS = NEVER + "|stays closed"
ONE_MONTH = "one open calendar month"
BEHIND = "before one that is closed"
FIRST_RENDERING = "first rendering of a statement stays"
LEASED = "leased already|guard_lease_space_overlap"
TAXED = "a rate already|guard_tax_rate_overlap"
CHARGED = "a rate that tickets were taxed at keeps its percent"


@dataclass(frozen=True)
class Attack:
    """Statements of one transaction, with {names} of what was laid out, and what the database says of it."""

    name: str
    statements: tuple[str, ...]
    says: str


def attack(says: str, name: str, *statements: str) -> Attack:
    return Attack(name, statements, says)


def key(table: str) -> str:
    return "entry_id" if table == "entry_proof" else "id"


def copied(table: str, one: str = "", **changes: str) -> str:
    """`INTO table (...) SELECT ...` of its rows (or the one whose key is given), some columns changed."""
    columns = [column.name for column in METADATA.tables[table].columns]
    values = ", ".join(changes.get(column, column) for column in columns)
    return f"INTO {table} ({', '.join(columns)}) SELECT {values} FROM {table} WHERE {f'{key(table)} = {one}' if one else 'true'}"


def upsert(table: str, one: str, change: str, on: str = "") -> str:
    return f"INSERT {copied(table, one)} ON CONFLICT ({on or key(table)}) DO UPDATE SET {change}"


def span(row: int | str, first: str, last: str, *, verb: str = "INSERT") -> str:
    columns = "id, lease_id, space_id, starts_on, ends_on, leased_area_sqft100"
    return f"{verb} INTO lease_space ({columns}) VALUES ({row}, {{lease}}, {{space}}, {first}, {last}, 1)"


def rate(row: int | str, first: str, last: str, *, tax_class: str = "general", verb: str = "INSERT") -> str:
    columns = "id, jurisdiction_id, tax_class, percent, starts_on, ends_on"
    return f"{verb} INTO tax_rate ({columns}) VALUES ({row}, {{jurisdiction}}, '{tax_class}', 1, {first}, {last})"


def entry(
    row: int | str = 9001, period: str = "{open_period}", mall: str = "{main}", day: str = "2026-10-09", **more: str
) -> str:
    return entry_sql(row, period, mall, day, **more)


NEW = entry()
DEBIT, CREDIT = posting_sql(9001, "{cash}", 100), posting_sql(9001, "{owed}", -100)
BALANCED = (NEW, DEBIT, CREDIT)
PROOF = proof_sql(9001, 2, 100)
OTHER_DOCUMENT = f"INSERT {copied('document', '{document}', id='900')}"

ENTRIES = [
    attack(UNBALANCED, "off by a cent", NEW, DEBIT, posting_sql(9001, "{owed}", -99), PROOF),
    attack(UNBALANCED, "one posting", NEW, DEBIT, proof_sql(9001, 1, 100)),
    attack(UNBALANCED, "no posting", NEW, proof_sql(9001, 0, 0)),
    attack(UNBALANCED, "a proof of more postings", *BALANCED, proof_sql(9001, 3, 100)),
    attack(UNBALANCED, "a proof of other debits", *BALANCED, proof_sql(9001, 2, 101)),
    attack(UNBALANCED, "a proof before its entry", PROOF, *BALANCED),
    attack(UNPROVED, "balanced without proof", *BALANCED),
    attack(UNPROVED, "unbalanced without proof", NEW, DEBIT),
    attack("CHECK|not_zero", "a posting of nothing", *BALANCED, posting_sql(9001, "{cash}", 0)),
    attack("NOT NULL|not-null|whole number", "a posting of no amount", *BALANCED, posting_sql(9001, "{cash}", "NULL")),
    attack(NO_MORE, "a posting after the proof", *BALANCED, PROOF, posting_sql(9001, "{cash}", 5)),
    attack(NO_MORE, "a posting on an old entry", posting_sql("{entry}", "{cash}", 5)),
    attack(
        NO_MORE, "balanced postings on an old entry", posting_sql("{entry}", "{cash}", 5), posting_sql("{entry}", "{owed}", -5)
    ),
    attack(NO_MORE, "a posting on an entry of a closed month", posting_sql("{closed_entry}", "{cash}", 5)),
    attack("FOREIGN KEY|fk_posting_entry_id", "a posting without an entry", posting_sql(9001, "{bank}", 5)),
    attack(
        OWN_MALL,
        "a dealer's account moved in a closed month by an entry of the co-op",
        entry(period="{coop_period}", mall="NULL", day="2026-09-15"),
        posting_sql(9001, "{bank}", 500),
        posting_sql(9001, "{owed}", -500),
        PROOF,
    ),
    attack(
        OWN_MALL,
        "a dealer's account moved by an entry of another mall",
        entry(period="{east_period}", mall="{east}"),
        posting_sql(9001, "{bank}", 100),
        posting_sql(9001, "{owed}", -100),
        PROOF,
    ),
    attack(
        OWN_MALL,
        "two accounts of a mall in an entry of the co-op, at once",
        entry(period="{coop_period}", mall="NULL", day="2026-09-15"),
        "INSERT INTO posting (entry_id, account_id, amount_cents) "
        "VALUES (9001, {bank}, 1), (9001, {owed}, 1), (9001, {owed}, -2)",
        proof_sql(9001, 3, 2),
    ),
    attack(CLOSED, "a closed month", entry(period="{closed_period}", day="2026-09-05")),
    attack(OWN_PERIOD, "another mall's period", entry(period="{east_period}")),
    attack(OWN_PERIOD, "no mall in a mall's period", entry(mall="NULL")),
    attack(OWN_PERIOD, "the day before the month", entry(day="2026-09-30")),
    attack(OWN_PERIOD, "the day after the month", entry(day="2026-11-01")),
    attack(OWN_PERIOD + "|fk_entry_period_id", "a period that is none", entry(period="777")),
    attack("UNIQUE|uq_entry_source|there already", "one event twice", entry(source_id="october/1")),
    attack("UNIQUE|uq_entry_reverses|there already", "a second reversal", entry(reverses_id="{reversed_entry}")),
    attack("UNIQUE|pk_entry|there already", "a number that is taken", entry("{entry}")),
]

PERIODS = [
    attack("stays closed", "reopening", "UPDATE period SET state = 'open', closed_at = NULL WHERE id = {closed_period}"),
    attack("stays closed", "touching a closed month", "UPDATE period SET closed_at = '2026-10-02' WHERE id = {closed_period}"),
    attack(STAYS, "giving a closed month away", "UPDATE period SET mall_id = {east} WHERE id = {closed_period}"),
    attack(NEVER, "lengthening an open month", "UPDATE period SET last_day = '2026-11-30' WHERE id = {open_period}"),
    attack(NEVER, "beginning an open month earlier", "UPDATE period SET first_day = '2026-09-01' WHERE id = {open_period}"),
    attack(NEVER, "giving an open month to the co-op", "UPDATE period SET mall_id = NULL WHERE id = {open_period}"),
    attack(NEVER, "deleting a closed month", "DELETE FROM period WHERE id = {closed_period}"),
    attack(NEVER, "deleting an open month", "DELETE FROM period WHERE id = {open_period}"),
    attack(BEHIND, "a month before a closed one", month_sql(900, "{main}", "'2026-08-01'", "'2026-08-31'")),
    attack(BEHIND + "|there already", "the closed month again", month_sql(900, "{main}", "'2026-09-01'", "'2026-09-30'")),
    attack(ONE_MONTH, "a month that is closed already", month_sql(900, "{main}", "'2026-11-01'", "'2026-11-30'", "closed")),
    attack(ONE_MONTH, "half a month", month_sql(900, "{main}", "'2026-11-01'", "'2026-11-15'")),
    attack(ONE_MONTH, "a month from its middle", month_sql(900, "{main}", "'2026-11-15'", "'2026-12-14'")),
    attack(ONE_MONTH, "two months in one", month_sql(900, "{main}", "'2026-11-01'", "'2026-12-31'")),
    attack(
        "close in their order",
        "closing past an open month",
        month_sql(900, "{main}", "'2026-11-01'", "'2026-11-30'"),
        "UPDATE period SET state = 'closed' WHERE id = 900",
    ),
    attack("CHECK|known_state", "a state that is none", "UPDATE period SET state = 'ajar' WHERE id = {open_period}"),
]

ROWS = [
    *[attack(NEVER, f"changing {table}", f"UPDATE {table} SET {column} = {column}") for table, column in FROZEN.items()],
    *[attack(NEVER, f"deleting from {table}", f"DELETE FROM {table}") for table in (*FROZEN, *FIXED)],
    *[
        attack(STAYS, f"renumbering {table}", f"UPDATE {table} SET {key(table)} = {key(table)} + 1000")
        for table in (*FROZEN, *FIXED)
    ],
    attack(NEVER, "an upsert of an entry", upsert("entry", "{entry}", "memo = 'x'")),
    attack(
        NEVER,
        "an upsert of an event",
        entry(source_id="october/1") + " ON CONFLICT (source_kind, source_id, purpose) DO UPDATE SET memo = 'x'",
    ),
    attack(NEVER + "|" + NO_MORE, "an upsert of a posting", upsert("posting", "1", "amount_cents = 1")),
    attack(NEVER, "an upsert of a proof", upsert("entry_proof", "{entry}", "debits_cents = 1")),
    attack(NEVER, "an upsert of a seal", upsert("seal", "{seal}", "sha256 = 'x'", on="chain, number")),
    attack(NEVER, "an upsert of a document", upsert("document", "{document}", "sha256 = 'x'")),
    attack(NEVER, "an upsert of a log line", upsert("audit_log", "{audit_row}", "action = 'x'")),
    attack(NEVER, "an upsert of a tax", upsert("tax_charged", "{tax_charged}", "amount_cents = 0")),
    attack(NEVER, "an upsert of an account", upsert("account", "{owed}", "path = 'Income:Mine'")),
    attack(NEVER, "an upsert of a statement", upsert("statement", "{statement}", "closing_cents = 1")),
    *[
        attack(NEVER, f"an account's {column}", f"UPDATE account SET {column} = {value} WHERE id = {{owed}}")
        for column, value in {
            "path": "'Income:Mine'",
            "kind": "'income'",
            "dealer_id": "{other_dealer}",
            "mall_id": "{east}",
        }.items()
    ],
    *[
        attack(NEVER, f"a statement's {column}", f"UPDATE statement SET {column} = {value} WHERE id = {{statement}}")
        for column, value in {
            "value_json": "'[]'",
            "value_sha256": "'x'",
            "opening_cents": "1",
            "closing_cents": "1",
            "number": "'x'",
            "mall_id": "{east}",
            "dealer_id": "{other_dealer}",
            "first_day": "'2026-10-01'",
        }.items()
    ],
    attack(
        FIRST_RENDERING,
        "a statement's document",
        OTHER_DOCUMENT,
        "UPDATE statement SET document_id = 900 WHERE id = {statement}",
    ),
    attack(FIRST_RENDERING, "a statement without its document", "UPDATE statement SET document_id = NULL WHERE id = {statement}"),
]

TICKET_CHANGES = {
    "mall_id": "{east}",
    "key": "'x'",
    "number": "'x'",
    "source": "'x'",
    "kind": "'return'",
    "sold_at": "'2026-10-01 00:00:00'",
    "sold_on": "'2026-10-01'",
    "received_at": "'2026-10-01 00:00:00'",
    "posting_date": "'2026-09-01'",
    "rung_by": "1",
    "import_id": "1",
    "taxed": "NOT taxed",
    "net_cents": "1",
    "tax_cents": "1",
    "total_cents": "1",
    "buyer_key": "'x'",
    "certificate": "'x'",
    "certificate_kind": "'resale'",
    "delivery_cents": "1",
    "delivery_of_id": "{ticket}",
    "layaway_accepted_on": "'2026-09-01'",
    "layaway_completed_on": "'2026-09-01'",
    "entry_id": "{closed_entry}",
}
LINE_CHANGES = {
    "ticket_id": "ticket_id + 1",
    "mall_id": "{east}",
    "posting_date": "'2026-09-01'",
    "position": "77",
    "dealer_id": "{other_dealer}",
    "credited_on": "'2026-10-07'",
    "tag": "'x'",
    "description": "'x'",
    "tax_class": "'food'",
    "quantity": "9",
    "unit_price": "9",
    "tag_cents": "9",
    "discount_cents": "9",
    "discount_reason": "'offer'",
    "discount_authority": "'x'",
    "price_cents": "9",
    "tax_cents": "9",
    "seller_coupon_cents": "9",
    "maker_coupon_cents": "9",
    "trade_in_cents": "9",
    "own_use": "NOT own_use",
    "returns_line_id": "{unclaimed_line}",
}
CHARGE_CHANGES = {
    "lease_id": "lease_id - 1",
    "mall_id": "{east}",
    "dealer_id": "{dealer}",
    "kind": "'fee'",
    "what": "'x'",
    "first_day": "'2026-09-01'",
    "change": "7",
    "label": "'x'",
    "working": "'x'",
    "amount_cents": "1",
    "entry_id": "{closed_entry}",
}
FACTS = [
    attack(says, name, f"INSERT {copied(table, one, id='9001', **{changed: value}, **apart)}")
    for says, name, table, one, changed, value, apart in (
        ("ck_ticket_adds_up", "a total that is no sum", "ticket", "{ticket}", "total_cents", "total_cents + 1", {"key": "'x'"}),
        ("known_certificate_kind", "a buyer of no kind", "ticket", "{ticket}", "certificate_kind", "'friend'", {"key": "'x'"}),
        ("layaway_forward", "an end without a start", "ticket", "{ticket}", "layaway_completed_on", "sold_on", {"key": "'x'"}),
        ("line_adds_up", "a coupon out of nothing", "ticket_line", "{tied_line}", "seller_coupon_cents", "5", {"position": "99"}),
    )
]
SALES = [
    *FACTS,
    *[
        attack(f"{NEVER}|{CREDITED}", f"a {what}'s {column}", f"UPDATE {table} SET {column} = {value} WHERE id = {one}")
        for what, table, one, changes in (
            ("ticket", "ticket", "{ticket}", TICKET_CHANGES),
            ("line", "ticket_line", "{tied_line}", LINE_CHANGES),
            ("charge", "charge", "{charge}", CHARGE_CHANGES),
        )
        for column, value in changes.items()
    ],
    attack(f"{NEVER}|{CREDITED}", "a claim taken back", "UPDATE ticket_line SET dealer_id = NULL WHERE id = {claimed_line}"),
    attack(CREDITED, "a claim on no day", "UPDATE ticket_line SET dealer_id = {dealer} WHERE id = {unclaimed_line}"),
    attack(
        CREDITED, "a sale credited on another day", "UPDATE ticket_line SET credited_on = '2026-10-07' WHERE id = {tied_line}"
    ),
    attack(NEVER, "a return untied", "UPDATE ticket_line SET returns_line_id = NULL WHERE id = {tied_line}"),
    attack(NEVER, "a ticket without its entry", "UPDATE ticket SET entry_id = NULL WHERE id = {ticket}"),
    attack(NEVER, "a charge without its entry", "UPDATE charge SET entry_id = NULL WHERE id = {charge}"),
    attack(
        NEVER,
        "a claim at another price",
        "UPDATE ticket_line SET dealer_id = {dealer}, credited_on = posting_date, price_cents = 1 WHERE id = {unclaimed_line}",
    ),
    attack(
        NEVER,
        "a claim that changes its mind",
        "UPDATE ticket_line SET dealer_id = {dealer}, credited_on = posting_date WHERE id = {unclaimed_line}",
        "UPDATE ticket_line SET dealer_id = {other_dealer} WHERE id = {unclaimed_line}",
    ),
    attack(NEVER, "an upsert of a ticket", upsert("ticket", "{ticket}", "net_cents = 0", on="key")),
    attack(NEVER, "an upsert of a line", upsert("ticket_line", "{claimed_line}", "price_cents = 0")),
    attack(NEVER, "an upsert of a tender", upsert("tender", "{tender}", "amount_cents = 0")),
    attack(NEVER, "an upsert of a charge", upsert("charge", "{charge}", "amount_cents = 0")),
]

SPANS = [
    attack(LEASED, "a lease within another", span(900, "'2026-04-01'", "'2026-04-30'")),
    attack(LEASED, "a lease round another", span(900, "'2026-01-01'", "'2026-08-01'")),
    attack(LEASED, "a lease from another's last day", span(900, "'2026-06-30'", "'2026-07-31'")),
    attack(LEASED, "a lease to another's first day", span(900, "'2026-07-01'", "'2026-09-01'")),
    attack(LEASED, "a lease into an endless one", span(900, "'2036-01-01'", "'2036-01-01'")),
    attack(LEASED, "an endless lease from long ago", span(900, "'2000-01-01'", "NULL")),
    attack(
        LEASED,
        "two new leases that overlap",
        span(900, "'2026-07-01'", "'2026-07-20'"),
        span(901, "'2026-07-20'", "'2026-07-21'"),
    ),
    attack(LEASED, "a lease stretched into another", "UPDATE lease_space SET ends_on = '2026-09-01' WHERE id = {held}"),
    attack(LEASED, "a lease made endless", "UPDATE lease_space SET ends_on = NULL WHERE id = {held}"),
    attack(LEASED, "a lease begun earlier", "UPDATE lease_space SET starts_on = '2026-06-15' WHERE id = {held_later}"),
    attack("CHECK|space_forward|lower bound", "a lease that runs backwards", span(900, "'2026-07-31'", "'2026-07-01'")),
    attack(TAXED, "a rate within another", rate(900, "'2021-01-01'", "'2021-12-31'")),
    attack(TAXED, "a rate to another's first day", rate(900, "'2019-01-01'", "'2020-01-01'")),
    attack(TAXED, "a rate into an endless one", rate(900, "'2030-01-01'", "NULL")),
    attack(TAXED, "a rate stretched into another", "UPDATE tax_rate SET ends_on = '2026-01-01' WHERE id = {ended_rate}"),
    attack(f"{TAXED}|{CHARGED}", "a rate begun earlier", "UPDATE tax_rate SET starts_on = '2025-12-31' WHERE id = {rate}"),
    attack("CHECK|not_negative", "a rate below nothing", "UPDATE tax_rate SET percent = -1 WHERE id = {ended_rate}"),
    attack(CHARGED, "the percent of a rate that was charged", "UPDATE tax_rate SET percent = 1 WHERE id = {rate}"),
    attack(CHARGED, "the class of a rate that was charged", "UPDATE tax_rate SET tax_class = 'food' WHERE id = {rate}"),
]

BOTH = [*ENTRIES, *PERIODS, *ROWS, *SALES, *SPANS]

BY_ROWID = (
    "REPLACE INTO entry (rowid, period_id, mall_id, business_date, kind, source_kind, source_id, purpose, memo, posted_at) "
    "VALUES ({entry}, {open_period}, {main}, '2026-10-09', 'sale', 'ticket', 'attack', 'sale', '', '2026-10-09')"
)
SQLITE = [
    attack("whole number of cents", "half a cent", NEW, posting_sql(9001, "{cash}", "100.5")),
    attack("whole number of cents", "an amount in words", NEW, posting_sql(9001, "{cash}", "'ten'")),
    attack(OWN_PERIOD, "a day and something more", entry(day="2026-10-05 x")),
    attack(OWN_PERIOD, "a day short of a digit", entry(day="2026-10-1")),
    attack(UNBALANCED, "unbalanced, ignoring errors", NEW, DEBIT, proof_sql(9001, 1, 100, verb="INSERT OR IGNORE")),
    attack(UNBALANCED, "unbalanced, failing late", NEW, DEBIT, proof_sql(9001, 1, 100, verb="INSERT OR FAIL")),
    attack(UNBALANCED, "unbalanced, keys put off", "PRAGMA defer_foreign_keys = ON", NEW, DEBIT, proof_sql(9001, 1, 100)),
    attack(CLOSED, "ignored into a closed month", entry(period="{closed_period}", day="2026-09-05", verb="INSERT OR IGNORE")),
    attack(NO_MORE, "ignored onto an old entry", posting_sql("{entry}", "{cash}", 5, verb="INSERT OR IGNORE")),
    attack(NEVER, "an entry replaced by number", entry("{entry}", verb="INSERT OR REPLACE")),
    attack(NEVER, "an entry replaced by number as text", entry("'{entry}'", verb="INSERT OR REPLACE")),
    attack(NEVER, "an entry replaced by row", BY_ROWID),
    attack(NEVER, "an entry replaced by event", entry(source_id="october/1", verb="REPLACE")),
    attack(NEVER, "a reversal replaced", entry(reverses_id="{reversed_entry}", verb="REPLACE")),
    attack(NEVER + "|" + NO_MORE, "a posting replaced", f"REPLACE {copied('posting', amount_cents='amount_cents + 1')}"),
    attack(NEVER, "a posting taken over by a new entry", NEW, f"REPLACE {copied('posting', '1', entry_id='9001')}"),
    attack(NEVER, "a proof replaced by its like", f"REPLACE {copied('entry_proof', '{entry}')}"),
    attack(NEVER + "|" + UNBALANCED, "a proof replaced", proof_sql("{entry}", 2, 5, verb="REPLACE")),
    attack(NEVER, "a seal replaced by its place", f"REPLACE {copied('seal', id='id + 900', sha256='0')}"),
    attack(NEVER, "a document replaced", f"REPLACE {copied('document', content='0')}"),
    attack(NEVER, "a log line replaced", f"REPLACE {copied('audit_log', action='0')}"),
    attack(NEVER, "a tax replaced", f"REPLACE {copied('tax_charged', amount_cents='0')}"),
    attack(NEVER, "a ticket replaced", f"REPLACE {copied('ticket', total_cents='0')}"),
    attack(NEVER, "a ticket replaced by key", f"REPLACE {copied('ticket', id='id + 900', total_cents='0')}"),
    attack(NEVER, "a line replaced", f"REPLACE {copied('ticket_line', price_cents='0')}"),
    attack(NEVER, "a line replaced by its place", f"REPLACE {copied('ticket_line', id='id + 900', price_cents='0')}"),
    attack(NEVER, "a tender replaced", f"REPLACE {copied('tender', amount_cents='0')}"),
    attack(NEVER, "a charge replaced", f"REPLACE {copied('charge', amount_cents='0')}"),
    attack(NEVER, "a charge replaced by what it is for", f"REPLACE {copied('charge', id='id + 900', amount_cents='0')}"),
    attack(NEVER, "an account replaced by path", f"REPLACE {copied('account', id='id + 900', kind='0')}"),
    attack(
        NEVER, "a statement replaced by number", f"REPLACE {copied('statement', id='id + 900', first_day='0', value_json='0')}"
    ),
    attack(NEVER, "a statement replaced by month", f"REPLACE {copied('statement', id='id + 900', number='0', value_json='0')}"),
    attack(NEVER + "|" + BEHIND, "a closed month replaced", f"REPLACE {copied('period', '{closed_period}', state='0')}"),
    attack(
        NEVER + "|" + BEHIND,
        "a closed month under a new number",
        month_sql(900, "{main}", "'2026-09-01'", "'2026-09-30'", verb="REPLACE"),
    ),
    attack(NEVER, "an open month replaced", month_sql(900, "{main}", "'2026-10-01'", "'2026-10-31'", verb="REPLACE")),
    *[
        attack(STAYS, f"{table} replaced by an update", f"UPDATE OR REPLACE {table} SET {key(table)} = {key(table)} + 1")
        for table in (*FROZEN, *FIXED)
    ],
    attack(ONE_MONTH, "a second September", month_sql(900, "{main}", "'2026-09-01 00:00'", "'2026-09-30'")),
    attack(ONE_MONTH + "|CHECK", "a month of no date", month_sql(900, "{main}", "'soon'", "'sooner'")),
    attack(ONE_MONTH + "|CHECK", "a month by its number of days", month_sql(900, "{main}", "2461376.5", "'2026-12-31'")),
    attack(LEASED, "a lease replaced by one that overlaps", span("{held}", "'2026-03-01'", "'2026-09-30'", verb="REPLACE")),
    attack(TAXED, "a rate replaced by one that overlaps", rate("{ended_rate}", "'2020-01-01'", "'2026-06-30'", verb="REPLACE")),
]

TEMPORARY_PERIOD = "CREATE TEMPORARY TABLE period AS SELECT id, mall_id, first_day, last_day, 'open' AS state FROM public.period"
TEMPORARY_POSTINGS = (
    "CREATE TEMPORARY TABLE posting AS SELECT 9001 AS entry_id, n AS amount_cents FROM (VALUES (100), (-100)) v(n)"
)
POSTGRESQL = [
    *[attack(NEVER, f"truncating {table} and all that hangs on it", f"TRUNCATE {table} CASCADE") for table in (*FROZEN, *FIXED)],
    *[attack(NEVER + "|cannot truncate", f"truncating {table}", f"TRUNCATE {table}") for table in (*FROZEN, *FIXED)],
    *[
        attack(NEVER, f"truncating {table} above them", f"TRUNCATE {table} RESTART IDENTITY CASCADE")
        for table in ("mall", "dealer", "member", "jurisdiction", "tax_rate")
    ],
    attack(
        NEVER,
        "a merge that changes",
        "MERGE INTO posting USING (SELECT 1) one ON true WHEN MATCHED THEN UPDATE SET amount_cents = amount_cents + 1",
    ),
    attack(NEVER, "a merge that deletes", "MERGE INTO entry USING (SELECT 1) one ON true WHEN MATCHED THEN DELETE"),
    attack(NEVER, "deleting by the way", "WITH gone AS (DELETE FROM posting RETURNING 1) SELECT count(*) FROM gone"),
    attack(
        NO_MORE + "|" + UNBALANCED,
        "a proof and one more posting at once",
        *BALANCED,
        f"WITH p AS ({PROOF} RETURNING 1) {posting_sql(9001, '{cash}', 5)}",
    ),
    attack(UNBALANCED, "unbalanced, keys put off", "SET CONSTRAINTS ALL DEFERRED", NEW, DEBIT, proof_sql(9001, 1, 100)),
    attack(CLOSED, "a period of one's own making", TEMPORARY_PERIOD, entry(period="{closed_period}", day="2026-09-05")),
    attack(UNBALANCED, "postings of one's own making", NEW, DEBIT, TEMPORARY_POSTINGS, PROOF),
]

ALLOWED = {
    "a balanced entry with its proof": (*BALANCED, PROOF),
    "a reversal by hand": (
        entry(9002, day="2026-10-31", source_id="undo", reverses_id="{entry}"),
        posting_sql(9002, "{cash}", -4000),
        posting_sql(9002, "{owed}", 4000),
        proof_sql(9002, 2, 4000),
    ),
    "an entry of the co-op on its own accounts": (
        entry(9003, period="{coop_period}", mall="NULL", day="2026-09-15", source_id="bank"),
        posting_sql(9003, "{bank}", 5),
        posting_sql(9003, "{bank}", -5),
        proof_sql(9003, 2, 5),
    ),
    "a mall's entry on an account of no mall": (
        entry(9004, source_id="deposit"),
        posting_sql(9004, "{bank}", 5),
        posting_sql(9004, "{cash}", -5),
        proof_sql(9004, 2, 5),
    ),
    "the next month, and closing in order": (
        month_sql(900, "{main}", "'2026-11-01'", "'2026-11-30'"),
        "UPDATE period SET state = 'closed' WHERE id = {open_period}",
        "UPDATE period SET state = 'closed' WHERE id = 900",
    ),
    "an earlier month of a mall that has closed none": (month_sql(901, "{east}", "'2026-02-01'", "'2026-02-28'"),),
    "the co-op's own month": (month_sql(902, "NULL", "'2024-02-01'", "'2024-02-29'"),),
    "a lease that fills the gap": (span(900, "'2026-07-01'", "'2026-08-31'"),),
    "ending a lease": ("UPDATE lease_space SET ends_on = '2026-12-31' WHERE id = {held_later}",),
    "a rate of another class": (rate(900, "'2021-01-01'", "NULL", tax_class="food"),),
    "an earlier rate": (rate(901, "'2019-01-01'", "'2019-12-31'"),),
    "another document": (OTHER_DOCUMENT,),
    "a claim": ("UPDATE ticket_line SET dealer_id = {dealer}, credited_on = posting_date WHERE id = {unclaimed_line}",),
    "a tie": ("UPDATE ticket_line SET returns_line_id = {claimed_line} WHERE id = {unclaimed_line}",),
    "the buyer of a layaway forgotten": ("UPDATE layaway SET buyer_name = '', buyer_contact = '' WHERE id = {layaway}",),
    "the entry of a charge": ("UPDATE charge SET entry_id = {entry} WHERE id = {free_charge}",),
}
"""What looks like it and is right: so that the refusals are for their reason."""
