"""`coop payouts`: runs from the command line: prepared, shown, approved by a named person, their files, marked paid."""

from __future__ import annotations

import os
from collections.abc import Iterator
from datetime import datetime
from pathlib import Path

import click
from sqlalchemy.orm import Session

from coop.cli.context import MONTH, data_option, database_faults, open_coop
from coop.cli.year_end import year_command
from coop.core.clock import utc_now
from coop.core.db import transaction
from coop.core.documents import Document
from coop.core.errors import Refusal
from coop.core.money import format_cents, format_dollars
from coop.core.periods import Month
from coop.core.runner import run_group_with_processes
from coop.core.sealed_text import FieldKeys
from coop.core.templating import day
from coop.dealers.queries import user_by_email
from coop.payouts import bank_file, paying_out, queries, runs
from coop.payouts.models import PayoutRun
from coop.payouts.remittance import checks_csv

run_argument = click.argument("number", type=click.IntRange(min=1), metavar="RUN")
by_option = click.option("--by", "email", metavar="EMAIL", help="Whose sign-in does it: the log keeps it.")
_KEEPERS = {"manager", "bookkeeper"}


@click.group("payouts")
def payouts_command() -> None:
    """Payouts of closed months: a run is prepared by one person, approved by another, and posted when it is paid."""


payouts_command.add_command(year_command)


@payouts_command.command("prepare")
@click.argument("month", type=MONTH)
@by_option
@data_option
def prepare_command(month: Month, email: str | None, data: Path | None) -> None:
    """Prepare the run of MONTH, once every mall has closed it. The one that is prepared already stays as it is."""
    coop = open_coop(data)
    with database_faults(), transaction(coop.sessions) as session:
        now = utc_now()
        run = runs.prepare_run(session, now, month, user_id=_user(session, email) if email else None)
        if run is None:
            raise Refusal(_why_none(session, month))
        lines = list(_shown(session, now, run))
    click.echo("\n".join(lines))


def _why_none(session: Session, month: Month) -> str:
    still_open = queries.open_malls(session, month)
    if still_open:
        return f"{month.name} is still open at {', '.join(mall.code for mall in still_open)}: close it first."
    return f"Nobody is to be paid for {month.name}."


@payouts_command.command("show")
@click.argument("number", type=click.IntRange(min=1), metavar="[RUN]", required=False)
@data_option
def show_command(number: int | None, data: Path | None) -> None:
    """Show the run of that number, with who is not paid and why; without a number, list the runs."""
    coop = open_coop(data)
    with database_faults(), transaction(coop.sessions) as session:
        lines = list(_listed(session) if number is None else _shown(session, utc_now(), _run(session, number)))
    click.echo("\n".join(lines))


def _listed(session: Session) -> Iterator[str]:
    rows = queries.run_rows(session)
    if not rows:
        yield "There is no run yet. A closed month is paid with: coop payouts prepare MONTH"
        return
    yield f"{'run':>5}  {'month':<10}{'state':<11}{'day':<14}{'payees':>6}{'dollars':>14}"
    for row in rows:
        run, when = row.run, day(row.run.paid_on or row.run.pay_on)
        yield (
            f"{run.number:>5}  {Month.of(run.first_day)!s:<10}{run.state:<11}{when:<14}{row.lines:>6}"
            f"{format_cents(row.amount_cents):>14}"
        )


def _shown(session: Session, now: datetime, run: PayoutRun) -> Iterator[str]:
    month, codes = Month.of(run.first_day), queries.codes_of(session)
    lines = queries.lines_of(session, run)
    when = f"paid on {day(run.paid_on)}" if run.paid_on else f"to be paid on {day(run.pay_on)}"
    yield f"Run {run.number} for {month.name}, {run.state}, {when}."
    for line in lines:
        back = f"  came back: {line.return_reason}" if line.returned_on else ""
        how = f"{queries.METHODS[line.method]:<15}{line.reference:<17}"
        yield f"{codes[line.dealer_id]:<8}{how}{format_cents(line.amount_cents):>12}{back}"
    yield f"{'all':<8}{'':<15}{'':<17}{format_cents(sum(line.amount_cents for line in lines)):>12}"
    if run.state not in queries.UNPAID:
        return
    paid = {line.dealer_id for line in lines}
    for one in sorted(runs.listed(session, now, month, besides=run.id), key=lambda one: codes[one.dealer_id]):
        if one.dealer_id not in paid:
            why = "; ".join(reason.words for reason in one.reasons if not reason.pays) or "nothing is to be paid"
            yield f"{codes[one.dealer_id]:<8}{'not paid':<32}{format_cents(one.payable.amount_cents):>12}  {why}"


@payouts_command.command("approve")
@run_argument
@click.option("--by", "email", metavar="EMAIL", required=True, help="The second person, by the mail address of the sign-in.")
@click.option("--first-check", type=int, help="Number of the first check, where the run has checks.")
@data_option
def approve_command(number: int, email: str, first_check: int | None, data: Path | None) -> None:
    """Approve RUN as a second person, and make its files."""
    coop = open_coop(data)
    with database_faults():
        with transaction(coop.sessions) as session:
            run = _run(session, number)
            runs.approve_run(session, utc_now(), run, user_id=_user(session, email), first_check=first_check)
            group = runs.files_group(run)
        run_group_with_processes(coop.settings, group, lambda state: None, processes=1)
        with transaction(coop.sessions) as session:
            fault = bank_file.files_fault(session, _run(session, number))
    if fault:
        raise Refusal(f"Run {number} is approved, but its files were not made: {fault}")
    click.echo(f"Run {number} is approved and its files are made. Write them out with: coop payouts files {number} --to FOLDER")


@payouts_command.command("files")
@run_argument
@click.option("--to", "folder", type=click.Path(path_type=Path, file_okay=False), required=True, help="Folder they go to.")
@click.option("--again", is_flag=True, help="Although the run is paid: sending its bank file again pays twice.")
@by_option
@data_option
def files_command(number: int, folder: Path, again: bool, email: str | None, data: Path | None) -> None:
    """Write the files of RUN to a folder: the bank's, the list of checks, the remittance pages. The bank's is for you alone."""
    coop = open_coop(data)
    with database_faults(), transaction(coop.sessions) as session:
        files = _files(session, FieldKeys.of(coop.settings), number, email, again=again)
    try:
        folder.mkdir(parents=True, exist_ok=True)
        for name, content in files.items():
            # Whole account numbers are in one of them.
            with os.fdopen(os.open(folder / name, os.O_WRONLY | os.O_CREAT | os.O_TRUNC, 0o600), "wb") as file:
                file.write(content)
    except OSError as error:
        raise Refusal(f"--to {folder}: the files cannot be written ({error.strerror}).") from error
    for name in files:
        click.echo(f"Written to {folder / name}.")


def _files(session: Session, keys: FieldKeys, number: int, email: str | None, *, again: bool) -> dict[str, bytes]:
    run = _run(session, number)
    found: dict[str, bytes] = {}
    if run.ach_document_id is not None:
        user_id = _user(session, email) if email else None
        name, content = bank_file.taken_bank_file(session, utc_now(), run, keys, again=again, user_id=user_id)
        found[name] = content
    if run.first_check is not None:
        found[f"checks-run-{number}.csv"] = checks_csv(session, run).encode("utf-8")
    if run.remittance_document_id is not None:
        pages = session.get_one(Document, run.remittance_document_id)
        found[pages.file_name] = pages.content
    if not found:
        raise Refusal(f"Run {number} has no files: it is {run.state}.")
    return found


@payouts_command.command("paid")
@run_argument
@click.option("--on", type=click.DateTime(["%Y-%m-%d"]), required=True, help="The day it was paid, like 2026-11-10.")
@click.option("--sent-another-way", "otherwise", is_flag=True, help="The transfers went out without the bank file.")
@by_option
@data_option
def paid_command(number: int, on: datetime, otherwise: bool, email: str | None, data: Path | None) -> None:
    """Mark RUN paid on a day, which posts it: all of it or nothing, and once however often it is said."""
    coop = open_coop(data)
    with database_faults(), transaction(coop.sessions) as session:
        run = _run(session, number)
        user_id = _user(session, email) if email else None
        posted = paying_out.mark_paid(session, utc_now(), run, on=on.date(), sent_otherwise=otherwise, user_id=user_id)
        total = sum(line.amount_cents for line in queries.lines_of(session, run))
    if not posted:
        click.echo(f"Run {number} was paid on {day(on.date())} already.")
        return
    click.echo(f"Run {number} is paid: {format_dollars(total)} in {posted} {'entry' if posted == 1 else 'entries'}.")


def _run(session: Session, number: int) -> PayoutRun:
    found = queries.run_by_number(session, number)
    if found is None:
        raise Refusal(f"There is no run {number}: `coop payouts show` lists them.")
    return found


def _user(session: Session, email: str) -> int:
    """The id of a manager or bookkeeper, by mail address."""
    user = user_by_email(session, email.strip().lower())
    if user is None or user.disabled_at is not None:
        raise Refusal(f"--by {email}: nobody signs in with that mail address.")
    if not {grant.role for grant in user.grants} & _KEEPERS:
        raise Refusal(f"--by {email}: runs are for the manager and the bookkeeper.")
    return user.id
