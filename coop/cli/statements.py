"""`coop statements export`."""

from __future__ import annotations

from pathlib import Path

import click

from coop.cli.context import MONTH, data_option, database_faults, find_mall, open_coop
from coop.core.db import transaction
from coop.core.periods import Month
from coop.statements.exporting import export_statements
from coop.statements.service import counted


@click.group("statements")
def statements_command() -> None:
    """Dealers' statements."""


@statements_command.command("export")
@click.argument("month", type=MONTH)
@click.option("--mall", "mall_code", required=True, help="Code of the mall.")
@click.option("--to", "folder", required=True, type=click.Path(path_type=Path, file_okay=False), help="Folder to write to.")
@data_option
def export_command(month: Month, mall_code: str, folder: Path, data: Path | None) -> None:
    """Write a month's statements to a folder, one PDF a dealer, as they were first made."""
    coop = open_coop(data)
    with database_faults():
        with transaction(coop.sessions) as session:
            mall = find_mall(session, mall_code)
        done = export_statements(coop.sessions, mall, month, folder)
    there = f", {counted(done.unchanged, 'was', 'were')} there already" if done.unchanged else ""
    click.echo(f"{counted(done.written, 'statement')} written to {folder}{there}.")
