"""Turns: hours, posts and rules, who may and who owes, availability, the rota, offers, attendance, the account of turns."""

import sqlalchemy as sa
from alembic import op

revision = "0012"
down_revision = "0011"
branch_labels = None
depends_on = None

KEY = sa.BigInteger().with_variant(sa.Integer(), "sqlite")
TABLES = (
    "turn_change",
    "turn_offer",
    "turn_account",
    "attendance",
    "turn",
    "rota",
    "post_need",
    "checklist_tick",
    "turn_rule",
    "turn_pair",
    "turn_helper",
    "turn_fact",
    "post",
    "opening_hours",
    "opening_exception",
    "month_answer",
    "holiday_choice",
    "checklist_item",
    "availability",
)
"""In the order they are taken down."""

FROZEN = {
    "turn_change": ["id = NEW.id"],
    "checklist_tick": ["id = NEW.id", "item_id = NEW.item_id AND on_date = NEW.on_date"],
    "turn_account": ["id = NEW.id", "mall_id = NEW.mall_id AND member_id = NEW.member_id AND key = NEW.key"],
}
"""Never changed and never deleted, with what an INSERT OR REPLACE would walk over."""
OFFER = "id turn_id kind by_member_id to_member_id pays_cents words made_at"
OFFER_ENDS = "state return_turn_id answered_by answered_at ended_at"
"""Stay as they are once an offer is taken, withdrawn or lapsed."""
CAME = "signed_in_at signed_out_at missed_at drawer_count_id"
"""Written once each."""
ROTA = "state first_day mall_id published_at published_by"
"""Stay as they are once a rota is published."""
NEVER, THERE = "books: a row of {0} is never changed or deleted", "books: that row of {0} is there already"
TWICE = "turns: a member cannot have two turns that overlap"
KEPT = "turns: a turn of a published rota is not deleted"


def _is_postgresql() -> bool:
    return op.get_bind().dialect.name == "postgresql"


def _fixed() -> dict[str, str]:
    """By table: when a change of a row is refused."""
    differs = "IS DISTINCT FROM" if _is_postgresql() else "IS NOT"

    def changed(columns: str, before: str = "") -> list[str]:
        return [f"({before}NEW.{c} {differs} OLD.{c})" for c in columns.split()]

    once = [f"(OLD.{c} IS NOT NULL AND NEW.{c} {differs} OLD.{c})" for c in CAME.split()]
    ended = "(OLD.state = 'taken' OR OLD.state = 'withdrawn' OR OLD.state = 'lapsed') AND "
    return {
        "turn_offer": " OR ".join([*changed(OFFER), *changed(OFFER_ENDS, ended)]),
        "attendance": " OR ".join([*changed("id turn_id"), *once]),
        "rota": " OR ".join(changed(ROTA, "OLD.state = 'published' AND ")),
    }


def _guards() -> None:
    if _is_postgresql():
        _postgresql_guards()
        return
    for table, keys in FROZEN.items():
        for event in ("update", "delete"):
            _refuse(table, f"no_{event}", f"{event.upper()} ON {table}", NEVER.format(table))
        _no_replace(table, keys)
    for table, when in _fixed().items():
        _refuse(table, "fixed", f"UPDATE ON {table} WHEN {when}", NEVER.format(table))
    for table, keys in (("turn_offer", ["id = NEW.id"]), ("attendance", ["id = NEW.id", "turn_id = NEW.turn_id"])):
        _refuse(table, "no_delete", f"DELETE ON {table}", NEVER.format(table))
        _no_replace(table, keys)
    _refuse("rota", "no_delete", "DELETE ON rota WHEN OLD.state = 'published'", NEVER.format("rota"))
    _no_replace("rota", ["id = NEW.id", "mall_id = NEW.mall_id AND first_day = NEW.first_day"])
    published = "(SELECT state FROM rota WHERE id = OLD.rota_id) = 'published'"
    _refuse("turn", "no_delete", f"DELETE ON turn WHEN {published}", KEPT)
    _no_replace("turn", ["id = NEW.id"])
    for event in ("INSERT", "UPDATE"):
        op.execute(
            f"""CREATE TRIGGER guard_turn_overlap_{event.lower()} BEFORE {event} ON turn
               WHEN NEW.member_id IS NOT NULL AND NEW.state = 'standing' BEGIN
              SELECT RAISE(ABORT, '{TWICE}') WHERE EXISTS (SELECT 1 FROM turn WHERE member_id = NEW.member_id
                AND state = 'standing' AND id IS NOT NEW.id AND starts_at < NEW.ends_at AND ends_at > NEW.starts_at);
            END"""
        )


def _refuse(table: str, name: str, when: str, says: str) -> None:
    op.execute(f"CREATE TRIGGER guard_{table}_{name} BEFORE {when} BEGIN SELECT RAISE(ABORT, '{says}'); END")


def _no_replace(table: str, keys: list[str]) -> None:
    op.execute(
        f"CREATE TRIGGER guard_{table}_no_replace BEFORE INSERT ON {table} BEGIN "
        f"SELECT RAISE(ABORT, '{THERE.format(table)}') WHERE EXISTS (SELECT 1 FROM {table} WHERE {' OR '.join(keys)}); END"
    )


def _postgresql_guards() -> None:
    frozen = "EXECUTE FUNCTION guard_frozen()"
    for table in FROZEN:
        op.execute(f"CREATE TRIGGER guard_{table}_frozen BEFORE UPDATE OR DELETE ON {table} FOR EACH STATEMENT {frozen}")
        op.execute(f"CREATE TRIGGER guard_{table}_no_truncate BEFORE TRUNCATE ON {table} FOR EACH STATEMENT {frozen}")
    for table, when in _fixed().items():
        op.execute(f"CREATE TRIGGER guard_{table}_fixed BEFORE UPDATE ON {table} FOR EACH ROW WHEN ({when}) {frozen}")
        op.execute(f"CREATE TRIGGER guard_{table}_no_truncate BEFORE TRUNCATE ON {table} FOR EACH STATEMENT {frozen}")
    for table in ("turn_offer", "attendance"):
        op.execute(f"CREATE TRIGGER guard_{table}_no_delete BEFORE DELETE ON {table} FOR EACH STATEMENT {frozen}")
    op.execute(f"CREATE TRIGGER guard_rota_no_delete BEFORE DELETE ON rota FOR EACH ROW WHEN (OLD.state = 'published') {frozen}")
    schema = op.get_bind().scalar(sa.text("SELECT quote_ident(current_schema())"))
    op.execute(
        f"""CREATE FUNCTION guard_turn_no_delete() RETURNS trigger LANGUAGE plpgsql
        SET search_path = {schema}, pg_temp AS $$ BEGIN
          IF (SELECT state FROM rota WHERE id = OLD.rota_id) = 'published' THEN
            RAISE restrict_violation USING MESSAGE = '{KEPT}';
          END IF;
          RETURN OLD;
        END $$"""
    )
    op.execute("CREATE TRIGGER guard_turn_no_delete BEFORE DELETE ON turn FOR EACH ROW EXECUTE FUNCTION guard_turn_no_delete()")
    op.execute(f"CREATE TRIGGER guard_turn_no_truncate BEFORE TRUNCATE ON turn FOR EACH STATEMENT {frozen}")
    op.execute(
        """ALTER TABLE turn ADD CONSTRAINT guard_turn_overlap EXCLUDE USING gist (
             member_id WITH =, tstzrange(starts_at, ends_at) WITH &&) WHERE (state = 'standing')"""
    )


def upgrade() -> None:
    op.create_table(
        "availability",
        sa.Column("id", KEY, nullable=False),
        sa.Column("member_id", KEY, nullable=False),
        sa.Column("kind", sa.String(length=10), nullable=False),
        sa.Column("starts_on", sa.Date(), nullable=False),
        sa.Column("ends_on", sa.Date(), nullable=True),
        sa.Column("weekdays", sa.Integer(), nullable=False),
        sa.Column("every_weeks", sa.Integer(), nullable=False),
        sa.Column("from_min", sa.Integer(), nullable=False),
        sa.Column("to_min", sa.Integer(), nullable=False),
        sa.Column("said_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("ended_at", sa.DateTime(timezone=True), nullable=True),
        sa.CheckConstraint("kind IN ('never', 'rather not', 'like', 'stand in')", name=op.f("ck_availability_known_kind")),
        sa.CheckConstraint("ends_on IS NULL OR ends_on >= starts_on", name=op.f("ck_availability_forward")),
        sa.CheckConstraint("every_weeks BETWEEN 1 AND 52", name=op.f("ck_availability_every_weeks")),
        sa.CheckConstraint(
            "from_min BETWEEN 0 AND 1440 AND to_min BETWEEN 0 AND 1440 AND from_min < to_min",
            name=op.f("ck_availability_hours_forward"),
        ),
        sa.CheckConstraint("weekdays BETWEEN 1 AND 127", name=op.f("ck_availability_weekdays")),
        sa.ForeignKeyConstraint(["member_id"], ["member.id"], name=op.f("fk_availability_member_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_availability")),
    )
    op.create_index(op.f("ix_availability_member_id"), "availability", ["member_id"], unique=False)
    op.create_table(
        "checklist_item",
        sa.Column("id", KEY, nullable=False),
        sa.Column("mall_id", KEY, nullable=False),
        sa.Column("kind", sa.String(length=7), nullable=False),
        sa.Column("place", sa.Integer(), nullable=False),
        sa.Column("words", sa.String(length=200), nullable=False),
        sa.Column("starts_on", sa.Date(), nullable=False),
        sa.Column("ended_on", sa.Date(), nullable=True),
        sa.CheckConstraint("kind IN ('opening', 'closing')", name=op.f("ck_checklist_item_known_kind")),
        sa.CheckConstraint("ended_on IS NULL OR ended_on >= starts_on", name=op.f("ck_checklist_item_forward")),
        sa.ForeignKeyConstraint(["mall_id"], ["mall.id"], name=op.f("fk_checklist_item_mall_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_checklist_item")),
    )
    op.create_index(op.f("ix_checklist_item_mall_id"), "checklist_item", ["mall_id"], unique=False)
    op.create_table(
        "holiday_choice",
        sa.Column("id", KEY, nullable=False),
        sa.Column("mall_id", KEY, nullable=False),
        sa.Column("name", sa.String(length=80), nullable=False),
        sa.Column("starts_on", sa.Date(), nullable=False),
        sa.Column("how", sa.String(length=6), nullable=False),
        sa.Column("opens_min", sa.Integer(), nullable=True),
        sa.Column("closes_min", sa.Integer(), nullable=True),
        sa.CheckConstraint(
            "(how = 'short') = (opens_min IS NOT NULL AND closes_min IS NOT NULL)", name=op.f("ck_holiday_choice_hours_if_short")
        ),
        sa.CheckConstraint("how IN ('open', 'short', 'closed')", name=op.f("ck_holiday_choice_known_how")),
        sa.CheckConstraint(
            "opens_min BETWEEN 0 AND 1440 AND closes_min BETWEEN 0 AND 1440 AND opens_min < closes_min",
            name=op.f("ck_holiday_choice_forward"),
        ),
        sa.ForeignKeyConstraint(["mall_id"], ["mall.id"], name=op.f("fk_holiday_choice_mall_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_holiday_choice")),
        sa.UniqueConstraint("mall_id", "name", "starts_on", name=op.f("uq_holiday_choice_mall_id_name_starts_on")),
    )
    op.create_table(
        "month_answer",
        sa.Column("id", KEY, nullable=False),
        sa.Column("member_id", KEY, nullable=False),
        sa.Column("first_day", sa.Date(), nullable=False),
        sa.Column("answered_at", sa.DateTime(timezone=True), nullable=False),
        sa.ForeignKeyConstraint(["member_id"], ["member.id"], name=op.f("fk_month_answer_member_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_month_answer")),
        sa.UniqueConstraint("member_id", "first_day", name=op.f("uq_month_answer_member_id_first_day")),
    )
    op.create_table(
        "opening_exception",
        sa.Column("id", KEY, nullable=False),
        sa.Column("mall_id", KEY, nullable=False),
        sa.Column("on_date", sa.Date(), nullable=False),
        sa.Column("opens_min", sa.Integer(), nullable=True),
        sa.Column("closes_min", sa.Integer(), nullable=True),
        sa.Column("why", sa.String(length=120), nullable=False),
        sa.Column("made_at", sa.DateTime(timezone=True), nullable=False),
        sa.CheckConstraint("(opens_min IS NULL) = (closes_min IS NULL)", name=op.f("ck_opening_exception_both_or_none")),
        sa.CheckConstraint(
            "opens_min BETWEEN 0 AND 1440 AND closes_min BETWEEN 0 AND 1440 AND opens_min < closes_min",
            name=op.f("ck_opening_exception_forward"),
        ),
        sa.ForeignKeyConstraint(["mall_id"], ["mall.id"], name=op.f("fk_opening_exception_mall_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_opening_exception")),
        sa.UniqueConstraint("mall_id", "on_date", name=op.f("uq_opening_exception_mall_id_on_date")),
    )
    op.create_table(
        "opening_hours",
        sa.Column("id", KEY, nullable=False),
        sa.Column("mall_id", KEY, nullable=False),
        sa.Column("starts_on", sa.Date(), nullable=False),
        sa.Column("weekday", sa.Integer(), nullable=False),
        sa.Column("opens_min", sa.Integer(), nullable=True),
        sa.Column("closes_min", sa.Integer(), nullable=True),
        sa.CheckConstraint("(opens_min IS NULL) = (closes_min IS NULL)", name=op.f("ck_opening_hours_both_or_none")),
        sa.CheckConstraint(
            "opens_min BETWEEN 0 AND 1440 AND closes_min BETWEEN 0 AND 1440 AND opens_min < closes_min",
            name=op.f("ck_opening_hours_forward"),
        ),
        sa.CheckConstraint("weekday BETWEEN 0 AND 6", name=op.f("ck_opening_hours_weekday")),
        sa.ForeignKeyConstraint(["mall_id"], ["mall.id"], name=op.f("fk_opening_hours_mall_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_opening_hours")),
        sa.UniqueConstraint("mall_id", "starts_on", "weekday", name=op.f("uq_opening_hours_mall_id_starts_on_weekday")),
    )
    op.create_table(
        "post",
        sa.Column("id", KEY, nullable=False),
        sa.Column("mall_id", KEY, nullable=False),
        sa.Column("name", sa.String(length=40), nullable=False),
        sa.Column("kind", sa.String(length=8), nullable=False),
        sa.CheckConstraint("kind IN ('desk', 'floor', 'opening', 'closing')", name=op.f("ck_post_known_kind")),
        sa.ForeignKeyConstraint(["mall_id"], ["mall.id"], name=op.f("fk_post_mall_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_post")),
        sa.UniqueConstraint("mall_id", "name", name=op.f("uq_post_mall_id_name")),
    )
    op.create_table(
        "turn_fact",
        sa.Column("id", KEY, nullable=False),
        sa.Column("member_id", KEY, nullable=False),
        sa.Column("mall_id", KEY, nullable=True),
        sa.Column("kind", sa.String(length=8), nullable=False),
        sa.Column("starts_on", sa.Date(), nullable=False),
        sa.Column("ends_on", sa.Date(), nullable=True),
        sa.Column("words", sa.String(length=80), nullable=False),
        sa.Column("less", sa.BigInteger(), nullable=True),
        sa.CheckConstraint("(kind = 'office') = (less IS NOT NULL)", name=op.f("ck_turn_fact_less_by_office")),
        sa.CheckConstraint("kind IN ('trained', 'keys', 'office', 'exempt')", name=op.f("ck_turn_fact_known_kind")),
        sa.CheckConstraint("ends_on IS NULL OR ends_on >= starts_on", name=op.f("ck_turn_fact_forward")),
        sa.ForeignKeyConstraint(["mall_id"], ["mall.id"], name=op.f("fk_turn_fact_mall_id")),
        sa.ForeignKeyConstraint(["member_id"], ["member.id"], name=op.f("fk_turn_fact_member_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_turn_fact")),
    )
    op.create_index(op.f("ix_turn_fact_member_id"), "turn_fact", ["member_id"], unique=False)
    op.create_table(
        "turn_helper",
        sa.Column("id", KEY, nullable=False),
        sa.Column("member_id", KEY, nullable=False),
        sa.Column("name", sa.String(length=120), nullable=False),
        sa.Column("phone", sa.String(length=40), nullable=False),
        sa.Column("trained_on", sa.Date(), nullable=True),
        sa.Column("named_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("ended_on", sa.Date(), nullable=True),
        sa.ForeignKeyConstraint(["member_id"], ["member.id"], name=op.f("fk_turn_helper_member_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_turn_helper")),
    )
    op.create_index(op.f("ix_turn_helper_member_id"), "turn_helper", ["member_id"], unique=False)
    op.create_table(
        "turn_pair",
        sa.Column("id", KEY, nullable=False),
        sa.Column("one_id", KEY, nullable=False),
        sa.Column("other_id", KEY, nullable=False),
        sa.Column("how", sa.String(length=8), nullable=False),
        sa.Column("starts_on", sa.Date(), nullable=False),
        sa.Column("ended_on", sa.Date(), nullable=True),
        sa.CheckConstraint("how IN ('apart', 'together')", name=op.f("ck_turn_pair_known_how")),
        sa.CheckConstraint("one_id < other_id", name=op.f("ck_turn_pair_two_in_order")),
        sa.ForeignKeyConstraint(["one_id"], ["member.id"], name=op.f("fk_turn_pair_one_id")),
        sa.ForeignKeyConstraint(["other_id"], ["member.id"], name=op.f("fk_turn_pair_other_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_turn_pair")),
    )
    op.create_index(op.f("ix_turn_pair_other_id"), "turn_pair", ["other_id"], unique=False)
    op.create_index(
        "uq_turn_pair_running",
        "turn_pair",
        ["one_id", "other_id"],
        unique=True,
        postgresql_where=sa.text("ended_on IS NULL"),
        sqlite_where=sa.text("ended_on IS NULL"),
    )
    op.create_table(
        "turn_rule",
        sa.Column("id", KEY, nullable=False),
        sa.Column("mall_id", KEY, nullable=False),
        sa.Column("starts_on", sa.Date(), nullable=False),
        sa.Column("owed_base", sa.BigInteger(), nullable=False),
        sa.Column("owed_by_area", sa.JSON(), nullable=False),
        sa.Column("owed_most", sa.BigInteger(), nullable=False),
        sa.Column("new_days", sa.Integer(), nullable=False),
        sa.Column("silence", sa.String(length=5), nullable=False),
        sa.Column("answers_day", sa.Integer(), nullable=False),
        sa.Column("most_day", sa.Integer(), nullable=False),
        sa.Column("most_week", sa.Integer(), nullable=False),
        sa.Column("most_in_row", sa.Integer(), nullable=False),
        sa.Column("rest_minutes", sa.Integer(), nullable=False),
        sa.Column("keys_at_ends", sa.Integer(), nullable=False),
        sa.Column("least_people", sa.Integer(), nullable=False),
        sa.Column("least_weekdays", sa.Integer(), nullable=False),
        sa.Column("holidays_of", sa.String(length=8), nullable=False),
        sa.Column("remind_days", sa.Integer(), nullable=False),
        sa.Column("swap_hours", sa.Integer(), nullable=False),
        sa.Column("late_minutes", sa.Integer(), nullable=False),
        sa.Column("no_show_minutes", sa.Integer(), nullable=False),
        sa.Column("no_show", sa.String(length=6), nullable=False),
        sa.Column("no_show_cents", sa.BigInteger(), nullable=False),
        sa.Column("buy_out_cents", sa.BigInteger(), nullable=True),
        sa.Column("paid_substitutes", sa.Boolean(), nullable=False),
        sa.Column("closed", sa.String(length=6), nullable=False),
        sa.Column("carry_most", sa.BigInteger(), nullable=True),
        sa.Column("credit_cents", sa.BigInteger(), nullable=False),
        sa.CheckConstraint("closed IN ('worked', 'owed')", name=op.f("ck_turn_rule_known_closed")),
        sa.CheckConstraint("no_show IN ('owe', 'charge')", name=op.f("ck_turn_rule_known_no_show")),
        sa.CheckConstraint("silence IN ('free', 'never')", name=op.f("ck_turn_rule_known_silence")),
        sa.CheckConstraint("answers_day BETWEEN 1 AND 28", name=op.f("ck_turn_rule_answers_in_month")),
        sa.ForeignKeyConstraint(["mall_id"], ["mall.id"], name=op.f("fk_turn_rule_mall_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_turn_rule")),
        sa.UniqueConstraint("mall_id", "starts_on", name=op.f("uq_turn_rule_mall_id_starts_on")),
    )
    op.create_table(
        "checklist_tick",
        sa.Column("id", KEY, nullable=False),
        sa.Column("item_id", KEY, nullable=False),
        sa.Column("on_date", sa.Date(), nullable=False),
        sa.Column("ticked_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("user_id", KEY, nullable=False),
        sa.Column("member_id", KEY, nullable=True),
        sa.ForeignKeyConstraint(["item_id"], ["checklist_item.id"], name=op.f("fk_checklist_tick_item_id")),
        sa.ForeignKeyConstraint(["member_id"], ["member.id"], name=op.f("fk_checklist_tick_member_id")),
        sa.ForeignKeyConstraint(["user_id"], ["user_account.id"], name=op.f("fk_checklist_tick_user_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_checklist_tick")),
        sa.UniqueConstraint("item_id", "on_date", name=op.f("uq_checklist_tick_item_id_on_date")),
    )
    op.create_table(
        "post_need",
        sa.Column("id", KEY, nullable=False),
        sa.Column("post_id", KEY, nullable=False),
        sa.Column("starts_on", sa.Date(), nullable=False),
        sa.Column("ends_on", sa.Date(), nullable=True),
        sa.Column("weekdays", sa.Integer(), nullable=False),
        sa.Column("from_what", sa.String(length=5), nullable=False),
        sa.Column("from_min", sa.Integer(), nullable=False),
        sa.Column("to_what", sa.String(length=5), nullable=False),
        sa.Column("to_min", sa.Integer(), nullable=False),
        sa.Column("people", sa.Integer(), nullable=False),
        sa.Column("key_holders", sa.Integer(), nullable=False),
        sa.CheckConstraint(
            "from_what IN ('clock', 'open', 'close') AND to_what IN ('clock', 'open', 'close')",
            name=op.f("ck_post_need_known_ends"),
        ),
        sa.CheckConstraint("ends_on IS NULL OR ends_on >= starts_on", name=op.f("ck_post_need_dates_forward")),
        sa.CheckConstraint("key_holders BETWEEN 0 AND people", name=op.f("ck_post_need_key_holders")),
        sa.CheckConstraint("people BETWEEN 1 AND 20", name=op.f("ck_post_need_people")),
        sa.CheckConstraint("weekdays BETWEEN 1 AND 127", name=op.f("ck_post_need_weekdays")),
        sa.ForeignKeyConstraint(["post_id"], ["post.id"], name=op.f("fk_post_need_post_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_post_need")),
    )
    op.create_index(op.f("ix_post_need_post_id"), "post_need", ["post_id"], unique=False)
    op.create_table(
        "rota",
        sa.Column("id", KEY, nullable=False),
        sa.Column("mall_id", KEY, nullable=False),
        sa.Column("first_day", sa.Date(), nullable=False),
        sa.Column("state", sa.String(length=10), nullable=False),
        sa.Column("version", sa.Integer(), nullable=False),
        sa.Column("job_id", KEY, nullable=True),
        sa.Column("stop_asked_at", sa.DateTime(timezone=True), nullable=True),
        sa.Column("drafted_at", sa.DateTime(timezone=True), nullable=True),
        sa.Column("outcome", sa.JSON(), nullable=True),
        sa.Column("published_at", sa.DateTime(timezone=True), nullable=True),
        sa.Column("published_by", KEY, nullable=True),
        sa.CheckConstraint("(state = 'published') = (published_at IS NOT NULL)", name=op.f("ck_rota_published_at_a_time")),
        sa.CheckConstraint("state IN ('draft', 'published')", name=op.f("ck_rota_known_state")),
        sa.ForeignKeyConstraint(["job_id"], ["job.id"], name=op.f("fk_rota_job_id"), ondelete="SET NULL"),
        sa.ForeignKeyConstraint(["mall_id"], ["mall.id"], name=op.f("fk_rota_mall_id")),
        sa.ForeignKeyConstraint(["published_by"], ["user_account.id"], name=op.f("fk_rota_published_by")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_rota")),
        sa.UniqueConstraint("mall_id", "first_day", name=op.f("uq_rota_mall_id_first_day")),
    )
    op.create_index(op.f("ix_rota_job_id"), "rota", ["job_id"], unique=False)
    op.create_table(
        "turn",
        sa.Column("id", KEY, nullable=False),
        sa.Column("rota_id", KEY, nullable=False),
        sa.Column("mall_id", KEY, nullable=False),
        sa.Column("post_id", KEY, nullable=False),
        sa.Column("seat", sa.Integer(), nullable=False),
        sa.Column("on_date", sa.Date(), nullable=False),
        sa.Column("starts_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("ends_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("opens", sa.Boolean(), nullable=False),
        sa.Column("closes", sa.Boolean(), nullable=False),
        sa.Column("needs_keys", sa.Boolean(), nullable=False),
        sa.Column("holiday", sa.String(length=80), nullable=False),
        sa.Column("member_id", KEY, nullable=True),
        sa.Column("for_member_id", KEY, nullable=True),
        sa.Column("helper_id", KEY, nullable=True),
        sa.Column("locked", sa.Boolean(), nullable=False),
        sa.Column("state", sa.String(length=8), nullable=False),
        sa.Column("why", sa.Text(), nullable=False),
        sa.CheckConstraint("state IN ('standing', 'closed')", name=op.f("ck_turn_known_state")),
        sa.CheckConstraint("ends_at > starts_at", name=op.f("ck_turn_forward")),
        sa.CheckConstraint(
            "member_id IS NOT NULL OR (for_member_id IS NULL AND helper_id IS NULL)", name=op.f("ck_turn_nobody_for_nobody")
        ),
        sa.ForeignKeyConstraint(["for_member_id"], ["member.id"], name=op.f("fk_turn_for_member_id")),
        sa.ForeignKeyConstraint(["helper_id"], ["turn_helper.id"], name=op.f("fk_turn_helper_id")),
        sa.ForeignKeyConstraint(["mall_id"], ["mall.id"], name=op.f("fk_turn_mall_id")),
        sa.ForeignKeyConstraint(["member_id"], ["member.id"], name=op.f("fk_turn_member_id")),
        sa.ForeignKeyConstraint(["post_id"], ["post.id"], name=op.f("fk_turn_post_id")),
        sa.ForeignKeyConstraint(["rota_id"], ["rota.id"], name=op.f("fk_turn_rota_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_turn")),
        sa.UniqueConstraint("rota_id", "post_id", "starts_at", "seat", name=op.f("uq_turn_rota_id_post_id_starts_at_seat")),
    )
    op.create_index(op.f("ix_turn_for_member_id"), "turn", ["for_member_id"], unique=False)
    op.create_index(op.f("ix_turn_helper_id"), "turn", ["helper_id"], unique=False)
    op.create_index("ix_turn_mall_id_on_date", "turn", ["mall_id", "on_date"], unique=False)
    op.create_index(op.f("ix_turn_member_id"), "turn", ["member_id"], unique=False)
    op.create_index(op.f("ix_turn_post_id"), "turn", ["post_id"], unique=False)
    op.create_index(op.f("ix_turn_rota_id"), "turn", ["rota_id"], unique=False)
    op.create_table(
        "attendance",
        sa.Column("id", KEY, nullable=False),
        sa.Column("turn_id", KEY, nullable=False),
        sa.Column("signed_in_at", sa.DateTime(timezone=True), nullable=True),
        sa.Column("signed_out_at", sa.DateTime(timezone=True), nullable=True),
        sa.Column("late", sa.Boolean(), nullable=False),
        sa.Column("missed_at", sa.DateTime(timezone=True), nullable=True),
        sa.Column("decision", sa.String(length=8), nullable=False),
        sa.Column("decided_by", KEY, nullable=True),
        sa.Column("decided_at", sa.DateTime(timezone=True), nullable=True),
        sa.Column("note", sa.String(length=200), nullable=False),
        sa.Column("drawer_count_id", KEY, nullable=True),
        sa.CheckConstraint("decision IN ('', 'excused', 'owed', 'charged')", name=op.f("ck_attendance_known_decision")),
        sa.CheckConstraint(
            "signed_in_at IS NULL OR missed_at IS NULL OR signed_in_at >= missed_at", name=op.f("ck_attendance_came_late")
        ),
        sa.CheckConstraint("signed_out_at IS NULL OR signed_out_at >= signed_in_at", name=op.f("ck_attendance_forward")),
        sa.ForeignKeyConstraint(["decided_by"], ["user_account.id"], name=op.f("fk_attendance_decided_by")),
        sa.ForeignKeyConstraint(["drawer_count_id"], ["drawer_count.id"], name=op.f("fk_attendance_drawer_count_id")),
        sa.ForeignKeyConstraint(["turn_id"], ["turn.id"], name=op.f("fk_attendance_turn_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_attendance")),
        sa.UniqueConstraint("turn_id", name=op.f("uq_attendance_turn_id")),
    )
    op.create_table(
        "turn_account",
        sa.Column("id", KEY, nullable=False),
        sa.Column("mall_id", KEY, nullable=False),
        sa.Column("member_id", KEY, nullable=False),
        sa.Column("first_day", sa.Date(), nullable=False),
        sa.Column("kind", sa.String(length=10), nullable=False),
        sa.Column("key", sa.String(length=40), nullable=False),
        sa.Column("turns", sa.BigInteger(), nullable=False),
        sa.Column("working", sa.String(length=300), nullable=False),
        sa.Column("turn_id", KEY, nullable=True),
        sa.Column("at", sa.DateTime(timezone=True), nullable=False),
        sa.CheckConstraint(
            "kind IN ('opening', 'owed', 'worked', 'closed', 'bought out', 'charged', 'credited', 'excused', 'set right')",
            name=op.f("ck_turn_account_known_kind"),
        ),
        sa.CheckConstraint("turns <> 0", name=op.f("ck_turn_account_not_zero")),
        sa.ForeignKeyConstraint(["mall_id"], ["mall.id"], name=op.f("fk_turn_account_mall_id")),
        sa.ForeignKeyConstraint(["member_id"], ["member.id"], name=op.f("fk_turn_account_member_id")),
        sa.ForeignKeyConstraint(["turn_id"], ["turn.id"], name=op.f("fk_turn_account_turn_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_turn_account")),
        sa.UniqueConstraint("mall_id", "member_id", "key", name=op.f("uq_turn_account_mall_id_member_id_key")),
    )
    op.create_index(op.f("ix_turn_account_member_id"), "turn_account", ["member_id"], unique=False)
    op.create_index(op.f("ix_turn_account_turn_id"), "turn_account", ["turn_id"], unique=False)
    op.create_table(
        "turn_offer",
        sa.Column("id", KEY, nullable=False),
        sa.Column("turn_id", KEY, nullable=False),
        sa.Column("kind", sa.String(length=4), nullable=False),
        sa.Column("by_member_id", KEY, nullable=False),
        sa.Column("to_member_id", KEY, nullable=True),
        sa.Column("pays_cents", sa.BigInteger(), nullable=False),
        sa.Column("return_turn_id", KEY, nullable=True),
        sa.Column("state", sa.String(length=9), nullable=False),
        sa.Column("words", sa.String(length=200), nullable=False),
        sa.Column("made_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("answered_by", KEY, nullable=True),
        sa.Column("answered_at", sa.DateTime(timezone=True), nullable=True),
        sa.Column("ended_at", sa.DateTime(timezone=True), nullable=True),
        sa.CheckConstraint(
            "(state IN ('answered', 'taken')) = (answered_by IS NOT NULL)", name=op.f("ck_turn_offer_answered_by_somebody")
        ),
        sa.CheckConstraint("kind = 'swap' OR return_turn_id IS NULL", name=op.f("ck_turn_offer_return_of_a_swap")),
        sa.CheckConstraint("kind IN ('give', 'swap')", name=op.f("ck_turn_offer_known_kind")),
        sa.CheckConstraint("pays_cents >= 0 AND (kind = 'give' OR pays_cents = 0)", name=op.f("ck_turn_offer_money_for_a_gift")),
        sa.CheckConstraint(
            "state IN ('open', 'answered', 'taken', 'withdrawn', 'lapsed')", name=op.f("ck_turn_offer_known_state")
        ),
        sa.ForeignKeyConstraint(["answered_by"], ["member.id"], name=op.f("fk_turn_offer_answered_by")),
        sa.ForeignKeyConstraint(["by_member_id"], ["member.id"], name=op.f("fk_turn_offer_by_member_id")),
        sa.ForeignKeyConstraint(["return_turn_id"], ["turn.id"], name=op.f("fk_turn_offer_return_turn_id")),
        sa.ForeignKeyConstraint(["to_member_id"], ["member.id"], name=op.f("fk_turn_offer_to_member_id")),
        sa.ForeignKeyConstraint(["turn_id"], ["turn.id"], name=op.f("fk_turn_offer_turn_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_turn_offer")),
    )
    op.create_index(op.f("ix_turn_offer_answered_by"), "turn_offer", ["answered_by"], unique=False)
    op.create_index(op.f("ix_turn_offer_by_member_id"), "turn_offer", ["by_member_id"], unique=False)
    op.create_index(op.f("ix_turn_offer_return_turn_id"), "turn_offer", ["return_turn_id"], unique=False)
    op.create_index(op.f("ix_turn_offer_to_member_id"), "turn_offer", ["to_member_id"], unique=False)
    op.create_index(
        "uq_turn_offer_open",
        "turn_offer",
        ["turn_id"],
        unique=True,
        postgresql_where=sa.text("state IN ('open', 'answered')"),
        sqlite_where=sa.text("state IN ('open', 'answered')"),
    )
    op.create_table(
        "turn_change",
        sa.Column("id", KEY, nullable=False),
        sa.Column("turn_id", KEY, nullable=False),
        sa.Column("at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("how", sa.String(length=9), nullable=False),
        sa.Column("from_member_id", KEY, nullable=True),
        sa.Column("to_member_id", KEY, nullable=True),
        sa.Column("by_user_id", KEY, nullable=True),
        sa.Column("offer_id", KEY, nullable=True),
        sa.CheckConstraint(
            "how IN ('published', 'moved', 'swapped', 'given', 'left', 'helper', 'closed')", name=op.f("ck_turn_change_known_how")
        ),
        sa.ForeignKeyConstraint(["by_user_id"], ["user_account.id"], name=op.f("fk_turn_change_by_user_id")),
        sa.ForeignKeyConstraint(["from_member_id"], ["member.id"], name=op.f("fk_turn_change_from_member_id")),
        sa.ForeignKeyConstraint(["offer_id"], ["turn_offer.id"], name=op.f("fk_turn_change_offer_id")),
        sa.ForeignKeyConstraint(["to_member_id"], ["member.id"], name=op.f("fk_turn_change_to_member_id")),
        sa.ForeignKeyConstraint(["turn_id"], ["turn.id"], name=op.f("fk_turn_change_turn_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_turn_change")),
    )
    op.create_index(op.f("ix_turn_change_turn_id"), "turn_change", ["turn_id"], unique=False)
    _guards()


def downgrade() -> None:
    for table in TABLES:
        op.drop_table(table)
    if _is_postgresql():
        op.execute("DROP FUNCTION guard_turn_no_delete()")
