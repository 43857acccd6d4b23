"""Resets: pieces and smalls, booths measured, sets, and the change from one to the next with its plans, ticks and bookings."""

import sqlalchemy as sa
from alembic import op

revision = "0013"
down_revision = "0012"
branch_labels = None
depends_on = None

KEY = sa.BigInteger().with_variant(sa.Integer(), "sqlite")
TABLES = (
    "set_price",
    "reset_tick",
    "reset_time",
    "reset_plan",
    "reset_booking",
    "set_piece",
    "booth_reset",
    "smalls",
    "booth_set",
    "reset_setting",
    "piece",
    "booth_measure",
    "staging_floor",
    "carry_way",
)
"""In the order they are taken down."""

FROZEN = {
    "booth_measure": ["id = NEW.id", "space_id = NEW.space_id AND number = NEW.number"],
    "reset_plan": ["id = NEW.id", "reset_id = NEW.reset_id AND number = NEW.number"],
}
"""Never changed and never deleted, with what an INSERT OR REPLACE would walk over."""
NEVER, THERE = "books: a row of {0} is never changed or deleted", "books: that row of {0} is there already"
TWICE = "resets: a place is booked for two resets at once"


def _guards() -> None:
    if op.get_bind().dialect.name == "postgresql":
        frozen = "EXECUTE FUNCTION guard_frozen()"
        for table in FROZEN:
            op.execute(f"CREATE TRIGGER guard_{table}_frozen BEFORE UPDATE OR DELETE ON {table} FOR EACH STATEMENT {frozen}")
            op.execute(f"CREATE TRIGGER guard_{table}_no_truncate BEFORE TRUNCATE ON {table} FOR EACH STATEMENT {frozen}")
        op.execute(
            """ALTER TABLE reset_booking ADD CONSTRAINT guard_reset_booking_overlap EXCLUDE USING gist (
                 mall_id WITH =, kind WITH =, place WITH =, on_date WITH =, int4range(from_minute, to_minute) WITH &&)"""
        )
        return
    for table, keys in FROZEN.items():
        for event in ("update", "delete"):
            op.execute(
                f"CREATE TRIGGER guard_{table}_no_{event} BEFORE {event.upper()} ON {table} "
                f"BEGIN SELECT RAISE(ABORT, '{NEVER.format(table)}'); END"
            )
        op.execute(
            f"CREATE TRIGGER guard_{table}_no_replace BEFORE INSERT ON {table} BEGIN "
            f"SELECT RAISE(ABORT, '{THERE.format(table)}') WHERE EXISTS (SELECT 1 FROM {table} WHERE {' OR '.join(keys)}); END"
        )
    for event in ("INSERT", "UPDATE"):
        op.execute(
            f"""CREATE TRIGGER guard_reset_booking_overlap_{event.lower()} BEFORE {event} ON reset_booking BEGIN
              SELECT RAISE(ABORT, '{TWICE}') WHERE EXISTS (SELECT 1 FROM reset_booking WHERE mall_id = NEW.mall_id
                AND kind = NEW.kind AND place = NEW.place AND on_date = NEW.on_date AND id IS NOT NEW.id
                AND from_minute < NEW.to_minute AND to_minute > NEW.from_minute);
            END"""
        )


def upgrade() -> None:
    op.create_table(
        "carry_way",
        sa.Column("id", KEY, nullable=False),
        sa.Column("mall_id", KEY, nullable=False),
        sa.Column("name", sa.String(length=60), nullable=False),
        sa.Column("legs", sa.JSON(), nullable=False),
        sa.Column("version", sa.Integer(), nullable=False),
        sa.Column("changed_at", sa.DateTime(timezone=True), nullable=False),
        sa.ForeignKeyConstraint(["mall_id"], ["mall.id"], name=op.f("fk_carry_way_mall_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_carry_way")),
        sa.UniqueConstraint("mall_id", "name", name=op.f("uq_carry_way_mall_id_name")),
    )
    op.create_table(
        "staging_floor",
        sa.Column("id", KEY, nullable=False),
        sa.Column("mall_id", KEY, nullable=False),
        sa.Column("name", sa.String(length=60), nullable=False),
        sa.Column("width_in16", sa.Integer(), nullable=False),
        sa.Column("depth_in16", sa.Integer(), nullable=False),
        sa.Column("note", sa.String(length=200), nullable=False),
        sa.CheckConstraint("width_in16 > 0 AND depth_in16 > 0", name=op.f("ck_staging_floor_has_a_size")),
        sa.ForeignKeyConstraint(["mall_id"], ["mall.id"], name=op.f("fk_staging_floor_mall_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_staging_floor")),
        sa.UniqueConstraint("mall_id", "name", name=op.f("uq_staging_floor_mall_id_name")),
    )
    op.create_table(
        "booth_measure",
        sa.Column("id", KEY, nullable=False),
        sa.Column("space_id", KEY, nullable=False),
        sa.Column("number", sa.Integer(), nullable=False),
        sa.Column("measured_on", sa.Date(), nullable=False),
        sa.Column("measured_by", sa.String(length=120), nullable=False),
        sa.Column("user_id", KEY, nullable=True),
        sa.Column("outline_in16", sa.JSON(), nullable=False),
        sa.Column("sides", sa.JSON(), nullable=False),
        sa.Column("posts_in16", sa.JSON(), nullable=False),
        sa.Column("outlets_in16", sa.JSON(), nullable=False),
        sa.Column("height_limit_in16", sa.Integer(), nullable=True),
        sa.Column("way_in16", sa.Integer(), nullable=False),
        sa.Column("aisle_in16", sa.Integer(), nullable=False),
        sa.Column("created_at", sa.DateTime(timezone=True), nullable=False),
        sa.CheckConstraint("aisle_in16 >= 0", name=op.f("ck_booth_measure_aisle_not_negative")),
        sa.CheckConstraint("height_limit_in16 > 0", name=op.f("ck_booth_measure_height_above_zero")),
        sa.CheckConstraint("way_in16 > 0", name=op.f("ck_booth_measure_way_above_zero")),
        sa.ForeignKeyConstraint(["space_id"], ["space.id"], name=op.f("fk_booth_measure_space_id")),
        sa.ForeignKeyConstraint(["user_id"], ["user_account.id"], name=op.f("fk_booth_measure_user_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_booth_measure")),
        sa.UniqueConstraint("space_id", "number", name=op.f("uq_booth_measure_space_id_number")),
    )
    op.create_table(
        "piece",
        sa.Column("id", KEY, nullable=False),
        sa.Column("dealer_id", KEY, nullable=False),
        sa.Column("name", sa.String(length=80), nullable=False),
        sa.Column("name_key", sa.String(length=80), nullable=False),
        sa.Column("kind", sa.String(length=40), nullable=False),
        sa.Column("width_in16", sa.Integer(), nullable=False),
        sa.Column("depth_in16", sa.Integer(), nullable=False),
        sa.Column("height_in16", sa.Integer(), nullable=False),
        sa.Column("weight_oz", sa.Integer(), nullable=True),
        sa.Column("stands", sa.String(length=5), nullable=False),
        sa.Column("grouping", sa.String(length=40), nullable=False),
        sa.Column("theme", sa.String(length=40), nullable=False),
        sa.Column("colours", sa.JSON(), nullable=False),
        sa.Column("price_cents", sa.BigInteger(), nullable=True),
        sa.Column("tag", sa.String(length=40), nullable=False),
        sa.Column("carries_oz", sa.Integer(), nullable=True),
        sa.Column("top_width_in16", sa.Integer(), nullable=True),
        sa.Column("top_depth_in16", sa.Integer(), nullable=True),
        sa.Column("opens_in16", sa.Integer(), nullable=False),
        sa.Column("fragile", sa.Boolean(), nullable=False),
        sa.Column("glass", sa.Boolean(), nullable=False),
        sa.Column("leans", sa.Boolean(), nullable=False),
        sa.Column("needs_power", sa.Boolean(), nullable=False),
        sa.Column("feet", sa.Integer(), nullable=False),
        sa.Column("carried", sa.JSON(), nullable=False),
        sa.Column("place", sa.String(length=5), nullable=False),
        sa.Column("store_until", sa.Date(), nullable=True),
        sa.Column("bound", sa.String(length=7), nullable=False),
        sa.Column("note", sa.String(length=400), nullable=False),
        sa.Column("gone_on", sa.Date(), nullable=True),
        sa.Column("version", sa.Integer(), nullable=False),
        sa.Column("created_at", sa.DateTime(timezone=True), nullable=False),
        sa.CheckConstraint("bound IN ('', 'sold', 'held', 'layaway')", name=op.f("ck_piece_known_bound")),
        sa.CheckConstraint("place IN ('booth', 'home', 'store')", name=op.f("ck_piece_known_place")),
        sa.CheckConstraint("stands IN ('floor', 'wall', 'table')", name=op.f("ck_piece_known_stands")),
        sa.CheckConstraint("(top_width_in16 IS NULL) = (top_depth_in16 IS NULL)", name=op.f("ck_piece_top_whole")),
        sa.CheckConstraint("carries_oz >= 0", name=op.f("ck_piece_carries_not_negative")),
        sa.CheckConstraint("feet >= 0", name=op.f("ck_piece_feet_not_negative")),
        sa.CheckConstraint("weight_oz > 0", name=op.f("ck_piece_weight_above_zero")),
        sa.CheckConstraint("width_in16 > 0 AND depth_in16 > 0 AND height_in16 > 0", name=op.f("ck_piece_has_a_size")),
        sa.ForeignKeyConstraint(["dealer_id"], ["dealer.id"], name=op.f("fk_piece_dealer_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_piece")),
    )
    op.create_index(
        "uq_piece_dealer_id_name_key",
        "piece",
        ["dealer_id", "name_key"],
        unique=True,
        postgresql_where=sa.text("gone_on IS NULL"),
        sqlite_where=sa.text("gone_on IS NULL"),
    )
    op.create_table(
        "reset_setting",
        sa.Column("id", KEY, nullable=False),
        sa.Column("dealer_id", KEY, nullable=False),
        sa.Column("value", sa.JSON(), nullable=False),
        sa.Column("version", sa.Integer(), nullable=False),
        sa.ForeignKeyConstraint(["dealer_id"], ["dealer.id"], name=op.f("fk_reset_setting_dealer_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_reset_setting")),
        sa.UniqueConstraint("dealer_id", name=op.f("uq_reset_setting_dealer_id")),
    )
    op.create_table(
        "booth_set",
        sa.Column("id", KEY, nullable=False),
        sa.Column("dealer_id", KEY, nullable=False),
        sa.Column("space_id", KEY, nullable=False),
        sa.Column("measure_id", KEY, nullable=False),
        sa.Column("name", sa.String(length=60), nullable=False),
        sa.Column("name_key", sa.String(length=60), nullable=False),
        sa.Column("theme", sa.String(length=40), nullable=False),
        sa.Column("starts_on", sa.Date(), nullable=False),
        sa.Column("ends_on", sa.Date(), nullable=True),
        sa.Column("state", sa.String(length=6), nullable=False),
        sa.Column("copied_from_id", KEY, nullable=True),
        sa.Column("note", sa.String(length=400), nullable=False),
        sa.Column("version", sa.Integer(), nullable=False),
        sa.Column("created_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("changed_at", sa.DateTime(timezone=True), nullable=False),
        sa.CheckConstraint("state IN ('draft', 'stands', 'stood')", name=op.f("ck_booth_set_known_state")),
        sa.CheckConstraint("ends_on >= starts_on", name=op.f("ck_booth_set_forward")),
        sa.ForeignKeyConstraint(["copied_from_id"], ["booth_set.id"], name=op.f("fk_booth_set_copied_from_id")),
        sa.ForeignKeyConstraint(["dealer_id"], ["dealer.id"], name=op.f("fk_booth_set_dealer_id")),
        sa.ForeignKeyConstraint(["measure_id"], ["booth_measure.id"], name=op.f("fk_booth_set_measure_id")),
        sa.ForeignKeyConstraint(["space_id"], ["space.id"], name=op.f("fk_booth_set_space_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_booth_set")),
        sa.UniqueConstraint("dealer_id", "space_id", "name_key", name=op.f("uq_booth_set_dealer_id_space_id_name_key")),
    )
    op.create_index(op.f("ix_booth_set_space_id"), "booth_set", ["space_id"], unique=False)
    op.create_index(
        "uq_booth_set_dealer_id_space_id_stands",
        "booth_set",
        ["dealer_id", "space_id"],
        unique=True,
        postgresql_where=sa.text("state = 'stands'"),
        sqlite_where=sa.text("state = 'stands'"),
    )
    op.create_table(
        "smalls",
        sa.Column("id", KEY, nullable=False),
        sa.Column("dealer_id", KEY, nullable=False),
        sa.Column("grouping", sa.String(length=40), nullable=False),
        sa.Column("count", sa.Integer(), nullable=False),
        sa.Column("each_cuin", sa.Integer(), nullable=True),
        sa.Column("boxes", sa.Integer(), nullable=True),
        sa.Column("fragile", sa.Boolean(), nullable=False),
        sa.Column("place", sa.String(length=5), nullable=False),
        sa.Column("on_piece_id", KEY, nullable=True),
        sa.Column("note", sa.String(length=200), nullable=False),
        sa.Column("created_at", sa.DateTime(timezone=True), nullable=False),
        sa.CheckConstraint("place IN ('booth', 'home', 'store')", name=op.f("ck_smalls_known_place")),
        sa.CheckConstraint("boxes >= 0", name=op.f("ck_smalls_boxes_not_negative")),
        sa.CheckConstraint("count >= 0", name=op.f("ck_smalls_count_not_negative")),
        sa.CheckConstraint("each_cuin > 0", name=op.f("ck_smalls_each_above_zero")),
        sa.ForeignKeyConstraint(["dealer_id"], ["dealer.id"], name=op.f("fk_smalls_dealer_id")),
        sa.ForeignKeyConstraint(["on_piece_id"], ["piece.id"], name=op.f("fk_smalls_on_piece_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_smalls")),
    )
    op.create_index(op.f("ix_smalls_dealer_id"), "smalls", ["dealer_id"], unique=False)
    op.create_table(
        "booth_reset",
        sa.Column("id", KEY, nullable=False),
        sa.Column("dealer_id", KEY, nullable=False),
        sa.Column("space_id", KEY, nullable=False),
        sa.Column("from_set_id", KEY, nullable=True),
        sa.Column("to_set_id", KEY, nullable=True),
        sa.Column("on_date", sa.Date(), nullable=False),
        sa.Column("begins_minute", sa.Integer(), nullable=False),
        sa.Column("ends_minute", sa.Integer(), nullable=False),
        sa.Column("people", sa.Integer(), nullable=False),
        sa.Column("helpers", sa.JSON(), nullable=False),
        sa.Column("staging", sa.JSON(), nullable=False),
        sa.Column("way_id", KEY, nullable=True),
        sa.Column("van", sa.JSON(), nullable=True),
        sa.Column("state", sa.String(length=9), nullable=False),
        sa.Column("note", sa.String(length=400), nullable=False),
        sa.Column("version", sa.Integer(), nullable=False),
        sa.Column("created_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("done_at", sa.DateTime(timezone=True), nullable=True),
        sa.CheckConstraint("state IN ('planned', 'under way', 'done', 'dropped')", name=op.f("ck_booth_reset_known_state")),
        sa.CheckConstraint(
            "begins_minute BETWEEN 0 AND 1440 AND ends_minute BETWEEN 0 AND 1440 AND begins_minute < ends_minute",
            name=op.f("ck_booth_reset_forward"),
        ),
        sa.CheckConstraint("from_set_id <> to_set_id", name=op.f("ck_booth_reset_two_sets")),
        sa.CheckConstraint("people > 0", name=op.f("ck_booth_reset_somebody")),
        sa.ForeignKeyConstraint(["dealer_id"], ["dealer.id"], name=op.f("fk_booth_reset_dealer_id")),
        sa.ForeignKeyConstraint(["from_set_id"], ["booth_set.id"], name=op.f("fk_booth_reset_from_set_id")),
        sa.ForeignKeyConstraint(["space_id"], ["space.id"], name=op.f("fk_booth_reset_space_id")),
        sa.ForeignKeyConstraint(["to_set_id"], ["booth_set.id"], name=op.f("fk_booth_reset_to_set_id")),
        sa.ForeignKeyConstraint(["way_id"], ["carry_way.id"], name=op.f("fk_booth_reset_way_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_booth_reset")),
    )
    op.create_index(op.f("ix_booth_reset_dealer_id"), "booth_reset", ["dealer_id"], unique=False)
    op.create_index(op.f("ix_booth_reset_space_id"), "booth_reset", ["space_id"], unique=False)
    op.create_table(
        "set_piece",
        sa.Column("id", KEY, nullable=False),
        sa.Column("set_id", KEY, nullable=False),
        sa.Column("piece_id", KEY, nullable=False),
        sa.Column("x_in16", sa.Integer(), nullable=False),
        sa.Column("y_in16", sa.Integer(), nullable=False),
        sa.Column("turn_deg", sa.Integer(), nullable=False),
        sa.Column("on_piece_id", KEY, nullable=True),
        sa.Column("up_in16", sa.Integer(), nullable=False),
        sa.Column("locked", sa.Boolean(), nullable=False),
        sa.CheckConstraint("on_piece_id <> piece_id", name=op.f("ck_set_piece_not_on_itself")),
        sa.CheckConstraint("turn_deg BETWEEN 0 AND 359", name=op.f("ck_set_piece_turn_in_circle")),
        sa.CheckConstraint("up_in16 >= 0", name=op.f("ck_set_piece_up_not_negative")),
        sa.ForeignKeyConstraint(["on_piece_id"], ["piece.id"], name=op.f("fk_set_piece_on_piece_id")),
        sa.ForeignKeyConstraint(["piece_id"], ["piece.id"], name=op.f("fk_set_piece_piece_id")),
        sa.ForeignKeyConstraint(["set_id"], ["booth_set.id"], name=op.f("fk_set_piece_set_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_set_piece")),
        sa.UniqueConstraint("set_id", "piece_id", name=op.f("uq_set_piece_set_id_piece_id")),
    )
    op.create_index(op.f("ix_set_piece_piece_id"), "set_piece", ["piece_id"], unique=False)
    op.create_table(
        "set_price",
        sa.Column("id", KEY, nullable=False),
        sa.Column("set_id", KEY, nullable=False),
        sa.Column("piece_id", KEY, nullable=False),
        sa.Column("price_cents", sa.BigInteger(), nullable=False),
        sa.CheckConstraint("price_cents > 0", name=op.f("ck_set_price_price_above_zero")),
        sa.ForeignKeyConstraint(["piece_id"], ["piece.id"], name=op.f("fk_set_price_piece_id")),
        sa.ForeignKeyConstraint(["set_id"], ["booth_set.id"], name=op.f("fk_set_price_set_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_set_price")),
        sa.UniqueConstraint("set_id", "piece_id", name=op.f("uq_set_price_set_id_piece_id")),
    )
    op.create_index(op.f("ix_set_price_piece_id"), "set_price", ["piece_id"], unique=False)
    op.create_table(
        "reset_booking",
        sa.Column("id", KEY, nullable=False),
        sa.Column("reset_id", KEY, nullable=False),
        sa.Column("mall_id", KEY, nullable=False),
        sa.Column("kind", sa.String(length=7), nullable=False),
        sa.Column("place", sa.String(length=60), nullable=False),
        sa.Column("on_date", sa.Date(), nullable=False),
        sa.Column("from_minute", sa.Integer(), nullable=False),
        sa.Column("to_minute", sa.Integer(), nullable=False),
        sa.CheckConstraint("kind IN ('dock', 'staging', 'aisle')", name=op.f("ck_reset_booking_known_kind")),
        sa.CheckConstraint(
            "from_minute BETWEEN 0 AND 1440 AND to_minute BETWEEN 0 AND 1440 AND from_minute < to_minute",
            name=op.f("ck_reset_booking_forward"),
        ),
        sa.ForeignKeyConstraint(["mall_id"], ["mall.id"], name=op.f("fk_reset_booking_mall_id")),
        sa.ForeignKeyConstraint(["reset_id"], ["booth_reset.id"], name=op.f("fk_reset_booking_reset_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_reset_booking")),
    )
    op.create_index(op.f("ix_reset_booking_reset_id"), "reset_booking", ["reset_id"], unique=False)
    op.create_table(
        "reset_plan",
        sa.Column("id", KEY, nullable=False),
        sa.Column("reset_id", KEY, nullable=False),
        sa.Column("number", sa.Integer(), nullable=False),
        sa.Column("value", sa.JSON(), nullable=False),
        sa.Column("made_of", sa.String(length=64), nullable=False),
        sa.Column("made_at", sa.DateTime(timezone=True), nullable=False),
        sa.ForeignKeyConstraint(["reset_id"], ["booth_reset.id"], name=op.f("fk_reset_plan_reset_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_reset_plan")),
        sa.UniqueConstraint("reset_id", "number", name=op.f("uq_reset_plan_reset_id_number")),
    )
    op.create_table(
        "reset_time",
        sa.Column("id", KEY, nullable=False),
        sa.Column("dealer_id", KEY, nullable=False),
        sa.Column("reset_id", KEY, nullable=True),
        sa.Column("task", sa.String(length=20), nullable=False),
        sa.Column("minutes", sa.Integer(), nullable=False),
        sa.Column("people", sa.Integer(), nullable=False),
        sa.Column("count", sa.Integer(), nullable=False),
        sa.Column("on_date", sa.Date(), nullable=False),
        sa.Column("created_at", sa.DateTime(timezone=True), nullable=False),
        sa.CheckConstraint("count > 0", name=op.f("ck_reset_time_count_above_zero")),
        sa.CheckConstraint("minutes > 0", name=op.f("ck_reset_time_minutes_above_zero")),
        sa.CheckConstraint("people > 0", name=op.f("ck_reset_time_somebody")),
        sa.ForeignKeyConstraint(["dealer_id"], ["dealer.id"], name=op.f("fk_reset_time_dealer_id")),
        sa.ForeignKeyConstraint(["reset_id"], ["booth_reset.id"], name=op.f("fk_reset_time_reset_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_reset_time")),
    )
    op.create_index(op.f("ix_reset_time_dealer_id"), "reset_time", ["dealer_id"], unique=False)
    op.create_table(
        "reset_tick",
        sa.Column("id", KEY, nullable=False),
        sa.Column("plan_id", KEY, nullable=False),
        sa.Column("move_number", sa.Integer(), nullable=False),
        sa.Column("is_done", sa.Boolean(), nullable=False),
        sa.Column("ticked_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("received_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("user_id", KEY, nullable=True),
        sa.ForeignKeyConstraint(["plan_id"], ["reset_plan.id"], name=op.f("fk_reset_tick_plan_id")),
        sa.ForeignKeyConstraint(["user_id"], ["user_account.id"], name=op.f("fk_reset_tick_user_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_reset_tick")),
        sa.UniqueConstraint("plan_id", "move_number", name=op.f("uq_reset_tick_plan_id_move_number")),
    )
    _guards()


def downgrade() -> None:
    for table in TABLES:
        op.drop_table(table)
