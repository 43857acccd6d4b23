"""The key of the form by which floor was asked for, or a sold piece put down: the same form sent twice is one."""

import sqlalchemy as sa
from alembic import op

revision = "0017"
down_revision = "0016"
branch_labels = None
depends_on = None

TABLES = ("overflow_request", "overflow_piece")


def upgrade() -> None:
    for table in TABLES:
        op.add_column(table, sa.Column("key", sa.String(32), nullable=True))
        op.create_index(f"uq_{table}_key", table, ["key"], unique=True)


def downgrade() -> None:
    for table in reversed(TABLES):
        op.drop_index(f"uq_{table}_key", table)
        op.drop_column(table, "key")
