"""What the database itself guarantees of the books: balanced, immutable, closed months closed, no double lease.

Written by hand for each database, since neither autogenerate nor batch mode sees triggers. A later revision that rebuilds one of
these tables in batch mode must make its guards again; a test compares the list after each revision, up and down.
"""

from alembic import op

revision = "0002"
down_revision = "0001"
branch_labels = None
depends_on = None

# Tables whose rows are never changed and never deleted, with the key an INSERT OR REPLACE would walk over.
FROZEN = {
    "entry": [
        "id = NEW.id",
        "source_kind = NEW.source_kind AND source_id = NEW.source_id AND purpose = NEW.purpose",
        "reverses_id = NEW.reverses_id",
    ],
    "posting": ["id = NEW.id"],
    "entry_proof": ["entry_id = NEW.entry_id"],
    "seal": ["id = NEW.id", "chain = NEW.chain AND number = NEW.number"],
    "document": ["id = NEW.id"],
    "audit_log": ["id = NEW.id"],
    "tax_charged": ["id = NEW.id"],
    "tender": ["id = NEW.id"],
}
# Tables of which some columns never change, and whose rows are never deleted.
FIXED = {
    "account": (["id", "path", "kind", "mall_id", "dealer_id"], ["id = NEW.id", "path = NEW.path"]),
    "statement": (
        [
            "id",
            "number",
            "mall_id",
            "dealer_id",
            "first_day",
            "value_json",
            "value_sha256",
            "opening_cents",
            "closing_cents",
        ],
        [
            "id = NEW.id",
            "number = NEW.number",
            "mall_id = NEW.mall_id AND dealer_id = NEW.dealer_id AND first_day = NEW.first_day",
        ],
    ),
    "period": (
        ["id", "mall_id", "first_day", "last_day"],
        ["id = NEW.id", "mall_id IS NEW.mall_id AND first_day = NEW.first_day"],
    ),
    "ticket": (
        [
            "id",
            "mall_id",
            "key",
            "number",
            "source",
            "kind",
            "sold_at",
            "sold_on",
            "received_at",
            "posting_date",
            "rung_by",
            "import_id",
            "taxed",
            "net_cents",
            "tax_cents",
            "total_cents",
            "buyer_key",
        ],
        ["id = NEW.id", "key = NEW.key"],
    ),
    "ticket_line": (
        [
            "id",
            "ticket_id",
            "mall_id",
            "posting_date",
            "position",
            "tag",
            "description",
            "tax_class",
            "quantity",
            "unit_price",
            "tag_cents",
            "discount_cents",
            "discount_reason",
            "discount_authority",
            "price_cents",
            "tax_cents",
        ],
        ["id = NEW.id", "ticket_id = NEW.ticket_id AND position = NEW.position"],
    ),
    "charge": (
        ["id", "lease_id", "mall_id", "dealer_id", "kind", "what", "first_day", "change", "label", "working", "amount_cents"],
        [
            "id = NEW.id",
            "lease_id = NEW.lease_id AND what = NEW.what AND first_day = NEW.first_day AND change = NEW.change",
        ],
    ),
}
# Columns of those that may be filled in once, and then never change: an unclaimed sale is claimed, a return is tied.
FILLED_ONCE = {
    "ticket": ["entry_id"],
    "ticket_line": ["dealer_id", "returns_line_id"],
    "charge": ["entry_id"],
}

SQLITE = [
    # An entry goes into an open month of its own mall, on a day of that month.
    """CREATE TRIGGER guard_entry_period BEFORE INSERT ON entry BEGIN
      SELECT RAISE(ABORT, 'books: that month is closed and takes no entry')
        WHERE EXISTS (SELECT 1 FROM period WHERE id = NEW.period_id AND state <> 'open');
      SELECT RAISE(ABORT, 'books: an entry belongs to a period of its own mall that holds its date')
        WHERE date(NEW.business_date) IS NOT NEW.business_date
           OR NOT EXISTS (SELECT 1 FROM period WHERE id = NEW.period_id AND mall_id IS NEW.mall_id
                          AND NEW.business_date BETWEEN first_day AND last_day);
    END""",
    """CREATE TRIGGER guard_posting_before_proof BEFORE INSERT ON posting BEGIN
      SELECT RAISE(ABORT, 'books: an amount is a whole number of cents') WHERE typeof(NEW.amount_cents) <> 'integer';
      SELECT RAISE(ABORT, 'books: a posted entry takes no more postings')
        WHERE EXISTS (SELECT 1 FROM entry_proof WHERE entry_id = NEW.entry_id);
    END""",
    # Else an entry of no mall, which no closed month of a mall refuses, could move what a dealer is owed there.
    """CREATE TRIGGER guard_posting_own_mall BEFORE INSERT ON posting BEGIN
      SELECT RAISE(ABORT, 'books: an account of a mall takes postings of that mall''s entries only')
        WHERE EXISTS (SELECT 1 FROM account WHERE id = NEW.account_id AND mall_id IS NOT NULL
                      AND mall_id IS NOT (SELECT mall_id FROM entry WHERE id = NEW.entry_id));
    END""",
    """CREATE TRIGGER guard_proof_balances BEFORE INSERT ON entry_proof BEGIN
      SELECT RAISE(ABORT, 'books: an entry has two or more postings that sum to zero')
        WHERE (SELECT COUNT(*) < 2 OR COALESCE(SUM(amount_cents), 0) <> 0 OR COUNT(*) <> NEW.postings
                 OR SUM(MAX(amount_cents, 0)) <> NEW.debits_cents
               FROM posting WHERE entry_id = NEW.entry_id);
    END""",
    """CREATE TRIGGER guard_period_opens BEFORE INSERT ON period BEGIN
      SELECT RAISE(ABORT, 'books: a period is one open calendar month')
        WHERE NEW.state <> 'open' OR date(NEW.first_day, 'start of month') IS NOT NEW.first_day
           OR date(NEW.first_day, '+1 month', '-1 day') IS NOT NEW.last_day;
      SELECT RAISE(ABORT, 'books: no month opens before one that is closed')
        WHERE EXISTS (SELECT 1 FROM period WHERE mall_id IS NEW.mall_id AND state = 'closed' AND first_day >= NEW.first_day);
    END""",
    """CREATE TRIGGER guard_period_stays_closed BEFORE UPDATE ON period WHEN OLD.state = 'closed' BEGIN
      SELECT RAISE(ABORT, 'books: a closed month stays closed');
    END""",
    """CREATE TRIGGER guard_period_closes_in_order BEFORE UPDATE ON period WHEN NEW.state = 'closed' BEGIN
      SELECT RAISE(ABORT, 'books: months close in their order')
        WHERE EXISTS (SELECT 1 FROM period WHERE mall_id IS NEW.mall_id AND state = 'open' AND first_day < NEW.first_day);
    END""",
    """CREATE TRIGGER guard_statement_document BEFORE UPDATE ON statement
       WHEN OLD.document_id IS NOT NULL AND NEW.document_id IS NOT OLD.document_id BEGIN
      SELECT RAISE(ABORT, 'books: the first rendering of a statement stays');
    END""",
]
for _table, _key, _what in (
    ("lease_space", "space_id = NEW.space_id", "leases: that space is leased already in these dates"),
    (
        "tax_rate",
        "jurisdiction_id = NEW.jurisdiction_id AND tax_class = NEW.tax_class",
        "tax: that jurisdiction has a rate already in these dates",
    ),
):
    for _event in ("INSERT", "UPDATE"):
        SQLITE.append(
            f"""CREATE TRIGGER guard_{_table}_overlap_{_event.lower()} BEFORE {_event} ON {_table} BEGIN
              SELECT RAISE(ABORT, '{_what}') WHERE EXISTS (
                SELECT 1 FROM {_table} WHERE {_key} {"AND id <> OLD.id" if _event == "UPDATE" else ""}
                  AND starts_on <= COALESCE(NEW.ends_on, '9999-12-31') AND COALESCE(ends_on, '9999-12-31') >= NEW.starts_on);
            END"""
        )

POSTGRESQL = [
    # Statement-level, over the rows just inserted: a batch of thousands is judged in one query.
    """CREATE FUNCTION guard_entry_period() RETURNS trigger LANGUAGE plpgsql AS $$ BEGIN
      -- Waits for a close that holds the month, and makes a close wait for us.
      PERFORM 1 FROM period WHERE id IN (SELECT DISTINCT period_id FROM fresh) ORDER BY id FOR SHARE;
      IF EXISTS (SELECT 1 FROM period WHERE id IN (SELECT DISTINCT period_id FROM fresh) AND state <> 'open') THEN
        RAISE restrict_violation USING MESSAGE = 'books: that month is closed and takes no entry';
      END IF;
      IF EXISTS (SELECT 1 FROM fresh f JOIN period p ON p.id = f.period_id
                 WHERE p.mall_id IS DISTINCT FROM f.mall_id OR f.business_date NOT BETWEEN p.first_day AND p.last_day) THEN
        RAISE restrict_violation USING MESSAGE = 'books: an entry belongs to a period of its own mall that holds its date';
      END IF;
      RETURN NULL;
    END $$""",
    """CREATE TRIGGER guard_entry_period AFTER INSERT ON entry REFERENCING NEW TABLE AS fresh
       FOR EACH STATEMENT EXECUTE FUNCTION guard_entry_period()""",
    """CREATE FUNCTION guard_posting_before_proof() RETURNS trigger LANGUAGE plpgsql AS $$ BEGIN
      IF EXISTS (SELECT 1 FROM fresh f JOIN entry_proof p ON p.entry_id = f.entry_id) THEN
        RAISE restrict_violation USING MESSAGE = 'books: a posted entry takes no more postings';
      END IF;
      RETURN NULL;
    END $$""",
    """CREATE TRIGGER guard_posting_before_proof AFTER INSERT ON posting REFERENCING NEW TABLE AS fresh
       FOR EACH STATEMENT EXECUTE FUNCTION guard_posting_before_proof()""",
    """CREATE FUNCTION guard_posting_own_mall() RETURNS trigger LANGUAGE plpgsql AS $$ BEGIN
      -- Else an entry of no mall, which no closed month of a mall refuses, could move what a dealer is owed there.
      IF EXISTS (SELECT 1 FROM fresh f JOIN account a ON a.id = f.account_id JOIN entry e ON e.id = f.entry_id
                 WHERE a.mall_id IS NOT NULL AND a.mall_id IS DISTINCT FROM e.mall_id) THEN
        RAISE restrict_violation USING MESSAGE = 'books: an account of a mall takes postings of that mall''s entries only';
      END IF;
      RETURN NULL;
    END $$""",
    """CREATE TRIGGER guard_posting_own_mall AFTER INSERT ON posting REFERENCING NEW TABLE AS fresh
       FOR EACH STATEMENT EXECUTE FUNCTION guard_posting_own_mall()""",
    """CREATE FUNCTION guard_proof_balances() RETURNS trigger LANGUAGE plpgsql AS $$ BEGIN
      IF EXISTS (
        SELECT 1 FROM fresh f LEFT JOIN LATERAL (
          SELECT count(*) AS n, coalesce(sum(amount_cents), 0) AS balance,
                 coalesce(sum(amount_cents) FILTER (WHERE amount_cents > 0), 0) AS debits
          FROM posting WHERE entry_id = f.entry_id) p ON true
        WHERE p.n < 2 OR p.balance <> 0 OR p.n <> f.postings OR p.debits <> f.debits_cents) THEN
        RAISE restrict_violation USING MESSAGE = 'books: an entry has two or more postings that sum to zero';
      END IF;
      RETURN NULL;
    END $$""",
    """CREATE TRIGGER guard_proof_balances AFTER INSERT ON entry_proof REFERENCING NEW TABLE AS fresh
       FOR EACH STATEMENT EXECUTE FUNCTION guard_proof_balances()""",
    """CREATE FUNCTION guard_period_opens() RETURNS trigger LANGUAGE plpgsql AS $$ BEGIN
      IF NEW.state <> 'open' OR extract(day FROM NEW.first_day) <> 1
         OR NEW.last_day <> (NEW.first_day + interval '1 month' - interval '1 day')::date THEN
        RAISE restrict_violation USING MESSAGE = 'books: a period is one open calendar month';
      END IF;
      -- Waits for a close of a later month, which holds the mall; it then sees that month closed.
      PERFORM 1 FROM mall WHERE id = NEW.mall_id FOR SHARE;
      PERFORM 1 FROM cooperative WHERE NEW.mall_id IS NULL FOR SHARE;
      IF EXISTS (SELECT 1 FROM period WHERE mall_id IS NOT DISTINCT FROM NEW.mall_id
                 AND state = 'closed' AND first_day >= NEW.first_day) THEN
        RAISE restrict_violation USING MESSAGE = 'books: no month opens before one that is closed';
      END IF;
      RETURN NEW;
    END $$""",
    "CREATE TRIGGER guard_period_opens BEFORE INSERT ON period FOR EACH ROW EXECUTE FUNCTION guard_period_opens()",
    """CREATE FUNCTION guard_period_stays_closed() RETURNS trigger LANGUAGE plpgsql AS $$ BEGIN
      RAISE restrict_violation USING MESSAGE = 'books: a closed month stays closed';
    END $$""",
    """CREATE TRIGGER guard_period_stays_closed BEFORE UPDATE ON period FOR EACH ROW
       WHEN (OLD.state = 'closed') EXECUTE FUNCTION guard_period_stays_closed()""",
    """CREATE FUNCTION guard_period_closes_in_order() RETURNS trigger LANGUAGE plpgsql AS $$ BEGIN
      PERFORM 1 FROM mall WHERE id = NEW.mall_id FOR NO KEY UPDATE;
      PERFORM 1 FROM cooperative WHERE NEW.mall_id IS NULL FOR NO KEY UPDATE;
      IF EXISTS (SELECT 1 FROM period WHERE mall_id IS NOT DISTINCT FROM NEW.mall_id
                 AND state = 'open' AND first_day < NEW.first_day) THEN
        RAISE restrict_violation USING MESSAGE = 'books: months close in their order';
      END IF;
      RETURN NEW;
    END $$""",
    """CREATE TRIGGER guard_period_closes_in_order BEFORE UPDATE ON period FOR EACH ROW
       WHEN (NEW.state = 'closed') EXECUTE FUNCTION guard_period_closes_in_order()""",
    """CREATE FUNCTION guard_statement_document() RETURNS trigger LANGUAGE plpgsql AS $$ BEGIN
      RAISE restrict_violation USING MESSAGE = 'books: the first rendering of a statement stays';
    END $$""",
    """CREATE TRIGGER guard_statement_document BEFORE UPDATE ON statement FOR EACH ROW
       WHEN (OLD.document_id IS NOT NULL AND NEW.document_id IS DISTINCT FROM OLD.document_id)
       EXECUTE FUNCTION guard_statement_document()""",
    """CREATE FUNCTION guard_frozen() RETURNS trigger LANGUAGE plpgsql AS $$ BEGIN
      RAISE restrict_violation USING MESSAGE = 'books: a row of ' || TG_TABLE_NAME || ' is never changed or deleted';
    END $$""",
    "CREATE EXTENSION IF NOT EXISTS btree_gist",
    """ALTER TABLE lease_space ADD CONSTRAINT guard_lease_space_overlap
       EXCLUDE USING gist (space_id WITH =, daterange(starts_on, ends_on, '[]') WITH &&)""",
    """ALTER TABLE tax_rate ADD CONSTRAINT guard_tax_rate_overlap
       EXCLUDE USING gist (jurisdiction_id WITH =, tax_class WITH =, daterange(starts_on, ends_on, '[]') WITH &&)""",
]
FUNCTIONS = (
    "guard_entry_period",
    "guard_posting_before_proof",
    "guard_posting_own_mall",
    "guard_proof_balances",
    "guard_period_opens",
    "guard_period_stays_closed",
    "guard_period_closes_in_order",
    "guard_statement_document",
    "guard_frozen",
)


def sqlite_statements() -> list[str]:
    made = list(SQLITE)
    for table, keys in FROZEN.items():
        for event in ("UPDATE", "DELETE"):
            made.append(
                f"CREATE TRIGGER guard_{table}_no_{event.lower()} BEFORE {event} ON {table} BEGIN "
                f"SELECT RAISE(ABORT, 'books: a row of {table} is never changed or deleted'); END"
            )
        made.append(_no_replace(table, keys))
    for table, (columns, keys) in FIXED.items():
        changed = _changed(table, columns, "IS NOT")
        made.append(
            f"CREATE TRIGGER guard_{table}_fixed BEFORE UPDATE ON {table} WHEN {changed} BEGIN "
            f"SELECT RAISE(ABORT, 'books: a row of {table} is never changed or deleted'); END"
        )
        made.append(
            f"CREATE TRIGGER guard_{table}_no_delete BEFORE DELETE ON {table} BEGIN "
            f"SELECT RAISE(ABORT, 'books: a row of {table} is never changed or deleted'); END"
        )
        made.append(_no_replace(table, keys))
    return made


def _changed(table: str, columns: list[str], differs_from: str) -> str:
    """A row changed where it may not: the condition."""
    fixed = [f"NEW.{c} {differs_from} OLD.{c}" for c in columns]
    once = [f"(OLD.{c} IS NOT NULL AND NEW.{c} {differs_from} OLD.{c})" for c in FILLED_ONCE.get(table, [])]
    return " OR ".join([*fixed, *once])


def _no_replace(table: str, keys: list[str]) -> str:
    """INSERT OR REPLACE deletes the old row without firing its delete trigger unless a pragma is on: refuse it before the insert."""
    found = " ".join(
        f"SELECT RAISE(ABORT, 'books: that row of {table} is there already') WHERE EXISTS (SELECT 1 FROM {table} WHERE {key});"
        for key in keys
    )
    return f"CREATE TRIGGER guard_{table}_no_replace BEFORE INSERT ON {table} BEGIN {found} END"


def postgresql_statements(schema: str) -> list[str]:
    # Named tables are looked for where they were made, whatever the caller's path: a temporary table `period` is no period.
    made = [s.replace(" LANGUAGE plpgsql AS ", f" LANGUAGE plpgsql SET search_path = {schema}, pg_temp AS ") for s in POSTGRESQL]
    for table in FROZEN:
        made.append(
            f"CREATE TRIGGER guard_{table}_frozen BEFORE UPDATE OR DELETE ON {table} "
            "FOR EACH STATEMENT EXECUTE FUNCTION guard_frozen()"
        )
    for table, (columns, _keys) in FIXED.items():
        changed = _changed(table, columns, "IS DISTINCT FROM")
        made.append(
            f"CREATE TRIGGER guard_{table}_fixed BEFORE UPDATE ON {table} FOR EACH ROW WHEN ({changed}) "
            "EXECUTE FUNCTION guard_frozen()"
        )
        made.append(
            f"CREATE TRIGGER guard_{table}_no_delete BEFORE DELETE ON {table} FOR EACH STATEMENT EXECUTE FUNCTION guard_frozen()"
        )
    for table in (*FROZEN, *FIXED):
        made.append(
            f"CREATE TRIGGER guard_{table}_no_truncate BEFORE TRUNCATE ON {table} FOR EACH STATEMENT EXECUTE FUNCTION guard_frozen()"
        )
    return made


def upgrade() -> None:
    connection = op.get_bind()
    if connection.dialect.name == "postgresql":
        statements = postgresql_statements(str(connection.exec_driver_sql("SELECT quote_ident(current_schema())").scalar()))
    else:
        statements = sqlite_statements()
    for statement in statements:
        op.execute(statement)


def downgrade() -> None:
    connection = op.get_bind()
    if connection.dialect.name == "postgresql":
        for table in ("lease_space", "tax_rate"):
            op.execute(f"ALTER TABLE {table} DROP CONSTRAINT guard_{table}_overlap")
        for function in FUNCTIONS:
            op.execute(f"DROP FUNCTION {function}() CASCADE")
        return
    names = connection.exec_driver_sql("SELECT name FROM sqlite_master WHERE type = 'trigger' AND name LIKE 'guard_%'").scalars()
    for name in names.all():
        op.execute(f"DROP TRIGGER {name}")
