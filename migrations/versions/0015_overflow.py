"""Overflow: its house rules, openings of booths, bays and their survey, requests and pieces, stays, drafts, answers, walks."""

import sqlalchemy as sa
from alembic import op

revision = "0015"
down_revision = "0014"
branch_labels = None
depends_on = None

KEY = sa.BigInteger().with_variant(sa.Integer(), "sqlite")
TABLES = (
    "walk_mark",
    "overflow_stay",
    "overflow_piece",
    "overflow_answer",
    "overflow_walk",
    "overflow_request",
    "booth_opening",
    "overflow_rule",
    "overflow_draft",
    "bay_survey",
    "bay",
)
"""In the order they are taken down."""

NEVER, THERE = "books: a row of {0} is never changed or deleted", "books: that row of {0} is there already"
TWICE = "overflow: a piece stands where another does, or in two places at once"
FIXED = ("mall_id", "code", "aisle", "length_in16", "depth_in16", "starts_on")
"""Of a bay, with its corners: cut anew it is another row."""


def _guards() -> None:
    if op.get_bind().dialect.name == "postgresql":
        frozen = "EXECUTE FUNCTION guard_frozen()"
        op.execute(
            f"CREATE TRIGGER guard_overflow_answer_frozen BEFORE UPDATE OR DELETE ON overflow_answer FOR EACH STATEMENT {frozen}"
        )
        changed = " OR ".join(f"NEW.{name} IS DISTINCT FROM OLD.{name}" for name in FIXED)
        changed += " OR NEW.corners_in16::text <> OLD.corners_in16::text"
        op.execute(f"CREATE TRIGGER guard_bay_fixed BEFORE UPDATE ON bay FOR EACH ROW WHEN ({changed}) {frozen}")
        op.execute(f"CREATE TRIGGER guard_bay_no_delete BEFORE DELETE ON bay FOR EACH STATEMENT {frozen}")
        for table in ("overflow_answer", "bay"):
            op.execute(f"CREATE TRIGGER guard_{table}_no_truncate BEFORE TRUNCATE ON {table} FOR EACH STATEMENT {frozen}")
        days = "daterange(starts_on, ends_on, '[]') WITH &&"
        for name, what in (("place", "bay_id WITH =, int4range(from_in16, to_in16) WITH &&"), ("piece", "piece_id WITH =")):
            op.execute(
                f"ALTER TABLE overflow_stay ADD CONSTRAINT guard_overflow_stay_{name} "
                f"EXCLUDE USING gist ({what}, {days}) WHERE (state = 'stands')"
            )
        return
    changed = " OR ".join(f"NEW.{name} IS NOT OLD.{name}" for name in (*FIXED, "corners_in16"))
    _refuse("bay", "fixed", f"UPDATE ON bay WHEN {changed}", NEVER.format("bay"))
    _refuse("bay", "no_delete", "DELETE ON bay", NEVER.format("bay"))
    for event in ("update", "delete"):
        _refuse("overflow_answer", f"no_{event}", f"{event.upper()} ON overflow_answer", NEVER.format("overflow_answer"))
    for table in ("bay", "overflow_answer"):
        op.execute(
            f"CREATE TRIGGER guard_{table}_no_replace BEFORE INSERT ON {table} BEGIN SELECT RAISE(ABORT, "
            f"'{THERE.format(table)}') WHERE EXISTS (SELECT 1 FROM {table} WHERE id = NEW.id); END"
        )
    for event in ("INSERT", "UPDATE"):
        op.execute(
            f"""CREATE TRIGGER guard_overflow_stay_overlap_{event.lower()} BEFORE {event} ON overflow_stay
               WHEN NEW.state = 'stands' BEGIN
              SELECT RAISE(ABORT, '{TWICE}') WHERE EXISTS (SELECT 1 FROM overflow_stay WHERE state = 'stands'
                AND id IS NOT NEW.id AND starts_on <= NEW.ends_on AND ends_on >= NEW.starts_on
                AND (piece_id = NEW.piece_id
                  OR (bay_id = NEW.bay_id AND from_in16 < NEW.to_in16 AND to_in16 > NEW.from_in16)));
            END"""
        )


def _refuse(table: str, name: str, when: str, says: str) -> None:
    op.execute(f"CREATE TRIGGER guard_{table}_{name} BEFORE {when} BEGIN SELECT RAISE(ABORT, '{says}'); END")


def upgrade() -> None:
    op.create_table(
        "bay",
        sa.Column("id", KEY, nullable=False),
        sa.Column("mall_id", KEY, nullable=False),
        sa.Column("code", sa.String(length=28), nullable=False),
        sa.Column("aisle", sa.String(length=20), nullable=False),
        sa.Column("corners_in16", sa.JSON(), nullable=False),
        sa.Column("length_in16", sa.Integer(), nullable=False),
        sa.Column("depth_in16", sa.Integer(), nullable=False),
        sa.Column("backing", sa.String(length=7), nullable=False),
        sa.Column("before", sa.String(length=20), nullable=False),
        sa.Column("is_lent", sa.Boolean(), nullable=False),
        sa.Column("palette", sa.JSON(), nullable=False),
        sa.Column("note", sa.String(length=200), nullable=False),
        sa.Column("starts_on", sa.Date(), nullable=False),
        sa.Column("ended_on", sa.Date(), nullable=True),
        sa.CheckConstraint("backing IN ('wall', 'booth', 'fixture')", name=op.f("ck_bay_known_backing")),
        sa.CheckConstraint("length_in16 > 0 AND depth_in16 > 0", name=op.f("ck_bay_has_a_size")),
        sa.ForeignKeyConstraint(["mall_id"], ["mall.id"], name=op.f("fk_bay_mall_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_bay")),
    )
    op.create_index(
        "uq_bay_mall_id_code",
        "bay",
        ["mall_id", "code"],
        unique=True,
        postgresql_where=sa.text("ended_on IS NULL"),
        sqlite_where=sa.text("ended_on IS NULL"),
    )
    op.create_table(
        "bay_survey",
        sa.Column("id", KEY, nullable=False),
        sa.Column("mall_id", KEY, nullable=False),
        sa.Column("made_of", sa.String(length=64), nullable=False),
        sa.Column("made_at", sa.DateTime(timezone=True), nullable=True),
        sa.Column("value", sa.JSON(), nullable=False),
        sa.Column("job_id", KEY, nullable=True),
        sa.ForeignKeyConstraint(["job_id"], ["job.id"], name=op.f("fk_bay_survey_job_id"), ondelete="SET NULL"),
        sa.ForeignKeyConstraint(["mall_id"], ["mall.id"], name=op.f("fk_bay_survey_mall_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_bay_survey")),
        sa.UniqueConstraint("mall_id", name=op.f("uq_bay_survey_mall_id")),
    )
    op.create_index(op.f("ix_bay_survey_job_id"), "bay_survey", ["job_id"], unique=False)
    op.create_table(
        "overflow_draft",
        sa.Column("id", KEY, nullable=False),
        sa.Column("mall_id", KEY, nullable=False),
        sa.Column("first_day", sa.Date(), nullable=False),
        sa.Column("weeks", sa.Integer(), nullable=False),
        sa.Column("seed", sa.Integer(), nullable=True),
        sa.Column("seconds", sa.Integer(), nullable=False),
        sa.Column("state", sa.String(length=9), nullable=False),
        sa.Column("made_of", sa.String(length=64), nullable=False),
        sa.Column("outcome", sa.JSON(), nullable=True),
        sa.Column("job_id", KEY, nullable=True),
        sa.Column("stop_asked_at", sa.DateTime(timezone=True), nullable=True),
        sa.Column("version", sa.Integer(), nullable=False),
        sa.Column("created_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("published_at", sa.DateTime(timezone=True), nullable=True),
        sa.CheckConstraint("state IN ('draft', 'published', 'dropped')", name=op.f("ck_overflow_draft_known_state")),
        sa.CheckConstraint("weeks BETWEEN 1 AND 52", name=op.f("ck_overflow_draft_weeks")),
        sa.ForeignKeyConstraint(["job_id"], ["job.id"], name=op.f("fk_overflow_draft_job_id"), ondelete="SET NULL"),
        sa.ForeignKeyConstraint(["mall_id"], ["mall.id"], name=op.f("fk_overflow_draft_mall_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_overflow_draft")),
    )
    op.create_index(op.f("ix_overflow_draft_job_id"), "overflow_draft", ["job_id"], unique=False)
    op.create_index(
        "uq_overflow_draft_mall_id",
        "overflow_draft",
        ["mall_id"],
        unique=True,
        postgresql_where=sa.text("state = 'draft'"),
        sqlite_where=sa.text("state = 'draft'"),
    )
    op.create_table(
        "overflow_rule",
        sa.Column("id", KEY, nullable=False),
        sa.Column("mall_id", KEY, nullable=False),
        sa.Column("starts_on", sa.Date(), nullable=False),
        sa.Column("fee_kind", sa.String(length=10), nullable=False),
        sa.Column("fee_cents", sa.BigInteger(), nullable=False),
        sa.Column("most_in16", sa.Integer(), nullable=True),
        sa.Column("most_pieces", sa.Integer(), nullable=True),
        sa.Column("least_depth_in16", sa.Integer(), nullable=False),
        sa.Column("least_length_in16", sa.Integer(), nullable=False),
        sa.Column("deepest_in16", sa.Integer(), nullable=False),
        sa.Column("entry_in16", sa.Integer(), nullable=False),
        sa.Column("gap_in16", sa.Integer(), nullable=False),
        sa.Column("highest_in16", sa.Integer(), nullable=False),
        sa.Column("wall_above_in16", sa.Integer(), nullable=False),
        sa.Column("before_in16", sa.Integer(), nullable=False),
        sa.Column("tips_from", sa.BigInteger(), nullable=False),
        sa.Column("glass", sa.String(length=9), nullable=False),
        sa.Column("recall_days", sa.Integer(), nullable=False),
        sa.Column("longest_weeks", sa.Integer(), nullable=False),
        sa.Column("rotation_weeks", sa.Integer(), nullable=False),
        sa.Column("sold_days", sa.Integer(), nullable=False),
        sa.Column("last_by", sa.String(length=5), nullable=False),
        sa.CheckConstraint("fee_kind IN ('free', 'foot-week', 'piece-week')", name=op.f("ck_overflow_rule_known_fee")),
        sa.CheckConstraint("glass IN ('nowhere', 'at a wall', 'anywhere')", name=op.f("ck_overflow_rule_known_glass")),
        sa.CheckConstraint("last_by IN ('fee', 'price')", name=op.f("ck_overflow_rule_known_last")),
        sa.CheckConstraint("fee_cents >= 0", name=op.f("ck_overflow_rule_fee_not_negative")),
        sa.ForeignKeyConstraint(["mall_id"], ["mall.id"], name=op.f("fk_overflow_rule_mall_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_overflow_rule")),
        sa.UniqueConstraint("mall_id", "starts_on", name=op.f("uq_overflow_rule_mall_id_starts_on")),
    )
    op.create_table(
        "booth_opening",
        sa.Column("id", KEY, nullable=False),
        sa.Column("space_id", KEY, nullable=False),
        sa.Column("side", sa.Integer(), nullable=False),
        sa.Column("from_in16", sa.Integer(), nullable=False),
        sa.Column("width_in16", sa.Integer(), nullable=False),
        sa.CheckConstraint("side >= 0 AND from_in16 >= 0", name=op.f("ck_booth_opening_place_not_negative")),
        sa.CheckConstraint("width_in16 > 0", name=op.f("ck_booth_opening_has_a_width")),
        sa.ForeignKeyConstraint(["space_id"], ["space.id"], name=op.f("fk_booth_opening_space_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_booth_opening")),
        sa.UniqueConstraint("space_id", "side", "from_in16", name=op.f("uq_booth_opening_space_id_side_from_in16")),
    )
    op.create_table(
        "overflow_request",
        sa.Column("id", KEY, nullable=False),
        sa.Column("dealer_id", KEY, nullable=False),
        sa.Column("mall_id", KEY, nullable=False),
        sa.Column("asked_on", sa.Date(), nullable=False),
        sa.Column("not_before", sa.Date(), nullable=False),
        sa.Column("weeks", sa.Integer(), nullable=False),
        sa.Column("flexible_weeks", sa.Integer(), nullable=False),
        sa.Column("together", sa.Boolean(), nullable=False),
        sa.Column("bay_code", sa.String(length=28), nullable=False),
        sa.Column("note", sa.String(length=400), nullable=False),
        sa.Column("state", sa.String(length=9), nullable=False),
        sa.Column("version", sa.Integer(), nullable=False),
        sa.Column("created_at", sa.DateTime(timezone=True), nullable=False),
        sa.CheckConstraint(
            "state IN ('waiting', 'partly', 'granted', 'withdrawn')", name=op.f("ck_overflow_request_known_state")
        ),
        sa.CheckConstraint("weeks > 0 AND flexible_weeks >= 0", name=op.f("ck_overflow_request_weeks")),
        sa.ForeignKeyConstraint(["dealer_id"], ["dealer.id"], name=op.f("fk_overflow_request_dealer_id")),
        sa.ForeignKeyConstraint(["mall_id"], ["mall.id"], name=op.f("fk_overflow_request_mall_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_overflow_request")),
    )
    op.create_index(op.f("ix_overflow_request_dealer_id"), "overflow_request", ["dealer_id"], unique=False)
    op.create_table(
        "overflow_walk",
        sa.Column("id", KEY, nullable=False),
        sa.Column("mall_id", KEY, nullable=False),
        sa.Column("on_date", sa.Date(), nullable=False),
        sa.Column("user_id", KEY, nullable=True),
        sa.Column("note", sa.String(length=400), nullable=False),
        sa.Column("created_at", sa.DateTime(timezone=True), nullable=False),
        sa.ForeignKeyConstraint(["mall_id"], ["mall.id"], name=op.f("fk_overflow_walk_mall_id")),
        sa.ForeignKeyConstraint(["user_id"], ["user_account.id"], name=op.f("fk_overflow_walk_user_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_overflow_walk")),
    )
    op.create_index(op.f("ix_overflow_walk_mall_id"), "overflow_walk", ["mall_id"], unique=False)
    op.create_table(
        "overflow_answer",
        sa.Column("id", KEY, nullable=False),
        sa.Column("request_id", KEY, nullable=False),
        sa.Column("draft_id", KEY, nullable=True),
        sa.Column("answer", sa.String(length=7), nullable=False),
        sa.Column("sentence", sa.String(length=600), nullable=False),
        sa.Column("at", sa.DateTime(timezone=True), nullable=False),
        sa.CheckConstraint("answer IN ('granted', 'partly', 'refused')", name=op.f("ck_overflow_answer_known_answer")),
        sa.ForeignKeyConstraint(["draft_id"], ["overflow_draft.id"], name=op.f("fk_overflow_answer_draft_id")),
        sa.ForeignKeyConstraint(["request_id"], ["overflow_request.id"], name=op.f("fk_overflow_answer_request_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_overflow_answer")),
    )
    op.create_index(op.f("ix_overflow_answer_request_id"), "overflow_answer", ["request_id"], unique=False)
    op.create_table(
        "overflow_piece",
        sa.Column("id", KEY, nullable=False),
        sa.Column("dealer_id", KEY, nullable=False),
        sa.Column("request_id", KEY, nullable=True),
        sa.Column("name", sa.String(length=80), nullable=False),
        sa.Column("width_in16", sa.Integer(), nullable=False),
        sa.Column("depth_in16", sa.Integer(), nullable=False),
        sa.Column("height_in16", sa.Integer(), nullable=False),
        sa.Column("weight_oz", sa.Integer(), nullable=True),
        sa.Column("colour", sa.String(length=7), nullable=False),
        sa.Column("grouping", sa.String(length=40), nullable=False),
        sa.Column("price_cents", sa.BigInteger(), nullable=True),
        sa.Column("glass", sa.Boolean(), nullable=False),
        sa.Column("may_turn", sa.Boolean(), nullable=False),
        sa.Column("tag", sa.String(length=40), nullable=False),
        sa.CheckConstraint("price_cents >= 0", name=op.f("ck_overflow_piece_price_not_negative")),
        sa.CheckConstraint("weight_oz > 0", name=op.f("ck_overflow_piece_weight_above_zero")),
        sa.CheckConstraint("width_in16 > 0 AND depth_in16 > 0 AND height_in16 > 0", name=op.f("ck_overflow_piece_has_a_size")),
        sa.ForeignKeyConstraint(["dealer_id"], ["dealer.id"], name=op.f("fk_overflow_piece_dealer_id")),
        sa.ForeignKeyConstraint(["request_id"], ["overflow_request.id"], name=op.f("fk_overflow_piece_request_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_overflow_piece")),
    )
    op.create_index(op.f("ix_overflow_piece_dealer_id"), "overflow_piece", ["dealer_id"], unique=False)
    op.create_index(op.f("ix_overflow_piece_request_id"), "overflow_piece", ["request_id"], unique=False)
    op.create_table(
        "overflow_stay",
        sa.Column("id", KEY, nullable=False),
        sa.Column("piece_id", KEY, nullable=False),
        sa.Column("bay_id", KEY, nullable=False),
        sa.Column("kind", sa.String(length=5), nullable=False),
        sa.Column("state", sa.String(length=9), nullable=False),
        sa.Column("from_in16", sa.Integer(), nullable=False),
        sa.Column("to_in16", sa.Integer(), nullable=False),
        sa.Column("depth_in16", sa.Integer(), nullable=False),
        sa.Column("turned", sa.Boolean(), nullable=False),
        sa.Column("starts_on", sa.Date(), nullable=False),
        sa.Column("ends_on", sa.Date(), nullable=False),
        sa.Column("granted_until", sa.Date(), nullable=False),
        sa.Column("why", sa.String(length=400), nullable=False),
        sa.Column("recalled_at", sa.DateTime(timezone=True), nullable=True),
        sa.Column("recall_why", sa.String(length=200), nullable=False),
        sa.Column("moved_in_on", sa.Date(), nullable=True),
        sa.Column("version", sa.Integer(), nullable=False),
        sa.Column("created_at", sa.DateTime(timezone=True), nullable=False),
        sa.CheckConstraint("kind IN ('asked', 'sold')", name=op.f("ck_overflow_stay_known_kind")),
        sa.CheckConstraint("state IN ('stands', 'cancelled')", name=op.f("ck_overflow_stay_known_state")),
        sa.CheckConstraint("from_in16 >= 0 AND from_in16 < to_in16 AND depth_in16 > 0", name=op.f("ck_overflow_stay_forward")),
        sa.CheckConstraint("starts_on <= ends_on", name=op.f("ck_overflow_stay_dates_forward")),
        sa.ForeignKeyConstraint(["bay_id"], ["bay.id"], name=op.f("fk_overflow_stay_bay_id")),
        sa.ForeignKeyConstraint(["piece_id"], ["overflow_piece.id"], name=op.f("fk_overflow_stay_piece_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_overflow_stay")),
    )
    op.create_index("ix_overflow_stay_bay_id_starts_on", "overflow_stay", ["bay_id", "starts_on"], unique=False)
    op.create_index(op.f("ix_overflow_stay_piece_id"), "overflow_stay", ["piece_id"], unique=False)
    op.create_table(
        "walk_mark",
        sa.Column("id", KEY, nullable=False),
        sa.Column("walk_id", KEY, nullable=False),
        sa.Column("stay_id", KEY, nullable=False),
        sa.Column("mark", sa.String(length=12), nullable=False),
        sa.Column("note", sa.String(length=200), nullable=False),
        sa.CheckConstraint("mark IN ('in place', 'out of place', 'not there')", name=op.f("ck_walk_mark_known_mark")),
        sa.ForeignKeyConstraint(["stay_id"], ["overflow_stay.id"], name=op.f("fk_walk_mark_stay_id")),
        sa.ForeignKeyConstraint(["walk_id"], ["overflow_walk.id"], name=op.f("fk_walk_mark_walk_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_walk_mark")),
        sa.UniqueConstraint("walk_id", "stay_id", name=op.f("uq_walk_mark_walk_id_stay_id")),
    )
    op.create_index(op.f("ix_walk_mark_stay_id"), "walk_mark", ["stay_id"], unique=False)
    _guards()


def downgrade() -> None:
    for table in TABLES:
        op.drop_table(table)
