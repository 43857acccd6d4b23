"""`coop check`: what is missing or wrong here, and the exact line that mends it. `coop upgrade`: the database brought forward."""

from __future__ import annotations

import os
import platform
import shutil
import smtplib
import sys
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path

import click
import redis
from alembic.script import ScriptDirectory
from alembic.util import CommandError
from sqlalchemy import func, select, text
from sqlalchemy.exc import DBAPIError
from sqlalchemy.orm import Session

from coop.books import bank_months, checking, journal
from coop.cli.context import Coop, data_option, open_coop
from coop.closing import checking as closing
from coop.config import Settings, SettingsError, load_settings
from coop.core import migrate, paths, pdf
from coop.core.db import server_version
from coop.core.errors import Refusal
from coop.core.sealed_text import WRONG_KEY, FieldKeys, sealed_count, unopened
from coop.dealers.models import Cooperative
from coop.leases import deposits
from coop.payouts import patronage, paying_out, releases
from coop.sales import claims, drawers, gifts, layaway_books
from coop.statements import checking as statements
from coop.tax import filing

LEAST_FREE_BYTES = 200 * 2**20
ANSWER_WITHIN_S = 5


@dataclass(frozen=True)
class Finding:
    """One thing looked at. With a fault it says what is wrong and, where there is one, the line that mends it."""

    subject: str
    fault: str = ""
    mend: str = ""
    word: str = "wrong"

    def lines(self) -> Iterator[str]:
        if not self.fault:
            yield f"ok       {self.subject}"
            return
        yield f"{self.word:<8} {self.subject}: {self.fault}"
        if self.mend:
            yield f"         mend it with: {self.mend}"


# --- the machine --------------------------------------------------------------------------------------------------------


def check_machine() -> Iterator[Finding]:
    """Python, the renderer's libraries, the text face, and the files that ship beside the code."""
    # One older than 3.11 does not get this far: the installer refuses it.
    yield Finding(f"Python {platform.python_version()}")
    yield _renderer()
    yield _font()
    for name, find in (("templates", paths.templates), ("migrations", paths.migrations)):
        try:
            yield Finding(f"{name} in {find()}")
        except FileNotFoundError as error:
            yield Finding(name, f"{error}.", "install coop again", "missing")


def _renderer() -> Finding:
    try:
        return Finding(f"libraries for PDF ({pdf.made_with()})")
    except pdf.PdfError as error:
        said = str(error.__cause__).strip().splitlines()[0]
    if sys.platform == "darwin":
        mend = "brew install pango"
    else:
        mend = f"sudo apt-get update && sudo {pdf.INSTALL}"
    return Finding("libraries for PDF", said, mend, "missing")


def _font() -> Finding:
    subject = "text face Source Serif Pro"
    mend = f"{sys.executable} -m pip install font-source-serif-pro==0.0.1"
    try:
        faces = [path for path in paths.fonts().iterdir() if path.suffix in (".otf", ".ttf")]
    except FileNotFoundError as error:
        return Finding(subject, f"{error}.", mend, "missing")
    return Finding(subject) if faces else Finding(subject, "its package holds no font.", mend, "missing")


# --- the co-op's folder and what it talks to ----------------------------------------------------------------------------


def check_folder(settings: Settings) -> Finding:
    """Whether the data folder can be written and has room."""
    folder = settings.data
    subject = f"folder {folder}"
    if not folder.is_dir():
        return Finding(subject, "there is none.", f"mkdir -p '{folder}'", "missing")
    if not os.access(folder, os.W_OK | os.X_OK):
        return Finding(subject, "this user may not write there.", f"sudo chown -R $(id -un) '{folder}'")
    free = shutil.disk_usage(folder).free
    if free < LEAST_FREE_BYTES:
        return Finding(
            subject,
            f"{free // 2**20} MB are free; a month-end wants {LEAST_FREE_BYTES // 2**20}. Make room on that disk.",
        )
    return Finding(subject)


def check_broker(settings: Settings) -> Finding:
    """Whether Redis answers."""
    try:
        with redis.Redis.from_url(
            settings.redis_url, socket_connect_timeout=ANSWER_WITHIN_S, socket_timeout=ANSWER_WITHIN_S
        ) as client:
            client.ping()
    except (redis.RedisError, ValueError) as error:
        return Finding("Redis (COOP_REDIS_URL)", f"it does not answer: {error}. Start it, or correct the address.")
    return Finding("Redis answers")


def check_mail_server(settings: Settings) -> Finding:
    """Whether the SMTP server greets us. Nothing is sent."""
    name = f"mail server {settings.smtp_host}:{settings.smtp_port}"
    timeout = min(settings.smtp_timeout_s, ANSWER_WITHIN_S)
    connect = smtplib.SMTP_SSL if settings.smtp_security == "tls" else smtplib.SMTP
    try:
        with connect(settings.smtp_host, settings.smtp_port, timeout=timeout) as client:
            client.noop()
    except (OSError, smtplib.SMTPException) as error:
        return Finding(name, f"it does not answer: {error}. Start it, or correct COOP_SMTP_HOST, _PORT and _SECURITY.")
    return Finding(f"{name} answers")


def check_database(coop: Coop) -> Finding:
    """Whether the database answers, is whole, and is at this program's version."""
    try:
        with coop.sessions() as session:
            version = server_version(session)
            intact = session.scalar(text("PRAGMA quick_check(1)")) if coop.settings.is_sqlite else "ok"
        here, newest = migrate.revision_of(coop.engine), migrate.newest_revision()
    except DBAPIError as error:
        if coop.settings.is_sqlite:
            return Finding("database", f"it cannot be read: {error.orig}.", "coop restore, from the newest backup")
        return Finding("database", f"it does not answer: {str(error.orig).strip()}. Start it, or correct COOP_DATABASE_URL.")
    if intact != "ok":
        return Finding(version, f"the file is damaged: {intact}.", "coop restore, from the newest backup")
    if here == newest:
        return Finding(f"{version}, version {here}")
    if here is None:
        return Finding(version, "it is empty.", "coop new --name NAME --mall CODE --timezone ZONE")
    if not _is_known(here):
        return Finding(version, _unknown(here))
    return Finding(version, f"it is at version {here}, this program at {newest}.", f"coop upgrade --data '{coop.settings.data}'")


def _is_known(revision: str) -> bool:
    try:
        ScriptDirectory.from_config(migrate.alembic_config()).get_revision(revision)
    except CommandError:
        return False
    return True


def _unknown(revision: str) -> str:
    return f"it is at version {revision}, which this program does not know: a newer one made it. Install that one."


# --- the books ----------------------------------------------------------------------------------------------------------

BOOKS: tuple[tuple[str, Callable[[Session], list[str]]], ...] = (
    ("trial balance and seals", checking.check_books),
    ("deposits against the ledger", deposits.check_deposits),
    ("layaway money against the ledger", layaway_books.check_layaways),
    ("the bank's lines against the ledger", bank_months.check_bank),
    ("gift certificates against the ledger", gifts.check_gifts),
    ("unclaimed sales against the ledger", claims.check_unclaimed),
    ("counts of drawers against the ledger", drawers.check_counts),
    ("entries by hand against the ledger", journal.check_journals),
    ("payouts against the ledger", paying_out.check_payouts),
    ("checks never cashed against the ledger", releases.check_stale),
    ("shared surpluses against the ledger", patronage.check_patronage),
    ("statements against the ledger", statements.check_statements),
    ("a statement of every dealer of a closed month", closing.check_months),
    ("filed returns of sales tax", filing.check_returns),
)
"""What is proved, and what proves it: it gives each fault as a sentence."""


def check_books(coop: Coop) -> Iterator[Finding]:
    """Prove the books part by part, each from one consistent reading of the database.

    On SQLite a reading keeps writers waiting: it lasts no longer than one part, and not while a finding is printed.
    """
    with coop.sessions() as session:
        founded = session.scalar(select(func.count()).select_from(Cooperative))
    if not founded:
        yield Finding("co-op", "the database holds none.", "coop new --name NAME --mall CODE --timezone ZONE")
        return
    for subject, proof in BOOKS:
        with coop.sessions() as session:
            if not coop.settings.is_sqlite:
                # Or an entry made between two questions would look like a fault.
                session.connection(execution_options={"isolation_level": "REPEATABLE READ"})
            faults = proof(session)
        yield from (Finding(subject, fault) for fault in faults)
        if not faults:
            yield Finding(subject)


def check_sealed(coop: Coop) -> Finding:
    """Whether the keys here open every bank account and tax number that is kept sealed."""
    with coop.sessions() as session:
        count = sealed_count(session)
        lost = unopened(session, FieldKeys.of(coop.settings)) if count else 0
    if lost:
        return Finding("sealed bank account and tax numbers", f"{lost} of {count} do not open. {WRONG_KEY}")
    return Finding("sealed bank account and tax numbers")


def _all_findings(data: Path | None) -> Iterator[Finding]:
    yield from check_machine()
    try:
        settings = load_settings(data)
    except SettingsError as error:
        yield Finding("settings", str(error))
        return
    yield Finding("settings")
    if settings.is_sqlite and not settings.sqlite_path.exists():
        click.echo(f"There is no co-op in {settings.data}: only the machine and the settings were checked.")
        return
    yield check_folder(settings)
    if settings.jobs == "celery":
        yield check_broker(settings)
    if settings.smtp_host:
        yield check_mail_server(settings)
    coop = open_coop(data, migrated=False)
    try:
        database = check_database(coop)
        yield database
        if not database.fault:
            yield check_sealed(coop)
            yield from check_books(coop)
    finally:
        coop.engine.dispose()


@click.command("check")
@data_option
def check_command(data: Path | None) -> None:
    """Say what is missing on this machine or wrong in this co-op's books, and how to mend it.

    Exit code 0 when all is well, else 1.
    """
    faults = 0
    for finding in _all_findings(data):
        faults += bool(finding.fault)
        for line in finding.lines():
            click.echo(line)
    if faults:
        click.echo(f"{faults} to mend.")
        sys.exit(1)
    click.echo("All is well.")


@click.command("upgrade")
@data_option
def upgrade_command(data: Path | None) -> None:
    """Bring the database to this program's version: in one transaction, so it arrives or nothing has changed."""
    settings = load_settings(data)
    if settings.is_sqlite and not settings.sqlite_path.exists():
        raise Refusal(f"There is no co-op in {settings.data}, so there is nothing to bring forward.")
    coop = open_coop(data, migrated=False)
    try:
        here, newest = migrate.revision_of(coop.engine), migrate.newest_revision()
        if here == newest:
            click.echo(f"The database is at version {here} already.")
            return
        if here is not None and not _is_known(here):
            raise Refusal(f"The database cannot be brought forward: {_unknown(here)}")
        migrate.upgrade(coop.engine)
    except DBAPIError as error:
        raise Refusal(f"The database could not be brought forward, and is as it was: {str(error.orig).strip()}") from error
    finally:
        coop.engine.dispose()
    click.echo(f"The database was brought from version {here or 'none'} to {newest}.")
