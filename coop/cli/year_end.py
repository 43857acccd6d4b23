"""`coop payouts year`: every dealer's year for the co-op's accountant."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import click

from coop.cli.context import data_option, database_faults, open_coop
from coop.cli.ledger import write_whole
from coop.core.db import dialect_name, transaction
from coop.core.errors import Refusal
from coop.core.money import format_cents
from coop.payouts.domain.year import CAUTION, Figures, YearTotals, year_csv
from coop.payouts.year import year_totals


@click.command("year")
@click.argument("year", type=click.IntRange(1900, 2200))
@click.option("--format", "form", type=click.Choice(["text", "csv"]), default="text", help="A table to read, or CSV.")
@click.option("--to", "file", type=click.Path(path_type=Path, dir_okay=False), help="A file for the CSV; else it is printed.")
@data_option
def year_command(year: int, form: str, file: Path | None, data: Path | None) -> None:
    """Every dealer's totals of YEAR, over all malls: sales, charges, payouts, patronage, and whether they tie to the ledger."""
    if file is not None and form != "csv":
        raise Refusal("--to is for --format csv: the table is printed.")
    coop = open_coop(data)
    with database_faults(), transaction(coop.sessions) as session:
        if dialect_name(session) == "postgresql":
            # One snapshot: what is posted meanwhile is in the rows and in the controls, or in neither.
            session.connection(execution_options={"isolation_level": "REPEATABLE READ"})
        totals = year_totals(session, year)
    if not totals.rows:
        raise Refusal(f"Nothing is in the books of {year}.")
    if file is not None:
        write_whole(file, [year_csv(totals)])
        click.echo(f"{len(totals.rows)} dealers of {year} are written to {file}.")
    elif form == "csv":
        click.echo(year_csv(totals), nl=False)
    else:
        click.echo("\n".join(_table(totals)))
    astray = [one.what for one in totals.controls if not one.ties]
    if astray:
        raise Refusal(f"The totals differ from the ledger ({', '.join(astray)}): tell whoever keeps the program.")


def _table(totals: YearTotals) -> Iterator[str]:
    heads = ("gross", "net", "commission", "rent", "fees", "paid", "patronage", "other", "closing")

    def line(name: str, of: Figures) -> str:
        return f"{name:<12}{of.sales:>7,}" + "".join(f"{format_cents(getattr(of, f'{head}_cents')):>14}" for head in heads)

    yield f"{'dealer':<12}{'sales':>7}" + "".join(f"{head:>14}" for head in heads)
    for row in totals.rows:
        yield line(row.code, row.whole)
        if row.paper != Figures():
            yield line("  on paper", row.paper)
    yield line("all", totals.whole)
    for control in totals.controls:
        yield f"{control.what}: {format_cents(control.rows_cents)}, by the ledger {format_cents(control.ledger_cents)}"
    yield from totals.unfinished
    yield CAUTION
