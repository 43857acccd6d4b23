"""Calendar feeds behind secret addresses; indexes for what is sought by the day of sale, and for documents by their name."""

import sqlalchemy as sa
from alembic import op

revision = "0004"
down_revision = "0003"
branch_labels = None
depends_on = None

KEY = sa.BigInteger().with_variant(sa.Integer(), "sqlite")

STAYS = "people: a feed keeps its user, kind and address, and a revoked one stays revoked"
SAME_FEED = ("id", "user_id", "kind", "token_sha256", "created_at")

SQLITE = f"""CREATE TRIGGER guard_calendar_feed_fixed BEFORE UPDATE ON calendar_feed
   WHEN {" OR ".join(f"NEW.{c} IS NOT OLD.{c}" for c in SAME_FEED)}
        OR OLD.revoked_at IS NOT NULL AND NEW.revoked_at IS NOT OLD.revoked_at BEGIN
  SELECT RAISE(ABORT, '{STAYS}');
END"""


def postgresql_statements(schema: str) -> list[str]:
    return [
        f"""CREATE FUNCTION guard_calendar_feed_fixed() RETURNS trigger LANGUAGE plpgsql
        SET search_path = {schema}, pg_temp AS $$ BEGIN
          RAISE restrict_violation USING MESSAGE = '{STAYS}';
        END $$""",
        f"""CREATE TRIGGER guard_calendar_feed_fixed BEFORE UPDATE ON calendar_feed FOR EACH ROW
           WHEN ({" OR ".join(f"NEW.{c} IS DISTINCT FROM OLD.{c}" for c in SAME_FEED)}
                 OR OLD.revoked_at IS NOT NULL AND NEW.revoked_at IS DISTINCT FROM OLD.revoked_at)
           EXECUTE FUNCTION guard_calendar_feed_fixed()""",
    ]


def upgrade() -> None:
    op.create_table(
        "calendar_feed",
        sa.Column("id", KEY, nullable=False),
        sa.Column("user_id", KEY, nullable=False),
        sa.Column("kind", sa.String(length=20), nullable=False),
        sa.Column("label", sa.String(length=60), nullable=False),
        sa.Column("token_sha256", sa.String(length=64), nullable=False),
        sa.Column("created_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("last_read_at", sa.DateTime(timezone=True), nullable=True),
        sa.Column("revoked_at", sa.DateTime(timezone=True), nullable=True),
        sa.CheckConstraint("length(token_sha256) = 64", name=op.f("ck_calendar_feed_hashed")),
        sa.CheckConstraint("revoked_at IS NULL OR revoked_at >= created_at", name=op.f("ck_calendar_feed_forward")),
        sa.ForeignKeyConstraint(["user_id"], ["user_account.id"], name=op.f("fk_calendar_feed_user_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_calendar_feed")),
        sa.UniqueConstraint("token_sha256", name=op.f("uq_calendar_feed_token_sha256")),
    )
    op.create_index(op.f("ix_calendar_feed_user_id"), "calendar_feed", ["user_id"], unique=False)
    op.create_index("ix_tax_charged_sold", "tax_charged", ["sold_on", "posting_date"], unique=False)
    op.create_index("ix_tax_untaxed_sold", "tax_untaxed", ["sold_on", "posting_date"], unique=False)
    op.create_index(op.f("ix_document_file_name"), "document", ["file_name"], unique=False)
    connection = op.get_bind()
    if connection.dialect.name == "postgresql":
        schema = str(connection.exec_driver_sql("SELECT quote_ident(current_schema())").scalar())
        for statement in postgresql_statements(schema):
            op.execute(statement)
    else:
        op.execute(SQLITE)


def downgrade() -> None:
    op.drop_index(op.f("ix_document_file_name"), table_name="document")
    op.drop_index("ix_tax_untaxed_sold", table_name="tax_untaxed")
    op.drop_index("ix_tax_charged_sold", table_name="tax_charged")
    op.drop_index(op.f("ix_calendar_feed_user_id"), table_name="calendar_feed")
    op.drop_table("calendar_feed")
    if op.get_bind().dialect.name == "postgresql":
        op.execute("DROP FUNCTION guard_calendar_feed_fixed()")
