"""Layaways: the agreement with its printed terms, its items, and the money held of it."""

import sqlalchemy as sa
from alembic import op

revision = "0007"
down_revision = "0006"
branch_labels = None
depends_on = None

KEY = sa.BigInteger().with_variant(sa.Integer(), "sqlite")
FROZEN = {
    "layaway_line": ["id = NEW.id", "layaway_id = NEW.layaway_id AND position = NEW.position"],
    "layaway_move": ["id = NEW.id", "key = NEW.key"],
}
"""Never changed and never deleted, with what an INSERT OR REPLACE would walk over."""
TERMS = "id mall_id number key accepted_on due_on taxed_at net_cents tax_cents deposit_cents fee_percent fee_cents agreed_at agreed_by"
ENDS = "state closed_on ticket_id"
"""Filled in once, when it is no longer open."""
TERMS_KEYS = ["id = NEW.id", "key = NEW.key", "mall_id = NEW.mall_id AND number = NEW.number"]
NEVER, THERE = "books: a row of {0} is never changed or deleted", "books: that row of {0} is there already"


def _is_postgresql() -> bool:
    return op.get_bind().dialect.name == "postgresql"


def _refusing(table: str, name: str, when: str, says: str) -> None:
    op.execute(f"CREATE TRIGGER guard_{table}_{name} BEFORE {when} BEGIN SELECT RAISE(ABORT, '{says.format(table)}'); END")


def _no_replace(table: str, keys: list[str]) -> None:
    op.execute(
        f"CREATE TRIGGER guard_{table}_no_replace BEFORE INSERT ON {table} BEGIN "
        f"SELECT RAISE(ABORT, '{THERE.format(table)}') WHERE EXISTS (SELECT 1 FROM {table} WHERE {' OR '.join(keys)}); END"
    )


def _guards() -> None:
    differs = "IS DISTINCT FROM" if _is_postgresql() else "IS NOT"
    changed = [f"NEW.{c} {differs} OLD.{c}" for c in TERMS.split()]
    changed += [f"(OLD.state <> 'open' AND NEW.{c} {differs} OLD.{c})" for c in ENDS.split()]
    condition = " OR ".join(changed)
    if _is_postgresql():
        for table in FROZEN:
            for name, event in (("frozen", "UPDATE OR DELETE"), ("no_truncate", "TRUNCATE")):
                op.execute(
                    f"CREATE TRIGGER guard_{table}_{name} BEFORE {event} ON {table} FOR EACH STATEMENT "
                    "EXECUTE FUNCTION guard_frozen()"
                )
        op.execute(
            f"CREATE TRIGGER guard_layaway_fixed BEFORE UPDATE ON layaway FOR EACH ROW WHEN ({condition}) "
            "EXECUTE FUNCTION guard_frozen()"
        )
        for name, event in (("no_delete", "DELETE"), ("no_truncate", "TRUNCATE")):
            op.execute(
                f"CREATE TRIGGER guard_layaway_{name} BEFORE {event} ON layaway FOR EACH STATEMENT "
                "EXECUTE FUNCTION guard_frozen()"
            )
        return
    for table, keys in FROZEN.items():
        _refusing(table, "no_update", f"UPDATE ON {table}", NEVER)
        _refusing(table, "no_delete", f"DELETE ON {table}", NEVER)
        _no_replace(table, keys)
    _refusing("layaway", "fixed", f"UPDATE ON layaway WHEN {condition}", NEVER)
    _refusing("layaway", "no_delete", "DELETE ON layaway", NEVER)
    _no_replace("layaway", TERMS_KEYS)


def upgrade() -> None:
    op.create_table(
        "layaway",
        sa.Column("id", KEY, nullable=False),
        sa.Column("mall_id", KEY, nullable=False),
        sa.Column("number", sa.Integer(), nullable=False),
        sa.Column("key", sa.String(length=64), nullable=False),
        sa.Column("buyer_name", sa.String(length=120), nullable=False),
        sa.Column("buyer_contact", sa.String(length=120), nullable=False),
        sa.Column("accepted_on", sa.Date(), nullable=False),
        sa.Column("due_on", sa.Date(), nullable=False),
        sa.Column("taxed_at", sa.String(length=10), nullable=False),
        sa.Column("net_cents", sa.BigInteger(), nullable=False),
        sa.Column("tax_cents", sa.BigInteger(), nullable=False),
        sa.Column("deposit_cents", sa.BigInteger(), nullable=False),
        sa.Column("fee_percent", sa.BigInteger(), nullable=True),
        sa.Column("fee_cents", sa.BigInteger(), nullable=False),
        sa.Column("agreed_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("agreed_by", KEY, nullable=True),
        sa.Column("state", sa.String(length=9), nullable=False),
        sa.Column("closed_on", sa.Date(), nullable=True),
        sa.Column("ticket_id", KEY, nullable=True),
        sa.CheckConstraint("taxed_at IN ('agreement', 'completion')", name=op.f("ck_layaway_known_taxed_at")),
        sa.CheckConstraint("state IN ('open', 'completed', 'cancelled')", name=op.f("ck_layaway_known_state")),
        sa.CheckConstraint("due_on >= accepted_on", name=op.f("ck_layaway_due_forward")),
        sa.CheckConstraint(
            "net_cents > 0 AND tax_cents >= 0 AND deposit_cents > 0 AND fee_cents >= 0", name=op.f("ck_layaway_amounts")
        ),
        sa.CheckConstraint("(state = 'open') = (closed_on IS NULL)", name=op.f("ck_layaway_closed_on_a_day")),
        sa.CheckConstraint("(state = 'completed') = (ticket_id IS NOT NULL)", name=op.f("ck_layaway_completed_by_ticket")),
        sa.CheckConstraint("closed_on IS NULL OR closed_on >= accepted_on", name=op.f("ck_layaway_closed_forward")),
        sa.ForeignKeyConstraint(["agreed_by"], ["user_account.id"], name=op.f("fk_layaway_agreed_by")),
        sa.ForeignKeyConstraint(["mall_id"], ["mall.id"], name=op.f("fk_layaway_mall_id")),
        sa.ForeignKeyConstraint(["ticket_id"], ["ticket.id"], name=op.f("fk_layaway_ticket_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_layaway")),
        sa.UniqueConstraint("key", name=op.f("uq_layaway_key")),
        sa.UniqueConstraint("mall_id", "number", name=op.f("uq_layaway_mall_id_number")),
        sa.UniqueConstraint("ticket_id", name=op.f("uq_layaway_ticket_id")),
    )
    op.create_table(
        "layaway_line",
        sa.Column("id", KEY, nullable=False),
        sa.Column("layaway_id", KEY, nullable=False),
        sa.Column("position", sa.Integer(), nullable=False),
        sa.Column("dealer_id", KEY, nullable=False),
        sa.Column("tag", sa.String(length=40), nullable=False),
        sa.Column("description", sa.String(length=200), nullable=False),
        sa.Column("tax_class", sa.String(length=20), nullable=False),
        sa.Column("quantity", sa.Integer(), nullable=False),
        sa.Column("unit_price", sa.BigInteger(), nullable=False),
        sa.Column("tag_cents", sa.BigInteger(), nullable=False),
        sa.Column("discount_cents", sa.BigInteger(), nullable=False),
        sa.Column("discount_reason", sa.String(length=12), nullable=False),
        sa.Column("discount_authority", sa.String(length=80), nullable=False),
        sa.Column("price_cents", sa.BigInteger(), nullable=False),
        sa.CheckConstraint("price_cents = tag_cents - discount_cents", name=op.f("ck_layaway_line_adds_up")),
        sa.CheckConstraint("quantity > 0 AND price_cents >= 0 AND discount_cents >= 0", name=op.f("ck_layaway_line_sold")),
        sa.ForeignKeyConstraint(["dealer_id"], ["dealer.id"], name=op.f("fk_layaway_line_dealer_id")),
        sa.ForeignKeyConstraint(["layaway_id"], ["layaway.id"], name=op.f("fk_layaway_line_layaway_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_layaway_line")),
        sa.UniqueConstraint("layaway_id", "position", name=op.f("uq_layaway_line_layaway_id_position")),
    )
    op.create_table(
        "layaway_move",
        sa.Column("id", KEY, nullable=False),
        sa.Column("layaway_id", KEY, nullable=False),
        sa.Column("key", sa.String(length=80), nullable=False),
        sa.Column("kind", sa.String(length=10), nullable=False),
        sa.Column("tender", sa.String(length=12), nullable=False),
        sa.Column("amount_cents", sa.BigInteger(), nullable=False),
        sa.Column("on_day", sa.Date(), nullable=False),
        sa.Column("entry_id", KEY, nullable=False),
        sa.Column("made_by", KEY, nullable=True),
        sa.CheckConstraint("kind IN ('paid', 'sold', 'given back', 'fee')", name=op.f("ck_layaway_move_known_kind")),
        sa.CheckConstraint("amount_cents > 0", name=op.f("ck_layaway_move_above_zero")),
        sa.ForeignKeyConstraint(["entry_id"], ["entry.id"], name=op.f("fk_layaway_move_entry_id")),
        sa.ForeignKeyConstraint(["layaway_id"], ["layaway.id"], name=op.f("fk_layaway_move_layaway_id")),
        sa.ForeignKeyConstraint(["made_by"], ["user_account.id"], name=op.f("fk_layaway_move_made_by")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_layaway_move")),
        sa.UniqueConstraint("key", name=op.f("uq_layaway_move_key")),
    )
    op.create_index(op.f("ix_layaway_move_layaway_id"), "layaway_move", ["layaway_id"], unique=False)
    _guards()


def downgrade() -> None:
    for table in ("layaway_move", "layaway_line", "layaway"):
        op.drop_table(table)
