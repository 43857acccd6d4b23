"""What the database itself guarantees of money beside the books: what was counted, matched, approved and paid stays as it was."""

from alembic import op

revision = "0009"
down_revision = "0008"
branch_labels = None
depends_on = None

# Never changed and never deleted, with what an INSERT OR REPLACE would walk over beside the id.
FROZEN = {
    "bank_file": ["file_sha256"],
    "bank_item": [],
    "bank_line": ["key"],
    "bank_month": [],
    "close_override": ["close_id step"],
    "drawer_count": ["key"],
    "gift_certificate": ["number"],
    "gift_move": ["key"],
    "hold_decision": [],
    "journal_line": ["journal_id position"],
    "opening_memo": ["mall_id dealer_id what"],
}
# Columns that never change; columns filled in once; a state whose end fixes further columns; keys beside the id. Never deleted.
# What is sealed may be sealed again under another key; what was empty stays empty.
FIXED = {
    "ach_origin": (
        "bank_routing bank_name company_id company_name balanced account_last4 set_by set_at",
        "",
        "OLD.account_sealed = '': account_sealed",
        [],
    ),
    "payout_detail": (
        "dealer_id method holder routing account_kind account_last4 changed_by changed_at",
        "",
        "OLD.account_sealed = '': account_sealed",
        [],
    ),
    "tax_form": (
        "dealer_id form received_on number_last4 entered_by entered_at",
        "",
        "OLD.number_sealed = '': number_sealed",
        [],
    ),
    "bank_match": ("line_id entry_id item_id amount_cents how made_by made_at", "undone_by undone_at", "", []),
    "journal": (
        "key mall_id on_day reason document_id second_needed entered_by entered_at reverses_id",
        "entry_id",
        "OLD.state <> 'entered': state decided_by decided_at decision",
        ["key"],
    ),
    # Buyers' names go from the content when it is signed or dropped; until then its hash holds it.
    "opening": (
        "file_name file_sha256 first_day read_by read_at",
        "signed_by signed_at",
        "OLD.state <> 'read': state content",
        [],
    ),
    "claim": (
        "line_id dealer_id words asked_by asked_at",
        "entry_id",
        "OLD.state <> 'asked': state decided_by decided_at decision",
        [],
    ),
    "payout_run": (
        "number first_day made_by made_at",
        "approved_by approved_at paid_on paid_by ach_document_id remittance_document_id",
        "(OLD.state = 'paid' OR OLD.state = 'cancelled'): state pay_on first_check",
        ["number"],
    ),
    "payout_line": (
        "run_id dealer_id amount_cents method detail_id",
        "returned_on",
        "OLD.returned_on IS NOT NULL: return_reason",
        ["run_id dealer_id"],
    ),
    "payout_part": ("line_id mall_id amount_cents", "entry_id back_entry_id", "", ["line_id mall_id"]),
    "payout_hold": ("dealer_id reason placed_by placed_at", "lifted_by lifted_at", "", []),
    "release": (
        "rule_id mall_id certificate_id ticket_line_id payout_line_id amount_cents asked_by asked_at",
        "approved_by approved_at entry_id",
        "OLD.state <> 'asked': state",
        [],
    ),
    "patronage": (
        "year surplus_cents cash_percent on_day made_by made_at",
        "approved_by approved_at",
        "OLD.state <> 'proposed': state",
        [],
    ),
    "patronage_share": (
        "patronage_id dealer_id mall_id business_cents share_cents cash_cents retained_cents",
        "entry_id",
        "",
        ["patronage_id dealer_id mall_id"],
    ),
    "statement_question": (
        "statement_id line said question asked_by asked_at",
        "answered_by answered_at",
        "OLD.answered_at IS NOT NULL: answer",
        [],
    ),
}
NEVER, THERE = "books: a row of {0} is never changed or deleted", "books: that row of {0} is there already"
CREDITED = "books: a sale is credited to its dealer once, on a day"
APART = "(NEW.dealer_id IS NULL) <> (NEW.credited_on IS NULL)"


def _is_postgresql() -> bool:
    return op.get_bind().dialect.name == "postgresql"


def _changed(table: str, differs: str) -> str:
    fixed, once, ended, _keys = FIXED[table]
    found = [f"NEW.{c} {differs} OLD.{c}" for c in ["id", *fixed.split()]]
    found += [f"(OLD.{c} IS NOT NULL AND NEW.{c} {differs} OLD.{c})" for c in once.split()]
    when, _, columns = ended.partition(": ")
    found += [f"({when} AND NEW.{c} {differs} OLD.{c})" for c in columns.split()]
    return " OR ".join(found)


def _sqlite() -> list[str]:
    def refusing(table: str, name: str, when: str, says: str) -> str:
        return f"CREATE TRIGGER guard_{table}_{name} BEFORE {when} BEGIN SELECT RAISE(ABORT, '{says.format(table)}'); END"

    made = []
    for table, keys in {**FROZEN, **{table: row[3] for table, row in FIXED.items()}}.items():
        if table in FROZEN:
            made.append(refusing(table, "no_update", f"UPDATE ON {table}", NEVER))
        else:
            made.append(refusing(table, "fixed", f"UPDATE ON {table} WHEN {_changed(table, 'IS NOT')}", NEVER))
        made.append(refusing(table, "no_delete", f"DELETE ON {table}", NEVER))
        same = " OR ".join(f"({' AND '.join(f'{c} = NEW.{c}' for c in key.split())})" for key in ["id", *keys])
        made.append(refusing(table, "no_replace", f"INSERT ON {table} WHEN EXISTS (SELECT 1 FROM {table} WHERE {same})", THERE))
    again = "(OLD.credited_on IS NOT NULL AND NEW.credited_on IS NOT OLD.credited_on)"
    made.append(refusing("ticket_line", "credited", f"UPDATE ON ticket_line WHEN {again} OR {APART}", CREDITED))
    made.append(refusing("ticket_line", "credited_at_first", f"INSERT ON ticket_line WHEN {APART}", CREDITED))
    return made


def _postgresql(schema: str) -> list[str]:
    made = []
    for table in (*FROZEN, *FIXED):
        if table in FROZEN:
            made.append(
                f"CREATE TRIGGER guard_{table}_frozen BEFORE UPDATE OR DELETE ON {table} "
                "FOR EACH STATEMENT EXECUTE FUNCTION guard_frozen()"
            )
        else:
            made.append(
                f"CREATE TRIGGER guard_{table}_fixed BEFORE UPDATE ON {table} FOR EACH ROW "
                f"WHEN ({_changed(table, 'IS DISTINCT FROM')}) EXECUTE FUNCTION guard_frozen()"
            )
            made.append(
                f"CREATE TRIGGER guard_{table}_no_delete BEFORE DELETE ON {table} FOR EACH STATEMENT EXECUTE FUNCTION guard_frozen()"
            )
        made.append(
            f"CREATE TRIGGER guard_{table}_no_truncate BEFORE TRUNCATE ON {table} FOR EACH STATEMENT EXECUTE FUNCTION guard_frozen()"
        )
    made.append(
        f"CREATE FUNCTION guard_ticket_line_credited() RETURNS trigger LANGUAGE plpgsql SET search_path = {schema}, pg_temp AS $$ BEGIN "
        f"RAISE restrict_violation USING MESSAGE = '{CREDITED}'; END $$"
    )
    again = "(OLD.credited_on IS NOT NULL AND NEW.credited_on IS DISTINCT FROM OLD.credited_on)"
    made.append(
        f"CREATE TRIGGER guard_ticket_line_credited BEFORE UPDATE ON ticket_line FOR EACH ROW WHEN ({again} OR {APART}) "
        "EXECUTE FUNCTION guard_ticket_line_credited()"
    )
    made.append(
        f"CREATE TRIGGER guard_ticket_line_credited_at_first BEFORE INSERT ON ticket_line FOR EACH ROW WHEN ({APART}) "
        "EXECUTE FUNCTION guard_ticket_line_credited()"
    )
    return made


def upgrade() -> None:
    if _is_postgresql():
        statements = _postgresql(str(op.get_bind().exec_driver_sql("SELECT quote_ident(current_schema())").scalar()))
    else:
        statements = _sqlite()
    for statement in statements:
        op.execute(statement)


def downgrade() -> None:
    postgresql = _is_postgresql()
    if postgresql:
        op.execute("DROP FUNCTION guard_ticket_line_credited() CASCADE")
    else:
        for name in ("credited", "credited_at_first"):
            op.execute(f"DROP TRIGGER guard_ticket_line_{name}")
    for table in (*FROZEN, *FIXED):
        first = ["frozen"] if postgresql else ["no_update", "no_delete", "no_replace"]
        if table in FIXED:
            first = ["fixed", "no_delete"] if postgresql else ["fixed", "no_delete", "no_replace"]
        for name in [*first, "no_truncate"] if postgresql else first:
            op.execute(f"DROP TRIGGER guard_{table}_{name} ON {table}" if postgresql else f"DROP TRIGGER guard_{table}_{name}")
