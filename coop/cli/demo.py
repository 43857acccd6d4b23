"""`coop demo`: an invented co-op with last month closed, served with its sign-ins printed."""

from __future__ import annotations

import os
from datetime import date, datetime
from decimal import Decimal
from pathlib import Path

import click
from sqlalchemy import func, select
from sqlalchemy.orm import Session

from coop.books.service import pay_dealer
from coop.cli import demo_coop
from coop.cli.context import Coop, data_option, open_coop
from coop.cli.demo_coop import MALLS, DemoDealer, DemoMall
from coop.cli.month import see_through
from coop.cli.serve import serve
from coop.closing.models import MonthClose
from coop.closing.queries import dealer_rows
from coop.closing.service import start_close
from coop.closing.steps import TITLES
from coop.core import migrate
from coop.core.clock import local_date, utc_now
from coop.core.db import transaction
from coop.core.errors import Refusal
from coop.core.mail import Outbox
from coop.core.money import format_dollars
from coop.core.periods import Month
from coop.dealers.membership import add_dealer, found_coop
from coop.dealers.models import Dealer
from coop.dealers.service import add_user
from coop.floor.models import Mall
from coop.floor.service import add_mall, add_space
from coop.leases.agreements import make_lease
from coop.leases.rules import set_rate
from coop.sales.service import take_tickets
from coop.statements.models import Statement
from coop.tax.models import Jurisdiction
from coop.tax.service import add_jurisdiction, set_place
from coop.tax.service import set_rate as set_tax_rate

SIGN_INS = "demo-sign-ins.txt"
_PEOPLE = (
    ("manager@example.org", ("manager",), None, "the office"),
    ("d07@example.org", ("dealer",), 7, "the portal of dealer D07"),
    ("d38@example.org", ("dealer",), 38, "the portal of dealer D38, who rents in both malls"),
    ("bookkeeper@example.org", ("bookkeeper",), None, "the office, to read"),
)


@click.command("demo")
@click.option("--once", is_flag=True, help="Stop after the summary instead of serving.")
@click.option("--port", default=8000, show_default=True, type=click.IntRange(0, 65535), help="0 takes a free one.")
@click.option("--seed", default=1, show_default=True, help="Another number is another co-op.")
@data_option
def demo_command(once: bool, port: int, seed: int, data: Path | None) -> None:
    """Make an invented co-op, close its last months, and serve it.

    Two malls, sixty dealers, two months closed with their statements made and mailed (to the post-box in the folder). Run again
    on the same folder, it serves what is there.
    """
    coop = open_coop(data, migrated=False)
    sign_ins = coop.settings.data / SIGN_INS
    if sign_ins.exists():
        coop = open_coop(data)
        click.echo(f"The demo is in {coop.settings.data} already, as it was made; to begin afresh, remove that folder.")
    else:
        if (not coop.settings.is_sqlite or coop.settings.sqlite_path.exists()) and migrate.revision_of(coop.engine) is not None:
            raise Refusal(f"{coop.settings.data} holds a co-op that is not the demo: name another folder with --data.")
        build(coop, utc_now(), seed)
    summarize(coop)
    click.echo("\n" + sign_ins.read_text(encoding="utf-8"))
    if not once:
        serve(coop.settings, coop.sessions, "127.0.0.1", port, runners=os.cpu_count() or 1)


def build(coop: Coop, now: datetime, seed: int) -> None:
    """Make the co-op, bring its sales in, close the two months before this one, and pay the first of them out."""
    coop.settings.data.mkdir(parents=True, exist_ok=True)
    migrate.upgrade(coop.engine)
    today = local_date(now, demo_coop.TIMEZONE)
    last = Month.of(today).previous
    months = [last.previous, last, Month.of(today)]
    roster = demo_coop.dealers(seed)
    click.echo(f"Making {demo_coop.COOP_NAME} ...")
    with transaction(coop.sessions) as session:
        found_coop(session, now, demo_coop.COOP_NAME, commission_percent=Decimal(10))
        dealers = {
            d.number: add_dealer(
                session,
                now,
                d.code,
                name=d.name,
                email=d.email,
                address=d.address,
                trade_name=d.shop,
                joined_on=months[0].first_day,
            )
            for d in roster
        }
        for n, demo_mall in enumerate(MALLS):
            _make_mall(session, now, demo_mall, dealers, months[0].first_day, first=n == 0)
        sign_ins = _make_users(session, now, dealers)
    for month in months[:2]:
        for demo_mall in MALLS:
            _sell_and_close(coop, now, demo_mall, dealers, month, today, seed, roster)
        if month == months[0]:
            _pay_out(coop, now, month)
    for demo_mall in MALLS:
        _sell(coop, now, demo_mall, dealers, months[2], today, seed, roster)
    path = coop.settings.data / SIGN_INS
    part = path.with_suffix(".part")
    part.touch(mode=0o600)
    part.write_text(sign_ins, encoding="utf-8")
    # Last of all: a demo that was stopped half-way is not taken for a whole one.
    part.replace(path)


def _make_mall(session: Session, now: datetime, demo: DemoMall, dealers: dict[int, Dealer], since: date, *, first: bool) -> None:
    mall = add_mall(session, now, demo.code, name=demo.name, timezone=demo_coop.TIMEZONE, address=demo.address)
    for zone, price, per in demo.rates:
        set_rate(session, mall, zone, Decimal(price), per=per, starts_on=since)
    for position, number in enumerate(demo.dealers):
        plan = demo_coop.space_of(position)
        space = add_space(
            session,
            now,
            mall,
            plan.code,
            kind=plan.kind,
            zone=plan.zone,
            width_in16=plan.width_in16,
            depth_in16=plan.depth_in16,
            x_in16=plan.x_in16,
            y_in16=plan.y_in16,
        )
        # One comes in the middle of a month: her first rent is prorated.
        starts = since.replace(day=17) if number == 12 else since
        percent = Decimal(8) if plan.kind == "case" else Decimal(10)
        make_lease(session, now, mall, dealers[number], starts_on=starts, commission_percent=percent, spaces=[space])
    stack = []
    for code, name, kind, percent in demo_coop.JURISDICTIONS:
        if first:
            jurisdiction = add_jurisdiction(session, code=code, name=name, kind=kind)
            set_tax_rate(session, jurisdiction, percent, starts_on=date(since.year - 1, 1, 1))
        if code in demo.jurisdictions:
            stack.append(_jurisdiction(session, code))
    set_place(session, mall.id, stack, starts_on=since)


def _jurisdiction(session: Session, code: str) -> Jurisdiction:
    return session.scalars(select(Jurisdiction).where(Jurisdiction.code == code)).one()


def _make_users(session: Session, now: datetime, dealers: dict[int, Dealer]) -> str:
    lines = ["Sign-ins of the demo (the passphrases were made for this folder):"]
    for email, roles, number, what in _PEOPLE:
        member_id = dealers[number].member_id if number else None
        _, passphrase = add_user(session, now, email=email, roles=roles, member_id=member_id)
        lines.append(f"  {email:<24} {passphrase:<40} {what}")
    return "\n".join(lines) + "\n"


def _sell(
    coop: Coop,
    now: datetime,
    demo: DemoMall,
    dealers: dict[int, Dealer],
    month: Month,
    today: date,
    seed: int,
    roster: list[DemoDealer],
) -> None:
    people = {number: dealers[number].id for number in demo.dealers}
    with transaction(coop.sessions) as session:
        mall = session.scalars(select(Mall).where(Mall.code == demo.code)).one()
        # Today's are not sold yet.
        through = min(month.last_day, date.fromordinal(today.toordinal() - 1))
        take_tickets(session, now, mall, list(demo_coop.tickets(demo, people, month, through, seed=seed, roster=roster)))


def _sell_and_close(
    coop: Coop,
    now: datetime,
    demo: DemoMall,
    dealers: dict[int, Dealer],
    month: Month,
    today: date,
    seed: int,
    roster: list[DemoDealer],
) -> None:
    _sell(coop, now, demo, dealers, month, today, seed, roster)
    click.echo(f"Closing {month.name} at {demo.name}: {len(demo.dealers)} statements ...")
    with transaction(coop.sessions) as session:
        mall = session.scalars(select(Mall).where(Mall.code == demo.code)).one()
        close_id = start_close(session, now, mall_id=mall.id, month=month).id
    see_through(coop, close_id)
    with transaction(coop.sessions) as session:
        close = session.get_one(MonthClose, close_id)
        if close.finished_at is None:
            said = "; ".join(f"{TITLES[s.name]}: {s.report or s.state}" for s in close.steps if s.state != "done")
            raise Refusal(f"The demo's month-end of {month.name} did not finish. {said}")


def _pay_out(coop: Coop, now: datetime, month: Month) -> None:
    """On the tenth of the next month everybody who is owed something is paid."""
    with transaction(coop.sessions) as session:
        for mall in session.scalars(select(Mall)).all():
            for row in dealer_rows(session, mall.id, month):
                if row.closing > 0:
                    pay_dealer(
                        session,
                        now,
                        mall,
                        session.get_one(Dealer, row.dealer_id),
                        amount_cents=row.closing,
                        on=month.next.first_day.replace(day=10),
                        reference=f"check {mall.code}-{1000 + row.dealer_id}",
                    )


def summarize(coop: Coop) -> None:
    """What is there, in a few lines."""
    with transaction(coop.sessions) as session:
        today = local_date(utc_now(), demo_coop.TIMEZONE)
        last = Month.of(today).previous
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
                f"  {mall.name:<18} {len(rows):>3} dealers  net sales {format_dollars(sum(r.net for r in rows)):>12}  "
                f"rent {format_dollars(sum(r.rent for r in rows)):>11}  "
                f"commission {format_dollars(sum(r.commission for r in rows)):>10}  "
                f"tax {format_dollars(sum(r.tax_collected for r in rows)):>10}  statements {made}"
            )
        stated, sent = session.execute(
            select(func.count(Statement.id), func.count(Outbox.sent_at)).outerjoin(Outbox, Outbox.id == Statement.outbox_id)
        ).one()
    where = coop.settings.smtp_host or coop.settings.maildir
    click.echo(
        f"  Of {stated} statements of both months, {sent} were mailed to {where}; the others' dealers have no mail address."
    )
