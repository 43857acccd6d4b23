"""`coop backup` and `coop restore`."""

from __future__ import annotations

import os
import sys
from pathlib import Path

import click

from coop.books.service import check_books
from coop.cli.context import data_option, open_coop
from coop.config import load_settings
from coop.core import keeping
from coop.core.archive import Manifest, is_encrypted
from coop.core.clock import utc_now
from coop.core.errors import Refusal

_VARIABLE = "COOP_BACKUP_PASSPHRASE"
_SHORTEST = 12


@click.command("backup")
@click.option(
    "--to", "target", required=True, type=click.Path(path_type=Path), help="The archive to write, or a folder to put it in."
)
@click.option("--encrypt", is_flag=True, help=f"Encrypt it (always done when {_VARIABLE} is set, else asks for a passphrase).")
@data_option
def backup_command(target: Path, encrypt: bool, data: Path | None) -> None:
    """Put the whole co-op into one archive, while it runs."""
    coop = open_coop(data, migrated=False)
    passphrase = _passphrase_given() or (_ask(confirm=True) if encrypt else "")
    if passphrase and len(passphrase) < _SHORTEST:
        raise Refusal(f"The passphrase has {len(passphrase)} characters. Take at least {_SHORTEST}.")
    report = keeping.make_backup(coop.settings, coop.engine, utc_now(), target.absolute(), passphrase)
    coop.engine.dispose()
    form = "encrypted: without its passphrase nobody can restore it" if report.encrypted else "not encrypted"
    click.echo(f"{report.path} holds {_contents(report.manifest)}: {report.size_bytes:,} bytes, {form}.")


@click.command("restore")
@click.argument("archive", type=click.Path(path_type=Path))
@data_option
def restore_command(archive: Path, data: Path | None) -> None:
    """Make the co-op again from an ARCHIVE, where there is none."""
    settings = load_settings(data)
    passphrase = (_passphrase_given() or _ask(confirm=False)) if is_encrypted(archive) else ""
    report = keeping.restore_backup(settings, archive, check_books, passphrase)
    manifest = report.manifest
    place = f"in {settings.data}" if settings.is_sqlite else f"in the PostgreSQL database, its files in {settings.data}"
    click.echo(f"The co-op as it was at {manifest.made_at[:19]} UTC is there again {place}: {_contents(manifest)}.")
    if report.revision != manifest.revision:
        click.echo(f"Its tables were brought forward from {manifest.revision} to {report.revision}.")
    click.echo("Every table has its count of rows, and the books hold.")
    if report.mails_waiting:
        click.echo(f"Mails waiting when it was made: {report.mails_waiting}. They are sent when coop serve or coop work begins.")


def _contents(manifest: Manifest) -> str:
    return f"{len(manifest.counts)} tables with {manifest.rows:,} rows, and {manifest.mails:,} mails of the post-box"


def _passphrase_given() -> str:
    """From the environment, or from the file that the environment names."""
    given = os.environ.get(_VARIABLE)
    path = os.environ.get(f"{_VARIABLE}_FILE")
    if given is None and path:
        try:
            given = Path(path).read_text(encoding="utf-8").strip()
        except OSError as error:
            raise Refusal(f"{_VARIABLE}_FILE names {path}, which cannot be read: {error.strerror}.") from error
    return given or ""


def _ask(*, confirm: bool) -> str:
    if not sys.stdin.isatty():
        raise Refusal(f"Set {_VARIABLE}, or {_VARIABLE}_FILE: there is nobody here to ask for the passphrase.")
    answer: str = click.prompt("Passphrase of the archive", hide_input=True, confirmation_prompt=confirm)
    return answer
