"""Links by which a person chooses her passphrase: each is good once and for a time, and is kept as a hash."""

import sqlalchemy as sa
from alembic import op

revision = "0010"
down_revision = "0009"
branch_labels = None
depends_on = None

KEY = sa.BigInteger().with_variant(sa.Integer(), "sqlite")

STAYS = "people: a link to sign in keeps its user, secret and end, and one that was used or ended stays so"
SAME = ("id", "user_id", "purpose", "token_sha256", "made_by", "created_at", "expires_at")
ONCE = ("used_at", "ended_at")


def _changed(differs: str) -> str:
    found = [f"NEW.{c} {differs} OLD.{c}" for c in SAME]
    found += [f"(OLD.{c} IS NOT NULL AND NEW.{c} {differs} OLD.{c})" for c in ONCE]
    # What was emptied stays empty; sealed again under another key is the same secret.
    found.append(f"(OLD.token_sealed = '' AND NEW.token_sealed {differs} OLD.token_sealed)")
    return " OR ".join(found)


SQLITE = f"""CREATE TRIGGER guard_sign_in_link_fixed BEFORE UPDATE ON sign_in_link WHEN {_changed("IS NOT")} BEGIN
  SELECT RAISE(ABORT, '{STAYS}');
END"""


def postgresql_statements(schema: str) -> list[str]:
    return [
        f"""CREATE FUNCTION guard_sign_in_link_fixed() RETURNS trigger LANGUAGE plpgsql
        SET search_path = {schema}, pg_temp AS $$ BEGIN
          RAISE restrict_violation USING MESSAGE = '{STAYS}';
        END $$""",
        f"""CREATE TRIGGER guard_sign_in_link_fixed BEFORE UPDATE ON sign_in_link FOR EACH ROW
           WHEN ({_changed("IS DISTINCT FROM")}) EXECUTE FUNCTION guard_sign_in_link_fixed()""",
    ]


def upgrade() -> None:
    op.create_table(
        "sign_in_link",
        sa.Column("id", KEY, nullable=False),
        sa.Column("user_id", KEY, nullable=False),
        sa.Column("purpose", sa.String(length=10), nullable=False),
        sa.Column("token_sha256", sa.String(length=64), nullable=False),
        sa.Column("token_sealed", sa.String(length=400), nullable=False),
        sa.Column("made_by", KEY, nullable=True),
        sa.Column("created_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("expires_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("used_at", sa.DateTime(timezone=True), nullable=True),
        sa.Column("ended_at", sa.DateTime(timezone=True), nullable=True),
        sa.CheckConstraint("purpose IN ('invitation', 'passphrase')", name=op.f("ck_sign_in_link_known_purpose")),
        sa.CheckConstraint("length(token_sha256) = 64", name=op.f("ck_sign_in_link_hashed")),
        sa.CheckConstraint("expires_at > created_at", name=op.f("ck_sign_in_link_forward")),
        sa.CheckConstraint("used_at IS NULL OR ended_at IS NULL", name=op.f("ck_sign_in_link_used_or_ended")),
        sa.ForeignKeyConstraint(["user_id"], ["user_account.id"], name=op.f("fk_sign_in_link_user_id")),
        sa.ForeignKeyConstraint(["made_by"], ["user_account.id"], name=op.f("fk_sign_in_link_made_by")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_sign_in_link")),
        sa.UniqueConstraint("token_sha256", name=op.f("uq_sign_in_link_token_sha256")),
    )
    op.create_index(op.f("ix_sign_in_link_user_id"), "sign_in_link", ["user_id"], unique=False)
    op.create_index(
        "uq_sign_in_link_running",
        "sign_in_link",
        ["user_id"],
        unique=True,
        postgresql_where=sa.text("used_at IS NULL AND ended_at IS NULL"),
        sqlite_where=sa.text("used_at IS NULL AND ended_at IS NULL"),
    )
    op.create_table(
        "passphrase_request",
        sa.Column("id", KEY, nullable=False),
        sa.Column("at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("email", sa.String(length=254), nullable=False),
        sa.Column("address", sa.String(length=45), nullable=False),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_passphrase_request")),
    )
    for column in ("at", "email", "address"):
        op.create_index(op.f(f"ix_passphrase_request_{column}"), "passphrase_request", [column], unique=False)
    connection = op.get_bind()
    if connection.dialect.name == "postgresql":
        schema = str(connection.exec_driver_sql("SELECT quote_ident(current_schema())").scalar())
        for statement in postgresql_statements(schema):
            op.execute(statement)
    else:
        op.execute(SQLITE)


def downgrade() -> None:
    op.drop_table("passphrase_request")
    op.drop_table("sign_in_link")
    if op.get_bind().dialect.name == "postgresql":
        op.execute("DROP FUNCTION guard_sign_in_link_fixed()")
