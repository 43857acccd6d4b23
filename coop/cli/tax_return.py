"""`coop tax return`: a sales-tax return at a terminal, as CSV or as PDF, filed or as it would be filed today."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import click
from sqlalchemy.orm import Session

from coop.cli.context import MONTH, data_option, database_faults, open_coop
from coop.core.clock import utc_now
from coop.core.db import transaction
from coop.core.errors import Refusal
from coop.core.money import format_cents
from coop.core.pdf import PdfError
from coop.core.periods import Month
from coop.core.templating import day
from coop.dealers.models import Cooperative
from coop.office import tax_queries as queries
from coop.tax.documents import CAUTION, rate_label, return_csv, return_pdf, sum_rows
from coop.tax.domain.frozen import Worksheet
from coop.tax.domain.returns import JurisdictionSums
from coop.tax.filing import draft_return, read_return
from coop.tax.offices import Settings, office_called, period_at, return_number, slug
from coop.tax.rendering import document_of

WIDTH = 78


@dataclass(frozen=True)
class Found:
    """A return, and its kept rendering where it is filed and has one."""

    sheet: Worksheet
    filed: bool
    paper: str
    rendering: bytes | None


@click.command("return")
@click.argument("office")
@click.argument("month", type=MONTH)
@click.option("--csv", "csv_file", type=click.Path(path_type=Path, dir_okay=False), help="Write it to this file as CSV.")
@click.option("--pdf", "pdf_file", type=click.Path(path_type=Path, dir_okay=False), help="Write it to this file as PDF.")
@data_option
def return_command(office: str, month: Month, csv_file: Path | None, pdf_file: Path | None, data: Path | None) -> None:
    """Show a sales-tax return: the one filed last, else the worksheet as it would be filed today.

    OFFICE is the office's name, or the name with hyphens that its numbers begin with; MONTH any month of the period.
    Nothing is filed by this: that is done in the office, by a manager.
    """
    coop = open_coop(data)
    with database_faults(), transaction(coop.sessions) as session:
        found = _find(session, office, month)
    if csv_file is None and pdf_file is None:
        click.echo("\n".join(_lines(found)))
    click.echo(CAUTION, err=True)
    if csv_file is not None:
        _write(csv_file, return_csv(found.sheet).encode())
    if pdf_file is not None:
        _write(pdf_file, _pdf(found))


def _find(session: Session, name: str, month: Month) -> Found:
    settings = Settings(session)
    office = office_called(settings, slug(name))
    if office is None:
        known = ", ".join(settings.offices()) or "none yet: set one under Tax, Jurisdictions, in the office"
        raise Refusal(f"{name!r} is no office that returns are filed with. There is: {known}.")
    period = period_at(settings, office, month.first_day)
    if period is None:
        raise Refusal(f"Nothing is filed with {office} for {month.name}: its settings begin later, or end before.")
    paper = session.get_one(Cooperative, 1).paper
    filed = queries.return_by_number(session, return_number(office, period))
    while filed is not None and (later := queries.replaced_by(session, filed)) is not None:
        filed = queries.return_by_number(session, later)
    if filed is not None:
        document = document_of(session, filed.number)
        return Found(read_return(filed), True, paper, document.content if document else None)
    today = queries.today(session, utc_now())
    sheet = draft_return(session, office, period, filed_on=today, tickets_apart=queries.tickets_apart(session, period))
    return Found(sheet, False, paper, None)


def _pdf(found: Found) -> bytes:
    """What was kept when it was filed; a draft is rendered now."""
    if found.filed:
        if found.rendering is None:
            number = found.sheet.value.number
            raise Refusal(f"The PDF of {number} is not made yet: with coop serve or coop work running it is in a moment.")
        return found.rendering
    try:
        return return_pdf(found.sheet, filed=False, paper=found.paper)
    except PdfError as error:
        raise Refusal(f"The worksheet cannot be rendered: {error}") from error


def _write(path: Path, content: bytes) -> None:
    try:
        path.write_bytes(content)
    except OSError as error:
        raise Refusal(f"{path} cannot be written: {error.strerror}.") from error
    click.echo(f"Written to {path}.")


# --- at a terminal ------------------------------------------------------------------------------------------------------


def _lines(found: Found) -> Iterator[str]:
    sheet, value = found.sheet, found.sheet.value
    state = f"filed {day(value.filed_on)}" if found.filed else f"not filed; as of {day(value.filed_on)}"
    yield f"{value.office}, {value.period.name}"
    yield f"Return {value.number}, {state}"
    yield f"Due {day(value.due_on)}. Amounts are in dollars."
    if value.amends:
        yield f"Amends {value.amends}: {sheet.reason}"
    for line in value.lines:
        yield ""
        yield from _jurisdiction(line)
    if not value.lines:
        yield "Nothing was sold and no tax was collected in this period."
    yield ""
    for row in sum_rows(sheet):
        yield _amount(f"{row.label}, {row.working}" if row.working else row.label, row.amount_cents)
    yield ""
    yield _amount("Tax in this return", value.collected_cents)
    yield _amount("Tax on the period's tickets", sheet.tickets_cents)
    yield _amount("Tax in the books", sheet.books_cents)
    yield from (sheet.apart or ("It agrees with both.",))


def _jurisdiction(line: JurisdictionSums) -> Iterator[str]:
    yield line.name
    yield _amount("Gross sales, less goods returned", line.gross_cents)
    for what, reasons in (("Deduction", line.deductions), ("Exempt", line.exempt)):
        for reason, cents in reasons:
            yield _amount(f"{what}: {reason}", -cents)
    yield _amount("Taxable sales", line.taxable_cents)
    for row in line.rated:
        yield _amount(f"Tax due at {rate_label(row)} of {format_cents(row.taxable_cents)}", row.due_cents)
    yield _amount("Tax collected", line.collected_cents)
    yield _amount("Difference", line.difference_cents)


def _amount(label: str, cents: int) -> str:
    figure = format_cents(cents)
    return f"  {label}".ljust(WIDTH - len(figure)) + figure if len(label) + len(figure) < WIDTH - 3 else f"  {label}  {figure}"
