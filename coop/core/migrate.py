"""Alembic, configured in code: no ini file, found from any working directory, from a checkout and from a wheel."""

from __future__ import annotations

from alembic import command
from alembic.config import Config
from alembic.runtime.migration import MigrationContext
from alembic.script import ScriptDirectory
from sqlalchemy import Engine, MetaData

from coop.core import paths


def alembic_config(engine: Engine | None = None, metadata: MetaData | None = None) -> Config:
    """Alembic's configuration; `metadata` is needed only to compare the database with the tables in code."""
    config = Config()
    config.set_main_option("script_location", str(paths.migrations()).replace("%", "%%"))
    config.set_main_option("path_separator", "os")
    config.attributes["engine"] = engine
    config.attributes["metadata"] = metadata
    return config


def upgrade(engine: Engine, revision: str = "head") -> None:
    """Bring the database forward. One transaction: it arrives or nothing has changed."""
    command.upgrade(alembic_config(engine), revision)


def downgrade(engine: Engine, revision: str) -> None:
    """Bring the database back."""
    command.downgrade(alembic_config(engine), revision)


def revision_of(engine: Engine) -> str | None:
    """The revision a database is at; None for an empty one."""
    with engine.connect() as connection:
        return MigrationContext.configure(connection).get_current_revision()


def newest_revision() -> str | None:
    return ScriptDirectory.from_config(alembic_config()).get_current_head()
