"""`coop month`: the month-end from the command line."""

from __future__ import annotations

import csv
import sys
from dataclasses import astuple, fields
from pathlib import Path

import click

from coop.cli.context import MONTH, Coop, data_option, database_faults, find_mall, find_user, open_coop
from coop.closing import service
from coop.closing.models import MonthClose
from coop.closing.queries import DealerMonth, close_of, dealer_rows, step_faults
from coop.closing.steps import MAY_PASS, TITLES
from coop.core.clock import utc_now
from coop.core.db import transaction
from coop.core.errors import Refusal
from coop.core.job_groups import GroupState
from coop.core.money import format_cents, format_dollars, plain_cents
from coop.core.periods import Month
from coop.core.runner import run_group_with_processes
from coop.statements.service import counted

_MARKS = {"done": "done", "refused": "REFUSED", "running": "running", "waiting": "not yet"}
_TRIED = {"done": "would be done", "refused": "REFUSED"}
"""What a dry run says of a step."""


@click.group("month")
def month_command() -> None:
    """The month-end of a mall."""


@month_command.command("close")
@click.argument("month", type=MONTH)
@click.option("--mall", "mall_code", required=True, help="Code of the mall.")
@click.option("--dry-run", is_flag=True, help="Try every step up to the lock, show what would come of it, change nothing.")
@click.option("--no-wait", is_flag=True, help="Leave the work to the workers that are running.")
@data_option
def close_command(month: Month, mall_code: str, dry_run: bool, no_wait: bool, data: Path | None) -> None:
    """Close a month: post rent and commission, check, lock, make and mail the statements.

    Stopped anywhere, it goes on when it is run again; a month that is closed already stays as it is.
    """
    coop = open_coop(data)
    with database_faults():
        if dry_run:
            _rehearse(coop, month, mall_code)
            return
        with transaction(coop.sessions) as session:
            mall = find_mall(session, mall_code)
            close = service.start_close(session, utc_now(), mall_id=mall.id, month=month)
            close_id = close.id
        if no_wait:
            steps = f"coop month steps {month} --mall {mall.code}"
            click.echo(f"{month.name} of {mall.code} is in the workers' hands. See how it goes with: {steps}")
            return
        see_through(coop, close_id)
        with transaction(coop.sessions) as session:
            close = session.get_one(MonthClose, close_id)
            _print_steps(close)
            faults = step_faults(session, close)
            unfinished = any(step.state != "done" for step in close.steps)
    for sentence in faults:
        click.echo(sentence, err=True)
    if unfinished:
        click.echo("The month-end is not finished. Mend what was refused and run the same command again.", err=True)
        sys.exit(1)


def see_through(coop: Coop, close_id: int) -> None:
    """Run a month-end's jobs with processes of this command, showing progress where a person looks on."""
    with click.progressbar(length=1, label="month-end", file=sys.stderr, hidden=not sys.stderr.isatty()) as bar:

        def progress(state: GroupState) -> None:
            bar.length = max(1, state.total)
            bar.update(state.done + state.failed - bar.pos)

        run_group_with_processes(coop.settings, service.group_of(close_id), progress)


def _rehearse(coop: Coop, month: Month, mall_code: str) -> None:
    with coop.sessions() as session:
        mall = find_mall(session, mall_code)
        said = service.rehearse_close(session, utc_now(), mall, month)
        rows = dealer_rows(session, mall.id, month)
        session.rollback()
    for step in said:
        click.echo(f"{_TRIED[step.state]:>13}  {TITLES[step.name]}: {step.report}")
    owed = format_dollars(sum(row.closing for row in rows))
    click.echo(f"{counted(len(rows), 'dealer')}; to be owed in all {owed}. Nothing was changed.")
    refused = sum(step.state == "refused" for step in said)
    if refused:
        click.echo(
            f"{counted(refused, 'step')} would be refused. Mend what {'it says' if refused == 1 else 'they say'}.", err=True
        )
        sys.exit(1)


def _print_steps(close: MonthClose) -> None:
    for step in close.steps:
        click.echo(f"{_MARKS[step.state]:>8}  {TITLES[step.name]}" + (f": {step.report}" if step.report else ""))


@month_command.command("steps")
@click.argument("month", type=MONTH)
@click.option("--mall", "mall_code", required=True, help="Code of the mall.")
@data_option
def steps_command(month: Month, mall_code: str, data: Path | None) -> None:
    """Show how a month-end stands."""
    coop = open_coop(data)
    with transaction(coop.sessions) as session:
        mall = find_mall(session, mall_code)
        close = close_of(session, mall.id, month)
        if close is None:
            click.echo(f"The month-end of {month.name} at {mall.code} has not begun.")
        else:
            _print_steps(close)
            for sentence in step_faults(session, close):
                click.echo(sentence)


@month_command.command("let-pass")
@click.argument("month", type=MONTH)
@click.option("--mall", "mall_code", required=True, help="Code of the mall.")
@click.option("--step", type=click.Choice(MAY_PASS), required=True, help="The step that was refused.")
@click.option("--reason", required=True, help="Why it may pass: the log and the step keep it.")
@click.option("--by", "email", required=True, metavar="EMAIL", help="The manager who lets it pass.")
@data_option
def let_pass_command(month: Month, mall_code: str, step: str, reason: str, email: str, data: Path | None) -> None:
    """Let a step pass that was refused and cannot be mended. Then run the month-end again."""
    coop = open_coop(data)
    with database_faults(), transaction(coop.sessions) as session:
        mall = find_mall(session, mall_code)
        close = close_of(session, mall.id, month)
        if close is None:
            raise Refusal(f"The month-end of {month.name} at {mall.code} has not begun.")
        by = find_user(session, email, "manager")
        service.let_pass(session, utc_now(), close, step, reason=reason, user_id=by)
        code = mall.code
    click.echo(f"{TITLES[step]}: let pass. Go on with: coop month close {month} --mall {code}")


_CENTS = [f.name for f in fields(DealerMonth) if f.name not in ("dealer_id", "dealer", "name")]


@month_command.command("show")
@click.argument("month", type=MONTH)
@click.option("--mall", "mall_code", required=True, help="Code of the mall.")
@click.option("--format", "form", type=click.Choice(["table", "csv"]), default="table", show_default=True)
@data_option
def show_command(month: Month, mall_code: str, form: str, data: Path | None) -> None:
    """Show what each dealer's month came to: a row a dealer, dollars with two decimals.

    closing = opening + net + tax_to_file - commission - rent - fees - paid; net = gross - returns - discounts.
    """
    coop = open_coop(data)
    with transaction(coop.sessions) as session:
        mall = find_mall(session, mall_code)
        rows = dealer_rows(session, mall.id, month)
    table = [(row.dealer, *(astuple(row)[3:])) for row in rows]
    if form == "csv":
        out = csv.writer(sys.stdout, lineterminator="\n")
        out.writerow(["dealer", *_CENTS])
        for code, *amounts in table:
            out.writerow([code, *(plain_cents(a) for a in amounts)])
        return
    if not table:
        click.echo(f"No dealer has a lease, a sale, a charge or a balance in {month.name} at {mall.code}.")
        return
    widths = [max(11, len(name) + 1) for name in _CENTS]
    click.echo("dealer".ljust(8) + "".join(name.rjust(w) for name, w in zip(_CENTS, widths, strict=True)))
    for code, *amounts in [*table, ("all", *(sum(column) for column in list(zip(*table, strict=True))[1:]))]:
        click.echo(code.ljust(8) + "".join(format_cents(a).rjust(w) for a, w in zip(amounts, widths, strict=True)))
