"""Money in full: house rules, the bank's lines and months, journal entries, openings from paper, gift certificates, claims, drawers
counted, how dealers are paid, runs of payouts, releases, patronage, questions; the day a sale was credited to its dealer."""

import sqlalchemy as sa
from alembic import op

revision = "0008"
down_revision = "0007"
branch_labels = None
depends_on = None

KEY = sa.BigInteger().with_variant(sa.Integer(), "sqlite")
TABLES = """
    desk_device statement_book ach_origin bank_file bank_month gift_certificate hold_decision money_rule opening patronage
    payout_detail payout_hold payout_run release_rule tax_form year_threshold bank_item bank_line close_override
    drawer_count journal opening_memo patronage_share payout_line statement_question bank_match gift_move journal_line
    payout_part claim release
""".split()
"""In the order they are made."""


def upgrade() -> None:
    op.create_table(
        "desk_device",
        sa.Column("id", KEY, nullable=False),
        sa.Column("mall_id", KEY, nullable=False),
        sa.Column("name", sa.String(length=40), nullable=False),
        sa.Column("registered_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("retired_at", sa.DateTime(timezone=True), nullable=True),
        sa.Column("waiting", sa.Integer(), nullable=False),
        sa.Column("reported_at", sa.DateTime(timezone=True), nullable=True),
        sa.CheckConstraint("waiting >= 0", name=op.f("ck_desk_device_not_negative")),
        sa.ForeignKeyConstraint(["mall_id"], ["mall.id"], name=op.f("fk_desk_device_mall_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_desk_device")),
        sa.UniqueConstraint("mall_id", "name", name=op.f("uq_desk_device_mall_id_name")),
    )
    op.create_table(
        "statement_book",
        sa.Column("id", KEY, nullable=False),
        sa.Column("mall_id", KEY, nullable=False),
        sa.Column("first_day", sa.Date(), nullable=False),
        sa.Column("without_mail", sa.Boolean(), nullable=False),
        sa.Column("statements", sa.Integer(), nullable=False),
        sa.Column("document_id", KEY, nullable=False),
        sa.Column("made_at", sa.DateTime(timezone=True), nullable=False),
        sa.ForeignKeyConstraint(["document_id"], ["document.id"], name=op.f("fk_statement_book_document_id")),
        sa.ForeignKeyConstraint(["mall_id"], ["mall.id"], name=op.f("fk_statement_book_mall_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_statement_book")),
    )
    op.create_table(
        "ach_origin",
        sa.Column("id", KEY, nullable=False),
        sa.Column("bank_routing", sa.String(length=9), nullable=False),
        sa.Column("bank_name", sa.String(length=23), nullable=False),
        sa.Column("company_id", sa.String(length=10), nullable=False),
        sa.Column("company_name", sa.String(length=16), nullable=False),
        sa.Column("balanced", sa.Boolean(), nullable=False),
        sa.Column("account_sealed", sa.String(length=400), nullable=False),
        sa.Column("account_last4", sa.String(length=4), nullable=False),
        sa.Column("set_by", KEY, nullable=True),
        sa.Column("set_at", sa.DateTime(timezone=True), nullable=False),
        sa.ForeignKeyConstraint(["set_by"], ["user_account.id"], name=op.f("fk_ach_origin_set_by")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_ach_origin")),
    )
    op.create_table(
        "bank_file",
        sa.Column("id", KEY, nullable=False),
        sa.Column("kind", sa.String(length=3), nullable=False),
        sa.Column("file_name", sa.String(length=200), nullable=False),
        sa.Column("file_sha256", sa.String(length=64), nullable=False),
        sa.Column("first_day", sa.Date(), nullable=False),
        sa.Column("last_day", sa.Date(), nullable=False),
        sa.Column("lines", sa.Integer(), nullable=False),
        sa.Column("lines_here", sa.Integer(), nullable=False),
        sa.Column("closing_cents", sa.BigInteger(), nullable=True),
        sa.Column("read_by", KEY, nullable=True),
        sa.Column("read_at", sa.DateTime(timezone=True), nullable=False),
        sa.CheckConstraint("kind IN ('csv', 'ofx')", name=op.f("ck_bank_file_known_kind")),
        sa.ForeignKeyConstraint(["read_by"], ["user_account.id"], name=op.f("fk_bank_file_read_by")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_bank_file")),
        sa.UniqueConstraint("file_sha256", name=op.f("uq_bank_file_file_sha256")),
    )
    op.create_table(
        "bank_month",
        sa.Column("id", KEY, nullable=False),
        sa.Column("first_day", sa.Date(), nullable=False),
        sa.Column("bank_cents", sa.BigInteger(), nullable=False),
        sa.Column("outstanding_cents", sa.BigInteger(), nullable=False),
        sa.Column("book_cents", sa.BigInteger(), nullable=False),
        sa.Column("difference_cents", sa.BigInteger(), nullable=False),
        sa.Column("explanation", sa.String(length=400), nullable=False),
        sa.Column("made_by", KEY, nullable=True),
        sa.Column("made_at", sa.DateTime(timezone=True), nullable=False),
        sa.CheckConstraint("difference_cents = 0 OR explanation <> ''", name=op.f("ck_bank_month_explained")),
        sa.CheckConstraint("difference_cents = bank_cents + outstanding_cents - book_cents", name=op.f("ck_bank_month_adds_up")),
        sa.ForeignKeyConstraint(["made_by"], ["user_account.id"], name=op.f("fk_bank_month_made_by")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_bank_month")),
    )
    op.create_index(op.f("ix_bank_month_first_day"), "bank_month", ["first_day"], unique=False)
    op.create_table(
        "gift_certificate",
        sa.Column("id", KEY, nullable=False),
        sa.Column("number", sa.String(length=20), nullable=False),
        sa.Column("mall_id", KEY, nullable=False),
        sa.Column("sold_on", sa.Date(), nullable=False),
        sa.Column("amount_cents", sa.BigInteger(), nullable=False),
        sa.Column("expires_on", sa.Date(), nullable=True),
        sa.Column("sold_by", KEY, nullable=True),
        sa.CheckConstraint("amount_cents > 0", name=op.f("ck_gift_certificate_above_zero")),
        sa.CheckConstraint("expires_on IS NULL OR expires_on >= sold_on", name=op.f("ck_gift_certificate_forward")),
        sa.ForeignKeyConstraint(["mall_id"], ["mall.id"], name=op.f("fk_gift_certificate_mall_id")),
        sa.ForeignKeyConstraint(["sold_by"], ["user_account.id"], name=op.f("fk_gift_certificate_sold_by")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_gift_certificate")),
        sa.UniqueConstraint("number", name=op.f("uq_gift_certificate_number")),
    )
    op.create_table(
        "hold_decision",
        sa.Column("id", KEY, nullable=False),
        sa.Column("first_day", sa.Date(), nullable=False),
        sa.Column("dealer_id", KEY, nullable=False),
        sa.Column("kind", sa.String(length=16), nullable=False),
        sa.Column("pays", sa.Boolean(), nullable=False),
        sa.Column("reason", sa.String(length=200), nullable=False),
        sa.Column("decided_by", KEY, nullable=True),
        sa.Column("decided_at", sa.DateTime(timezone=True), nullable=False),
        sa.CheckConstraint(
            "kind IN ('tax form', 'dispute', 'minimum', 'arrears', 'new bank details', 'by hand')",
            name=op.f("ck_hold_decision_known_kind"),
        ),
        sa.CheckConstraint("reason <> ''", name=op.f("ck_hold_decision_with_a_reason")),
        sa.ForeignKeyConstraint(["dealer_id"], ["dealer.id"], name=op.f("fk_hold_decision_dealer_id")),
        sa.ForeignKeyConstraint(["decided_by"], ["user_account.id"], name=op.f("fk_hold_decision_decided_by")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_hold_decision")),
    )
    op.create_index("ix_hold_decision_dealer", "hold_decision", ["dealer_id", "first_day"], unique=False)
    op.create_table(
        "money_rule",
        sa.Column("id", KEY, nullable=False),
        sa.Column("starts_on", sa.Date(), nullable=False),
        sa.Column("card_percent", sa.BigInteger(), nullable=False),
        sa.Column("surcharge_percent", sa.BigInteger(), nullable=False),
        sa.Column("journal_limit_cents", sa.BigInteger(), nullable=False),
        sa.Column("payout_minimum_cents", sa.BigInteger(), nullable=False),
        sa.Column("bank_wait_days", sa.Integer(), nullable=False),
        sa.Column("tax_form_needed", sa.Boolean(), nullable=False),
        sa.Column("next_rent", sa.String(length=6), nullable=False),
        sa.Column("unclaimed_days", sa.Integer(), nullable=False),
        sa.Column("stale_days", sa.Integer(), nullable=False),
        sa.Column("set_by", KEY, nullable=True),
        sa.Column("set_at", sa.DateTime(timezone=True), nullable=False),
        sa.CheckConstraint("next_rent IN ('shown', 'netted')", name=op.f("ck_money_rule_known_next_rent")),
        sa.CheckConstraint("card_percent >= 0 AND card_percent <= 100000000", name=op.f("ck_money_rule_card_percent")),
        sa.CheckConstraint(
            "surcharge_percent >= 0 AND surcharge_percent <= 100000000", name=op.f("ck_money_rule_surcharge_percent")
        ),
        sa.CheckConstraint(
            "journal_limit_cents >= 0 AND payout_minimum_cents >= 0 AND bank_wait_days >= 0 AND unclaimed_days >= 0 AND stale_days >= 0",
            name=op.f("ck_money_rule_not_negative"),
        ),
        sa.ForeignKeyConstraint(["set_by"], ["user_account.id"], name=op.f("fk_money_rule_set_by")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_money_rule")),
        sa.UniqueConstraint("starts_on", name=op.f("uq_money_rule_starts_on")),
    )
    op.create_table(
        "opening",
        sa.Column("id", KEY, nullable=False),
        sa.Column("file_name", sa.String(length=200), nullable=False),
        sa.Column("file_sha256", sa.String(length=64), nullable=False),
        sa.Column("content", sa.Text(), nullable=False),
        sa.Column("first_day", sa.Date(), nullable=False),
        sa.Column("totals", sa.JSON(), nullable=False),
        sa.Column("state", sa.String(length=8), nullable=False),
        sa.Column("read_by", KEY, nullable=True),
        sa.Column("read_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("signed_by", KEY, nullable=True),
        sa.Column("signed_at", sa.DateTime(timezone=True), nullable=True),
        sa.CheckConstraint("(state = 'signed') = (signed_at IS NOT NULL)", name=op.f("ck_opening_signed_at_a_moment")),
        sa.CheckConstraint("state IN ('read', 'signed', 'dropped')", name=op.f("ck_opening_known_state")),
        sa.CheckConstraint("signed_by IS NULL OR signed_by <> read_by", name=op.f("ck_opening_second_person")),
        sa.ForeignKeyConstraint(["read_by"], ["user_account.id"], name=op.f("fk_opening_read_by")),
        sa.ForeignKeyConstraint(["signed_by"], ["user_account.id"], name=op.f("fk_opening_signed_by")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_opening")),
    )
    op.create_table(
        "patronage",
        sa.Column("id", KEY, nullable=False),
        sa.Column("year", sa.Integer(), nullable=False),
        sa.Column("surplus_cents", sa.BigInteger(), nullable=False),
        sa.Column("cash_percent", sa.BigInteger(), nullable=False),
        sa.Column("on_day", sa.Date(), nullable=False),
        sa.Column("state", sa.String(length=8), nullable=False),
        sa.Column("made_by", KEY, nullable=True),
        sa.Column("made_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("approved_by", KEY, nullable=True),
        sa.Column("approved_at", sa.DateTime(timezone=True), nullable=True),
        sa.Column("totals", sa.JSON(), nullable=False),
        sa.CheckConstraint("state IN ('proposed', 'posted', 'dropped')", name=op.f("ck_patronage_known_state")),
        sa.CheckConstraint("approved_by IS NULL OR approved_by <> made_by", name=op.f("ck_patronage_second_person")),
        sa.CheckConstraint("cash_percent >= 0 AND cash_percent <= 100000000", name=op.f("ck_patronage_a_part")),
        sa.CheckConstraint("surplus_cents > 0", name=op.f("ck_patronage_above_zero")),
        sa.ForeignKeyConstraint(["approved_by"], ["user_account.id"], name=op.f("fk_patronage_approved_by")),
        sa.ForeignKeyConstraint(["made_by"], ["user_account.id"], name=op.f("fk_patronage_made_by")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_patronage")),
    )
    op.create_index(
        "uq_patronage_year",
        "patronage",
        ["year"],
        unique=True,
        postgresql_where=sa.text("state <> 'dropped'"),
        sqlite_where=sa.text("state <> 'dropped'"),
    )
    op.create_table(
        "payout_detail",
        sa.Column("id", KEY, nullable=False),
        sa.Column("dealer_id", KEY, nullable=False),
        sa.Column("method", sa.String(length=5), nullable=False),
        sa.Column("holder", sa.String(length=8), nullable=False),
        sa.Column("routing", sa.String(length=9), nullable=False),
        sa.Column("account_kind", sa.String(length=8), nullable=False),
        sa.Column("account_sealed", sa.String(length=400), nullable=False),
        sa.Column("account_last4", sa.String(length=4), nullable=False),
        sa.Column("changed_by", KEY, nullable=True),
        sa.Column("changed_at", sa.DateTime(timezone=True), nullable=False),
        sa.CheckConstraint("account_kind IN ('', 'checking', 'savings')", name=op.f("ck_payout_detail_known_account_kind")),
        sa.CheckConstraint("holder IN ('person', 'business')", name=op.f("ck_payout_detail_known_holder")),
        sa.CheckConstraint(
            "method <> 'ach' OR (routing <> '' AND account_sealed <> '' AND account_kind <> '')",
            name=op.f("ck_payout_detail_ach_has_account"),
        ),
        sa.CheckConstraint("method IN ('ach', 'check', 'hand')", name=op.f("ck_payout_detail_known_method")),
        sa.ForeignKeyConstraint(["changed_by"], ["user_account.id"], name=op.f("fk_payout_detail_changed_by")),
        sa.ForeignKeyConstraint(["dealer_id"], ["dealer.id"], name=op.f("fk_payout_detail_dealer_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_payout_detail")),
    )
    op.create_index(op.f("ix_payout_detail_dealer_id"), "payout_detail", ["dealer_id"], unique=False)
    op.create_table(
        "payout_hold",
        sa.Column("id", KEY, nullable=False),
        sa.Column("dealer_id", KEY, nullable=False),
        sa.Column("reason", sa.String(length=200), nullable=False),
        sa.Column("placed_by", KEY, nullable=True),
        sa.Column("placed_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("lifted_by", KEY, nullable=True),
        sa.Column("lifted_at", sa.DateTime(timezone=True), nullable=True),
        sa.CheckConstraint("reason <> ''", name=op.f("ck_payout_hold_with_a_reason")),
        sa.ForeignKeyConstraint(["dealer_id"], ["dealer.id"], name=op.f("fk_payout_hold_dealer_id")),
        sa.ForeignKeyConstraint(["lifted_by"], ["user_account.id"], name=op.f("fk_payout_hold_lifted_by")),
        sa.ForeignKeyConstraint(["placed_by"], ["user_account.id"], name=op.f("fk_payout_hold_placed_by")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_payout_hold")),
    )
    op.create_index(
        "uq_payout_hold_open",
        "payout_hold",
        ["dealer_id"],
        unique=True,
        postgresql_where=sa.text("lifted_at IS NULL"),
        sqlite_where=sa.text("lifted_at IS NULL"),
    )
    op.create_table(
        "payout_run",
        sa.Column("id", KEY, nullable=False),
        sa.Column("number", sa.Integer(), nullable=False),
        sa.Column("first_day", sa.Date(), nullable=False),
        sa.Column("pay_on", sa.Date(), nullable=False),
        sa.Column("state", sa.String(length=9), nullable=False),
        sa.Column("made_by", KEY, nullable=True),
        sa.Column("made_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("approved_by", KEY, nullable=True),
        sa.Column("approved_at", sa.DateTime(timezone=True), nullable=True),
        sa.Column("paid_on", sa.Date(), nullable=True),
        sa.Column("paid_by", KEY, nullable=True),
        sa.Column("first_check", sa.Integer(), nullable=True),
        sa.Column("ach_document_id", KEY, nullable=True),
        sa.Column("remittance_document_id", KEY, nullable=True),
        sa.CheckConstraint("(state = 'paid') = (paid_on IS NOT NULL)", name=op.f("ck_payout_run_paid_on_a_day")),
        sa.CheckConstraint("state IN ('prepared', 'approved', 'paid', 'cancelled')", name=op.f("ck_payout_run_known_state")),
        sa.CheckConstraint(
            "state NOT IN ('approved', 'paid') OR approved_at IS NOT NULL", name=op.f("ck_payout_run_approved_first")
        ),
        sa.CheckConstraint("approved_by IS NULL OR approved_by <> made_by", name=op.f("ck_payout_run_second_person")),
        sa.ForeignKeyConstraint(["ach_document_id"], ["document.id"], name=op.f("fk_payout_run_ach_document_id")),
        sa.ForeignKeyConstraint(["approved_by"], ["user_account.id"], name=op.f("fk_payout_run_approved_by")),
        sa.ForeignKeyConstraint(["made_by"], ["user_account.id"], name=op.f("fk_payout_run_made_by")),
        sa.ForeignKeyConstraint(["paid_by"], ["user_account.id"], name=op.f("fk_payout_run_paid_by")),
        sa.ForeignKeyConstraint(["remittance_document_id"], ["document.id"], name=op.f("fk_payout_run_remittance_document_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_payout_run")),
        sa.UniqueConstraint("number", name=op.f("uq_payout_run_number")),
    )
    op.create_table(
        "release_rule",
        sa.Column("id", KEY, nullable=False),
        sa.Column("what", sa.String(length=20), nullable=False),
        sa.Column("starts_on", sa.Date(), nullable=False),
        sa.Column("ends_on", sa.Date(), nullable=True),
        sa.Column("after_days", sa.Integer(), nullable=False),
        sa.Column("goes_to", sa.String(length=6), nullable=False),
        sa.Column("said_by", sa.String(length=200), nullable=False),
        sa.Column("set_by", KEY, nullable=True),
        sa.Column("set_at", sa.DateTime(timezone=True), nullable=False),
        sa.CheckConstraint("goes_to IN ('state', 'co-op')", name=op.f("ck_release_rule_known_goes_to")),
        sa.CheckConstraint(
            "what IN ('gift certificates', 'unclaimed sales', 'stale payouts')", name=op.f("ck_release_rule_known_what")
        ),
        sa.CheckConstraint("after_days >= 0", name=op.f("ck_release_rule_not_negative")),
        sa.CheckConstraint("ends_on IS NULL OR ends_on >= starts_on", name=op.f("ck_release_rule_forward")),
        sa.ForeignKeyConstraint(["set_by"], ["user_account.id"], name=op.f("fk_release_rule_set_by")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_release_rule")),
    )
    op.create_table(
        "tax_form",
        sa.Column("id", KEY, nullable=False),
        sa.Column("dealer_id", KEY, nullable=False),
        sa.Column("form", sa.String(length=5), nullable=False),
        sa.Column("received_on", sa.Date(), nullable=False),
        sa.Column("number_sealed", sa.String(length=400), nullable=False),
        sa.Column("number_last4", sa.String(length=4), nullable=False),
        sa.Column("entered_by", KEY, nullable=True),
        sa.Column("entered_at", sa.DateTime(timezone=True), nullable=False),
        sa.CheckConstraint("form IN ('W-9', 'W-8', 'other')", name=op.f("ck_tax_form_known_form")),
        sa.ForeignKeyConstraint(["dealer_id"], ["dealer.id"], name=op.f("fk_tax_form_dealer_id")),
        sa.ForeignKeyConstraint(["entered_by"], ["user_account.id"], name=op.f("fk_tax_form_entered_by")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_tax_form")),
    )
    op.create_index(op.f("ix_tax_form_dealer_id"), "tax_form", ["dealer_id"], unique=False)
    op.create_table(
        "year_threshold",
        sa.Column("id", KEY, nullable=False),
        sa.Column("kind", sa.String(length=10), nullable=False),
        sa.Column("from_year", sa.Integer(), nullable=False),
        sa.Column("amount_cents", sa.BigInteger(), nullable=False),
        sa.Column("least_count", sa.Integer(), nullable=False),
        sa.Column("said_by", sa.String(length=200), nullable=False),
        sa.Column("set_by", KEY, nullable=True),
        sa.Column("set_at", sa.DateTime(timezone=True), nullable=False),
        sa.CheckConstraint("kind IN ('payments', 'rents', 'patronage')", name=op.f("ck_year_threshold_known_kind")),
        sa.CheckConstraint("amount_cents >= 0 AND least_count >= 0", name=op.f("ck_year_threshold_not_negative")),
        sa.ForeignKeyConstraint(["set_by"], ["user_account.id"], name=op.f("fk_year_threshold_set_by")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_year_threshold")),
        sa.UniqueConstraint("kind", "from_year", name=op.f("uq_year_threshold_kind_from_year")),
    )
    op.create_table(
        "bank_item",
        sa.Column("id", KEY, nullable=False),
        sa.Column("entry_id", KEY, nullable=False),
        sa.Column("on_day", sa.Date(), nullable=False),
        sa.Column("amount_cents", sa.BigInteger(), nullable=False),
        sa.Column("reference", sa.String(length=40), nullable=False),
        sa.Column("words", sa.String(length=200), nullable=False),
        sa.CheckConstraint("amount_cents <> 0", name=op.f("ck_bank_item_not_zero")),
        sa.ForeignKeyConstraint(["entry_id"], ["entry.id"], name=op.f("fk_bank_item_entry_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_bank_item")),
    )
    op.create_index(op.f("ix_bank_item_entry_id"), "bank_item", ["entry_id"], unique=False)
    op.create_table(
        "bank_line",
        sa.Column("id", KEY, nullable=False),
        sa.Column("file_id", KEY, nullable=False),
        sa.Column("key", sa.String(length=120), nullable=False),
        sa.Column("on_day", sa.Date(), nullable=False),
        sa.Column("amount_cents", sa.BigInteger(), nullable=False),
        sa.Column("reference", sa.String(length=40), nullable=False),
        sa.Column("words", sa.String(length=200), nullable=False),
        sa.CheckConstraint("amount_cents <> 0", name=op.f("ck_bank_line_not_zero")),
        sa.ForeignKeyConstraint(["file_id"], ["bank_file.id"], name=op.f("fk_bank_line_file_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_bank_line")),
        sa.UniqueConstraint("key", name=op.f("uq_bank_line_key")),
    )
    op.create_index(op.f("ix_bank_line_file_id"), "bank_line", ["file_id"], unique=False)
    op.create_index(op.f("ix_bank_line_on_day"), "bank_line", ["on_day"], unique=False)
    op.create_table(
        "close_override",
        sa.Column("id", KEY, nullable=False),
        sa.Column("close_id", KEY, nullable=False),
        sa.Column("step", sa.String(length=20), nullable=False),
        sa.Column("reason", sa.String(length=400), nullable=False),
        sa.Column("made_by", KEY, nullable=True),
        sa.Column("made_at", sa.DateTime(timezone=True), nullable=False),
        sa.CheckConstraint("reason <> ''", name=op.f("ck_close_override_with_a_reason")),
        sa.ForeignKeyConstraint(["close_id"], ["month_close.id"], name=op.f("fk_close_override_close_id")),
        sa.ForeignKeyConstraint(["made_by"], ["user_account.id"], name=op.f("fk_close_override_made_by")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_close_override")),
        sa.UniqueConstraint("close_id", "step", name=op.f("uq_close_override_close_id_step")),
    )
    op.create_table(
        "drawer_count",
        sa.Column("id", KEY, nullable=False),
        sa.Column("key", sa.String(length=64), nullable=False),
        sa.Column("mall_id", KEY, nullable=False),
        sa.Column("drawer", sa.String(length=12), nullable=False),
        sa.Column("on_day", sa.Date(), nullable=False),
        sa.Column("expected_cents", sa.BigInteger(), nullable=False),
        sa.Column("counted_cents", sa.BigInteger(), nullable=False),
        sa.Column("counted_by", KEY, nullable=True),
        sa.Column("seconded_by", KEY, nullable=True),
        sa.Column("note", sa.String(length=200), nullable=False),
        sa.Column("counted_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("entry_id", KEY, nullable=True),
        sa.CheckConstraint("counted_cents >= 0", name=op.f("ck_drawer_count_not_negative")),
        sa.CheckConstraint("seconded_by IS NULL OR seconded_by <> counted_by", name=op.f("ck_drawer_count_two_people")),
        sa.ForeignKeyConstraint(["counted_by"], ["user_account.id"], name=op.f("fk_drawer_count_counted_by")),
        sa.ForeignKeyConstraint(["entry_id"], ["entry.id"], name=op.f("fk_drawer_count_entry_id")),
        sa.ForeignKeyConstraint(["mall_id"], ["mall.id"], name=op.f("fk_drawer_count_mall_id")),
        sa.ForeignKeyConstraint(["seconded_by"], ["user_account.id"], name=op.f("fk_drawer_count_seconded_by")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_drawer_count")),
        sa.UniqueConstraint("entry_id", name=op.f("uq_drawer_count_entry_id")),
        sa.UniqueConstraint("key", name=op.f("uq_drawer_count_key")),
    )
    op.create_index("ix_drawer_count_mall", "drawer_count", ["mall_id", "drawer", "on_day"], unique=False)
    op.create_table(
        "journal",
        sa.Column("id", KEY, nullable=False),
        sa.Column("key", sa.String(length=64), nullable=False),
        sa.Column("mall_id", KEY, nullable=True),
        sa.Column("on_day", sa.Date(), nullable=False),
        sa.Column("reason", sa.String(length=200), nullable=False),
        sa.Column("document_id", KEY, nullable=True),
        sa.Column("second_needed", sa.Boolean(), nullable=False),
        sa.Column("entered_by", KEY, nullable=True),
        sa.Column("entered_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("state", sa.String(length=8), nullable=False),
        sa.Column("decided_by", KEY, nullable=True),
        sa.Column("decided_at", sa.DateTime(timezone=True), nullable=True),
        sa.Column("decision", sa.String(length=200), nullable=False),
        sa.Column("entry_id", KEY, nullable=True),
        sa.Column("reverses_id", KEY, nullable=True),
        sa.CheckConstraint("(state = 'posted') = (entry_id IS NOT NULL)", name=op.f("ck_journal_posted_by_entry")),
        sa.CheckConstraint("reason <> ''", name=op.f("ck_journal_with_a_reason")),
        sa.CheckConstraint("state IN ('entered', 'posted', 'refused')", name=op.f("ck_journal_known_state")),
        sa.CheckConstraint(
            "NOT second_needed OR decided_by IS NULL OR decided_by <> entered_by", name=op.f("ck_journal_second_person")
        ),
        sa.ForeignKeyConstraint(["decided_by"], ["user_account.id"], name=op.f("fk_journal_decided_by")),
        sa.ForeignKeyConstraint(["document_id"], ["document.id"], name=op.f("fk_journal_document_id")),
        sa.ForeignKeyConstraint(["entered_by"], ["user_account.id"], name=op.f("fk_journal_entered_by")),
        sa.ForeignKeyConstraint(["entry_id"], ["entry.id"], name=op.f("fk_journal_entry_id")),
        sa.ForeignKeyConstraint(["mall_id"], ["mall.id"], name=op.f("fk_journal_mall_id")),
        sa.ForeignKeyConstraint(["reverses_id"], ["entry.id"], name=op.f("fk_journal_reverses_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_journal")),
        sa.UniqueConstraint("entry_id", name=op.f("uq_journal_entry_id")),
        sa.UniqueConstraint("key", name=op.f("uq_journal_key")),
    )
    op.create_table(
        "opening_memo",
        sa.Column("id", KEY, nullable=False),
        sa.Column("opening_id", KEY, nullable=False),
        sa.Column("mall_id", KEY, nullable=False),
        sa.Column("dealer_id", KEY, nullable=False),
        sa.Column("what", sa.String(length=12), nullable=False),
        sa.Column("year", sa.Integer(), nullable=False),
        sa.Column("amount_cents", sa.BigInteger(), nullable=True),
        sa.Column("turns", sa.BigInteger(), nullable=True),
        sa.CheckConstraint("(what = 'turns') = (amount_cents IS NULL)", name=op.f("ck_opening_memo_money_or_turns")),
        sa.CheckConstraint("(what = 'turns') = (turns IS NOT NULL)", name=op.f("ck_opening_memo_turns_or_money")),
        sa.CheckConstraint(
            "what IN ('gross', 'net', 'commission', 'rent', 'fees', 'paid', 'turns')", name=op.f("ck_opening_memo_known_what")
        ),
        sa.ForeignKeyConstraint(["dealer_id"], ["dealer.id"], name=op.f("fk_opening_memo_dealer_id")),
        sa.ForeignKeyConstraint(["mall_id"], ["mall.id"], name=op.f("fk_opening_memo_mall_id")),
        sa.ForeignKeyConstraint(["opening_id"], ["opening.id"], name=op.f("fk_opening_memo_opening_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_opening_memo")),
        sa.UniqueConstraint("mall_id", "dealer_id", "what", name=op.f("uq_opening_memo_mall_id_dealer_id_what")),
    )
    op.create_index(op.f("ix_opening_memo_opening_id"), "opening_memo", ["opening_id"], unique=False)
    op.create_table(
        "patronage_share",
        sa.Column("id", KEY, nullable=False),
        sa.Column("patronage_id", KEY, nullable=False),
        sa.Column("dealer_id", KEY, nullable=False),
        sa.Column("mall_id", KEY, nullable=False),
        sa.Column("business_cents", sa.BigInteger(), nullable=False),
        sa.Column("share_cents", sa.BigInteger(), nullable=False),
        sa.Column("cash_cents", sa.BigInteger(), nullable=False),
        sa.Column("retained_cents", sa.BigInteger(), nullable=False),
        sa.Column("entry_id", KEY, nullable=True),
        sa.CheckConstraint("cash_cents >= 0 AND retained_cents >= 0", name=op.f("ck_patronage_share_not_negative")),
        sa.CheckConstraint("share_cents = cash_cents + retained_cents", name=op.f("ck_patronage_share_adds_up")),
        sa.ForeignKeyConstraint(["dealer_id"], ["dealer.id"], name=op.f("fk_patronage_share_dealer_id")),
        sa.ForeignKeyConstraint(["entry_id"], ["entry.id"], name=op.f("fk_patronage_share_entry_id")),
        sa.ForeignKeyConstraint(["mall_id"], ["mall.id"], name=op.f("fk_patronage_share_mall_id")),
        sa.ForeignKeyConstraint(["patronage_id"], ["patronage.id"], name=op.f("fk_patronage_share_patronage_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_patronage_share")),
        sa.UniqueConstraint("entry_id", name=op.f("uq_patronage_share_entry_id")),
        sa.UniqueConstraint(
            "patronage_id", "dealer_id", "mall_id", name=op.f("uq_patronage_share_patronage_id_dealer_id_mall_id")
        ),
    )
    op.create_index(op.f("ix_patronage_share_dealer_id"), "patronage_share", ["dealer_id"], unique=False)
    op.create_table(
        "payout_line",
        sa.Column("id", KEY, nullable=False),
        sa.Column("run_id", KEY, nullable=False),
        sa.Column("dealer_id", KEY, nullable=False),
        sa.Column("amount_cents", sa.BigInteger(), nullable=False),
        sa.Column("method", sa.String(length=5), nullable=False),
        sa.Column("detail_id", KEY, nullable=True),
        sa.Column("reference", sa.String(length=40), nullable=False),
        sa.Column("returned_on", sa.Date(), nullable=True),
        sa.Column("return_reason", sa.String(length=120), nullable=False),
        sa.CheckConstraint("(returned_on IS NULL) = (return_reason = '')", name=op.f("ck_payout_line_returned_with_a_reason")),
        sa.CheckConstraint("method IN ('ach', 'check', 'hand')", name=op.f("ck_payout_line_known_method")),
        sa.CheckConstraint("amount_cents > 0", name=op.f("ck_payout_line_above_zero")),
        sa.ForeignKeyConstraint(["dealer_id"], ["dealer.id"], name=op.f("fk_payout_line_dealer_id")),
        sa.ForeignKeyConstraint(["detail_id"], ["payout_detail.id"], name=op.f("fk_payout_line_detail_id")),
        sa.ForeignKeyConstraint(["run_id"], ["payout_run.id"], name=op.f("fk_payout_line_run_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_payout_line")),
        sa.UniqueConstraint("run_id", "dealer_id", name=op.f("uq_payout_line_run_id_dealer_id")),
    )
    op.create_index(op.f("ix_payout_line_dealer_id"), "payout_line", ["dealer_id"], unique=False)
    op.create_table(
        "statement_question",
        sa.Column("id", KEY, nullable=False),
        sa.Column("statement_id", KEY, nullable=False),
        sa.Column("line", sa.String(length=24), nullable=False),
        sa.Column("said", sa.String(length=200), nullable=False),
        sa.Column("question", sa.String(length=1000), nullable=False),
        sa.Column("asked_by", KEY, nullable=True),
        sa.Column("asked_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("answer", sa.String(length=2000), nullable=False),
        sa.Column("answered_by", KEY, nullable=True),
        sa.Column("answered_at", sa.DateTime(timezone=True), nullable=True),
        sa.CheckConstraint("(answer = '') = (answered_at IS NULL)", name=op.f("ck_statement_question_answered_at_a_moment")),
        sa.CheckConstraint("question <> ''", name=op.f("ck_statement_question_asked")),
        sa.ForeignKeyConstraint(["answered_by"], ["user_account.id"], name=op.f("fk_statement_question_answered_by")),
        sa.ForeignKeyConstraint(["asked_by"], ["user_account.id"], name=op.f("fk_statement_question_asked_by")),
        sa.ForeignKeyConstraint(["statement_id"], ["statement.id"], name=op.f("fk_statement_question_statement_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_statement_question")),
    )
    op.create_index(op.f("ix_statement_question_statement_id"), "statement_question", ["statement_id"], unique=False)
    op.create_table(
        "bank_match",
        sa.Column("id", KEY, nullable=False),
        sa.Column("line_id", KEY, nullable=False),
        sa.Column("entry_id", KEY, nullable=False),
        sa.Column("item_id", KEY, nullable=True),
        sa.Column("amount_cents", sa.BigInteger(), nullable=False),
        sa.Column("how", sa.String(length=12), nullable=False),
        sa.Column("made_by", KEY, nullable=True),
        sa.Column("made_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("undone_by", KEY, nullable=True),
        sa.Column("undone_at", sa.DateTime(timezone=True), nullable=True),
        sa.CheckConstraint("amount_cents <> 0", name=op.f("ck_bank_match_not_zero")),
        sa.ForeignKeyConstraint(["entry_id"], ["entry.id"], name=op.f("fk_bank_match_entry_id")),
        sa.ForeignKeyConstraint(["item_id"], ["bank_item.id"], name=op.f("fk_bank_match_item_id")),
        sa.ForeignKeyConstraint(["line_id"], ["bank_line.id"], name=op.f("fk_bank_match_line_id")),
        sa.ForeignKeyConstraint(["made_by"], ["user_account.id"], name=op.f("fk_bank_match_made_by")),
        sa.ForeignKeyConstraint(["undone_by"], ["user_account.id"], name=op.f("fk_bank_match_undone_by")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_bank_match")),
    )
    op.create_index("ix_bank_match_entry", "bank_match", ["entry_id"], unique=False)
    op.create_index(op.f("ix_bank_match_item_id"), "bank_match", ["item_id"], unique=False)
    op.create_index("ix_bank_match_line", "bank_match", ["line_id"], unique=False)
    op.create_table(
        "gift_move",
        sa.Column("id", KEY, nullable=False),
        sa.Column("certificate_id", KEY, nullable=False),
        sa.Column("key", sa.String(length=120), nullable=False),
        sa.Column("kind", sa.String(length=12), nullable=False),
        sa.Column("amount_cents", sa.BigInteger(), nullable=False),
        sa.Column("on_day", sa.Date(), nullable=False),
        sa.Column("mall_id", KEY, nullable=False),
        sa.Column("ticket_id", KEY, nullable=True),
        sa.Column("entry_id", KEY, nullable=False),
        sa.Column("made_by", KEY, nullable=True),
        sa.CheckConstraint(
            "kind IN ('sold', 'brought over', 'redeemed', 'given back', 'released')", name=op.f("ck_gift_move_known_kind")
        ),
        sa.CheckConstraint("amount_cents > 0", name=op.f("ck_gift_move_above_zero")),
        sa.ForeignKeyConstraint(["certificate_id"], ["gift_certificate.id"], name=op.f("fk_gift_move_certificate_id")),
        sa.ForeignKeyConstraint(["entry_id"], ["entry.id"], name=op.f("fk_gift_move_entry_id")),
        sa.ForeignKeyConstraint(["made_by"], ["user_account.id"], name=op.f("fk_gift_move_made_by")),
        sa.ForeignKeyConstraint(["mall_id"], ["mall.id"], name=op.f("fk_gift_move_mall_id")),
        sa.ForeignKeyConstraint(["ticket_id"], ["ticket.id"], name=op.f("fk_gift_move_ticket_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_gift_move")),
        sa.UniqueConstraint("key", name=op.f("uq_gift_move_key")),
    )
    op.create_index(op.f("ix_gift_move_certificate_id"), "gift_move", ["certificate_id"], unique=False)
    op.create_index(op.f("ix_gift_move_ticket_id"), "gift_move", ["ticket_id"], unique=False)
    op.create_table(
        "journal_line",
        sa.Column("id", KEY, nullable=False),
        sa.Column("journal_id", KEY, nullable=False),
        sa.Column("position", sa.Integer(), nullable=False),
        sa.Column("account_id", KEY, nullable=False),
        sa.Column("amount_cents", sa.BigInteger(), nullable=False),
        sa.CheckConstraint("amount_cents <> 0", name=op.f("ck_journal_line_not_zero")),
        sa.ForeignKeyConstraint(["account_id"], ["account.id"], name=op.f("fk_journal_line_account_id")),
        sa.ForeignKeyConstraint(["journal_id"], ["journal.id"], name=op.f("fk_journal_line_journal_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_journal_line")),
        sa.UniqueConstraint("journal_id", "position", name=op.f("uq_journal_line_journal_id_position")),
    )
    op.create_table(
        "payout_part",
        sa.Column("id", KEY, nullable=False),
        sa.Column("line_id", KEY, nullable=False),
        sa.Column("mall_id", KEY, nullable=False),
        sa.Column("amount_cents", sa.BigInteger(), nullable=False),
        sa.Column("entry_id", KEY, nullable=True),
        sa.Column("back_entry_id", KEY, nullable=True),
        sa.ForeignKeyConstraint(["back_entry_id"], ["entry.id"], name=op.f("fk_payout_part_back_entry_id")),
        sa.ForeignKeyConstraint(["entry_id"], ["entry.id"], name=op.f("fk_payout_part_entry_id")),
        sa.ForeignKeyConstraint(["line_id"], ["payout_line.id"], name=op.f("fk_payout_part_line_id")),
        sa.ForeignKeyConstraint(["mall_id"], ["mall.id"], name=op.f("fk_payout_part_mall_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_payout_part")),
        sa.UniqueConstraint("back_entry_id", name=op.f("uq_payout_part_back_entry_id")),
        sa.UniqueConstraint("entry_id", name=op.f("uq_payout_part_entry_id")),
        sa.UniqueConstraint("line_id", "mall_id", name=op.f("uq_payout_part_line_id_mall_id")),
    )
    op.create_table(
        "claim",
        sa.Column("id", KEY, nullable=False),
        sa.Column("line_id", KEY, nullable=False),
        sa.Column("dealer_id", KEY, nullable=False),
        sa.Column("words", sa.String(length=200), nullable=False),
        sa.Column("asked_by", KEY, nullable=True),
        sa.Column("asked_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("state", sa.String(length=8), nullable=False),
        sa.Column("decided_by", KEY, nullable=True),
        sa.Column("decided_at", sa.DateTime(timezone=True), nullable=True),
        sa.Column("decision", sa.String(length=200), nullable=False),
        sa.Column("entry_id", KEY, nullable=True),
        sa.CheckConstraint("(state = 'asked') = (decided_at IS NULL)", name=op.f("ck_claim_decided_at_a_moment")),
        sa.CheckConstraint("(state = 'granted') = (entry_id IS NOT NULL)", name=op.f("ck_claim_granted_by_entry")),
        sa.CheckConstraint("state IN ('asked', 'granted', 'refused')", name=op.f("ck_claim_known_state")),
        sa.ForeignKeyConstraint(["asked_by"], ["user_account.id"], name=op.f("fk_claim_asked_by")),
        sa.ForeignKeyConstraint(["dealer_id"], ["dealer.id"], name=op.f("fk_claim_dealer_id")),
        sa.ForeignKeyConstraint(["decided_by"], ["user_account.id"], name=op.f("fk_claim_decided_by")),
        sa.ForeignKeyConstraint(["entry_id"], ["entry.id"], name=op.f("fk_claim_entry_id")),
        sa.ForeignKeyConstraint(["line_id"], ["ticket_line.id"], name=op.f("fk_claim_line_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_claim")),
        sa.UniqueConstraint("entry_id", name=op.f("uq_claim_entry_id")),
    )
    op.create_index(op.f("ix_claim_dealer_id"), "claim", ["dealer_id"], unique=False)
    op.create_index(op.f("ix_claim_line_id"), "claim", ["line_id"], unique=False)
    op.create_index(
        "uq_claim_granted",
        "claim",
        ["line_id"],
        unique=True,
        postgresql_where=sa.text("state = 'granted'"),
        sqlite_where=sa.text("state = 'granted'"),
    )
    op.create_index(
        "uq_claim_open",
        "claim",
        ["line_id", "dealer_id"],
        unique=True,
        postgresql_where=sa.text("state = 'asked'"),
        sqlite_where=sa.text("state = 'asked'"),
    )
    op.create_table(
        "release",
        sa.Column("id", KEY, nullable=False),
        sa.Column("rule_id", KEY, nullable=False),
        sa.Column("mall_id", KEY, nullable=False),
        sa.Column("certificate_id", KEY, nullable=True),
        sa.Column("ticket_line_id", KEY, nullable=True),
        sa.Column("payout_line_id", KEY, nullable=True),
        sa.Column("amount_cents", sa.BigInteger(), nullable=False),
        sa.Column("asked_by", KEY, nullable=True),
        sa.Column("asked_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("state", sa.String(length=8), nullable=False),
        sa.Column("approved_by", KEY, nullable=True),
        sa.Column("approved_at", sa.DateTime(timezone=True), nullable=True),
        sa.Column("entry_id", KEY, nullable=True),
        sa.CheckConstraint("(state = 'released') = (entry_id IS NOT NULL)", name=op.f("ck_release_released_by_entry")),
        sa.CheckConstraint("state IN ('asked', 'released', 'refused')", name=op.f("ck_release_known_state")),
        sa.CheckConstraint(
            "(CASE WHEN certificate_id IS NULL THEN 0 ELSE 1 END) + (CASE WHEN ticket_line_id IS NULL THEN 0 ELSE 1 END) + (CASE WHEN payout_line_id IS NULL THEN 0 ELSE 1 END) = 1",
            name=op.f("ck_release_of_one_thing"),
        ),
        sa.CheckConstraint("amount_cents > 0", name=op.f("ck_release_above_zero")),
        sa.CheckConstraint("approved_by IS NULL OR approved_by <> asked_by", name=op.f("ck_release_second_person")),
        sa.ForeignKeyConstraint(["approved_by"], ["user_account.id"], name=op.f("fk_release_approved_by")),
        sa.ForeignKeyConstraint(["asked_by"], ["user_account.id"], name=op.f("fk_release_asked_by")),
        sa.ForeignKeyConstraint(["certificate_id"], ["gift_certificate.id"], name=op.f("fk_release_certificate_id")),
        sa.ForeignKeyConstraint(["entry_id"], ["entry.id"], name=op.f("fk_release_entry_id")),
        sa.ForeignKeyConstraint(["mall_id"], ["mall.id"], name=op.f("fk_release_mall_id")),
        sa.ForeignKeyConstraint(["payout_line_id"], ["payout_line.id"], name=op.f("fk_release_payout_line_id")),
        sa.ForeignKeyConstraint(["rule_id"], ["release_rule.id"], name=op.f("fk_release_rule_id")),
        sa.ForeignKeyConstraint(["ticket_line_id"], ["ticket_line.id"], name=op.f("fk_release_ticket_line_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_release")),
        sa.UniqueConstraint("entry_id", name=op.f("uq_release_entry_id")),
    )
    op.create_index(op.f("ix_release_certificate_id"), "release", ["certificate_id"], unique=False)
    op.create_index(
        "uq_release_payout_line",
        "release",
        ["payout_line_id"],
        unique=True,
        postgresql_where=sa.text("state <> 'refused'"),
        sqlite_where=sa.text("state <> 'refused'"),
    )
    op.create_index(
        "uq_release_ticket_line",
        "release",
        ["ticket_line_id"],
        unique=True,
        postgresql_where=sa.text("state <> 'refused'"),
        sqlite_where=sa.text("state <> 'refused'"),
    )
    op.add_column("ticket_line", sa.Column("credited_on", sa.Date(), nullable=True))
    # What was claimed by nobody yet stays without; all else was credited on the day it was posted.
    op.execute("UPDATE ticket_line SET credited_on = posting_date WHERE dealer_id IS NOT NULL")
    op.drop_index(op.f("ix_ticket_line_dealer"), table_name="ticket_line")
    op.create_index("ix_ticket_line_dealer", "ticket_line", ["dealer_id", "credited_on"], unique=False)
    op.create_index("ix_ticket_line_credited", "ticket_line", ["mall_id", "credited_on"], unique=False)


def downgrade() -> None:
    op.drop_index("ix_ticket_line_credited", table_name="ticket_line")
    op.drop_index("ix_ticket_line_dealer", table_name="ticket_line")
    op.create_index("ix_ticket_line_dealer", "ticket_line", ["dealer_id", "posting_date"], unique=False)
    op.execute("ALTER TABLE ticket_line DROP COLUMN credited_on")
    for table in reversed(TABLES):
        op.drop_table(table)
