"""Sales by day from an index alone, and a mall's unclaimed sales without all its others, however many there are."""

import sqlalchemy as sa
from alembic import op

revision = "0011"
down_revision = "0010"
branch_labels = None
depends_on = None

BY_DAY, COLUMNS = "ix_ticket_mall_posting_date", ["mall_id", "posting_date"]
WAITED = sa.text("credited_on IS NULL OR credited_on > posting_date")


def upgrade() -> None:
    op.drop_index(BY_DAY, table_name="ticket")
    op.create_index(BY_DAY, "ticket", [*COLUMNS, "kind", "net_cents", "tax_cents"], unique=False)
    op.create_index("ix_ticket_line_waited", "ticket_line", COLUMNS, unique=False, postgresql_where=WAITED, sqlite_where=WAITED)


def downgrade() -> None:
    op.drop_index("ix_ticket_line_waited", table_name="ticket_line")
    op.drop_index(BY_DAY, table_name="ticket")
    op.create_index(BY_DAY, "ticket", COLUMNS, unique=False)
