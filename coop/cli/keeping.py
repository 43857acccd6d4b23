"""`coop backup` and `coop restore`; `coop reseal`, which changes the key of what is kept sealed."""

from __future__ import annotations

import os
import sys
from pathlib import Path

import click

from coop.books.checking import check_books
from coop.cli.context import data_option, open_coop
from coop.config import FIELD_KEYS_FILE, add_field_key, load_settings
from coop.core import audit, keeping
from coop.core.archive import Manifest, is_encrypted
from coop.core.clock import utc_now
from coop.core.db import transaction
from coop.core.errors import Refusal
from coop.core.sealed_text import FieldKeys, reseal

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
    if coop.settings.field_keys:
        click.echo(
            "The keys of bank account and tax numbers (COOP_FIELD_KEYS) are not in it: keep them apart, nobody can read those "
            "numbers without."
        )
    elif FIELD_KEYS_FILE in report.manifest.files:
        click.echo(
            f"It holds the co-op's keys too, also that of bank account and tax numbers ({FIELD_KEYS_FILE}): who has the archive"
            f"{' and its passphrase' if report.encrypted else ''} can read them."
        )


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


@click.command("reseal")
@click.option("--fresh-key", is_flag=True, help="First make a fresh key in the co-op's folder and put it before those there.")
@data_option
def reseal_command(fresh_key: bool, data: Path | None) -> None:
    """Seal every bank account and tax number again under the first key.

    To change the key that COOP_FIELD_KEYS names: put the new one before the old, with a comma between, start everything again,
    run this, and then take the old one out.
    """
    coop = open_coop(data)
    if fresh_key:
        if coop.settings.field_keys:
            raise Refusal(
                "--fresh-key is for the key in the co-op's folder; yours is in COOP_FIELD_KEYS: put a new one first there."
            )
        add_field_key(coop.settings)
    with transaction(coop.sessions) as session:
        done = reseal(session, FieldKeys.of(coop.settings))
        audit.record(session, utc_now(), "numbers sealed again", "sealed numbers", done)
    click.echo(f"Sealed again under the first key: {done}.")
    if fresh_key:
        click.echo(f"The keys before it stay in {coop.settings.data / FIELD_KEYS_FILE}, behind the fresh one.")


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
