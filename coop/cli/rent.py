"""`coop rent`: a month's rents with their working before they post, posting them, and the price index."""

from __future__ import annotations

import csv
import sys
from pathlib import Path

import click

from coop.books.queries import first_days
from coop.cli.context import MONTH, data_option, database_faults, find_mall, open_coop
from coop.closing.queries import sales_between
from coop.core.clock import local_date, utc_now
from coop.core.db import transaction
from coop.core.errors import Refusal
from coop.core.money import format_cents, plain_cents
from coop.core.periods import Month
from coop.dealers.models import Dealer
from coop.leases.posting import due_rents, post_rents
from coop.leases.rules import import_index
from coop.statements.service import counted


@click.group("rent")
def rent_command() -> None:
    """Rents of a month, and the price index they may follow."""


@rent_command.command("show")
@click.argument("month", type=MONTH)
@click.option("--mall", "mall_code", required=True, help="Code of the mall.")
@click.option("--csv", "as_csv", is_flag=True, help="One charge a row, for another program.")
@data_option
def show_command(month: Month, mall_code: str, as_csv: bool, data: Path | None) -> None:
    """Show every rent of a month with its working, what of it is posted, and what is still to post. Nothing is posted.

    Percentage rent is shown by the sales so far. Turns worked take off what they do when the month ends.
    """
    coop = open_coop(data)
    with database_faults(), transaction(coop.sessions) as session:
        mall = find_mall(session, mall_code)
        due = due_rents(session, mall, month, sales_between=sales_between(session, mall.id))
        codes = {dealer_id: session.get_one(Dealer, dealer_id).code for dealer_id in {each.draft.dealer_id for each in due}}
    rows: list[tuple[str, str, str, int, int, int]] = []
    for each in due:
        posted = each.before.amount_cents if each.before else 0
        whole = each.draft.rent
        rows.append((codes[each.draft.dealer_id], each.draft.label, whole.working, whole.amount_cents, posted, each.amount_cents))
    rows.sort(key=lambda row: row[0])
    if as_csv:
        out = csv.writer(sys.stdout, lineterminator="\n")
        out.writerow(["dealer", "charge", "working", "amount", "posted", "to_post"])
        for row in rows:
            out.writerow([*row[:3], *(plain_cents(cents) for cents in row[3:])])
        return
    if not rows:
        click.echo(f"No space is leased at {mall.code} in {month.name}.")
        return
    click.echo(f"{'dealer':<8}{'charge':<18}{'amount':>11}{'posted':>11}{'to post':>11}  working")
    for code, label, working, amount, posted, rest in rows:
        figures = "".join(f"{format_cents(cents):>11}" for cents in (amount, posted, rest))
        click.echo(f"{code:<8}{label:<18}{figures}  {working}")
    totals = "".join(
        f"{format_cents(sum(column)):>11}" for column in ([r[3] for r in rows], [r[4] for r in rows], [r[5] for r in rows])
    )
    click.echo(f"{'all':<26}{totals}")


@rent_command.command("post")
@click.argument("month", type=MONTH)
@click.option("--mall", "mall_code", required=True, help="Code of the mall.")
@data_option
def post_command(month: Month, mall_code: str, data: Path | None) -> None:
    """Post a month's rents, or of those that are posted what has changed since. Run again, it posts nothing twice.

    In advance they are dated on the month's first day, in arrears on its last, as the house rules of the mall say. Percentage
    rent waits for the month to be over.
    """
    coop = open_coop(data)
    with database_faults(), transaction(coop.sessions) as session:
        mall, now = find_mall(session, mall_code), utc_now()
        begun = first_days(session).get(mall.id)
        if begun is not None and month.first_day < begun:
            raise Refusal(f"The books of {mall.code} begin with {Month.of(begun).name}: rent of before is not in them.")
        if month > Month.of(local_date(now, mall.timezone)).next:
            raise Refusal(f"{month.name} is too far ahead: rent is posted for the next month at most.")
        is_over = local_date(now, mall.timezone) > month.last_day
        posted = post_rents(session, now, mall, month, sales_between=sales_between(session, mall.id) if is_over else None)
    click.echo(f"{counted(posted, 'charge')} posted for {month.name} at {mall.code}.")


@rent_command.command("import-index")
@click.argument("file", type=click.Path(path_type=Path, dir_okay=False))
@data_option
def import_index_command(file: Path, data: Path | None) -> None:
    """Bring published values of a price index in: CSV with the heading series,month,value, such as CPI-U,2026-06,322.561.

    All or nothing: a bad row is named with its field and reason, and nothing is taken until the file is right.
    """
    coop = open_coop(data)
    try:
        text = file.read_text(encoding="utf-8-sig")
    except OSError as error:
        raise Refusal(f"{file} could not be read ({error.strerror}).") from error
    except UnicodeDecodeError as error:
        raise Refusal(f"{file} is not UTF-8 text: save it as CSV in UTF-8.") from error
    with database_faults(), transaction(coop.sessions) as session:
        new = import_index(session, text)
    click.echo(f"{counted(new, 'value')} taken.")
