"""`coop ledger`: the books opened from paper, and written for another program."""

from __future__ import annotations

import os
import tempfile
from collections.abc import Iterable
from pathlib import Path

import click

from coop.books.domain.export import WRITERS
from coop.books.queries import ledger_entries, ledger_head
from coop.cli.context import MONTH, data_option, database_faults, find_mall, open_coop
from coop.cli.opening import COMMANDS
from coop.core.db import dialect_name, transaction
from coop.core.errors import Refusal
from coop.core.money import format_dollars
from coop.core.periods import Month


@click.group("ledger")
def ledger_command() -> None:
    """The books: opened from paper, written for another program."""


for _command in COMMANDS:
    ledger_command.add_command(_command)


@ledger_command.command("export")
@click.option(
    "--format",
    "form",
    type=click.Choice(sorted(WRITERS)),
    required=True,
    help="beancount (3), journal (hledger, ledger), or csv with a row a posting.",
)
@click.option("--month", type=MONTH, help="Only a month, after an entry with the balances before it; else everything.")
@click.option("--mall", "mall_code", help="Only the entries of a mall; accounts that malls share then show its part.")
@click.option(
    "--to",
    "file",
    type=click.Path(path_type=Path, dir_okay=False),
    required=True,
    help="The file; one that is there is replaced.",
)
@data_option
def export_command(form: str, month: Month | None, mall_code: str | None, file: Path, data: Path | None) -> None:
    """Write the ledger for another program, which checks every account's balance when it reads it.

    The file says its period and its control totals. It is written whole or not at all.
    """
    coop = open_coop(data)
    with database_faults(), transaction(coop.sessions) as session:
        if dialect_name(session) == "postgresql":
            # One snapshot: what is posted meanwhile is in the totals and in the entries, or in neither.
            session.connection(execution_options={"isolation_level": "REPEATABLE READ"})
        mall = find_mall(session, mall_code) if mall_code is not None else None
        head = ledger_head(session, month=month, mall=mall)
        if head is None:
            until = "" if month is None else f" up to the end of {month.name}"
            raise Refusal(f"There is nothing to export: the books of {mall.code if mall else 'the co-op'} hold no entry{until}.")
        write_whole(file, WRITERS[form](head, ledger_entries(session, head, mall=mall)))
    click.echo(f"{head.first_day} to {head.last_day}, {head.scope}: written to {file}.")
    for label, count in (("entries", head.entries), ("postings", head.postings)):
        click.echo(f"{label:>20} {count:>15,}")
    click.echo(f"{'debits':>20} {format_dollars(head.debits_cents):>15}")
    for root, amount in head.roots.items():
        click.echo(f"{root:>20} {format_dollars(amount):>15}")


def write_whole(file: Path, lines: Iterable[str]) -> None:
    """Write beside the file and put it in its place at the end: stopped anywhere, what was there before stays."""
    part: Path | None = None
    try:
        descriptor, name = tempfile.mkstemp(prefix=f".{file.name}.", suffix=".part", dir=file.parent)
        part = Path(name)
        with open(descriptor, "w", encoding="utf-8", newline="") as out:
            out.writelines(lines)
            out.flush()
            os.fsync(out.fileno())
        part.replace(file)
    except OSError as error:
        raise Refusal(f"--to {file} could not be written ({error.strerror}): choose another place.") from error
    finally:
        if part is not None:
            part.unlink(missing_ok=True)
