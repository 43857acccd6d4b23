"""`coop statements export`, `book` and `export-lines`."""

from __future__ import annotations

from pathlib import Path

import click
from sqlalchemy import select

from coop.cli.context import MONTH, data_option, database_faults, find_mall, open_coop
from coop.cli.ledger import write_whole
from coop.core.db import transaction
from coop.core.errors import Refusal
from coop.core.periods import Month
from coop.dealers.models import Dealer
from coop.statements.book import make_book
from coop.statements.exporting import export_statements, lines_file, write_file
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


_FILE = click.Path(path_type=Path, dir_okay=False)
_TO = click.option("--to", "file", type=_FILE, required=True, help="The file; one that is there is replaced.")
_MALL = click.option("--mall", "mall_code", required=True, help="Code of the mall.")
_MONTH = click.option("--month", type=MONTH, required=True, help="The month, such as 2026-10.")


@statements_command.command("book")
@_MALL
@_MONTH
@click.option("--without-mail", is_flag=True, help="Only those of dealers without an address, or whose mail did not arrive.")
@_TO
@data_option
def book_command(mall_code: str, month: Month, without_mail: bool, file: Path, data: Path | None) -> None:
    """Write all statements of a month as one PDF for printing, each beginning on the front of a sheet."""
    coop = open_coop(data)
    with database_faults():
        with transaction(coop.sessions) as session:
            mall_id = find_mall(session, mall_code).id
        content, count = make_book(lambda: transaction(coop.sessions), mall_id, month, without_mail=without_mail)
    try:
        write_file(file, content)
    except OSError as error:
        raise Refusal(f"--to {file} could not be written ({error.strerror}): choose another place.") from error
    click.echo(f"{counted(count, 'statement')} written to {file}.")


@statements_command.command("export-lines")
@_MALL
@_MONTH
@click.option("--dealer", "dealer_code", help="Only this dealer's.")
@_TO
@data_option
def export_lines_command(mall_code: str, month: Month, dealer_code: str | None, file: Path, data: Path | None) -> None:
    """Write a month's statements as CSV, a line a row: with its period, and control totals that tie to the closing balances."""
    coop = open_coop(data)
    with database_faults(), transaction(coop.sessions) as session:
        mall = find_mall(session, mall_code)
        dealer = session.scalar(select(Dealer).where(Dealer.code == dealer_code)) if dealer_code else None
        if dealer_code and dealer is None:
            raise Refusal(f"--dealer {dealer_code}: there is no dealer of that code.")
        write_whole(file, lines_file(session, mall, month, dealer=dealer))
    click.echo(f"The lines of {month.name} are written to {file}.")
