"""`coop bank`: the bank's files brought in, lines matched and shown, the books' side of the bank for another program."""

from __future__ import annotations

import sys
from pathlib import Path

import click

from coop.books.bank_lines import balance_at, bring_file, lines_of, months_with_lines
from coop.books.bank_matching import match_proposed, matches_of, proposals
from coop.books.bank_months import book_statement, month_sheet
from coop.books.banking import settle_proposed_cards
from coop.books.domain.bank_export import book_csv
from coop.books.domain.bank_file import MOST_BYTES
from coop.books.domain.ofx import write_ofx
from coop.cli.context import MONTH, data_option, database_faults, open_coop
from coop.cli.ledger import write_whole
from coop.core.clock import utc_now
from coop.core.db import transaction
from coop.core.errors import Refusal
from coop.core.money import format_cents, format_dollars
from coop.core.periods import Month
from coop.statements.service import counted


@click.group("bank")
def bank_command() -> None:
    """The bank's lines, and what they are in the books."""


@bank_command.command("import")
@click.argument("file", type=click.Path(path_type=Path, dir_okay=False))
@data_option
def import_command(file: Path, data: Path | None) -> None:
    """Bring a file of the bank in: OFX, or CSV with a heading that names date, amount (or debit and credit) and description.

    Each file once, all of it or nothing: every bad row is named. Lines an earlier file brought are counted and not taken again.
    """
    coop = open_coop(data)
    try:
        with file.open("rb") as opened:
            content = opened.read(MOST_BYTES + 1)
    except OSError as error:
        raise Refusal(f"{file} could not be read ({error.strerror}).") from error
    with database_faults(), transaction(coop.sessions) as session:
        brought = bring_file(session, utc_now(), file.name, content)
    click.echo(f"{counted(brought.lines, 'new line')} from {brought.first_day} to {brought.last_day}.")
    if brought.lines_here:
        click.echo(f"{counted(brought.lines_here, 'line')} here already.")
    if brought.closing_cents is not None:
        click.echo(f"Balance at the bank on {brought.last_day}: {format_dollars(brought.closing_cents)}.")


@bank_command.command("match")
@click.option("--month", type=MONTH, help="Only the lines of a month.")
@click.option("--cards", is_flag=True, help="Enter the batches of cards that are proposed, too.")
@data_option
def match_command(month: Month | None, cards: bool, data: Path | None) -> None:
    """Match every line that is surely, likely or in sum one thing. A line that fits twice is left, and named."""
    coop = open_coop(data)
    with database_faults(), transaction(coop.sessions) as session:
        now = utc_now()
        matched = match_proposed(session, now, month=month)
        settled = settle_proposed_cards(session, now, month=month) if cards else 0
        left = lines_of(session, month=month, unmatched=True)
        found = proposals(session)
    click.echo(f"{counted(matched, 'line')} matched.")
    if settled:
        click.echo(f"{counted(settled, 'line')} entered as card sales.")
    for row in left:
        click.echo(f"{row.line.on}  {format_cents(row.open_cents):>12}  {row.line.words or '-'}: {found[row.line.id].sentence}")


@bank_command.command("show")
@click.option("--month", type=MONTH, help="The month; else the newest with lines.")
@data_option
def show_command(month: Month | None, data: Path | None) -> None:
    """Show a month's lines with what they are, and how the bank account stands at its end."""
    coop = open_coop(data)
    with database_faults(), transaction(coop.sessions) as session:
        there = months_with_lines(session)
        month = month or (there[0] if there else None)
        if month is None:
            raise Refusal("No line of the bank is here yet: bring its file in with coop bank import FILE.")
        rows = lines_of(session, month=month)
        matches = matches_of(session, [row.line.id for row in rows])
        sheet = month_sheet(session, month)
        by_file = balance_at(session, month.last_day)
    for row in rows:
        entries = " ".join(str(one.entry.id) for one in matches.get(row.line.id, ()))
        said = f"{row.state} {entries}".strip()
        words = f"{row.line.words} {row.line.reference}".strip()
        click.echo(f"{row.line.on}  {format_cents(row.line.amount_cents):>12}  {said:<16}  {words}")
    standing = sheet.standing
    click.echo(f"{month.name}:")
    bank = "not known" if standing.bank_cents is None else format_cents(standing.bank_cents)
    click.echo(f"{'at the bank':>34} {bank:>14}{'' if by_file is not None or sheet.made is None else '  as written'}")
    click.echo(f"{'plus in the books, not at the bank':>34} {format_cents(sheet.items_cents):>14}")
    click.echo(f"{'less at the bank, not in the books':>34} {format_cents(sheet.lines_cents):>14}")
    click.echo(f"{'less the balance in the books':>34} {format_cents(standing.book_cents):>14}")
    difference = "not known" if standing.difference_cents is None else format_cents(standing.difference_cents)
    click.echo(f"{'difference':>34} {difference:>14}")
    for item in sheet.items:
        click.echo(f"outstanding: {item.on}  {format_cents(item.cents):>12}  {item.label} (entry {item.entry_id})")
    if sheet.made is None:
        click.echo("Not reconciled.")
    elif sheet.state == "changed":
        click.echo("Reconciled, and changed since.")
    elif sheet.state == "waits":
        click.echo("Reconciled by one person; a second has to.")
    elif sheet.state == "unexplained":
        click.echo("Reconciled, and a line open since that nobody explained.")
    else:
        click.echo(f"Reconciled. {sheet.made.explanation}".rstrip())


@bank_command.command("export")
@click.option("--month", type=MONTH, required=True, help="The month.")
@click.option("--format", "form", type=click.Choice(["ofx", "csv"]), required=True, help="OFX 2.2, or CSV with a row an entry.")
@click.option(
    "--to", "file", type=click.Path(path_type=Path, dir_okay=False), help="The file; one that is there is replaced. Else printed."
)
@data_option
def export_command(month: Month, form: str, file: Path | None, data: Path | None) -> None:
    """Write what the books posted to the bank account in a month, with the balances before and after and control totals."""
    coop = open_coop(data)
    with database_faults(), transaction(coop.sessions) as session:
        statement = book_statement(session, month)
    text = book_csv(statement) if form == "csv" else "".join(write_ofx(statement))
    if file is None:
        # As it is: what prints may not change the ends of lines.
        sys.stdout.buffer.write(text.encode("utf-8"))
        return
    write_whole(file, [text])
    click.echo(f"{month.first_day} to {month.last_day}: {counted(len(statement.lines), 'line')} written to {file}.")
    click.echo(f"From {format_dollars(statement.opening_cents)} to {format_dollars(statement.closing_cents)}.")
