"""Tax rules, settings, certificates, imports, boundaries, what was not taxed and why, and returns."""

import sqlalchemy as sa
from alembic import op

revision = "0003"
down_revision = "0002"
branch_labels = None
depends_on = None

KEY = sa.BigInteger().with_variant(sa.Integer(), "sqlite")

FROZEN = "books: a row of {0} is never changed or deleted"
FILED = "tax: a filed return is never changed or deleted"
USED = "tax: a rate that tickets were taxed at keeps its percent, class and first day"
SAME_RATE = ("id", "jurisdiction_id", "tax_class", "percent", "starts_on")

SQLITE = [
    *(
        f"CREATE TRIGGER guard_tax_untaxed_no_{event.lower()} BEFORE {event} ON tax_untaxed BEGIN "
        f"SELECT RAISE(ABORT, '{FROZEN.format('tax_untaxed')}'); END"
        for event in ("UPDATE", "DELETE")
    ),
    """CREATE TRIGGER guard_tax_untaxed_no_replace BEFORE INSERT ON tax_untaxed BEGIN
      SELECT RAISE(ABORT, 'books: that row of tax_untaxed is there already')
        WHERE EXISTS (SELECT 1 FROM tax_untaxed WHERE id = NEW.id);
    END""",
    *(
        f"CREATE TRIGGER guard_tax_return_no_{event.lower()} BEFORE {event} ON tax_return WHEN OLD.state = 'filed' BEGIN "
        f"SELECT RAISE(ABORT, '{FILED}'); END"
        for event in ("UPDATE", "DELETE")
    ),
    """CREATE TRIGGER guard_tax_return_no_replace BEFORE INSERT ON tax_return BEGIN
      SELECT RAISE(ABORT, 'books: that row of tax_return is there already')
        WHERE EXISTS (SELECT 1 FROM tax_return WHERE id = NEW.id OR number = NEW.number OR amends_id = NEW.amends_id);
    END""",
    f"""CREATE TRIGGER guard_tax_rate_used BEFORE UPDATE ON tax_rate
       WHEN {" OR ".join(f"NEW.{c} IS NOT OLD.{c}" for c in SAME_RATE)} BEGIN
      SELECT RAISE(ABORT, '{USED}') WHERE EXISTS (SELECT 1 FROM tax_charged WHERE rate_id = OLD.id);
    END""",
]


def postgresql_statements(schema: str) -> list[str]:
    path = f"SET search_path = {schema}, pg_temp"
    frozen = "EXECUTE FUNCTION guard_frozen()"
    return [
        f"CREATE TRIGGER guard_tax_untaxed_frozen BEFORE UPDATE OR DELETE ON tax_untaxed FOR EACH STATEMENT {frozen}",
        f"CREATE TRIGGER guard_tax_untaxed_no_truncate BEFORE TRUNCATE ON tax_untaxed FOR EACH STATEMENT {frozen}",
        f"""CREATE FUNCTION guard_tax_return_filed() RETURNS trigger LANGUAGE plpgsql {path} AS $$ BEGIN
          RAISE restrict_violation USING MESSAGE = '{FILED}';
        END $$""",
        """CREATE TRIGGER guard_tax_return_filed BEFORE UPDATE OR DELETE ON tax_return FOR EACH ROW
           WHEN (OLD.state = 'filed') EXECUTE FUNCTION guard_tax_return_filed()""",
        f"CREATE TRIGGER guard_tax_return_no_truncate BEFORE TRUNCATE ON tax_return FOR EACH STATEMENT {frozen}",
        f"""CREATE FUNCTION guard_tax_rate_used() RETURNS trigger LANGUAGE plpgsql {path} AS $$ BEGIN
          IF EXISTS (SELECT 1 FROM tax_charged WHERE rate_id = OLD.id) THEN
            RAISE restrict_violation USING MESSAGE = '{USED}';
          END IF;
          RETURN NEW;
        END $$""",
        f"""CREATE TRIGGER guard_tax_rate_used BEFORE UPDATE ON tax_rate FOR EACH ROW
           WHEN ({" OR ".join(f"NEW.{c} IS DISTINCT FROM OLD.{c}" for c in SAME_RATE)})
           EXECUTE FUNCTION guard_tax_rate_used()""",
    ]


def upgrade() -> None:
    op.create_table(
        "tax_certificate",
        sa.Column("id", KEY, nullable=False),
        sa.Column("number", sa.String(length=40), nullable=False),
        sa.Column("kind", sa.String(length=6), nullable=False),
        sa.Column("buyer_name", sa.String(length=120), nullable=False),
        sa.Column("states", sa.JSON(), nullable=False),
        sa.Column("starts_on", sa.Date(), nullable=False),
        sa.Column("expires_on", sa.Date(), nullable=True),
        sa.Column("created_at", sa.DateTime(timezone=True), nullable=False),
        sa.CheckConstraint("kind IN ('resale', 'exempt')", name=op.f("ck_tax_certificate_known_kind")),
        sa.CheckConstraint("expires_on IS NULL OR expires_on >= starts_on", name=op.f("ck_tax_certificate_forward")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_tax_certificate")),
        sa.UniqueConstraint("number", name=op.f("uq_tax_certificate_number")),
    )
    op.create_table(
        "tax_import",
        sa.Column("id", KEY, nullable=False),
        sa.Column("kind", sa.String(length=8), nullable=False),
        sa.Column("file_name", sa.String(length=200), nullable=False),
        sa.Column("sha256", sa.String(length=64), nullable=False),
        sa.Column("content", sa.LargeBinary(), nullable=False),
        sa.Column("state", sa.String(length=8), nullable=False),
        sa.Column("proposal", sa.JSON(), nullable=False),
        sa.Column("done", sa.JSON(), nullable=True),
        sa.Column("proposed_by", KEY, nullable=True),
        sa.Column("proposed_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("applied_by", KEY, nullable=True),
        sa.Column("applied_at", sa.DateTime(timezone=True), nullable=True),
        sa.Column("undone_by", KEY, nullable=True),
        sa.Column("undone_at", sa.DateTime(timezone=True), nullable=True),
        sa.CheckConstraint("kind IN ('rates', 'boundary')", name=op.f("ck_tax_import_known_kind")),
        sa.CheckConstraint("state IN ('proposed', 'applied', 'undone')", name=op.f("ck_tax_import_known_state")),
        sa.ForeignKeyConstraint(["applied_by"], ["user_account.id"], name=op.f("fk_tax_import_applied_by")),
        sa.ForeignKeyConstraint(["proposed_by"], ["user_account.id"], name=op.f("fk_tax_import_proposed_by")),
        sa.ForeignKeyConstraint(["undone_by"], ["user_account.id"], name=op.f("fk_tax_import_undone_by")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_tax_import")),
    )
    op.create_index(op.f("ix_tax_import_sha256"), "tax_import", ["sha256"], unique=False)
    op.create_table(
        "tax_boundary",
        sa.Column("id", KEY, nullable=False),
        sa.Column("key_sha", sa.String(length=32), nullable=False),
        sa.Column("import_id", KEY, nullable=False),
        sa.Column("state_fips", sa.String(length=2), nullable=False),
        sa.Column("record", sa.String(length=1), nullable=False),
        sa.Column("zip_low", sa.String(length=5), nullable=False),
        sa.Column("plus4_low", sa.String(length=4), nullable=False),
        sa.Column("zip_high", sa.String(length=5), nullable=False),
        sa.Column("plus4_high", sa.String(length=4), nullable=False),
        sa.Column("starts_on", sa.Date(), nullable=False),
        sa.Column("ends_on", sa.Date(), nullable=True),
        sa.Column("places", sa.JSON(), nullable=False),
        sa.CheckConstraint("record IN ('Z', '4')", name=op.f("ck_tax_boundary_known_record")),
        sa.CheckConstraint("ends_on IS NULL OR ends_on >= starts_on", name=op.f("ck_tax_boundary_forward")),
        sa.ForeignKeyConstraint(["import_id"], ["tax_import.id"], name=op.f("fk_tax_boundary_import_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_tax_boundary")),
        sa.UniqueConstraint("key_sha", name=op.f("uq_tax_boundary_key_sha")),
    )
    op.create_index(op.f("ix_tax_boundary_import_id"), "tax_boundary", ["import_id"], unique=False)
    op.create_index(op.f("ix_tax_boundary_state_fips"), "tax_boundary", ["state_fips"], unique=False)
    op.create_index("ix_tax_boundary_zip", "tax_boundary", ["zip_high", "zip_low"], unique=False)
    op.create_table(
        "tax_return",
        sa.Column("id", KEY, nullable=False),
        sa.Column("number", sa.String(length=80), nullable=False),
        sa.Column("office", sa.String(length=80), nullable=False),
        sa.Column("mall_id", KEY, nullable=True),
        sa.Column("first_day", sa.Date(), nullable=False),
        sa.Column("last_day", sa.Date(), nullable=False),
        sa.Column("due_on", sa.Date(), nullable=False),
        sa.Column("state", sa.String(length=5), nullable=False),
        sa.Column("value_json", sa.Text(), nullable=False),
        sa.Column("value_sha256", sa.String(length=64), nullable=False),
        sa.Column("amends_id", KEY, nullable=True),
        sa.Column("created_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("filed_at", sa.DateTime(timezone=True), nullable=True),
        sa.Column("filed_by", KEY, nullable=True),
        sa.Column("entry_id", KEY, nullable=True),
        sa.CheckConstraint("state IN ('draft', 'filed')", name=op.f("ck_tax_return_known_state")),
        sa.CheckConstraint("last_day >= first_day", name=op.f("ck_tax_return_forward")),
        sa.ForeignKeyConstraint(["amends_id"], ["tax_return.id"], name=op.f("fk_tax_return_amends_id")),
        sa.ForeignKeyConstraint(["entry_id"], ["entry.id"], name=op.f("fk_tax_return_entry_id")),
        sa.ForeignKeyConstraint(["filed_by"], ["user_account.id"], name=op.f("fk_tax_return_filed_by")),
        sa.ForeignKeyConstraint(["mall_id"], ["mall.id"], name=op.f("fk_tax_return_mall_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_tax_return")),
        sa.UniqueConstraint("amends_id", name=op.f("uq_tax_return_amends_id")),
        sa.UniqueConstraint("number", name=op.f("uq_tax_return_number")),
    )
    op.create_index("ix_tax_return_office", "tax_return", ["office", "first_day"], unique=False)
    op.create_table(
        "tax_rule",
        sa.Column("id", KEY, nullable=False),
        sa.Column("jurisdiction_id", KEY, nullable=False),
        sa.Column("kind", sa.String(length=9), nullable=False),
        sa.Column("starts_on", sa.Date(), nullable=False),
        sa.Column("ends_on", sa.Date(), nullable=True),
        sa.Column("terms", sa.JSON(), nullable=False),
        sa.CheckConstraint(
            "kind IN ('exempt', 'article', 'holiday', 'threshold', 'delivery', 'reduction')", name=op.f("ck_tax_rule_known_kind")
        ),
        sa.CheckConstraint("ends_on IS NULL OR ends_on >= starts_on", name=op.f("ck_tax_rule_forward")),
        sa.ForeignKeyConstraint(["jurisdiction_id"], ["jurisdiction.id"], name=op.f("fk_tax_rule_jurisdiction_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_tax_rule")),
    )
    op.create_index(op.f("ix_tax_rule_jurisdiction_id"), "tax_rule", ["jurisdiction_id"], unique=False)
    op.create_table(
        "tax_setting",
        sa.Column("id", KEY, nullable=False),
        sa.Column("scope", sa.String(length=40), nullable=False),
        sa.Column("state_fips", sa.String(length=2), nullable=True),
        sa.Column("jurisdiction_id", KEY, nullable=True),
        sa.Column("mall_id", KEY, nullable=True),
        sa.Column("starts_on", sa.Date(), nullable=False),
        sa.Column("owed_by", sa.String(length=6), nullable=False),
        sa.Column("layaway_at", sa.String(length=10), nullable=False),
        sa.Column("office", sa.String(length=80), nullable=False),
        sa.Column("frequency", sa.String(length=7), nullable=False),
        sa.Column("year_begins", sa.Integer(), nullable=False),
        sa.Column("remits", sa.String(length=9), nullable=False),
        sa.Column("due_day", sa.Integer(), nullable=False),
        sa.Column("due_months_after", sa.Integer(), nullable=False),
        sa.Column("due_region", sa.String(length=2), nullable=False),
        sa.Column("due_roll", sa.String(length=8), nullable=False),
        sa.Column("closed_days", sa.JSON(), nullable=False),
        sa.Column("allowance", sa.JSON(), nullable=True),
        sa.Column("interest_percent", sa.BigInteger(), nullable=True),
        sa.Column("interest_per", sa.String(length=5), nullable=False),
        sa.CheckConstraint("due_roll IN ('next', 'previous', 'none')", name=op.f("ck_tax_setting_known_roll")),
        sa.CheckConstraint("frequency IN ('month', 'quarter', 'year')", name=op.f("ck_tax_setting_known_frequency")),
        sa.CheckConstraint("interest_per IN ('year', 'month')", name=op.f("ck_tax_setting_known_interest_per")),
        sa.CheckConstraint("layaway_at IN ('agreement', 'completion')", name=op.f("ck_tax_setting_known_layaway_at")),
        sa.CheckConstraint("owed_by IN ('coop', 'dealer')", name=op.f("ck_tax_setting_known_owed_by")),
        sa.CheckConstraint("remits IN ('greater', 'due', 'collected')", name=op.f("ck_tax_setting_known_remits")),
        sa.ForeignKeyConstraint(["jurisdiction_id"], ["jurisdiction.id"], name=op.f("fk_tax_setting_jurisdiction_id")),
        sa.ForeignKeyConstraint(["mall_id"], ["mall.id"], name=op.f("fk_tax_setting_mall_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_tax_setting")),
        sa.UniqueConstraint("scope", "starts_on", name=op.f("uq_tax_setting_scope_starts_on")),
    )
    op.create_table(
        "tax_untaxed",
        sa.Column("id", KEY, nullable=False),
        sa.Column("mall_id", KEY, nullable=False),
        sa.Column("posting_date", sa.Date(), nullable=False),
        sa.Column("sold_on", sa.Date(), nullable=False),
        sa.Column("ticket_key", sa.String(length=120), nullable=False),
        sa.Column("position", sa.Integer(), nullable=False),
        sa.Column("dealer_id", KEY, nullable=True),
        sa.Column("jurisdiction_id", KEY, nullable=False),
        sa.Column("kind", sa.String(length=9), nullable=False),
        sa.Column("reason", sa.String(length=40), nullable=False),
        sa.Column("certificate", sa.String(length=40), nullable=False),
        sa.Column("amount_cents", sa.BigInteger(), nullable=False),
        sa.CheckConstraint("kind IN ('deduction', 'exempt')", name=op.f("ck_tax_untaxed_known_kind")),
        sa.ForeignKeyConstraint(["dealer_id"], ["dealer.id"], name=op.f("fk_tax_untaxed_dealer_id")),
        sa.ForeignKeyConstraint(["jurisdiction_id"], ["jurisdiction.id"], name=op.f("fk_tax_untaxed_jurisdiction_id")),
        sa.ForeignKeyConstraint(["mall_id"], ["mall.id"], name=op.f("fk_tax_untaxed_mall_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_tax_untaxed")),
    )
    op.create_index(op.f("ix_tax_untaxed_jurisdiction_id"), "tax_untaxed", ["jurisdiction_id"], unique=False)
    op.create_index("ix_tax_untaxed_mall", "tax_untaxed", ["mall_id", "posting_date"], unique=False)
    op.create_index(op.f("ix_tax_untaxed_ticket_key"), "tax_untaxed", ["ticket_key"], unique=False)
    op.add_column("jurisdiction", sa.Column("state_fips", sa.String(length=2), nullable=True))
    op.add_column("jurisdiction", sa.Column("fips", sa.String(length=10), nullable=True))
    op.create_index("ix_jurisdiction_fips", "jurisdiction", ["state_fips", "kind", "fips"], unique=True)
    op.add_column("tax_charged", sa.Column("sold_on", sa.Date(), nullable=True))
    op.add_column("tax_charged", sa.Column("part", sa.String(length=20), server_default="", nullable=False))
    op.create_index(op.f("ix_tax_charged_rate_id"), "tax_charged", ["rate_id"], unique=False)
    connection = op.get_bind()
    if connection.dialect.name == "postgresql":
        statements = postgresql_statements(str(connection.exec_driver_sql("SELECT quote_ident(current_schema())").scalar()))
    else:
        statements = SQLITE
    for statement in statements:
        op.execute(statement)


def downgrade() -> None:
    if op.get_bind().dialect.name == "postgresql":
        op.execute("DROP FUNCTION guard_tax_return_filed() CASCADE")
        op.execute("DROP FUNCTION guard_tax_rate_used() CASCADE")
    else:
        op.execute("DROP TRIGGER guard_tax_rate_used")
    op.drop_index(op.f("ix_tax_charged_rate_id"), table_name="tax_charged")
    op.drop_column("tax_charged", "part")
    op.drop_column("tax_charged", "sold_on")
    op.drop_index("ix_jurisdiction_fips", table_name="jurisdiction")
    op.drop_column("jurisdiction", "fips")
    op.drop_column("jurisdiction", "state_fips")
    op.drop_index(op.f("ix_tax_untaxed_ticket_key"), table_name="tax_untaxed")
    op.drop_index("ix_tax_untaxed_mall", table_name="tax_untaxed")
    op.drop_index(op.f("ix_tax_untaxed_jurisdiction_id"), table_name="tax_untaxed")
    op.drop_table("tax_untaxed")
    op.drop_table("tax_setting")
    op.drop_index(op.f("ix_tax_rule_jurisdiction_id"), table_name="tax_rule")
    op.drop_table("tax_rule")
    op.drop_index("ix_tax_return_office", table_name="tax_return")
    op.drop_table("tax_return")
    op.drop_index("ix_tax_boundary_zip", table_name="tax_boundary")
    op.drop_index(op.f("ix_tax_boundary_state_fips"), table_name="tax_boundary")
    op.drop_index(op.f("ix_tax_boundary_import_id"), table_name="tax_boundary")
    op.drop_table("tax_boundary")
    op.drop_index(op.f("ix_tax_import_sha256"), table_name="tax_import")
    op.drop_table("tax_import")
    op.drop_table("tax_certificate")
