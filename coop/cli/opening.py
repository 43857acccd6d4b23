"""`coop ledger open`, `sign-opening` and `drop-opening`: the beginning from paper, by two people."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import Any

import click
from sqlalchemy.orm import Session

from coop.books.domain.opening_csv import COLUMNS, EXAMPLE, KINDS, OpeningRow
from coop.books.models import Opening
from coop.cli.context import MONTH, data_option, database_faults, find_user, open_coop
from coop.closing.opening import OpeningRefused, drop_opening, pending_opening, read_opening, rows_of, sign_opening
from coop.core.clock import utc_now
from coop.core.db import transaction
from coop.core.errors import Refusal
from coop.core.money import format_dollars
from coop.core.periods import Month

KEEPERS = ("manager", "bookkeeper")
by_option = click.option("--by", "email", required=True, metavar="EMAIL", help="Whose sign-in does it: the log keeps it.")


def _kinds() -> str:
    return "\n".join(f"  {name:<12} {kind.says}" for name, kind in KINDS.items())


@click.command(
    "open",
    epilog="The columns are "
    + ", ".join(COLUMNS)
    + ". See every kind of row, and a whole example, with: coop ledger open --example",
)
@click.argument("file", type=click.Path(path_type=Path, exists=True, dir_okay=False), required=False)
@click.option("--first-month", type=MONTH, help="The first month kept here: the balances are those of the day before it.")
@click.option("--by", "email", metavar="EMAIL", help="Whose sign-in reads it: somebody else signs it.")
@click.option("--example", is_flag=True, help="Print a small file, and what its rows are, and do nothing.")
@data_option
def open_command(file: Path | None, first_month: Month | None, email: str | None, example: bool, data: Path | None) -> None:
    """Read a FILE of balances from paper, a CSV with control totals, for a second person to sign."""
    if example:
        click.echo(EXAMPLE)
        click.echo(_kinds(), err=True)
        return
    if file is None or first_month is None or email is None:
        raise Refusal("Name the file, its --first-month and who reads it --by; or see an --example.")
    coop = open_coop(data)
    with database_faults(), transaction(coop.sessions) as session:
        try:
            opening = read_opening(
                session,
                utc_now(),
                content=file.read_bytes(),
                file_name=file.name,
                first_month=first_month,
                user_id=find_user(session, email, *KEEPERS),
            )
        except OpeningRefused as refused:
            raise Refusal("\n".join((f"{file.name} is not taken.", *refused.sentences))) from refused
        lines = totals_lines(opening)
    click.echo("\n".join(lines))
    click.echo("Nothing is posted yet. A second person sees every row with: coop ledger sign-opening --by EMAIL --dry-run")
    click.echo("and signs it with: coop ledger sign-opening --by EMAIL")


def totals_lines(opening: Opening) -> list[str]:
    """The control totals, a line a kind."""
    lines = [f"{opening.file_name}, for the books that begin with {Month.of(opening.first_day).name}:"]
    return lines + [f"{kind:>12} {sums['rows']:>7,} {_sum(sums):>15}" for kind, sums in opening.totals.items()]


def rows_lines(rows: Sequence[OpeningRow]) -> list[str]:
    """Every balance of a file, a line each, for holding against the paper."""
    lines = []
    for row in rows:
        amount = format_dollars(row.cents) if row.turns is None else f"{row.turns} turns"
        rest = [row.what, row.number, f"price {format_dollars(row.price_cents)}" if row.price_cents else ""]
        rest += [f"of {row.on}" if row.on else "", f"due {row.due}" if row.due else "", row.words]
        said = ", ".join(part for part in rest if part)
        lines.append(f"{row.row:>5} {row.kind:<12} {row.mall:<12} {row.dealer:<12} {amount:>15}  {said}".rstrip())
    return lines


def _sum(sums: dict[str, Any]) -> str:
    return format_dollars(sums["cents"]) if "cents" in sums else f"{sums['turns']} turns"


def _pending(session: Session) -> Opening:
    opening = pending_opening(session)
    if opening is None:
        raise Refusal("No opening waits to be signed. Read one with: coop ledger open FILE --first-month YYYY-MM --by EMAIL")
    return opening


@click.command("sign-opening")
@by_option
@click.option("--dry-run", is_flag=True, help="Show every row of the file and its totals, and change nothing.")
@data_option
def sign_command(email: str, dry_run: bool, data: Path | None) -> None:
    """Sign the opening that was read, as a second person: it is posted, and the month before is closed with it.

    See every row of it before with --dry-run.
    """
    coop = open_coop(data)
    with database_faults(), transaction(coop.sessions) as session:
        opening = _pending(session)
        by = find_user(session, email, *KEEPERS)
        lines = [*rows_lines(rows_of(session, opening).rows), *totals_lines(opening)]
        if dry_run:
            click.echo("\n".join(lines))
            click.echo("Nothing was changed. Hold every row against the paper; then sign without --dry-run.")
            return
        entries = sign_opening(session, utc_now(), opening, user_id=by)
    click.echo("\n".join(lines))
    click.echo(f"Posted in {len(entries)} {'entry' if len(entries) == 1 else 'entries'}. The books are open.")


@click.command("drop-opening")
@by_option
@data_option
def drop_command(email: str, data: Path | None) -> None:
    """Drop the opening that was read, so that another file can be."""
    coop = open_coop(data)
    with database_faults(), transaction(coop.sessions) as session:
        opening = _pending(session)
        drop_opening(session, utc_now(), opening, user_id=find_user(session, email, *KEEPERS))
        name = opening.file_name
    click.echo(f"{name} is dropped.")


COMMANDS = (open_command, sign_command, drop_command)
"""Of `coop ledger`."""
