"""Alembic's environment: everything comes from coop.core.migrate."""

from alembic import context

from coop.core.db import Scaled, UtcDateTime

config = context.config
engine = config.attributes["engine"]


def render_item(kind: str, item: object, _context: object) -> str | bool:
    """Write our own column types as the plain ones beneath them: a migration is history and imports nothing of ours."""
    if kind == "type" and isinstance(item, UtcDateTime):
        return "sa.DateTime(timezone=True)"
    if kind == "type" and isinstance(item, Scaled):
        return "sa.BigInteger()"
    return False


with engine.connect() as connection:
    with connection.begin():
        context.configure(
            connection=connection,
            target_metadata=config.attributes["metadata"],
            render_as_batch=connection.dialect.name == "sqlite",
            compare_type=True,
            render_item=render_item,
            transaction_per_migration=False,
        )
        with context.begin_transaction():
            context.run_migrations()
