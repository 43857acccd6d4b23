"""What every command opens first: the settings, the engine, the sessions of one co-op."""

from __future__ import annotations

import logging
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import timedelta
from pathlib import Path
from typing import Any

import click
from sqlalchemy import Engine, select
from sqlalchemy.exc import DatabaseError, OperationalError
from sqlalchemy.orm import Session

import coop.rooms  # noqa: F401  every table and kind of work
from coop.config import Settings, load_settings
from coop.core import broker, migrate
from coop.core.db import Sessions, make_engine, make_sessions
from coop.core.errors import Refusal
from coop.core.periods import Month
from coop.dealers.queries import user_by_email
from coop.floor.models import Mall

data_option = click.option(
    "--data",
    type=click.Path(path_type=Path, file_okay=False),
    help="Folder of the co-op (else COOP_DATA, else ./coop-data).",
)


@dataclass(frozen=True)
class Coop:
    """One co-op, opened."""

    settings: Settings
    engine: Engine
    sessions: Sessions

    @property
    def lease(self) -> timedelta:
        return timedelta(seconds=self.settings.job_lease_s)


def open_coop(data: Path | None, *, migrated: bool = True) -> Coop:
    """Settings, engine and sessions. Refuses a folder without a co-op and a database of another version."""
    settings = load_settings(data)
    logging.basicConfig(format="%(levelname)s %(name)s: %(message)s", level=logging.WARNING)
    if migrated and settings.is_sqlite and not settings.sqlite_path.exists():
        raise Refusal(
            f"There is no co-op in {settings.data}. Make one with: "
            f'coop new --name "NAME" --mall CODE --timezone ZONE --data {settings.data}'
        )
    broker.connect(settings)
    engine = make_engine(settings.url)
    if migrated:
        try:
            here, newest = migrate.revision_of(engine), migrate.newest_revision()
        except OperationalError as error:
            raise Refusal(f"The database does not answer: {str(error.orig).strip()}") from error
        except DatabaseError as error:
            raise Refusal(f"The database cannot be read ({str(error.orig).strip()}): restore it from a backup.") from error
        if here is None:
            raise Refusal("The database is empty. Make a co-op with: coop new --name NAME --mall CODE --timezone ZONE")
        if here != newest:
            raise Refusal(f"The database is at version {here}, this program at {newest}. Bring it forward with: coop upgrade")
    return Coop(settings, engine, make_sessions(engine))


@contextmanager
def database_faults() -> Iterator[None]:
    """A full disk or a database that is gone, said in a sentence: what was committed stays, the rest is to be run again."""
    try:
        yield
    except OperationalError as error:
        raise Refusal(
            f"The database did not take it ({str(error.orig).strip()}). What was done before stays; when there is room and it "
            "answers, run the same command again and it goes on."
        ) from error


class MonthType(click.ParamType[Month]):
    """`2010-12`"""

    name = "YYYY-MM"

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> Month:
        if isinstance(value, Month):
            return value
        try:
            return Month.parse(value)
        except ValueError as error:
            return self.fail(f"{value!r} {error}", param, ctx)


MONTH = MonthType()


def find_user(session: Session, email: str, *roles: str) -> int:
    """The id of whoever signs in with that mail address and has one of the roles. Raises Refusal."""
    user = user_by_email(session, email.strip().lower())
    if user is None or user.disabled_at is not None:
        raise Refusal(f"--by {email}: nobody signs in with that mail address.")
    if not {grant.role for grant in user.grants} & set(roles):
        raise Refusal(f"--by {email}: this is for the {' and the '.join(roles)}.")
    return user.id


def find_mall(session: Session, code: str) -> Mall:
    """The mall of that code. Raises Refusal naming the malls there are."""
    mall = session.scalar(select(Mall).where(Mall.code == code.upper()))
    if mall is None:
        codes = session.scalars(select(Mall.code).order_by(Mall.code)).all()
        raise Refusal(f"--mall {code}: there is no such mall. There is: {', '.join(codes) or 'none yet'}.")
    return mall
