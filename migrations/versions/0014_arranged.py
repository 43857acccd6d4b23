"""Sets arranged by the program: what was asked, what each tier came to, and what was left out and why."""

import sqlalchemy as sa
from alembic import op

revision = "0014"
down_revision = "0013"
branch_labels = None
depends_on = None


def upgrade() -> None:
    op.add_column("booth_set", sa.Column("arranged", sa.JSON(), nullable=True))


def downgrade() -> None:
    op.drop_column("booth_set", "arranged")
