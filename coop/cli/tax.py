"""`coop tax`: rate and boundary files, what taxes a place, and the tax of a ticket."""

from __future__ import annotations

import json
import re
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import replace
from datetime import date
from pathlib import Path
from typing import Any

import click
from sqlalchemy.orm import Session

from coop.cli import tax_return
from coop.cli.context import data_option, database_faults, find_mall, open_coop
from coop.core.clock import utc_now
from coop.core.db import transaction
from coop.core.errors import Refusal
from coop.core.money import format_decimal
from coop.tax.domain.compute import tax_ticket
from coop.tax.domain.own_rates import headings
from coop.tax.domain.rate_files import Place, is_digits
from coop.tax.domain.rules import GENERAL, Stack, combined_percent, rate_in_force
from coop.tax.domain.ticket import TicketRefused
from coop.tax.domain.ticket_json import PlaceAsked, ReadTicket, answer, read_ticket, whole_schema
from coop.tax.importing import ProposedFile, apply_import, keep_proposal, propose_file, undo_import
from coop.tax.models import Jurisdiction
from coop.tax.places import split_zip
from coop.tax.queries import (
    certificate_of,
    compiled,
    jurisdictions_at,
    jurisdictions_of,
    locate_zip,
    place_of,
    rules_of,
    stack_on,
)

SHOWN = 20
RATES_CAUTION = (
    "The state's rule decides what is taxed, and at which rate: this is worked out from the rates and rules entered here. "
    "Compare it with what the state publishes."
)
"""Told beside every figure, apart from the answer: another program may read that."""


class DayType(click.ParamType[date]):
    """`2024-01-01`"""

    name = "YYYY-MM-DD"

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> date:
        if isinstance(value, date):
            return value
        try:
            if re.fullmatch(r"[0-9]{4}-[0-9]{2}-[0-9]{2}", value):
                return date.fromisoformat(value)
        except ValueError:
            pass
        return self.fail(f"{value!r} is no date; write it as YYYY-MM-DD", param, ctx)


DAY = DayType()


@click.group("tax")
def tax_command() -> None:
    """Sales tax: rates and boundaries from files, what taxes a place, the tax of a ticket.

    Which rules hold, and who owes the tax, is the state's to decide: compare what is shown here with what it publishes.
    """


tax_command.add_command(tax_return.return_command)


# --- files --------------------------------------------------------------------------------------------------------------------

apply_option = click.option("--apply", "apply", is_flag=True, help="Do it; without this nothing is changed.")
without_refused_option = click.option(
    "--without-refused", is_flag=True, help="With --apply: take the other rows though some are refused."
)


@tax_command.command(
    "import-rates",
    help="""Propose a file of rates: what it would add, end and change. With --apply, do it.

    FILE is a state's Streamlined rate file, CSV of nine columns without a heading; or the co-op's own CSV, a rate a row under a
    heading of these columns, in any order (code, name, class and ends may be left out):

    \b
    """
    + "\n    ".join(f"  {line}" for line in headings())
    + """

    A file with refused rows is not applied unless --without-refused says so.
    """,
)
@click.argument("file", type=click.Path(path_type=Path))
@apply_option
@without_refused_option
@data_option
def import_rates_command(file: Path, apply: bool, without_refused: bool, data: Path | None) -> None:
    _import("rates", file, apply, without_refused, data)


@tax_command.command("import-boundary")
@click.argument("file", type=click.Path(path_type=Path))
@apply_option
@without_refused_option
@data_option
def import_boundary_command(file: Path, apply: bool, without_refused: bool, data: Path | None) -> None:
    """Propose a Streamlined boundary file: which jurisdictions tax which ZIP codes. With --apply, do it.

    FILE is CSV of 89 columns without a heading; its address rows are counted and left.
    """
    _import("boundary", file, apply, without_refused, data)


def _import(kind: Any, file: Path, apply: bool, without_refused: bool, data: Path | None) -> None:
    coop = open_coop(data)
    with database_faults(), transaction(coop.sessions) as session:
        try:
            with file.open("rb") as stream:
                proposed = propose_file(session, kind, file.name, stream)
        except OSError as error:
            raise Refusal(f"{file} cannot be read: {error.strerror}.") from error
        _show(proposed)
        if proposed.does_nothing and (without_refused or not proposed.proposal["counts"]["refused"]):
            click.echo("There is nothing to change.")
            return
        if not apply:
            click.echo("Nothing has been changed. To do it, run the same command with --apply.")
            return
        now = utc_now()
        try:
            work = apply_import(session, now, keep_proposal(session, now, proposed).id, without_refused=without_refused)
        except Refusal as error:
            raise Refusal(str(error).replace("ask for the other rows without the refused", "add --without-refused")) from error
    click.echo(f"Applied as import {work.id}. To take it back: coop tax undo-import {work.id}")


def _show(proposed: ProposedFile) -> None:
    counts = proposed.proposal["counts"]
    click.echo(f"{proposed.file_name}, SHA-256 {proposed.sha256}")
    for what, count in counts.items():
        click.echo(f"{what.replace('_', ' '):>14} {count:>10,}")
    for what in ("ended", "changed", "overlapping"):
        _list(what, proposed.proposal[what], counts[what])
    _list("refused", [f"row {row} {reason}" for row, reason in proposed.proposal["refused"]], counts["refused"])


def _list(what: str, sentences: list[str], count: int) -> None:
    for sentence in sentences[:SHOWN]:
        click.echo(f"{what}: {sentence}")
    if count > SHOWN:
        click.echo(f"{what}: and {count - SHOWN:,} more")


@tax_command.command("undo-import")
@click.argument("import_id", type=click.IntRange(1, 2**31 - 1), metavar="ID")
@data_option
def undo_import_command(import_id: int, data: Path | None) -> None:
    """Take an applied import back: everything is as it was before it."""
    coop = open_coop(data)
    with database_faults(), transaction(coop.sessions) as session:
        now = utc_now()
        before = undo_import(session, now, import_id).undone_at != now
    click.echo(f"Import {import_id} was undone already." if before else f"Import {import_id} is undone.")


# --- places -------------------------------------------------------------------------------------------------------------------


@tax_command.command("rate")
@click.option("--state", required=True, help="FIPS code of the state, such as 55.")
@click.option("--county", help="FIPS code of the county.")
@click.option("--city", help="FIPS code of the city.")
@click.option("--district", "districts", multiple=True, help="Code of a special district; may be given again.")
@click.option("--on", "on", type=DAY, required=True, help="The day of the sale.")
@click.option("--class", "tax_class", default=GENERAL, show_default=True, help="Tax class, such as food.")
@data_option
def rate_command(
    state: str,
    county: str | None,
    city: str | None,
    districts: tuple[str, ...],
    on: date,
    tax_class: str,
    data: Path | None,
) -> None:
    """The jurisdictions that tax a place on a day, their percents, and the combined percent."""
    coop = open_coop(data)
    with transaction(coop.sessions) as session:
        _show_stack(session, jurisdictions_at(session, state, county=county, city=city, districts=districts), on, tax_class)


NO_RATE = "no rate"


def _show_stack(session: Session, jurisdictions: list[Jurisdiction], on: date, tax_class: str) -> None:
    stack = Stack(rules_of(session, jurisdictions, on))
    compiled(stack, on)
    said = []
    for jurisdiction, rules in zip(jurisdictions, stack.jurisdictions, strict=True):
        rate = rate_in_force(rules, tax_class, on)
        exempt = any(e.tax_class == tax_class and e.during.holds(on) for e in rules.exempt_classes)
        percent = "does not tax this class" if exempt else f"{format_decimal(rate.percent)}%" if rate else NO_RATE
        place = place_of(jurisdiction)
        said.append(percent)
        click.echo(f"{_named(place):<20} {percent}")
    # Nothing to pay and nothing known are two things.
    known = any(percent != NO_RATE for percent in said)
    combined = f"{format_decimal(combined_percent(stack, on, tax_class))}%" if known else f"no rate is in force on {on}"
    click.echo(f"{'combined':<20} {combined}")
    click.echo(RATES_CAUTION, err=True)


def _named(place: Place) -> str:
    return f"{place.kind} {place.code}"


@tax_command.command("locate")
@click.argument("zip_code", metavar="ZIP")
@click.option("--state", help="FIPS code of the state, where a ZIP code lies in two.")
@click.option("--on", "on", type=DAY, help="The day of the sale (else today).")
@data_option
def locate_command(zip_code: str, state: str | None, on: date | None, data: Path | None) -> None:
    """The jurisdictions of a ZIP code, or of a ZIP+4 (55403-0123), by the boundary file brought in.

    A person confirms the place before it is used.
    """
    zip5, plus4 = split_zip(zip_code)
    if state is not None and not is_digits(state, 2):
        raise Refusal(f"State {state!r}: a state's FIPS code is two digits, such as 27.")
    coop = open_coop(data)
    day = on or utc_now().date()
    with transaction(coop.sessions) as session:
        located = locate_zip(session, zip5, plus4, state=state, on=day)
        if not located.found:
            for stack in located.stacks:
                click.echo(", ".join(map(_named, stack)))
            raise Refusal(located.sentence)
        click.echo(located.sentence)
        places = located.stacks[0]
        try:
            jurisdictions = jurisdictions_of(session, places)
        except Refusal as error:
            for place in places:
                click.echo(_named(place))
            click.echo(f"No percents: {error}")
            click.echo(RATES_CAUTION, err=True)
            return
        _show_stack(session, jurisdictions, day, GENERAL)


# --- a ticket -----------------------------------------------------------------------------------------------------------------


@tax_command.command("compute")
@click.argument("file", type=click.Path(path_type=Path, allow_dash=True), required=False)
@click.option("--schema", is_flag=True, help="Show the JSON Schema of FILE, and stop.")
@data_option
def compute_command(file: Path | None, schema: bool, data: Path | None) -> None:
    """Tax a ticket given as JSON (- for standard input); the answer is JSON.

    FILE has the keys `on` (YYYY-MM-DD), `lines`, and either `stack` or `place`; it may have `discount`, `seller_coupon`,
    `maker_coupon`, `trade_in`, `delivery`, `buyer` and `layaway`. Money is dollars as text, percents are text:

    \b
      {"on": "2026-11-03",
       "lines": [{"price": "2.09", "quantity": 3, "tax_class": "general"}],
       "stack": {"basis": "ticket", "aggregated": true, "jurisdictions": [
         {"name": "State", "state": "55", "rates": [{"percent": "5"}]},
         {"name": "City", "state": "55", "rates": [{"percent": "2.9"}],
          "rules": [{"kind": "exempt", "terms": {"tax_class": "books"}}]}]}}

    `price` is of one article; `line_price` of the whole line. A `place` is {"mall": CODE}, {"zip": ZIP} or FIPS codes
    {"state", "county", "city", "districts"}, and needs the co-op's data; a stack needs none. The whole of it: --schema.
    """
    if schema:
        click.echo(json.dumps(whole_schema(), indent=2))
        return
    if file is None:
        raise Refusal("Name the JSON file to compute, or - for standard input; --schema shows what it holds.")
    with _said_of("standard input" if str(file) == "-" else str(file)):
        read = read_ticket(_text(file))
        if read.stack is not None and not read.certificate_number:
            _show_computed(read, read.stack)
            return
    coop = open_coop(data)
    with transaction(coop.sessions) as session, _said_of(str(file)):
        if read.certificate_number:
            certificate = certificate_of(session, read.certificate_number)
            read = replace(read, ticket=replace(read.ticket, certificate=certificate))
        stack = read.stack
        if stack is None:
            if read.place is None:
                raise ValueError("place is missing.")
            stack = _stack_at(session, read.place, read.ticket.on)
        _show_computed(read, stack)


def _text(file: Path) -> str:
    try:
        content = sys.stdin.buffer.read() if str(file) == "-" else file.read_bytes()
    except OSError as error:
        raise ValueError(f"it cannot be read: {error.strerror}.") from error
    try:
        return content.decode("utf-8-sig")
    except UnicodeDecodeError:
        raise ValueError("it is not UTF-8: save it as UTF-8.") from None


@contextmanager
def _said_of(name: str) -> Iterator[None]:
    """Faults of a ticket as refusals that name its file."""
    try:
        yield
    except TicketRefused as error:
        raise Refusal(str(error)) from error
    except ValueError as error:
        raise Refusal(f"{name}: {error}") from error


def _show_computed(read: ReadTicket, stack: Stack) -> None:
    tax = tax_ticket(read.ticket, compiled(stack, read.ticket.on))
    click.echo(json.dumps(answer(read.ticket, tax, stack), indent=2))
    click.echo(RATES_CAUTION, err=True)


def _stack_at(session: Session, place: PlaceAsked, on: date) -> Stack:
    if place.mall:
        return stack_on(session, find_mall(session, place.mall).id, on)
    if place.zip5:
        located = locate_zip(session, place.zip5, place.plus4 or None, state=place.state or None, on=on)
        if not located.found:
            raise Refusal(located.sentence)
        jurisdictions = jurisdictions_of(session, located.stacks[0])
    else:
        jurisdictions = jurisdictions_at(
            session, place.state, county=place.county or None, city=place.city or None, districts=place.districts
        )
    return Stack(rules_of(session, jurisdictions, on), "item" if place.basis == "item" else "ticket", place.aggregated)
