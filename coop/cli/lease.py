"""`coop lease`: who leases what, one lease with all its terms, and its agreement as a PDF."""

from __future__ import annotations

import textwrap
from collections.abc import Iterator
from pathlib import Path

import click
from sqlalchemy import select
from sqlalchemy.orm import Session

from coop.cli.context import data_option, database_faults, find_mall, open_coop
from coop.core.clock import utc_now
from coop.core.db import transaction
from coop.core.errors import Refusal
from coop.core.pdf import PdfError
from coop.core.templating import day
from coop.dealers.models import Dealer
from coop.floor.models import Mall, Space
from coop.leases import occupancy
from coop.leases.agreement_words import agreement
from coop.leases.agreements import state_of
from coop.leases.documents import LetterValue, letter_pdf
from coop.leases.holding import today_at
from coop.leases.models import Lease
from coop.leases.wording import STATES

mall_option = click.option("--mall", "mall_code", required=True, help="Code of the mall.")
_LABEL = 24
_WIDTH = 78


@click.group("lease")
def lease_command() -> None:
    """Leases: who holds which space, until when, under which terms. Nothing is changed here: that is done in the office."""


@lease_command.command("list")
@mall_option
@click.option("--all", "ended_too", is_flag=True, help="Those that have ended too.")
@data_option
def list_command(mall_code: str, ended_too: bool, data: Path | None) -> None:
    """List a mall's leases by dealer: what it is today, since when, until when, and its spaces."""
    coop = open_coop(data)
    with database_faults(), transaction(coop.sessions) as session:
        lines = list(_list(session, find_mall(session, mall_code), ended_too))
    click.echo("\n".join(lines))


def _list(session: Session, mall: Mall, ended_too: bool) -> Iterator[str]:
    today = today_at(session, utc_now(), mall.id)
    rows = session.execute(
        select(Lease, Dealer.code)
        .join(Dealer, Dealer.id == Lease.dealer_id)
        .where(Lease.mall_id == mall.id)
        .order_by(Dealer.code, Lease.starts_on, Lease.id)
    ).all()
    held: dict[int, list[str]] = {}
    codes = {space.id: space.code for space in session.scalars(select(Space).where(Space.mall_id == mall.id))}
    for hold in occupancy.holds(session, mall.id):
        if hold.on(max(today, hold.starts_on)):
            held.setdefault(hold.lease_id, []).append(codes[hold.space_id])
    shown = [(lease, code, state_of(lease, today)) for lease, code in rows]
    shown = [row for row in shown if ended_too or row[2] != "ended"]
    if not shown:
        yield f"Nothing is leased at {mall.code}. Leases are made in the office, under Leases."
        return
    yield f"{'lease':>6}  {'dealer':<8}{'what it is':<18}{'from':<14}{'until':<14}{'signed':<14}spaces"
    for lease, code, state in shown:
        until = lease.ends_on or (lease.term_ends_on if state == "fixed" else None)
        signed = day(lease.signed_on) if lease.signed_on else "not signed"
        spaces = ", ".join(dict.fromkeys(held.get(lease.id, ()))) or "none"
        days = f"{day(lease.starts_on):<14}{day(until) if until else '':<14}"
        yield f"{lease.id:>6}  {code:<8}{STATES[state]:<18}{days}{signed:<14}{spaces}"


@lease_command.command("show")
@click.argument("lease_id", type=int, metavar="LEASE")
@data_option
def show_command(lease_id: int, data: Path | None) -> None:
    """Show a lease with all its terms in words. LEASE is its number in `coop lease list`."""
    coop = open_coop(data)
    with database_faults(), transaction(coop.sessions) as session:
        lease = _find(session, lease_id)
        today = today_at(session, utc_now(), lease.mall_id)
        value, state = agreement(session, lease, today), STATES[state_of(lease, today)]
    click.echo("\n".join(_in_words(value, state)))


@lease_command.command("print")
@click.argument("lease_id", type=int, metavar="LEASE")
@click.argument("file", type=click.Path(path_type=Path, dir_okay=False))
@data_option
def print_command(lease_id: int, file: Path, data: Path | None) -> None:
    """Write a lease's agreement to FILE as a PDF, as it stands today. It is not kept and not mailed: the office does that."""
    coop = open_coop(data)
    with database_faults(), transaction(coop.sessions) as session:
        lease = _find(session, lease_id)
        value = agreement(session, lease, today_at(session, utc_now(), lease.mall_id))
    try:
        file.write_bytes(letter_pdf(value))
    except PdfError as error:
        raise Refusal(f"The agreement cannot be rendered: {error}") from error
    except OSError as error:
        raise Refusal(f"{file} cannot be written: {error.strerror}.") from error
    click.echo(f"Written to {file}.")
    click.echo(value.caution, err=True)


def _find(session: Session, lease_id: int) -> Lease:
    lease = session.get(Lease, lease_id)
    if lease is None:
        raise Refusal(f"There is no lease {lease_id}: `coop lease list --mall CODE` shows their numbers.")
    return lease


def _in_words(value: LetterValue, state: str) -> Iterator[str]:
    yield from textwrap.wrap(value.outcome, _WIDTH)
    yield f"Today: {state}."
    for sentence in value.body:
        yield from textwrap.wrap(sentence, _WIDTH)
    yield ""
    for table in value.tables:
        yield from ("  ".join(cell for cell in row if cell) for row in table.rows)
    yield ""
    for label, words in value.terms:
        yield from textwrap.wrap(words, _WIDTH, initial_indent=f"{label:<{_LABEL}}", subsequent_indent=" " * _LABEL)
    for n, clause in enumerate(value.clauses, start=1):
        yield from textwrap.wrap(f"{n}. {clause}", _WIDTH, subsequent_indent="   ")
    yield ""
    for one in value.signatures:
        yield f"{one.party}: {one.signed or 'not signed here'}"
