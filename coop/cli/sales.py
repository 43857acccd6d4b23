"""`coop sales import`."""

from __future__ import annotations

import sys
from pathlib import Path

import click

from coop.cli.context import data_option, database_faults, open_coop
from coop.core.clock import local_date, utc_now
from coop.core.db import transaction
from coop.core.errors import Refusal
from coop.core.money import format_dollars
from coop.floor.models import Mall
from coop.sales.domain import MAPPINGS
from coop.sales.importing import ImportOptions, import_sales, refusals_by_reason
from coop.sales.queries import late_tickets, refusals_of
from coop.tax.queries import place_on


@click.group("sales")
def sales_command() -> None:
    """Sales brought in from another register."""


@sales_command.command("import")
@click.argument("file", type=click.Path(path_type=Path))
@click.option("--mapping", required=True, help=f"How the file is read: {', '.join(sorted(MAPPINGS))}.")
@click.option("--mall", "mall_code", required=True, help="Code of the mall that sold.")
@click.option("--create-dealers", is_flag=True, help="Make dealers the co-op does not have, with a plain lease without rent.")
@click.option("--encoding", default="utf-8-sig", help="Of the file, when it is not UTF-8.")
@click.option("--refused", "refused_to", type=click.Path(path_type=Path), help="Write every refused row and its reason here.")
@data_option
def import_command(
    file: Path,
    mapping: str,
    mall_code: str,
    create_dealers: bool,
    encoding: str,
    refused_to: Path | None,
    data: Path | None,
) -> None:
    """Bring a CSV file (plain or gzip) of sales in.

    Each row is taken, taken as unclaimed, or refused with its reason. The same file twice changes nothing; one that was stopped
    is finished by running it again.
    """
    coop = open_coop(data)
    options = ImportOptions(mapping, mall_code, create_dealers, encoding)
    started = utc_now()
    with click.progressbar(length=1, label=file.name, file=sys.stderr, hidden=not sys.stderr.isatty()) as bar:

        def progress(done: int, total: int) -> None:
            bar.length = total
            bar.update(done - bar.pos)

        with database_faults():
            work = import_sales(coop.sessions, file, options, clock=utc_now, progress=progress)
    if work.finished_at is not None and work.finished_at < started:
        click.echo(f"{file.name} was brought in on {work.finished_at:%Y-%m-%d}: nothing has changed. It held:")
    with transaction(coop.sessions) as session:
        today = local_date(started, session.get_one(Mall, work.mall_id).timezone)
        untaxed = work.tickets > 0 and place_on(session, work.mall_id, today) is None
        reasons, late = refusals_by_reason(session, work.id), late_tickets(session, work.id)
        if refused_to is not None:
            try:
                with refused_to.open("w", encoding="utf-8") as out:
                    out.writelines(f"{sentence}\n" for sentence in refusals_of(session, work.id))
            except OSError as error:
                raise Refusal(
                    f"--refused {refused_to} could not be written ({error.strerror}). The sales are in; choose another file "
                    "and run the same import again: it changes nothing and writes the list."
                ) from error
    rows = [
        ("rows read", work.rows, None),
        ("taken", work.rows_taken, work.taken_cents),
        ("unclaimed", work.rows_unclaimed, work.unclaimed_cents),
        ("refused", work.rows_refused, None),
        ("here already", work.rows_here, None),
    ]
    for label, count, amount in rows:
        click.echo(f"{label:>14} {count:>10,}" + (f"  {format_dollars(amount)}" if amount is not None else ""))
    for reason, count in reasons:
        click.echo(f"{'':>14} {count:>10,}  refused: {reason}")
    click.echo(f"{'tickets':>14} {work.tickets:>10,}")
    for label, count, on in late:
        click.echo(f"{count:,} of these tickets were sold in {label}, which is closed: they are dated {on:%B %-d, %Y}.")
    if untaxed:
        click.echo(
            f"No place is set for sales tax at {mall_code}: these sales bear none. Set it in the office, under Tax, Places."
        )
    if any(reason == "unknown dealer" for reason, _ in reasons):
        click.echo("Add the dealers that are missing, or import again with --create-dealers.")
    if work.rows_refused and refused_to is None:
        click.echo("To read why each row was refused, run the same import again with --refused FILE: it changes nothing else.")
