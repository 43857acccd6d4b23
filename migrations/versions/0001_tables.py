"""the tables of the foundation"""

import sqlalchemy as sa
from alembic import op

revision = "0001"
down_revision = None
branch_labels = None
depends_on = None

KEY = sa.BigInteger().with_variant(sa.Integer(), "sqlite")


def upgrade() -> None:
    op.create_table(
        "audit_log",
        sa.Column("id", KEY, nullable=False),
        sa.Column("at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("user_id", KEY, nullable=True),
        sa.Column("action", sa.String(length=60), nullable=False),
        sa.Column("subject_kind", sa.String(length=40), nullable=False),
        sa.Column("subject_id", sa.String(length=80), nullable=False),
        sa.Column("detail", sa.Text(), nullable=False),
        sa.Column("request_id", sa.String(length=40), nullable=False),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_audit_log")),
    )
    op.create_index(op.f("ix_audit_log_at"), "audit_log", ["at"], unique=False)
    op.create_index("ix_audit_log_subject", "audit_log", ["subject_kind", "subject_id"], unique=False)
    op.create_table(
        "cooperative",
        sa.Column("id", KEY, nullable=False),
        sa.Column("name", sa.String(length=120), nullable=False),
        sa.Column("currency", sa.String(length=3), nullable=False),
        sa.Column("commission_percent", sa.BigInteger(), nullable=False),
        sa.Column("paper", sa.String(length=6), nullable=False),
        sa.Column("payout_day", sa.Integer(), nullable=False),
        sa.Column("created_at", sa.DateTime(timezone=True), nullable=False),
        sa.CheckConstraint("id = 1", name=op.f("ck_cooperative_only_one")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_cooperative")),
    )
    op.create_table(
        "document",
        sa.Column("id", KEY, nullable=False),
        sa.Column("file_name", sa.String(length=120), nullable=False),
        sa.Column("media_type", sa.String(length=60), nullable=False),
        sa.Column("content", sa.LargeBinary(), nullable=False),
        sa.Column("size_bytes", sa.Integer(), nullable=False),
        sa.Column("sha256", sa.String(length=64), nullable=False),
        sa.Column("made_with", sa.String(length=200), nullable=False),
        sa.Column("created_at", sa.DateTime(timezone=True), nullable=False),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_document")),
    )
    op.create_index(op.f("ix_document_sha256"), "document", ["sha256"], unique=False)
    op.create_table(
        "entry_proof",
        sa.Column("entry_id", KEY, autoincrement=False, nullable=False),
        sa.Column("postings", sa.Integer(), nullable=False),
        sa.Column("debits_cents", sa.BigInteger(), nullable=False),
        sa.PrimaryKeyConstraint("entry_id", name=op.f("pk_entry_proof")),
    )
    op.create_table(
        "job",
        sa.Column("id", KEY, nullable=False),
        sa.Column("kind", sa.String(length=60), nullable=False),
        sa.Column("queue", sa.String(length=20), nullable=False),
        sa.Column("key", sa.String(length=200), nullable=True),
        sa.Column("group_key", sa.String(length=80), nullable=True),
        sa.Column("args", sa.JSON(), nullable=False),
        sa.Column("state", sa.String(length=12), nullable=False),
        sa.Column("attempts", sa.Integer(), nullable=False),
        sa.Column("lease_token", sa.String(length=40), nullable=True),
        sa.Column("lease_until", sa.DateTime(timezone=True), nullable=True),
        sa.Column("run_after", sa.DateTime(timezone=True), nullable=False),
        sa.Column("progress_done", sa.Integer(), nullable=False),
        sa.Column("progress_total", sa.Integer(), nullable=False),
        sa.Column("error", sa.Text(), nullable=False),
        sa.Column("request_id", sa.String(length=40), nullable=False),
        sa.Column("created_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("finished_at", sa.DateTime(timezone=True), nullable=True),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_job")),
        sa.UniqueConstraint("key", name=op.f("uq_job_key")),
    )
    op.create_index(op.f("ix_job_group_key"), "job", ["group_key"], unique=False)
    op.create_index("ix_job_state_run_after", "job", ["state", "run_after"], unique=False)
    op.create_table(
        "mall",
        sa.Column("id", KEY, nullable=False),
        sa.Column("code", sa.String(length=12), nullable=False),
        sa.Column("name", sa.String(length=120), nullable=False),
        sa.Column("timezone", sa.String(length=60), nullable=False),
        sa.Column("address", sa.String(length=400), nullable=False),
        sa.Column("created_at", sa.DateTime(timezone=True), nullable=False),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_mall")),
        sa.UniqueConstraint("code", name=op.f("uq_mall_code")),
    )
    op.create_table(
        "member",
        sa.Column("id", KEY, nullable=False),
        sa.Column("name", sa.String(length=120), nullable=False),
        sa.Column("email", sa.String(length=254), nullable=False),
        sa.Column("phone", sa.String(length=40), nullable=False),
        sa.Column("address", sa.String(length=400), nullable=False),
        sa.Column("joined_on", sa.Date(), nullable=False),
        sa.Column("left_on", sa.Date(), nullable=True),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_member")),
    )
    op.create_table(
        "schedule_slot",
        sa.Column("schedule", sa.String(length=60), nullable=False),
        sa.Column("slot", sa.Integer(), nullable=False),
        sa.Column("at", sa.DateTime(timezone=True), nullable=False),
        sa.PrimaryKeyConstraint("schedule", "slot", name=op.f("pk_schedule_slot")),
    )
    op.create_table(
        "sign_in_attempt",
        sa.Column("id", KEY, nullable=False),
        sa.Column("at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("email", sa.String(length=254), nullable=False),
        sa.Column("address", sa.String(length=45), nullable=False),
        sa.Column("succeeded", sa.Boolean(), nullable=False),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_sign_in_attempt")),
    )
    op.create_index(op.f("ix_sign_in_attempt_address"), "sign_in_attempt", ["address"], unique=False)
    op.create_index(op.f("ix_sign_in_attempt_at"), "sign_in_attempt", ["at"], unique=False)
    op.create_index(op.f("ix_sign_in_attempt_email"), "sign_in_attempt", ["email"], unique=False)
    op.create_table(
        "dealer",
        sa.Column("id", KEY, nullable=False),
        sa.Column("member_id", KEY, nullable=False),
        sa.Column("code", sa.String(length=12), nullable=False),
        sa.Column("trade_name", sa.String(length=120), nullable=False),
        sa.Column("created_at", sa.DateTime(timezone=True), nullable=False),
        sa.ForeignKeyConstraint(["member_id"], ["member.id"], name=op.f("fk_dealer_member_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_dealer")),
        sa.UniqueConstraint("code", name=op.f("uq_dealer_code")),
    )
    op.create_index(op.f("ix_dealer_member_id"), "dealer", ["member_id"], unique=False)
    op.create_table(
        "outbox",
        sa.Column("id", KEY, nullable=False),
        sa.Column("key", sa.String(length=200), nullable=False),
        sa.Column("kind", sa.String(length=40), nullable=False),
        sa.Column("recipient", sa.String(length=254), nullable=False),
        sa.Column("subject", sa.String(length=200), nullable=False),
        sa.Column("text_body", sa.Text(), nullable=False),
        sa.Column("html_body", sa.Text(), nullable=False),
        sa.Column("document_id", KEY, nullable=True),
        sa.Column("state", sa.String(length=10), nullable=False),
        sa.Column("message_id", sa.String(length=200), nullable=False),
        sa.Column("attempts", sa.Integer(), nullable=False),
        sa.Column("next_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("lease_token", sa.String(length=40), nullable=True),
        sa.Column("lease_until", sa.DateTime(timezone=True), nullable=True),
        sa.Column("error", sa.Text(), nullable=False),
        sa.Column("created_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("sent_at", sa.DateTime(timezone=True), nullable=True),
        sa.Column("resend_of_id", KEY, nullable=True),
        sa.CheckConstraint("state IN ('queued', 'sending', 'sent', 'failed', 'given_up')", name=op.f("ck_outbox_known_state")),
        sa.ForeignKeyConstraint(["document_id"], ["document.id"], name=op.f("fk_outbox_document_id")),
        sa.ForeignKeyConstraint(["resend_of_id"], ["outbox.id"], name=op.f("fk_outbox_resend_of_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_outbox")),
        sa.UniqueConstraint("key", name=op.f("uq_outbox_key")),
        sa.UniqueConstraint("message_id", name=op.f("uq_outbox_message_id")),
    )
    op.create_index(op.f("ix_outbox_document_id"), "outbox", ["document_id"], unique=False)
    op.create_index(op.f("ix_outbox_resend_of_id"), "outbox", ["resend_of_id"], unique=False)
    op.create_index("ix_outbox_state", "outbox", ["state"], unique=False)
    op.create_table(
        "period",
        sa.Column("id", KEY, nullable=False),
        sa.Column("mall_id", KEY, nullable=True),
        sa.Column("first_day", sa.Date(), nullable=False),
        sa.Column("last_day", sa.Date(), nullable=False),
        sa.Column("state", sa.String(length=6), nullable=False),
        sa.Column("closed_at", sa.DateTime(timezone=True), nullable=True),
        sa.CheckConstraint("state IN ('open', 'closed')", name=op.f("ck_period_known_state")),
        sa.CheckConstraint("first_day < last_day", name=op.f("ck_period_forward")),
        sa.ForeignKeyConstraint(["mall_id"], ["mall.id"], name=op.f("fk_period_mall_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_period")),
    )
    op.create_index(
        "uq_period_coop",
        "period",
        ["first_day"],
        unique=True,
        postgresql_where=sa.text("mall_id IS NULL"),
        sqlite_where=sa.text("mall_id IS NULL"),
    )
    op.create_index(
        "uq_period_mall",
        "period",
        ["mall_id", "first_day"],
        unique=True,
        postgresql_where=sa.text("mall_id IS NOT NULL"),
        sqlite_where=sa.text("mall_id IS NOT NULL"),
    )
    op.create_table(
        "rent_rate",
        sa.Column("id", KEY, nullable=False),
        sa.Column("mall_id", KEY, nullable=False),
        sa.Column("zone", sa.String(length=20), nullable=False),
        sa.Column("per", sa.String(length=6), nullable=False),
        sa.Column("price", sa.BigInteger(), nullable=False),
        sa.Column("starts_on", sa.Date(), nullable=False),
        sa.CheckConstraint("per IN ('sqft', 'flat')", name=op.f("ck_rent_rate_known_unit")),
        sa.CheckConstraint("price >= 0", name=op.f("ck_rent_rate_not_negative")),
        sa.ForeignKeyConstraint(["mall_id"], ["mall.id"], name=op.f("fk_rent_rate_mall_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_rent_rate")),
        sa.UniqueConstraint("mall_id", "zone", "starts_on", name=op.f("uq_rent_rate_mall_id_zone_starts_on")),
    )
    op.create_table(
        "sales_import",
        sa.Column("id", KEY, nullable=False),
        sa.Column("mall_id", KEY, nullable=False),
        sa.Column("mapping", sa.String(length=40), nullable=False),
        sa.Column("file_name", sa.String(length=200), nullable=False),
        sa.Column("file_sha256", sa.String(length=64), nullable=False),
        sa.Column("state", sa.String(length=8), nullable=False),
        sa.Column("started_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("finished_at", sa.DateTime(timezone=True), nullable=True),
        sa.Column("rows", sa.Integer(), nullable=False),
        sa.Column("rows_taken", sa.Integer(), nullable=False),
        sa.Column("rows_unclaimed", sa.Integer(), nullable=False),
        sa.Column("rows_refused", sa.Integer(), nullable=False),
        sa.Column("rows_here", sa.Integer(), nullable=False),
        sa.Column("tickets", sa.Integer(), nullable=False),
        sa.Column("taken_cents", sa.BigInteger(), nullable=False),
        sa.Column("unclaimed_cents", sa.BigInteger(), nullable=False),
        sa.CheckConstraint("state IN ('running', 'done')", name=op.f("ck_sales_import_known_state")),
        sa.ForeignKeyConstraint(["mall_id"], ["mall.id"], name=op.f("fk_sales_import_mall_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_sales_import")),
        sa.UniqueConstraint("mall_id", "mapping", "file_sha256", name=op.f("uq_sales_import_mall_id_mapping_file_sha256")),
    )
    op.create_table(
        "space",
        sa.Column("id", KEY, nullable=False),
        sa.Column("mall_id", KEY, nullable=False),
        sa.Column("code", sa.String(length=20), nullable=False),
        sa.Column("kind", sa.String(length=8), nullable=False),
        sa.Column("zone", sa.String(length=20), nullable=False),
        sa.Column("outline_in16", sa.JSON(), nullable=True),
        sa.Column("measured_area_sqft100", sa.Integer(), nullable=False),
        sa.Column("measured_on", sa.Date(), nullable=True),
        sa.Column("measured_by", sa.String(length=120), nullable=False),
        sa.CheckConstraint("kind IN ('booth', 'case', 'shelf', 'wall')", name=op.f("ck_space_known_kind")),
        sa.CheckConstraint("measured_area_sqft100 >= 0", name=op.f("ck_space_area_not_negative")),
        sa.ForeignKeyConstraint(["mall_id"], ["mall.id"], name=op.f("fk_space_mall_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_space")),
        sa.UniqueConstraint("mall_id", "code", name=op.f("uq_space_mall_id_code")),
    )
    op.create_table(
        "tax_place",
        sa.Column("id", KEY, nullable=False),
        sa.Column("mall_id", KEY, nullable=False),
        sa.Column("starts_on", sa.Date(), nullable=False),
        sa.Column("basis", sa.String(length=6), nullable=False),
        sa.Column("aggregated", sa.Boolean(), nullable=False),
        sa.CheckConstraint("basis IN ('item', 'ticket')", name=op.f("ck_tax_place_known_basis")),
        sa.ForeignKeyConstraint(["mall_id"], ["mall.id"], name=op.f("fk_tax_place_mall_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_tax_place")),
        sa.UniqueConstraint("mall_id", "starts_on", name=op.f("uq_tax_place_mall_id_starts_on")),
    )
    op.create_table(
        "user_account",
        sa.Column("id", KEY, nullable=False),
        sa.Column("email", sa.String(length=254), nullable=False),
        sa.Column("member_id", KEY, nullable=True),
        sa.Column("password_hash", sa.String(length=200), nullable=False),
        sa.Column("disabled_at", sa.DateTime(timezone=True), nullable=True),
        sa.Column("created_at", sa.DateTime(timezone=True), nullable=False),
        sa.ForeignKeyConstraint(["member_id"], ["member.id"], name=op.f("fk_user_account_member_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_user_account")),
        sa.UniqueConstraint("email", name=op.f("uq_user_account_email")),
    )
    op.create_index(op.f("ix_user_account_member_id"), "user_account", ["member_id"], unique=False)
    op.create_table(
        "account",
        sa.Column("id", KEY, nullable=False),
        sa.Column("path", sa.String(length=120), nullable=False),
        sa.Column("kind", sa.String(length=20), nullable=False),
        sa.Column("mall_id", KEY, nullable=True),
        sa.Column("dealer_id", KEY, nullable=True),
        sa.ForeignKeyConstraint(["dealer_id"], ["dealer.id"], name=op.f("fk_account_dealer_id")),
        sa.ForeignKeyConstraint(["mall_id"], ["mall.id"], name=op.f("fk_account_mall_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_account")),
        sa.UniqueConstraint("path", name=op.f("uq_account_path")),
    )
    op.create_index(op.f("ix_account_dealer_id"), "account", ["dealer_id"], unique=False)
    op.create_index(op.f("ix_account_kind"), "account", ["kind"], unique=False)
    op.create_table(
        "entry",
        sa.Column("id", KEY, autoincrement=True, nullable=False),
        sa.Column("period_id", KEY, nullable=False),
        sa.Column("mall_id", KEY, nullable=True),
        sa.Column("business_date", sa.Date(), nullable=False),
        sa.Column("kind", sa.String(length=24), nullable=False),
        sa.Column("source_kind", sa.String(length=24), nullable=False),
        sa.Column("source_id", sa.String(length=120), nullable=False),
        sa.Column("purpose", sa.String(length=24), nullable=False),
        sa.Column("reverses_id", KEY, nullable=True),
        sa.Column("memo", sa.String(length=200), nullable=False),
        sa.Column("posted_at", sa.DateTime(timezone=True), nullable=False),
        sa.ForeignKeyConstraint(["id"], ["entry_proof.entry_id"], name="fk_entry_proved", initially="DEFERRED", deferrable=True),
        sa.ForeignKeyConstraint(["mall_id"], ["mall.id"], name=op.f("fk_entry_mall_id")),
        sa.ForeignKeyConstraint(["period_id"], ["period.id"], name=op.f("fk_entry_period_id")),
        sa.ForeignKeyConstraint(["reverses_id"], ["entry.id"], name=op.f("fk_entry_reverses_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_entry")),
        sa.UniqueConstraint("reverses_id", name=op.f("uq_entry_reverses_id")),
        sa.UniqueConstraint("source_kind", "source_id", "purpose", name=op.f("uq_entry_source_kind_source_id_purpose")),
    )
    op.create_index("ix_entry_period_id", "entry", ["period_id", "id"], unique=False)
    op.create_table(
        "import_refusal",
        sa.Column("id", KEY, nullable=False),
        sa.Column("import_id", KEY, nullable=False),
        sa.Column("row", sa.Integer(), nullable=False),
        sa.Column("reason", sa.String(length=40), nullable=False),
        sa.Column("sentence", sa.Text(), nullable=False),
        sa.ForeignKeyConstraint(["import_id"], ["sales_import.id"], name=op.f("fk_import_refusal_import_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_import_refusal")),
        sa.UniqueConstraint("import_id", "row", name=op.f("uq_import_refusal_import_id_row")),
    )
    op.create_table(
        "lease",
        sa.Column("id", KEY, nullable=False),
        sa.Column("dealer_id", KEY, nullable=False),
        sa.Column("mall_id", KEY, nullable=False),
        sa.Column("starts_on", sa.Date(), nullable=False),
        sa.Column("ends_on", sa.Date(), nullable=True),
        sa.Column("commission_percent", sa.BigInteger(), nullable=False),
        sa.Column("proration", sa.String(length=12), nullable=False),
        sa.Column("created_at", sa.DateTime(timezone=True), nullable=False),
        sa.CheckConstraint("ends_on IS NULL OR ends_on >= starts_on", name=op.f("ck_lease_forward")),
        sa.ForeignKeyConstraint(["dealer_id"], ["dealer.id"], name=op.f("fk_lease_dealer_id")),
        sa.ForeignKeyConstraint(["mall_id"], ["mall.id"], name=op.f("fk_lease_mall_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_lease")),
    )
    op.create_index(op.f("ix_lease_dealer_id"), "lease", ["dealer_id"], unique=False)
    op.create_index(op.f("ix_lease_mall_id"), "lease", ["mall_id"], unique=False)
    op.create_table(
        "mail_attempt",
        sa.Column("id", KEY, nullable=False),
        sa.Column("outbox_id", KEY, nullable=False),
        sa.Column("started_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("ended_at", sa.DateTime(timezone=True), nullable=True),
        sa.Column("outcome", sa.String(length=12), nullable=False),
        sa.Column("reply", sa.Text(), nullable=False),
        sa.Column("unreached", sa.Boolean(), nullable=False),
        sa.CheckConstraint("outcome IN ('started', 'sent', 'refused', 'put_off')", name=op.f("ck_mail_attempt_known_outcome")),
        sa.ForeignKeyConstraint(["outbox_id"], ["outbox.id"], name=op.f("fk_mail_attempt_outbox_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_mail_attempt")),
    )
    op.create_index("ix_mail_attempt_ended_at", "mail_attempt", ["ended_at"], unique=False)
    op.create_index(op.f("ix_mail_attempt_outbox_id"), "mail_attempt", ["outbox_id"], unique=False)
    op.create_table(
        "mail_identity",
        sa.Column("id", KEY, autoincrement=False, nullable=False),
        sa.Column("salt", sa.String(length=32), nullable=False),
        sa.CheckConstraint("id = 1", name=op.f("ck_mail_identity_only_one")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_mail_identity")),
    )
    op.create_table(
        "month_close",
        sa.Column("id", KEY, nullable=False),
        sa.Column("mall_id", KEY, nullable=False),
        sa.Column("first_day", sa.Date(), nullable=False),
        sa.Column("started_by", KEY, nullable=True),
        sa.Column("started_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("locked_at", sa.DateTime(timezone=True), nullable=True),
        sa.Column("finished_at", sa.DateTime(timezone=True), nullable=True),
        sa.ForeignKeyConstraint(["mall_id"], ["mall.id"], name=op.f("fk_month_close_mall_id")),
        sa.ForeignKeyConstraint(["started_by"], ["user_account.id"], name=op.f("fk_month_close_started_by")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_month_close")),
        sa.UniqueConstraint("mall_id", "first_day", name=op.f("uq_month_close_mall_id_first_day")),
    )
    op.create_table(
        "role_grant",
        sa.Column("id", KEY, nullable=False),
        sa.Column("user_id", KEY, nullable=False),
        sa.Column("role", sa.String(length=12), nullable=False),
        sa.CheckConstraint(
            "role IN ('manager', 'bookkeeper', 'desk', 'dealer', 'auditor')", name=op.f("ck_role_grant_known_role")
        ),
        sa.ForeignKeyConstraint(["user_id"], ["user_account.id"], name=op.f("fk_role_grant_user_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_role_grant")),
        sa.UniqueConstraint("user_id", "role", name=op.f("uq_role_grant_user_id_role")),
    )
    op.create_table(
        "seal",
        sa.Column("id", KEY, nullable=False),
        sa.Column("chain", sa.String(length=20), nullable=False),
        sa.Column("number", sa.Integer(), nullable=False),
        sa.Column("period_id", KEY, nullable=False),
        sa.Column("reason", sa.String(length=8), nullable=False),
        sa.Column("after_entry_id", KEY, nullable=False),
        sa.Column("last_entry_id", KEY, nullable=False),
        sa.Column("entries", sa.Integer(), nullable=False),
        sa.Column("debits_cents", sa.BigInteger(), nullable=False),
        sa.Column("previous_sha256", sa.String(length=64), nullable=False),
        sa.Column("sha256", sa.String(length=64), nullable=False),
        sa.Column("sealed_at", sa.DateTime(timezone=True), nullable=False),
        sa.ForeignKeyConstraint(["period_id"], ["period.id"], name=op.f("fk_seal_period_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_seal")),
        sa.UniqueConstraint("chain", "number", name=op.f("uq_seal_chain_number")),
    )
    op.create_index(op.f("ix_seal_period_id"), "seal", ["period_id"], unique=False)
    op.create_table(
        "statement",
        sa.Column("id", KEY, nullable=False),
        sa.Column("number", sa.String(length=40), nullable=False),
        sa.Column("mall_id", KEY, nullable=False),
        sa.Column("dealer_id", KEY, nullable=False),
        sa.Column("first_day", sa.Date(), nullable=False),
        sa.Column("value_json", sa.Text(), nullable=False),
        sa.Column("value_sha256", sa.String(length=64), nullable=False),
        sa.Column("opening_cents", sa.BigInteger(), nullable=False),
        sa.Column("closing_cents", sa.BigInteger(), nullable=False),
        sa.Column("document_id", KEY, nullable=True),
        sa.Column("outbox_id", KEY, nullable=True),
        sa.Column("created_at", sa.DateTime(timezone=True), nullable=False),
        sa.ForeignKeyConstraint(["dealer_id"], ["dealer.id"], name=op.f("fk_statement_dealer_id")),
        sa.ForeignKeyConstraint(["document_id"], ["document.id"], name=op.f("fk_statement_document_id")),
        sa.ForeignKeyConstraint(["mall_id"], ["mall.id"], name=op.f("fk_statement_mall_id")),
        sa.ForeignKeyConstraint(["outbox_id"], ["outbox.id"], name=op.f("fk_statement_outbox_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_statement")),
        sa.UniqueConstraint("mall_id", "dealer_id", "first_day", name=op.f("uq_statement_mall_id_dealer_id_first_day")),
        sa.UniqueConstraint("number", name=op.f("uq_statement_number")),
    )
    op.create_index(op.f("ix_statement_dealer_id"), "statement", ["dealer_id"], unique=False)
    op.create_table(
        "web_session",
        sa.Column("id", KEY, nullable=False),
        sa.Column("user_id", KEY, nullable=False),
        sa.Column("token_sha256", sa.String(length=64), nullable=False),
        sa.Column("created_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("seen_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("expires_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("ended_at", sa.DateTime(timezone=True), nullable=True),
        sa.Column("address", sa.String(length=45), nullable=False),
        sa.Column("agent", sa.String(length=200), nullable=False),
        sa.ForeignKeyConstraint(["user_id"], ["user_account.id"], name=op.f("fk_web_session_user_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_web_session")),
        sa.UniqueConstraint("token_sha256", name=op.f("uq_web_session_token_sha256")),
    )
    op.create_index(op.f("ix_web_session_user_id"), "web_session", ["user_id"], unique=False)
    op.create_table(
        "charge",
        sa.Column("id", KEY, nullable=False),
        sa.Column("lease_id", KEY, nullable=False),
        sa.Column("mall_id", KEY, nullable=False),
        sa.Column("dealer_id", KEY, nullable=False),
        sa.Column("kind", sa.String(length=12), nullable=False),
        sa.Column("what", sa.String(length=40), nullable=False),
        sa.Column("first_day", sa.Date(), nullable=False),
        sa.Column("change", sa.Integer(), nullable=False),
        sa.Column("label", sa.String(length=120), nullable=False),
        sa.Column("working", sa.String(length=200), nullable=False),
        sa.Column("amount_cents", sa.BigInteger(), nullable=False),
        sa.Column("entry_id", KEY, nullable=True),
        sa.ForeignKeyConstraint(["dealer_id"], ["dealer.id"], name=op.f("fk_charge_dealer_id")),
        sa.ForeignKeyConstraint(["entry_id"], ["entry.id"], name=op.f("fk_charge_entry_id")),
        sa.ForeignKeyConstraint(["lease_id"], ["lease.id"], name=op.f("fk_charge_lease_id")),
        sa.ForeignKeyConstraint(["mall_id"], ["mall.id"], name=op.f("fk_charge_mall_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_charge")),
        sa.UniqueConstraint("lease_id", "what", "first_day", "change", name=op.f("uq_charge_lease_id_what_first_day_change")),
    )
    op.create_index(op.f("ix_charge_dealer_id"), "charge", ["dealer_id"], unique=False)
    op.create_index(op.f("ix_charge_first_day"), "charge", ["first_day"], unique=False)
    op.create_table(
        "close_step",
        sa.Column("id", KEY, nullable=False),
        sa.Column("close_id", KEY, nullable=False),
        sa.Column("name", sa.String(length=20), nullable=False),
        sa.Column("position", sa.Integer(), nullable=False),
        sa.Column("state", sa.String(length=8), nullable=False),
        sa.Column("report", sa.Text(), nullable=False),
        sa.Column("mend", sa.String(length=200), nullable=False),
        sa.Column("progress_done", sa.Integer(), nullable=False),
        sa.Column("progress_total", sa.Integer(), nullable=False),
        sa.Column("tries", sa.Integer(), nullable=False),
        sa.Column("finished_at", sa.DateTime(timezone=True), nullable=True),
        sa.CheckConstraint("state IN ('waiting', 'running', 'done', 'refused')", name=op.f("ck_close_step_known_state")),
        sa.ForeignKeyConstraint(["close_id"], ["month_close.id"], name=op.f("fk_close_step_close_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_close_step")),
        sa.UniqueConstraint("close_id", "name", name=op.f("uq_close_step_close_id_name")),
    )
    op.create_table(
        "jurisdiction",
        sa.Column("id", KEY, nullable=False),
        sa.Column("code", sa.String(length=40), nullable=False),
        sa.Column("name", sa.String(length=120), nullable=False),
        sa.Column("kind", sa.String(length=8), nullable=False),
        sa.Column("account_id", KEY, nullable=False),
        sa.CheckConstraint("kind IN ('state', 'county', 'city', 'district')", name=op.f("ck_jurisdiction_known_kind")),
        sa.ForeignKeyConstraint(["account_id"], ["account.id"], name=op.f("fk_jurisdiction_account_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_jurisdiction")),
        sa.UniqueConstraint("code", name=op.f("uq_jurisdiction_code")),
    )
    op.create_table(
        "lease_space",
        sa.Column("id", KEY, nullable=False),
        sa.Column("lease_id", KEY, nullable=False),
        sa.Column("space_id", KEY, nullable=False),
        sa.Column("starts_on", sa.Date(), nullable=False),
        sa.Column("ends_on", sa.Date(), nullable=True),
        sa.Column("leased_area_sqft100", sa.Integer(), nullable=False),
        sa.CheckConstraint("ends_on IS NULL OR ends_on >= starts_on", name=op.f("ck_lease_space_forward")),
        sa.CheckConstraint("leased_area_sqft100 >= 0", name=op.f("ck_lease_space_area_not_negative")),
        sa.ForeignKeyConstraint(["lease_id"], ["lease.id"], name=op.f("fk_lease_space_lease_id")),
        sa.ForeignKeyConstraint(["space_id"], ["space.id"], name=op.f("fk_lease_space_space_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_lease_space")),
    )
    op.create_index(op.f("ix_lease_space_lease_id"), "lease_space", ["lease_id"], unique=False)
    op.create_index(op.f("ix_lease_space_space_id"), "lease_space", ["space_id"], unique=False)
    op.create_table(
        "posting",
        sa.Column("id", KEY, nullable=False),
        sa.Column("entry_id", KEY, nullable=False),
        sa.Column("account_id", KEY, nullable=False),
        sa.Column("amount_cents", sa.BigInteger(), nullable=False),
        sa.CheckConstraint("amount_cents <> 0", name=op.f("ck_posting_not_zero")),
        sa.ForeignKeyConstraint(["account_id"], ["account.id"], name=op.f("fk_posting_account_id")),
        sa.ForeignKeyConstraint(["entry_id"], ["entry.id"], name=op.f("fk_posting_entry_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_posting")),
    )
    op.create_index(op.f("ix_posting_account_id"), "posting", ["account_id"], unique=False)
    op.create_index(op.f("ix_posting_entry_id"), "posting", ["entry_id"], unique=False)
    op.create_table(
        "ticket",
        sa.Column("id", KEY, nullable=False),
        sa.Column("mall_id", KEY, nullable=False),
        sa.Column("key", sa.String(length=120), nullable=False),
        sa.Column("number", sa.String(length=40), nullable=False),
        sa.Column("source", sa.String(length=60), nullable=False),
        sa.Column("kind", sa.String(length=6), nullable=False),
        sa.Column("sold_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("sold_on", sa.Date(), nullable=False),
        sa.Column("received_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("posting_date", sa.Date(), nullable=False),
        sa.Column("rung_by", KEY, nullable=True),
        sa.Column("import_id", KEY, nullable=True),
        sa.Column("taxed", sa.Boolean(), nullable=False),
        sa.Column("net_cents", sa.BigInteger(), nullable=False),
        sa.Column("tax_cents", sa.BigInteger(), nullable=False),
        sa.Column("total_cents", sa.BigInteger(), nullable=False),
        sa.Column("entry_id", KEY, nullable=True),
        sa.Column("buyer_key", sa.String(length=32), nullable=False),
        sa.CheckConstraint("kind IN ('sale', 'return')", name=op.f("ck_ticket_known_kind")),
        sa.ForeignKeyConstraint(["entry_id"], ["entry.id"], name=op.f("fk_ticket_entry_id")),
        sa.ForeignKeyConstraint(["import_id"], ["sales_import.id"], name=op.f("fk_ticket_import_id")),
        sa.ForeignKeyConstraint(["mall_id"], ["mall.id"], name=op.f("fk_ticket_mall_id")),
        sa.ForeignKeyConstraint(["rung_by"], ["user_account.id"], name=op.f("fk_ticket_rung_by")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_ticket")),
        sa.UniqueConstraint("key", name=op.f("uq_ticket_key")),
    )
    op.create_index(op.f("ix_ticket_import_id"), "ticket", ["import_id"], unique=False)
    op.create_index("ix_ticket_mall_posting_date", "ticket", ["mall_id", "posting_date"], unique=False)
    op.create_index("ix_ticket_source_number", "ticket", ["source", "number"], unique=False)
    op.create_table(
        "tax_place_jurisdiction",
        sa.Column("place_id", KEY, nullable=False),
        sa.Column("jurisdiction_id", KEY, nullable=False),
        sa.Column("position", sa.Integer(), nullable=False),
        sa.ForeignKeyConstraint(["jurisdiction_id"], ["jurisdiction.id"], name=op.f("fk_tax_place_jurisdiction_jurisdiction_id")),
        sa.ForeignKeyConstraint(["place_id"], ["tax_place.id"], name=op.f("fk_tax_place_jurisdiction_place_id")),
        sa.PrimaryKeyConstraint("place_id", "jurisdiction_id", name=op.f("pk_tax_place_jurisdiction")),
    )
    op.create_table(
        "tax_rate",
        sa.Column("id", KEY, nullable=False),
        sa.Column("jurisdiction_id", KEY, nullable=False),
        sa.Column("tax_class", sa.String(length=20), nullable=False),
        sa.Column("percent", sa.BigInteger(), nullable=False),
        sa.Column("starts_on", sa.Date(), nullable=False),
        sa.Column("ends_on", sa.Date(), nullable=True),
        sa.CheckConstraint("ends_on IS NULL OR ends_on >= starts_on", name=op.f("ck_tax_rate_forward")),
        sa.CheckConstraint("percent >= 0", name=op.f("ck_tax_rate_not_negative")),
        sa.ForeignKeyConstraint(["jurisdiction_id"], ["jurisdiction.id"], name=op.f("fk_tax_rate_jurisdiction_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_tax_rate")),
        sa.UniqueConstraint(
            "jurisdiction_id", "tax_class", "starts_on", name=op.f("uq_tax_rate_jurisdiction_id_tax_class_starts_on")
        ),
    )
    op.create_table(
        "tender",
        sa.Column("id", KEY, nullable=False),
        sa.Column("ticket_id", KEY, nullable=False),
        sa.Column("kind", sa.String(length=12), nullable=False),
        sa.Column("account_id", KEY, nullable=False),
        sa.Column("amount_cents", sa.BigInteger(), nullable=False),
        sa.ForeignKeyConstraint(["account_id"], ["account.id"], name=op.f("fk_tender_account_id")),
        sa.ForeignKeyConstraint(["ticket_id"], ["ticket.id"], name=op.f("fk_tender_ticket_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_tender")),
    )
    op.create_index(op.f("ix_tender_ticket_id"), "tender", ["ticket_id"], unique=False)
    op.create_table(
        "ticket_line",
        sa.Column("id", KEY, nullable=False),
        sa.Column("ticket_id", KEY, nullable=False),
        sa.Column("mall_id", KEY, nullable=False),
        sa.Column("posting_date", sa.Date(), nullable=False),
        sa.Column("position", sa.Integer(), nullable=False),
        sa.Column("dealer_id", KEY, nullable=True),
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
        sa.Column("tax_cents", sa.BigInteger(), nullable=False),
        sa.Column("returns_line_id", KEY, nullable=True),
        sa.ForeignKeyConstraint(["dealer_id"], ["dealer.id"], name=op.f("fk_ticket_line_dealer_id")),
        sa.ForeignKeyConstraint(["mall_id"], ["mall.id"], name=op.f("fk_ticket_line_mall_id")),
        sa.ForeignKeyConstraint(["returns_line_id"], ["ticket_line.id"], name=op.f("fk_ticket_line_returns_line_id")),
        sa.ForeignKeyConstraint(["ticket_id"], ["ticket.id"], name=op.f("fk_ticket_line_ticket_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_ticket_line")),
        sa.UniqueConstraint("ticket_id", "position", name=op.f("uq_ticket_line_ticket_id_position")),
    )
    op.create_index("ix_ticket_line_dealer", "ticket_line", ["dealer_id", "posting_date"], unique=False)
    op.create_index("ix_ticket_line_mall", "ticket_line", ["mall_id", "posting_date"], unique=False)
    op.create_index(op.f("ix_ticket_line_returns_line_id"), "ticket_line", ["returns_line_id"], unique=False)
    op.create_index("ix_ticket_line_tag", "ticket_line", ["mall_id", "tag"], unique=False)
    op.create_table(
        "tax_charged",
        sa.Column("id", KEY, nullable=False),
        sa.Column("mall_id", KEY, nullable=False),
        sa.Column("posting_date", sa.Date(), nullable=False),
        sa.Column("ticket_key", sa.String(length=120), nullable=False),
        sa.Column("position", sa.Integer(), nullable=False),
        sa.Column("dealer_id", KEY, nullable=True),
        sa.Column("jurisdiction_id", KEY, nullable=False),
        sa.Column("rate_id", KEY, nullable=False),
        sa.Column("taxable_cents", sa.BigInteger(), nullable=False),
        sa.Column("amount_cents", sa.BigInteger(), nullable=False),
        sa.ForeignKeyConstraint(["dealer_id"], ["dealer.id"], name=op.f("fk_tax_charged_dealer_id")),
        sa.ForeignKeyConstraint(["jurisdiction_id"], ["jurisdiction.id"], name=op.f("fk_tax_charged_jurisdiction_id")),
        sa.ForeignKeyConstraint(["mall_id"], ["mall.id"], name=op.f("fk_tax_charged_mall_id")),
        sa.ForeignKeyConstraint(["rate_id"], ["tax_rate.id"], name=op.f("fk_tax_charged_rate_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_tax_charged")),
    )
    op.create_index(op.f("ix_tax_charged_jurisdiction_id"), "tax_charged", ["jurisdiction_id"], unique=False)
    op.create_index("ix_tax_charged_mall", "tax_charged", ["mall_id", "posting_date"], unique=False)
    op.create_index(op.f("ix_tax_charged_ticket_key"), "tax_charged", ["ticket_key"], unique=False)


def downgrade() -> None:
    op.drop_table("mail_identity")
    op.drop_index(op.f("ix_tax_charged_ticket_key"), table_name="tax_charged")
    op.drop_index("ix_tax_charged_mall", table_name="tax_charged")
    op.drop_index(op.f("ix_tax_charged_jurisdiction_id"), table_name="tax_charged")
    op.drop_table("tax_charged")
    op.drop_index("ix_ticket_line_tag", table_name="ticket_line")
    op.drop_index(op.f("ix_ticket_line_returns_line_id"), table_name="ticket_line")
    op.drop_index("ix_ticket_line_mall", table_name="ticket_line")
    op.drop_index("ix_ticket_line_dealer", table_name="ticket_line")
    op.drop_table("ticket_line")
    op.drop_index(op.f("ix_tender_ticket_id"), table_name="tender")
    op.drop_table("tender")
    op.drop_table("tax_rate")
    op.drop_table("tax_place_jurisdiction")
    op.drop_index("ix_ticket_source_number", table_name="ticket")
    op.drop_index("ix_ticket_mall_posting_date", table_name="ticket")
    op.drop_index(op.f("ix_ticket_import_id"), table_name="ticket")
    op.drop_table("ticket")
    op.drop_index(op.f("ix_posting_entry_id"), table_name="posting")
    op.drop_index(op.f("ix_posting_account_id"), table_name="posting")
    op.drop_table("posting")
    op.drop_index(op.f("ix_lease_space_space_id"), table_name="lease_space")
    op.drop_index(op.f("ix_lease_space_lease_id"), table_name="lease_space")
    op.drop_table("lease_space")
    op.drop_table("jurisdiction")
    op.drop_table("close_step")
    op.drop_index(op.f("ix_charge_first_day"), table_name="charge")
    op.drop_index(op.f("ix_charge_dealer_id"), table_name="charge")
    op.drop_table("charge")
    op.drop_index(op.f("ix_web_session_user_id"), table_name="web_session")
    op.drop_table("web_session")
    op.drop_index(op.f("ix_statement_dealer_id"), table_name="statement")
    op.drop_table("statement")
    op.drop_index(op.f("ix_seal_period_id"), table_name="seal")
    op.drop_table("seal")
    op.drop_table("role_grant")
    op.drop_table("month_close")
    op.drop_index(op.f("ix_mail_attempt_outbox_id"), table_name="mail_attempt")
    op.drop_index("ix_mail_attempt_ended_at", table_name="mail_attempt")
    op.drop_table("mail_attempt")
    op.drop_index(op.f("ix_lease_mall_id"), table_name="lease")
    op.drop_index(op.f("ix_lease_dealer_id"), table_name="lease")
    op.drop_table("lease")
    op.drop_table("import_refusal")
    op.drop_index("ix_entry_period_id", table_name="entry")
    op.drop_table("entry")
    op.drop_index(op.f("ix_account_kind"), table_name="account")
    op.drop_index(op.f("ix_account_dealer_id"), table_name="account")
    op.drop_table("account")
    op.drop_index(op.f("ix_user_account_member_id"), table_name="user_account")
    op.drop_table("user_account")
    op.drop_table("tax_place")
    op.drop_table("space")
    op.drop_table("sales_import")
    op.drop_table("rent_rate")
    op.drop_index(
        "uq_period_mall",
        table_name="period",
        postgresql_where=sa.text("mall_id IS NOT NULL"),
        sqlite_where=sa.text("mall_id IS NOT NULL"),
    )
    op.drop_index(
        "uq_period_coop",
        table_name="period",
        postgresql_where=sa.text("mall_id IS NULL"),
        sqlite_where=sa.text("mall_id IS NULL"),
    )
    op.drop_table("period")
    op.drop_index("ix_outbox_state", table_name="outbox")
    op.drop_index(op.f("ix_outbox_resend_of_id"), table_name="outbox")
    op.drop_index(op.f("ix_outbox_document_id"), table_name="outbox")
    op.drop_table("outbox")
    op.drop_index(op.f("ix_dealer_member_id"), table_name="dealer")
    op.drop_table("dealer")
    op.drop_index(op.f("ix_sign_in_attempt_email"), table_name="sign_in_attempt")
    op.drop_index(op.f("ix_sign_in_attempt_at"), table_name="sign_in_attempt")
    op.drop_index(op.f("ix_sign_in_attempt_address"), table_name="sign_in_attempt")
    op.drop_table("sign_in_attempt")
    op.drop_table("schedule_slot")
    op.drop_table("member")
    op.drop_table("mall")
    op.drop_index("ix_job_state_run_after", table_name="job")
    op.drop_index(op.f("ix_job_group_key"), table_name="job")
    op.drop_table("job")
    op.drop_table("entry_proof")
    op.drop_index(op.f("ix_document_sha256"), table_name="document")
    op.drop_table("document")
    op.drop_table("cooperative")
    op.drop_index("ix_audit_log_subject", table_name="audit_log")
    op.drop_index(op.f("ix_audit_log_at"), table_name="audit_log")
    op.drop_table("audit_log")
