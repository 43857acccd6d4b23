"""`coop demo`: an invented co-op with a year behind it, served with its sign-ins printed."""

from __future__ import annotations

import os
import time
from collections.abc import Callable
from datetime import date, datetime, timedelta
from decimal import Decimal
from pathlib import Path

import click
from sqlalchemy import func, select
from sqlalchemy.orm import Session

from coop.cli import demo_coop, demo_floor, demo_leases
from coop.cli.context import Coop, data_option, open_coop
from coop.cli.demo_closing import make_papers
from coop.cli.demo_coop import BOOKKEEPER, DESK, MALLS, MANAGER, Demo, DemoMall, Months, at
from coop.cli.demo_leases import add_demo_dealer
from coop.cli.demo_sales import RESETS
from coop.cli.demo_year import Year
from coop.cli.serve import serve
from coop.closing.queries import dealer_rows
from coop.core import migrate
from coop.core.behind import behind_state
from coop.core.clock import local_date, utc_now
from coop.core.db import Sessions, transaction
from coop.core.errors import Refusal
from coop.core.mail import Outbox
from coop.core.money import format_dollars
from coop.core.periods import Month, add_months
from coop.core.templating import day as written
from coop.dealers.membership import found_coop
from coop.dealers.models import Dealer
from coop.dealers.service import add_user, renew_passphrase
from coop.floor.models import Mall, Space
from coop.floor.planning import save_plan, set_aisle_width
from coop.floor.service import add_mall, add_space
from coop.leases.rules import set_rate
from coop.sales.models import Ticket, TicketLine
from coop.statements.models import Statement
from coop.tax.service import Terms, add_jurisdiction, set_place, set_setting
from coop.tax.service import set_rate as set_tax_rate

SIGN_INS = "demo-sign-ins.txt"
_YEAR = 12
_OFFICE = (
    (MANAGER, "manager", "the office"),
    (BOOKKEEPER, "bookkeeper", "the office: books, bank, payouts and drawers; closes no month"),
    (DESK, "desk", "the desk: turns signed in and out, lists ticked, drawers counted, sold pieces put down"),
)
_DEALERS = (
    (7, "whose booth was re-laid, and sells far more since; has asked for floor in the aisles"),
    (9, "whose sales do not cover the rent: months below zero, and a check to make them up"),
    (12, "who came three months ago, has a discount on the rent and an agreement to sign"),
    (16, "who plans the booth's next reset, and has boxes to pack and a piece in the aisles to take back"),
    (17, "who shares a booth's rent with D18, and has asked for floor in the aisles"),
    (28, "who owes rent and disputes some of it"),
    (29, "who gave notice and left: the last statement, the deposit returned"),
    (38, "who rents in both malls"),
    (50, "who is offered a second booth"),
)
"""Who is worth looking at: the dealer's number, and why."""
_SAY_EVERY_S = 10


@click.command("demo")
@click.option("--once", is_flag=True, help="Stop after the summary instead of serving.")
@click.option("--port", default=8000, show_default=True, type=click.IntRange(0, 65535), help="0 takes a free one.")
@click.option("--seed", default=1, show_default=True, help="Another number is another co-op.")
@click.option(
    "--months", "count", default=_YEAR, show_default=True, type=click.IntRange(1, 12), help="How many months are closed."
)
@data_option
def demo_command(once: bool, port: int, seed: int, count: int, data: Path | None) -> None:
    """Make an invented co-op, close its last twelve months, and serve it.

    Two malls with their plans, sixty dealers with their leases, a year of sales closed month by month. The last month's
    statements are made and mailed (to the post-box in the folder); those of the months before it are made behind the pages
    while it is served. Run again on the same folder, it serves what is there.
    """
    coop = open_coop(data, migrated=False)
    sign_ins = coop.settings.data / SIGN_INS
    if sign_ins.exists():
        coop = open_coop(data)
        click.echo(f"The demo is in {coop.settings.data} already, as it was made; to begin afresh, remove that folder.")
    else:
        if (not coop.settings.is_sqlite or coop.settings.sqlite_path.exists()) and migrate.revision_of(coop.engine) is not None:
            raise Refusal(f"{coop.settings.data} holds a co-op that is not the demo: name another folder with --data.")
        if coop.settings.jobs != "embedded":
            raise Refusal("The demo does its own work, by the clock of its past months: make it with COOP_JOBS=embedded.")
        build(coop, utc_now(), seed, count)
    summarize(coop)
    click.echo("\n" + sign_ins.read_text(encoding="utf-8"))
    if not once:
        look_on = progress_line(coop.sessions)
        serve(coop.settings, coop.sessions, "127.0.0.1", port, runners=os.cpu_count() or 1, look_on=look_on)


def build(coop: Coop, now: datetime, seed: int, count: int = _YEAR) -> None:
    """Make the co-op and its months up to yesterday, with the last month's statements made and mailed."""
    demo = make_year(coop, now, seed, count)
    make_papers(demo, demo.months.closed[-1])
    with transaction(coop.sessions) as session:
        sign_ins = _make_users(session, now)
    path = coop.settings.data / SIGN_INS
    part = path.with_suffix(".part")
    part.touch(mode=0o600)
    part.write_text(sign_ins, encoding="utf-8")
    # Last of all: a demo that was stopped half-way is not taken for a whole one.
    part.replace(path)


def make_year(coop: Coop, now: datetime, seed: int, count: int) -> Demo:
    """Everything up to yesterday but the papers of the last month: each deed with the moment it was done at."""
    coop.settings.data.mkdir(parents=True, exist_ok=True)
    migrate.upgrade(coop.engine)
    running = Month.of(local_date(now, demo_coop.TIMEZONE))
    months = Months(Month.of(add_months(running.first_day, -count)), running)
    demo = Demo(coop, now, seed, months, tuple(demo_coop.dealers(seed)))
    click.echo(f"Making {demo_coop.COOP_NAME}, from {months.first.name} on ...")
    with transaction(coop.sessions) as session:
        _make_coop(session, demo)
    Year(demo).live()
    return demo


def _make_coop(session: Session, demo: Demo) -> None:
    """Members, malls and leases, made in the weeks before the first day."""
    since = demo.months.first.first_day
    now = at(since - timedelta(days=40), 10)
    found_coop(session, now, demo_coop.COOP_NAME, commission_percent=Decimal(10))
    dealers = {d.number: add_demo_dealer(session, now, d, since) for d in demo.roster if d.number != demo_leases.NEWCOMER}
    jurisdictions = {}
    for code, name, kind, percent in demo_coop.JURISDICTIONS:
        jurisdictions[code] = add_jurisdiction(session, code=code, name=name, kind=kind)
        set_tax_rate(session, jurisdictions[code], percent, starts_on=date(since.year - 1, 1, 1))
        set_setting(session, Terms(office=demo_coop.TAX_OFFICE), starts_on=since, jurisdiction=jurisdictions[code])
    for made in MALLS:
        mall = add_mall(session, now, made.code, name=made.name, timezone=demo_coop.TIMEZONE, address=made.address)
        set_place(session, mall.id, [jurisdictions[code] for code in made.jurisdictions], starts_on=since)
        for zone, price, per in made.rates:
            set_rate(session, mall, zone, Decimal(price), per=per, starts_on=since)
        demo_leases.set_house_rules(session, mall, since)
        spaces = _lay_out(session, now, mall, made, since)
        here = [(each, dealers.get(each.number)) for each in demo.here(made)]
        demo_leases.lease_spaces(session, mall, here, spaces, demo.months)
    for email, role, _ in _OFFICE:
        add_user(session, now, email=email, roles=(role,))


def _lay_out(session: Session, now: datetime, mall: Mall, made: DemoMall, since: date) -> list[Space]:
    """The spaces of a mall, measured and on its plan, and what its aisles must keep."""
    spaces = [
        add_space(session, now, mall, s.code, kind=s.kind, zone=s.zone, width_in16=s.width_in16, depth_in16=s.depth_in16)
        for s in demo_floor.spaces_of(made)
    ]
    save_plan(session, now, mall, demo_floor.plan_of(made), version=0)
    for aisle in demo_floor.aisles_of(made):
        set_aisle_width(session, now, mall, aisle, since, demo_floor.AISLE_CLEAR_IN16, said_by="the co-op's meeting")
    return spaces


def _make_users(session: Session, now: datetime) -> str:
    """The dealers' sign-ins, and new passphrases for the office's; how they are told."""
    lines = ["Sign-ins of the demo (the passphrases were made for this folder):"]
    told = [(email, renew_passphrase(session, now, email=email), what) for email, _, what in _OFFICE]
    for number, what in _DEALERS:
        dealer = session.scalar(select(Dealer).where(Dealer.code == f"D{number:02d}"))
        if dealer is not None:
            email = f"d{number:02d}@example.org"
            _, passphrase = add_user(session, now, email=email, roles=("dealer",), member_id=dealer.member_id)
            told.append((email, passphrase, f"the portal of dealer {dealer.code}, {what}"))
    lines += [f"  {email:<24} {passphrase:<40} {what}" for email, passphrase, what in told]
    return "\n".join(lines) + "\n"


def summarize(coop: Coop) -> None:
    """What is there, in some lines."""
    with transaction(coop.sessions) as session:
        first_day = session.scalar(select(func.min(Statement.first_day)))
        last_day = session.scalar(select(func.max(Statement.first_day)))
        if first_day is None or last_day is None:
            return
        months, last = Months(Month.of(first_day), Month.of(last_day).next), Month.of(last_day)
        click.echo(f"\n{demo_coop.COOP_NAME}, {last.name} (closed):")
        for mall in session.scalars(select(Mall).order_by(Mall.id)).all():
            rows = dealer_rows(session, mall.id, last)
            made = session.scalar(
                select(func.count(Statement.id)).where(
                    Statement.mall_id == mall.id,
                    Statement.first_day == last.first_day,
                    Statement.document_id.is_not(None),
                )
            )
            click.echo(
                f"  {mall.name:<18} {len(rows):>3} dealers  credited {format_dollars(sum(r.net for r in rows)):>12}  "
                f"rent {format_dollars(sum(r.rent for r in rows)):>11}  "
                f"commission {format_dollars(sum(r.commission for r in rows)):>10}  "
                f"tax {format_dollars(sum(r.tax_collected for r in rows)):>10}  statements {made}"
            )
        tickets, lines = session.scalar(select(func.count(Ticket.id))), session.scalar(select(func.count(TicketLine.id)))
        stated, sent = session.execute(
            select(func.count(Statement.id), func.count(Outbox.sent_at)).outerjoin(Outbox, Outbox.id == Statement.outbox_id)
        ).one()
        resets = [
            f"  D{one.dealer:02d} re-laid the booth on {written(one.day_in(months))} and {one.words}."
            for one in RESETS
            if len(months.closed) >= one.months_back
        ]
        documents = _documents(session)
    where = coop.settings.smtp_host or coop.settings.maildir
    click.echo(f"  Since {months.first.name}: {tickets:,} tickets, {lines:,} lines, {stated:,} statements.")
    click.echo(f"  {sent} statements of {last.name} were mailed to {where}; those of before were handed out on paper.")
    if documents:
        click.echo(f"  {documents}")
    if resets:
        click.echo("Booths re-laid (it shows in these dealers' sales, month by month):")
        click.echo("\n".join(resets))


def _documents(session: Session) -> str:
    """How far the papers of the past months are; empty where there are none."""
    state = behind_state(session)
    if not state.total:
        return ""
    said = f"Documents of the year: {state.done:,} of {state.total:,} made"
    if state.failed:
        said += f", {state.failed:,} not: the pages of their months say why"
    return said + ("; the rest while it is served, the newest first." if state.pending else ".")


def progress_line(sessions: Sessions) -> Callable[[], None]:
    """What says now and then, while it is served, how far the papers of the past months are, until they are all made."""
    said, next_at = "", 0.0

    def look_on() -> None:
        nonlocal said, next_at
        if time.monotonic() < next_at:
            return
        with transaction(sessions) as session:
            words, pending = _documents(session), behind_state(session).pending
        if words and words != said and (pending or said):
            click.echo(words)
        said, next_at = words, time.monotonic() + _SAY_EVERY_S if pending else float("inf")

    return look_on
