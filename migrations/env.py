"""Alembic's environment: everything comes from coop.core.migrate."""

from alembic import context

config = context.config
engine = config.attributes["engine"]

with engine.connect() as connection:
    with connection.begin():
        context.configure(
            connection=connection,
            target_metadata=config.attributes["metadata"],
            render_as_batch=connection.dialect.name == "sqlite",
            compare_type=True,
            transaction_per_migration=False,
        )
        with context.begin_transaction():
            context.run_migrations()
