"""What a ticket's tax is computed of: certificate, own use, coupons, trade-ins, the delivery charge, a layaway's days.

Columns are added in SQL that both databases read, since SQLite takes a constraint with a new column only so. Tickets of before have
none of these facts, which is what the defaults say.
"""

from alembic import op

revision = "0005"
down_revision = "0004"
branch_labels = None
depends_on = None

NEVER = "books: a row of {0} is never changed or deleted"
ADDED = {
    "ticket": {
        "certificate": "VARCHAR(40) DEFAULT '' NOT NULL",
        "certificate_kind": "VARCHAR(6) DEFAULT '' NOT NULL CONSTRAINT ck_ticket_known_certificate_kind "
        "CHECK (certificate_kind IN ('', 'resale', 'exempt'))",
        "delivery_cents": "BIGINT DEFAULT 0 NOT NULL CONSTRAINT ck_ticket_adds_up "
        "CHECK (total_cents = net_cents + delivery_cents + tax_cents)",
        "delivery_of_id": "{key} CONSTRAINT fk_ticket_delivery_of_id REFERENCES ticket (id)",
        "layaway_accepted_on": "DATE",
        "layaway_completed_on": "DATE CONSTRAINT ck_ticket_layaway_forward CHECK (layaway_completed_on IS NULL "
        "OR (layaway_accepted_on IS NOT NULL AND layaway_completed_on >= layaway_accepted_on))",
    },
    "ticket_line": {
        "seller_coupon_cents": "BIGINT DEFAULT 0 NOT NULL CONSTRAINT ck_ticket_line_adds_up "
        "CHECK (price_cents = tag_cents - discount_cents - seller_coupon_cents)",
        "maker_coupon_cents": "BIGINT DEFAULT 0 NOT NULL",
        "trade_in_cents": "BIGINT DEFAULT 0 NOT NULL",
        "own_use": "BOOLEAN DEFAULT false NOT NULL",
    },
}
FIXED_BEFORE = {
    "ticket": (
        "id mall_id key number source kind sold_at sold_on received_at posting_date rung_by import_id taxed "
        "net_cents tax_cents total_cents buyer_key"
    ),
    "ticket_line": (
        "id ticket_id mall_id posting_date position tag description tax_class quantity unit_price tag_cents "
        "discount_cents discount_reason discount_authority price_cents tax_cents"
    ),
}
FILLED_ONCE = {"ticket": ["entry_id"], "ticket_line": ["dealer_id", "returns_line_id"]}


def _is_postgresql() -> bool:
    return op.get_bind().dialect.name == "postgresql"


def _guard(table: str, columns: list[str]) -> None:
    """The guard that lets nothing of a row change but what was empty: made again over the columns there are now."""
    differs = "IS DISTINCT FROM" if _is_postgresql() else "IS NOT"
    changed = [f"NEW.{c} {differs} OLD.{c}" for c in columns]
    changed += [f"(OLD.{c} IS NOT NULL AND NEW.{c} {differs} OLD.{c})" for c in FILLED_ONCE[table]]
    condition = " OR ".join(changed)
    if _is_postgresql():
        op.execute(
            f"CREATE TRIGGER guard_{table}_fixed BEFORE UPDATE ON {table} FOR EACH ROW WHEN ({condition}) "
            "EXECUTE FUNCTION guard_frozen()"
        )
    else:
        op.execute(
            f"CREATE TRIGGER guard_{table}_fixed BEFORE UPDATE ON {table} WHEN {condition} BEGIN "
            f"SELECT RAISE(ABORT, '{NEVER.format(table)}'); END"
        )


def _drop_guard(table: str) -> None:
    op.execute(f"DROP TRIGGER guard_{table}_fixed" + (f" ON {table}" if _is_postgresql() else ""))


def upgrade() -> None:
    key = "BIGINT" if _is_postgresql() else "INTEGER"
    for table, columns in ADDED.items():
        _drop_guard(table)
        for name, definition in columns.items():
            op.execute(f"ALTER TABLE {table} ADD COLUMN {name} {definition.format(key=key)}")
        _guard(table, [*FIXED_BEFORE[table].split(), *columns])
    op.create_index("ix_ticket_delivery_of_id", "ticket", ["delivery_of_id"], unique=False)


def downgrade() -> None:
    op.drop_index("ix_ticket_delivery_of_id", table_name="ticket")
    for table, columns in ADDED.items():
        _drop_guard(table)
        for name in reversed(columns):
            op.execute(f"ALTER TABLE {table} DROP COLUMN {name}")
        _guard(table, FIXED_BEFORE[table].split())
