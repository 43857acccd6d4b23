"""The last day of a stay before it was said to be gone, and before it was asked back: what undoing these goes back to.

Of what was asked back and then said to be gone, the first was in lengthened_from. Before it was asked back the others had floor
until the day they were given it until, which undoing goes back to where nothing is written down.
"""

from alembic import op

revision = "0018"
down_revision = "0017"
branch_labels = None
depends_on = None

ADDED = {
    "gone_from": "DATE CONSTRAINT ck_overflow_stay_gone_from CHECK (gone_from IS NULL OR gone_said_at IS NOT NULL)",
    "recalled_from": "DATE CONSTRAINT ck_overflow_stay_recalled_from CHECK (recalled_from IS NULL OR recalled_at IS NOT NULL)",
}
"""To overflow_stay, in SQL that both databases read: SQLite takes a constraint with a new column only so."""


def upgrade() -> None:
    for name, definition in ADDED.items():
        op.execute(f"ALTER TABLE overflow_stay ADD COLUMN {name} {definition}")
    op.execute(
        "UPDATE overflow_stay SET gone_from = lengthened_from, lengthened_from = NULL "
        "WHERE recalled_at IS NOT NULL AND gone_said_at IS NOT NULL"
    )


def downgrade() -> None:
    op.execute("UPDATE overflow_stay SET lengthened_from = gone_from WHERE recalled_at IS NOT NULL AND gone_said_at IS NOT NULL")
    for name in reversed(ADDED):
        op.execute(f"ALTER TABLE overflow_stay DROP COLUMN {name}")
