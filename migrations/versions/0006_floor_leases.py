"""Floor plans and their parts, measurings; house rules, terms, shares, the waiting list, offers, deposits, letters, disputes;
a charge's working at any length.

Columns are added in SQL that both databases read, since SQLite takes a constraint with a new column only so. Leases of before run by
the month with thirty days of notice, which is what the defaults say.
"""

import sqlalchemy as sa
from alembic import op

revision = "0006"
down_revision = "0005"
branch_labels = None
depends_on = None

KEY = sa.BigInteger().with_variant(sa.Integer(), "sqlite")

ADDED = {
    "lease": {
        "term_ends_on": "DATE CONSTRAINT ck_lease_term_forward CHECK (term_ends_on IS NULL OR term_ends_on >= starts_on)",
        "notice_days": "INTEGER DEFAULT 30 NOT NULL CONSTRAINT ck_lease_notice_not_negative CHECK (notice_days >= 0)",
        "notice_to_month_end": "BOOLEAN DEFAULT true NOT NULL",
        "deposit_cents": "BIGINT DEFAULT 0 NOT NULL CONSTRAINT ck_lease_deposit_not_negative CHECK (deposit_cents >= 0)",
        "signed_on": "DATE",
        "signed_name": "VARCHAR(120) DEFAULT '' NOT NULL",
        "signed_how": "VARCHAR(6) DEFAULT '' NOT NULL CONSTRAINT ck_lease_known_signing "
        "CHECK (signed_how IN ('', 'paper', 'portal'))",
        "notice_on": "DATE",
        "notice_by": "VARCHAR(6) DEFAULT '' NOT NULL CONSTRAINT ck_lease_known_notice_by "
        "CHECK (notice_by IN ('', 'dealer', 'coop'))",
        "moved_out_on": "DATE",
        "settled_on": "DATE",
    },
    "lease_space": {
        "leased_length_in16": "INTEGER",
        "agreed_per": "VARCHAR(6)",
        "agreed_price": "BIGINT",
    },
    "space": {"length_in16": "INTEGER", "retired_on": "DATE"},
}
KEPT = "books: a row of deposit_line is never changed or deleted"


def _is_postgresql() -> bool:
    return op.get_bind().dialect.name == "postgresql"


def _rent_units(units: str) -> None:
    """What a price may be per. SQLite cannot change a CHECK: the table, which has no trigger and no table beneath it, is made again."""
    known_unit = sa.CheckConstraint(f"per IN ({units})", name=op.f("ck_rent_rate_known_unit"))
    if _is_postgresql():
        op.drop_constraint(op.f("ck_rent_rate_known_unit"), "rent_rate", type_="check")
        op.create_check_constraint(op.f("ck_rent_rate_known_unit"), "rent_rate", f"per IN ({units})")
        return
    op.rename_table("rent_rate", "rent_rate_before")
    op.create_table(
        "rent_rate",
        sa.Column("id", KEY, nullable=False),
        sa.Column("mall_id", KEY, nullable=False),
        sa.Column("zone", sa.String(length=20), nullable=False),
        sa.Column("per", sa.String(length=6), nullable=False),
        sa.Column("price", sa.BigInteger(), nullable=False),
        sa.Column("starts_on", sa.Date(), nullable=False),
        known_unit,
        sa.CheckConstraint("price >= 0", name=op.f("ck_rent_rate_not_negative")),
        sa.ForeignKeyConstraint(["mall_id"], ["mall.id"], name=op.f("fk_rent_rate_mall_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_rent_rate")),
        sa.UniqueConstraint("mall_id", "zone", "starts_on", name=op.f("uq_rent_rate_mall_id_zone_starts_on")),
    )
    op.execute("INSERT INTO rent_rate SELECT id, mall_id, zone, per, price, starts_on FROM rent_rate_before")
    op.drop_table("rent_rate_before")


CHARGE = "id lease_id mall_id dealer_id kind what first_day change label working amount_cents"


def _working(before: str, kind: str) -> None:
    """The type of a charge's working, which its guard names."""
    if not _is_postgresql():
        # SQLite keeps a text the same whatever length its column declares, so only the declaration changes, as its manual shows
        # under "Making other kinds of table schema changes"; to make the table again would take its guards away.
        version = op.get_bind().exec_driver_sql("PRAGMA schema_version").scalar()
        op.execute("PRAGMA writable_schema=ON")
        op.execute(
            f"UPDATE sqlite_master SET sql = replace(sql, 'working {before} ', 'working {kind} ') "
            "WHERE type = 'table' AND name = 'charge'"
        )
        op.execute(f"PRAGMA schema_version={int(version or 0) + 1}")
        op.execute("PRAGMA writable_schema=OFF")
        return
    changed = [f"NEW.{c} IS DISTINCT FROM OLD.{c}" for c in CHARGE.split()]
    changed.append("(OLD.entry_id IS NOT NULL AND NEW.entry_id IS DISTINCT FROM OLD.entry_id)")
    op.execute("DROP TRIGGER guard_charge_fixed ON charge")
    op.execute(f"ALTER TABLE charge ALTER COLUMN working TYPE {kind} USING substr(working, 1, 200)")
    op.execute(
        f"CREATE TRIGGER guard_charge_fixed BEFORE UPDATE ON charge FOR EACH ROW WHEN ({' OR '.join(changed)}) "
        "EXECUTE FUNCTION guard_frozen()"
    )


def _guard_deposits() -> None:
    if _is_postgresql():
        for name, event in (("frozen", "UPDATE OR DELETE"), ("no_truncate", "TRUNCATE")):
            op.execute(
                f"CREATE TRIGGER guard_deposit_line_{name} BEFORE {event} ON deposit_line "
                "FOR EACH STATEMENT EXECUTE FUNCTION guard_frozen()"
            )
        return
    for event in ("UPDATE", "DELETE"):
        op.execute(
            f"CREATE TRIGGER guard_deposit_line_no_{event.lower()} BEFORE {event} ON deposit_line BEGIN "
            f"SELECT RAISE(ABORT, '{KEPT}'); END"
        )
    op.execute(
        """CREATE TRIGGER guard_deposit_line_no_replace BEFORE INSERT ON deposit_line BEGIN
          SELECT RAISE(ABORT, 'books: that row of deposit_line is there already')
            WHERE EXISTS (SELECT 1 FROM deposit_line WHERE id = NEW.id);
        END"""
    )


def upgrade() -> None:
    op.create_table(
        "price_index",
        sa.Column("id", KEY, nullable=False),
        sa.Column("series", sa.String(length=40), nullable=False),
        sa.Column("first_day", sa.Date(), nullable=False),
        sa.Column("value", sa.BigInteger(), nullable=False),
        sa.CheckConstraint("value > 0", name=op.f("ck_price_index_above_zero")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_price_index")),
        sa.UniqueConstraint("series", "first_day", name=op.f("uq_price_index_series_first_day")),
    )
    op.create_table(
        "aisle_width",
        sa.Column("id", KEY, nullable=False),
        sa.Column("mall_id", KEY, nullable=False),
        sa.Column("aisle", sa.String(length=20), nullable=False),
        sa.Column("starts_on", sa.Date(), nullable=False),
        sa.Column("required_clear_in16", sa.Integer(), nullable=False),
        sa.Column("said_by", sa.String(length=120), nullable=False),
        sa.CheckConstraint("required_clear_in16 > 0", name=op.f("ck_aisle_width_width_above_zero")),
        sa.ForeignKeyConstraint(["mall_id"], ["mall.id"], name=op.f("fk_aisle_width_mall_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_aisle_width")),
    )
    op.create_index("uq_aisle_width_mall_id_aisle_starts_on", "aisle_width", ["mall_id", "aisle", "starts_on"], unique=True)
    op.create_table(
        "floor_plan",
        sa.Column("id", KEY, nullable=False),
        sa.Column("mall_id", KEY, nullable=False),
        sa.Column("outline_in16", sa.JSON(), nullable=False),
        sa.Column("required_clear_in16", sa.Integer(), nullable=False),
        sa.Column("tolerance_percent", sa.BigInteger(), nullable=False),
        sa.Column("version", sa.Integer(), nullable=False),
        sa.Column("changed_at", sa.DateTime(timezone=True), nullable=False),
        sa.CheckConstraint("required_clear_in16 > 0", name=op.f("ck_floor_plan_width_above_zero")),
        sa.CheckConstraint("tolerance_percent >= 0", name=op.f("ck_floor_plan_tolerance_not_negative")),
        sa.ForeignKeyConstraint(["mall_id"], ["mall.id"], name=op.f("fk_floor_plan_mall_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_floor_plan")),
        sa.UniqueConstraint("mall_id", name=op.f("uq_floor_plan_mall_id")),
    )
    op.create_table(
        "lease_rule",
        sa.Column("id", KEY, nullable=False),
        sa.Column("mall_id", KEY, nullable=False),
        sa.Column("starts_on", sa.Date(), nullable=False),
        sa.Column("rent_posts", sa.String(length=8), nullable=False),
        sa.Column("proration", sa.String(length=12), nullable=False),
        sa.Column("notice_days", sa.Integer(), nullable=False),
        sa.Column("notice_to_month_end", sa.Boolean(), nullable=False),
        sa.Column("increase_days", sa.Integer(), nullable=False),
        sa.Column("renewal_days", sa.Integer(), nullable=False),
        sa.Column("offer_days", sa.Integer(), nullable=False),
        sa.Column("deposit_months", sa.BigInteger(), nullable=False),
        sa.Column("late_after_day", sa.Integer(), nullable=False),
        sa.Column("late_how", sa.String(length=8), nullable=False),
        sa.Column("late_flat_cents", sa.BigInteger(), nullable=False),
        sa.Column("late_percent", sa.BigInteger(), nullable=False),
        sa.Column("waiting_order", sa.JSON(), nullable=False),
        sa.Column("checklist", sa.JSON(), nullable=False),
        sa.Column("clauses", sa.Text(), nullable=False),
        sa.CheckConstraint("late_how IN ('none', 'flat', 'percent', 'greater')", name=op.f("ck_lease_rule_known_late_fee")),
        sa.CheckConstraint("proration IN ('actual', 'thirty', 'year365')", name=op.f("ck_lease_rule_known_proration")),
        sa.CheckConstraint("rent_posts IN ('advance', 'arrears')", name=op.f("ck_lease_rule_known_posting")),
        sa.ForeignKeyConstraint(["mall_id"], ["mall.id"], name=op.f("fk_lease_rule_mall_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_lease_rule")),
        sa.UniqueConstraint("mall_id", "starts_on", name=op.f("uq_lease_rule_mall_id_starts_on")),
    )
    op.create_table(
        "plan_part",
        sa.Column("id", KEY, nullable=False),
        sa.Column("mall_id", KEY, nullable=False),
        sa.Column("code", sa.String(length=20), nullable=False),
        sa.Column("kind", sa.String(length=12), nullable=False),
        sa.Column("outline_in16", sa.JSON(), nullable=False),
        sa.Column("height_in16", sa.Integer(), nullable=True),
        sa.CheckConstraint(
            "kind IN ('wall', 'door', 'exit', 'aisle', 'post', 'counter', 'extinguisher', 'fixture')",
            name=op.f("ck_plan_part_known_kind"),
        ),
        sa.ForeignKeyConstraint(["mall_id"], ["mall.id"], name=op.f("fk_plan_part_mall_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_plan_part")),
        sa.UniqueConstraint("mall_id", "code", name=op.f("uq_plan_part_mall_id_code")),
    )
    op.create_table(
        "waiting",
        sa.Column("id", KEY, nullable=False),
        sa.Column("mall_id", KEY, nullable=False),
        sa.Column("member_id", KEY, nullable=True),
        sa.Column("name", sa.String(length=120), nullable=False),
        sa.Column("email", sa.String(length=254), nullable=False),
        sa.Column("phone", sa.String(length=40), nullable=False),
        sa.Column("address", sa.String(length=400), nullable=False),
        sa.Column("asked_on", sa.Date(), nullable=False),
        sa.Column("kind", sa.String(length=8), nullable=False),
        sa.Column("zone", sa.String(length=20), nullable=False),
        sa.Column("least_sqft100", sa.Integer(), nullable=False),
        sa.Column("most_sqft100", sa.Integer(), nullable=True),
        sa.Column("note", sa.String(length=200), nullable=False),
        sa.Column("state", sa.String(length=10), nullable=False),
        sa.CheckConstraint("kind IN ('booth', 'case', 'shelf', 'wall')", name=op.f("ck_waiting_known_kind")),
        sa.CheckConstraint("state IN ('waiting', 'offered', 'leased', 'withdrawn')", name=op.f("ck_waiting_known_state")),
        sa.ForeignKeyConstraint(["mall_id"], ["mall.id"], name=op.f("fk_waiting_mall_id")),
        sa.ForeignKeyConstraint(["member_id"], ["member.id"], name=op.f("fk_waiting_member_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_waiting")),
    )
    op.create_index(op.f("ix_waiting_mall_id"), "waiting", ["mall_id"], unique=False)
    op.create_table(
        "space_measure",
        sa.Column("id", KEY, nullable=False),
        sa.Column("space_id", KEY, nullable=False),
        sa.Column("measured_on", sa.Date(), nullable=False),
        sa.Column("measured_by", sa.String(length=120), nullable=False),
        sa.Column("area_sqft100", sa.Integer(), nullable=False),
        sa.Column("length_in16", sa.Integer(), nullable=True),
        sa.Column("note", sa.String(length=200), nullable=False),
        sa.Column("created_at", sa.DateTime(timezone=True), nullable=False),
        sa.CheckConstraint("area_sqft100 >= 0", name=op.f("ck_space_measure_area_not_negative")),
        sa.ForeignKeyConstraint(["space_id"], ["space.id"], name=op.f("fk_space_measure_space_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_space_measure")),
    )
    op.create_index(op.f("ix_space_measure_space_id"), "space_measure", ["space_id"], unique=False)
    op.create_table(
        "deposit_line",
        sa.Column("id", KEY, nullable=False),
        sa.Column("lease_id", KEY, nullable=False),
        sa.Column("kind", sa.String(length=8), nullable=False),
        sa.Column("amount_cents", sa.BigInteger(), nullable=False),
        sa.Column("on_day", sa.Date(), nullable=False),
        sa.Column("reason", sa.String(length=200), nullable=False),
        sa.Column("entry_id", KEY, nullable=False),
        sa.CheckConstraint("kind IN ('taken', 'deducted', 'returned')", name=op.f("ck_deposit_line_known_kind")),
        sa.CheckConstraint("amount_cents > 0", name=op.f("ck_deposit_line_above_zero")),
        sa.ForeignKeyConstraint(["entry_id"], ["entry.id"], name=op.f("fk_deposit_line_entry_id")),
        sa.ForeignKeyConstraint(["lease_id"], ["lease.id"], name=op.f("fk_deposit_line_lease_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_deposit_line")),
    )
    op.create_index(op.f("ix_deposit_line_lease_id"), "deposit_line", ["lease_id"], unique=False)
    op.create_table(
        "lease_term",
        sa.Column("id", KEY, nullable=False),
        sa.Column("lease_id", KEY, nullable=False),
        sa.Column("kind", sa.String(length=10), nullable=False),
        sa.Column("starts_on", sa.Date(), nullable=False),
        sa.Column("ends_on", sa.Date(), nullable=True),
        sa.Column("terms", sa.JSON(), nullable=False),
        sa.CheckConstraint(
            "kind IN ('discount', 'escalation', 'percentage', 'commission')", name=op.f("ck_lease_term_known_kind")
        ),
        sa.CheckConstraint("ends_on IS NULL OR ends_on >= starts_on", name=op.f("ck_lease_term_forward")),
        sa.ForeignKeyConstraint(["lease_id"], ["lease.id"], name=op.f("fk_lease_term_lease_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_lease_term")),
    )
    op.create_index(op.f("ix_lease_term_lease_id"), "lease_term", ["lease_id"], unique=False)
    op.create_table(
        "move_out_item",
        sa.Column("id", KEY, nullable=False),
        sa.Column("lease_id", KEY, nullable=False),
        sa.Column("what", sa.String(length=120), nullable=False),
        sa.Column("done_on", sa.Date(), nullable=True),
        sa.Column("done_by", sa.String(length=120), nullable=False),
        sa.Column("note", sa.String(length=200), nullable=False),
        sa.ForeignKeyConstraint(["lease_id"], ["lease.id"], name=op.f("fk_move_out_item_lease_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_move_out_item")),
        sa.UniqueConstraint("lease_id", "what", name=op.f("uq_move_out_item_lease_id_what")),
    )
    op.create_table(
        "offer",
        sa.Column("id", KEY, nullable=False),
        sa.Column("waiting_id", KEY, nullable=False),
        sa.Column("space_id", KEY, nullable=False),
        sa.Column("made_on", sa.Date(), nullable=False),
        sa.Column("answer_by", sa.Date(), nullable=False),
        sa.Column("starts_on", sa.Date(), nullable=False),
        sa.Column("why", sa.String(length=200), nullable=False),
        sa.Column("state", sa.String(length=10), nullable=False),
        sa.Column("lease_id", KEY, nullable=True),
        sa.CheckConstraint("state IN ('open', 'accepted', 'declined', 'lapsed', 'withdrawn')", name=op.f("ck_offer_known_state")),
        sa.CheckConstraint("answer_by >= made_on", name=op.f("ck_offer_forward")),
        sa.ForeignKeyConstraint(["lease_id"], ["lease.id"], name=op.f("fk_offer_lease_id")),
        sa.ForeignKeyConstraint(["space_id"], ["space.id"], name=op.f("fk_offer_space_id")),
        sa.ForeignKeyConstraint(["waiting_id"], ["waiting.id"], name=op.f("fk_offer_waiting_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_offer")),
    )
    op.create_index(op.f("ix_offer_waiting_id"), "offer", ["waiting_id"], unique=False)
    op.create_index(
        "uq_offer_open_space",
        "offer",
        ["space_id"],
        unique=True,
        sqlite_where=sa.text("state = 'open'"),
        postgresql_where=sa.text("state = 'open'"),
    )
    op.create_table(
        "dispute",
        sa.Column("id", KEY, nullable=False),
        sa.Column("charge_id", KEY, nullable=False),
        sa.Column("opened_on", sa.Date(), nullable=False),
        sa.Column("reason", sa.String(length=400), nullable=False),
        sa.Column("closed_on", sa.Date(), nullable=True),
        sa.Column("outcome", sa.String(length=400), nullable=False),
        sa.CheckConstraint("closed_on IS NULL OR closed_on >= opened_on", name=op.f("ck_dispute_forward")),
        sa.ForeignKeyConstraint(["charge_id"], ["charge.id"], name=op.f("fk_dispute_charge_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_dispute")),
    )
    op.create_index(op.f("ix_dispute_charge_id"), "dispute", ["charge_id"], unique=False)
    op.create_table(
        "lease_share",
        sa.Column("id", KEY, nullable=False),
        sa.Column("lease_space_id", KEY, nullable=False),
        sa.Column("lease_id", KEY, nullable=False),
        sa.Column("share_percent", sa.BigInteger(), nullable=False),
        sa.CheckConstraint("share_percent > 0 AND share_percent <= 100000000", name=op.f("ck_lease_share_a_part")),
        sa.ForeignKeyConstraint(["lease_id"], ["lease.id"], name=op.f("fk_lease_share_lease_id")),
        sa.ForeignKeyConstraint(["lease_space_id"], ["lease_space.id"], name=op.f("fk_lease_share_lease_space_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_lease_share")),
        sa.UniqueConstraint("lease_space_id", "lease_id", name=op.f("uq_lease_share_lease_space_id_lease_id")),
    )
    op.create_index(op.f("ix_lease_share_lease_id"), "lease_share", ["lease_id"], unique=False)
    op.create_table(
        "letter",
        sa.Column("id", KEY, nullable=False),
        sa.Column("key", sa.String(length=120), nullable=False),
        sa.Column("mall_id", KEY, nullable=False),
        sa.Column("kind", sa.String(length=12), nullable=False),
        sa.Column("lease_id", KEY, nullable=True),
        sa.Column("offer_id", KEY, nullable=True),
        sa.Column("made_on", sa.Date(), nullable=False),
        sa.Column("subject", sa.String(length=200), nullable=False),
        sa.Column("value", sa.JSON(), nullable=False),
        sa.Column("document_id", KEY, nullable=True),
        sa.Column("outbox_id", KEY, nullable=True),
        sa.ForeignKeyConstraint(["document_id"], ["document.id"], name=op.f("fk_letter_document_id")),
        sa.ForeignKeyConstraint(["lease_id"], ["lease.id"], name=op.f("fk_letter_lease_id")),
        sa.ForeignKeyConstraint(["mall_id"], ["mall.id"], name=op.f("fk_letter_mall_id")),
        sa.ForeignKeyConstraint(["offer_id"], ["offer.id"], name=op.f("fk_letter_offer_id")),
        sa.ForeignKeyConstraint(["outbox_id"], ["outbox.id"], name=op.f("fk_letter_outbox_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_letter")),
        sa.UniqueConstraint("key", name=op.f("uq_letter_key")),
    )
    op.create_index(op.f("ix_letter_lease_id"), "letter", ["lease_id"], unique=False)
    op.create_index(op.f("ix_letter_mall_id"), "letter", ["mall_id"], unique=False)
    op.create_index(op.f("ix_letter_offer_id"), "letter", ["offer_id"], unique=False)
    for table, columns in ADDED.items():
        for column, kind in columns.items():
            op.execute(f"ALTER TABLE {table} ADD COLUMN {column} {kind}")
    _rent_units("'sqft', 'foot', 'flat'")
    _guard_deposits()
    _working("VARCHAR(200)", "TEXT")


def downgrade() -> None:
    _working("TEXT", "VARCHAR(200)")
    _rent_units("'sqft', 'flat'")
    for table, columns in ADDED.items():
        for column in reversed(columns):
            op.execute(f"ALTER TABLE {table} DROP COLUMN {column}")
    op.drop_table("letter")
    op.drop_table("lease_share")
    op.drop_table("dispute")
    op.drop_table("offer")
    op.drop_table("move_out_item")
    op.drop_table("lease_term")
    op.drop_table("deposit_line")
    op.drop_table("space_measure")
    op.drop_table("waiting")
    op.drop_table("plan_part")
    op.drop_table("lease_rule")
    op.drop_table("floor_plan")
    op.drop_table("aisle_width")
    op.drop_table("price_index")
