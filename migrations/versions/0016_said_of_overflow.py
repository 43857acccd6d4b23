"""What was said of lent floor as columns: a piece gone, floor taken back, a stay lengthened, a walk's dealers told; until now only
the log had it, and what it says fills them. Since when a lengthened stay was so, it does not say: those of before have no undo.

Columns with a constraint are added in SQL that both databases read, since SQLite takes a constraint with a new column only so.
"""

import sqlalchemy as sa
from alembic import op

revision = "0016"
down_revision = "0015"
branch_labels = None
depends_on = None

ADDED = {
    "gone_said_at": "{moment}",
    "gone_said_by": "{key} CONSTRAINT fk_overflow_stay_gone_said_by REFERENCES user_account (id) "
    "CONSTRAINT ck_overflow_stay_gone_said CHECK (gone_said_by IS NULL OR gone_said_at IS NOT NULL)",
    "cancelled_by": "{key} CONSTRAINT fk_overflow_stay_cancelled_by REFERENCES user_account (id) "
    "CONSTRAINT ck_overflow_stay_cancelled_by CHECK (cancelled_by IS NULL OR state = 'cancelled')",
    "lengthened_from": "DATE CONSTRAINT ck_overflow_stay_lengthened CHECK (lengthened_from >= starts_on)",
}
"""To overflow_stay."""
GONE = "'piece taken away'"
NOT_GONE = "'piece stays after all', 'stay lengthened', 'floor asked back', 'recall taken back', 'stay moved'"
TAKEN_BACK, GIVEN_AGAIN = "'floor taken back'", "'floor given again'"
NEVER, THERE = "books: a row of {0} is never changed or deleted", "books: that row of {0} is there already"
TOLD = "overflow: dealers were told of that walk, and its marks stay as they are"


def _is_postgresql() -> bool:
    return op.get_bind().dialect.name == "postgresql"


def _last_said(column: str, said: str, undone: str) -> str:
    """Of the last line of the log that says one of these of a stay, a column; null where that line undoes it."""
    last = (
        "SELECT max(id) FROM audit_log WHERE subject_kind = 'overflow stay' "
        f"AND subject_id = CAST(overflow_stay.id AS VARCHAR(80)) AND action IN ({said}, {undone})"
    )
    return f"(SELECT {column} FROM audit_log WHERE id = ({last}) AND action = {said})"


def _user(user_id: str) -> str:
    return f"(SELECT id FROM user_account WHERE id = {user_id})"


def _fill() -> None:
    op.execute(f"UPDATE overflow_stay SET gone_said_at = {_last_said('at', GONE, NOT_GONE)}")
    who = _user(_last_said("user_id", GONE, NOT_GONE))
    op.execute(f"UPDATE overflow_stay SET gone_said_by = {who} WHERE gone_said_at IS NOT NULL")
    who = _user(_last_said("user_id", TAKEN_BACK, GIVEN_AGAIN))
    op.execute(f"UPDATE overflow_stay SET cancelled_by = {who} WHERE state = 'cancelled'")
    op.execute(
        "UPDATE overflow_walk SET told_at = (SELECT min(at) FROM audit_log WHERE subject_kind = 'overflow walk' "
        "AND subject_id = CAST(overflow_walk.id AS VARCHAR(80)) AND action = 'dealers told of a walk')"
    )


def _guards() -> None:
    """What dealers were told of a walk is not rewritten: neither the walk nor its marks."""
    if _is_postgresql():
        frozen = "EXECUTE FUNCTION guard_frozen()"
        for name, event in (("told", "UPDATE"), ("no_delete", "DELETE")):
            op.execute(
                f"CREATE TRIGGER guard_overflow_walk_{name} BEFORE {event} ON overflow_walk "
                f"FOR EACH ROW WHEN (OLD.told_at IS NOT NULL) {frozen}"
            )
        schema = op.get_bind().scalar(sa.text("SELECT quote_ident(current_schema())"))
        # The walk is held first: whoever tells of it meanwhile is waited for.
        op.execute(
            f"""CREATE FUNCTION guard_walk_mark_told() RETURNS trigger LANGUAGE plpgsql
            SET search_path = {schema}, pg_temp AS $$ BEGIN
              PERFORM FROM overflow_walk WHERE id IN (OLD.walk_id, NEW.walk_id) FOR SHARE;
              IF EXISTS (SELECT FROM overflow_walk WHERE id IN (OLD.walk_id, NEW.walk_id) AND told_at IS NOT NULL) THEN
                RAISE restrict_violation USING MESSAGE = '{TOLD}';
              END IF;
              RETURN COALESCE(NEW, OLD);
            END $$"""
        )
        op.execute(
            "CREATE TRIGGER guard_walk_mark_told BEFORE INSERT OR UPDATE OR DELETE ON walk_mark "
            "FOR EACH ROW EXECUTE FUNCTION guard_walk_mark_told()"
        )
        for table in ("overflow_walk", "walk_mark"):
            op.execute(f"CREATE TRIGGER guard_{table}_no_truncate BEFORE TRUNCATE ON {table} FOR EACH STATEMENT {frozen}")
        return
    _refuse("overflow_walk_told", "UPDATE ON overflow_walk WHEN OLD.told_at IS NOT NULL OR NEW.id IS NOT OLD.id", NEVER)
    _refuse("overflow_walk_no_delete", "DELETE ON overflow_walk WHEN OLD.told_at IS NOT NULL", NEVER)
    told = "EXISTS (SELECT 1 FROM overflow_walk WHERE told_at IS NOT NULL AND id IN ({0}))"
    for event, walks in (("INSERT", "NEW.walk_id"), ("UPDATE", "OLD.walk_id, NEW.walk_id"), ("DELETE", "OLD.walk_id")):
        _refuse(f"walk_mark_told_{event.lower()}", f"{event} ON walk_mark WHEN {told.format(walks)}", TOLD)
    _refuse("walk_mark_fixed", "UPDATE OF id ON walk_mark WHEN NEW.id IS NOT OLD.id", NEVER)
    for table in ("overflow_walk", "walk_mark"):
        there = f"EXISTS (SELECT 1 FROM {table} WHERE id = NEW.id)"
        _refuse(f"{table}_no_replace", f"INSERT ON {table} WHEN {there}", THERE)


def _refuse(name: str, when: str, says: str) -> None:
    table = "walk_mark" if name.startswith("walk_mark") else "overflow_walk"
    op.execute(f"CREATE TRIGGER guard_{name} BEFORE {when} BEGIN SELECT RAISE(ABORT, '{says.format(table)}'); END")


def _drop_guards() -> None:
    if _is_postgresql():
        for table, names in {"overflow_walk": "told no_delete no_truncate", "walk_mark": "told no_truncate"}.items():
            for name in names.split():
                op.execute(f"DROP TRIGGER guard_{table}_{name} ON {table}")
        op.execute("DROP FUNCTION guard_walk_mark_told()")
        return
    for name in "overflow_walk_told overflow_walk_no_delete overflow_walk_no_replace walk_mark_told_insert".split():
        op.execute(f"DROP TRIGGER guard_{name}")
    for name in "told_update told_delete fixed no_replace".split():
        op.execute(f"DROP TRIGGER guard_walk_mark_{name}")


def upgrade() -> None:
    types = {"key": "BIGINT", "moment": "TIMESTAMP WITH TIME ZONE"}
    if not _is_postgresql():
        types = {"key": "INTEGER", "moment": "DATETIME"}
    for name, definition in ADDED.items():
        op.execute(f"ALTER TABLE overflow_stay ADD COLUMN {name} {definition.format(**types)}")
    op.add_column("overflow_walk", sa.Column("told_at", sa.DateTime(timezone=True), nullable=True))
    _fill()
    _guards()


def downgrade() -> None:
    _drop_guards()
    op.drop_column("overflow_walk", "told_at")
    for name in reversed(ADDED):
        op.execute(f"ALTER TABLE overflow_stay DROP COLUMN {name}")
