"""`coop demo`: an invented co-op with last month closed, served with its sign-ins printed."""

from __future__ import annotations

import os
from dataclasses import dataclass
from datetime import date, datetime, timedelta
from decimal import Decimal
from pathlib import Path

import click
from sqlalchemy import func, select
from sqlalchemy.orm import Session

from coop.cli import demo_coop, demo_floor, demo_leases, demo_money
from coop.cli.context import Coop, data_option, open_coop
from coop.cli.demo_coop import MALLS, DemoDealer, DemoMall
from coop.cli.demo_leases import Months
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
from coop.floor.models import Mall, Space
from coop.floor.planning import save_plan, set_aisle_width
from coop.floor.service import add_mall, add_space
from coop.leases.rules import set_rate
from coop.sales.service import take_tickets
from coop.statements.models import Statement
from coop.tax.domain.returns import FilingPeriod
from coop.tax.filing import file_return
from coop.tax.service import Terms, add_jurisdiction, set_place, set_setting
from coop.tax.service import set_rate as set_tax_rate

SIGN_INS = "demo-sign-ins.txt"
_PEOPLE = (
    ("manager@example.org", ("manager",), None, "the office"),
    ("d07@example.org", ("dealer",), 7, "the portal of dealer D07"),
    ("d38@example.org", ("dealer",), 38, "the portal of dealer D38, who rents in both malls"),
    ("d28@example.org", ("dealer",), demo_leases.LATE, "the portal of dealer D28, who owes rent and disputes some of it"),
    ("d50@example.org", ("dealer",), demo_leases.MEMBER, "the portal of dealer D50, who is offered a second booth"),
    ("bookkeeper@example.org", ("bookkeeper",), None, "the office: books, bank, payouts and drawers; she closes no month"),
)


@click.command("demo")
@click.option("--once", is_flag=True, help="Stop after the summary instead of serving.")
@click.option("--port", default=8000, show_default=True, type=click.IntRange(0, 65535), help="0 takes a free one.")
@click.option("--seed", default=1, show_default=True, help="Another number is another co-op.")
@data_option
def demo_command(once: bool, port: int, seed: int, data: Path | None) -> None:
    """Make an invented co-op, close its last months, and serve it.

    Two malls with their plans, sixty dealers with their leases, two months closed with their statements made and mailed (to the
    post-box in the folder). Run again on the same folder, it serves what is there.
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


@dataclass(frozen=True)
class Demo:
    """A demo in the making: where, when, and the dealers it invents."""

    coop: Coop
    now: datetime
    seed: int
    months: Months
    roster: tuple[DemoDealer, ...]

    def here(self, mall: DemoMall) -> list[DemoDealer]:
        """The dealers of a mall."""
        return [dealer for dealer in self.roster if dealer.number in mall.dealers]


def build(coop: Coop, now: datetime, seed: int) -> None:
    """Make the co-op, bring its sales in, close the two months before this one, and pay the first of them out."""
    coop.settings.data.mkdir(parents=True, exist_ok=True)
    migrate.upgrade(coop.engine)
    months = Months(Month.of(local_date(now, demo_coop.TIMEZONE)).previous.previous)
    demo = Demo(coop, now, seed, months, tuple(demo_coop.dealers(seed)))
    click.echo(f"Making {demo_coop.COOP_NAME} ...")
    with transaction(coop.sessions) as session:
        sign_ins = _make_coop(session, demo)
    for month in (months.first, months.second):
        for mall in MALLS:
            _sell(demo, mall, month)
        demo_money.settle_month(coop, now, month)
        for mall in MALLS:
            _close(demo, mall, month)
        if month == months.first:
            demo_money.pay_out(coop, month)
            with transaction(coop.sessions) as session:
                demo_leases.dispute_and_remind(session, now, session.scalars(select(Mall)).all(), months)
                # The first month's return is filed on its due day; the second's is left for whoever tries the demo.
                filed_on = months.second.first_day.replace(day=Terms.due_day)
                file_return(session, now, demo_coop.TAX_OFFICE, FilingPeriod(months.first, "month"), filed_on=filed_on)
    for mall in MALLS:
        _sell(demo, mall, months.running)
    with transaction(coop.sessions) as session:
        demo_leases.leave_and_wait(session, now, _mall(session, MALLS[0]), months)
    path = coop.settings.data / SIGN_INS
    part = path.with_suffix(".part")
    part.touch(mode=0o600)
    part.write_text(sign_ins, encoding="utf-8")
    # Last of all: a demo that was stopped half-way is not taken for a whole one.
    part.replace(path)


def _make_coop(session: Session, demo: Demo) -> str:
    """Members, malls and leases; returns the sign-ins."""
    found_coop(session, demo.now, demo_coop.COOP_NAME, commission_percent=Decimal(10))
    since = demo.months.first.first_day
    dealers = {
        d.number: add_dealer(
            session, demo.now, d.code, name=d.name, email=d.email, address=d.address, trade_name=d.shop, joined_on=since
        )
        for d in demo.roster
    }
    jurisdictions = {}
    for code, name, kind, percent in demo_coop.JURISDICTIONS:
        jurisdictions[code] = add_jurisdiction(session, code=code, name=name, kind=kind)
        set_tax_rate(session, jurisdictions[code], percent, starts_on=date(since.year - 1, 1, 1))
        set_setting(session, Terms(office=demo_coop.TAX_OFFICE), starts_on=since, jurisdiction=jurisdictions[code])
    for made in MALLS:
        mall = add_mall(session, demo.now, made.code, name=made.name, timezone=demo_coop.TIMEZONE, address=made.address)
        set_place(session, mall.id, [jurisdictions[code] for code in made.jurisdictions], starts_on=since)
        for zone, price, per in made.rates:
            set_rate(session, mall, zone, Decimal(price), per=per, starts_on=since)
        demo_leases.set_house_rules(session, mall, since)
        spaces = _lay_out(session, demo.now, mall, made, since)
        here = [(each, dealers[each.number]) for each in demo.here(made)]
        demo_leases.lease_spaces(session, demo.now, mall, here, spaces, demo.months)
    return _make_users(session, demo.now, dealers)


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


def _mall(session: Session, made: DemoMall) -> Mall:
    return session.scalars(select(Mall).where(Mall.code == made.code)).one()


def _make_users(session: Session, now: datetime, dealers: dict[int, Dealer]) -> str:
    lines = ["Sign-ins of the demo (the passphrases were made for this folder):"]
    for email, roles, number, what in _PEOPLE:
        member_id = dealers[number].member_id if number else None
        _, passphrase = add_user(session, now, email=email, roles=roles, member_id=member_id)
        lines.append(f"  {email:<24} {passphrase:<40} {what}")
    return "\n".join(lines) + "\n"


def _sell(demo: Demo, made: DemoMall, month: Month) -> None:
    # Today's are not sold yet.
    through = min(month.last_day, local_date(demo.now, demo_coop.TIMEZONE) - timedelta(days=1))
    with transaction(demo.coop.sessions) as session:
        ids = {code: dealer_id for dealer_id, code in session.execute(select(Dealer.id, Dealer.code))}
        people = {dealer.number: ids[dealer.code] for dealer in demo.here(made)}
        tickets = demo_coop.tickets(made, people, month, through, seed=demo.seed, roster=demo.roster)
        take_tickets(session, demo.now, _mall(session, made), list(tickets))


def _close(demo: Demo, made: DemoMall, month: Month) -> None:
    click.echo(f"Closing {month.name} at {made.name}: {len(made.dealers)} statements ...")
    close_id = _take_up(demo, made, month)
    with transaction(demo.coop.sessions) as session:
        held = any(step.name == "holds" and step.state == "refused" for step in session.get_one(MonthClose, close_id).steps)
        if held:
            demo_money.decide_holds(session, demo.now, month)
    if held:
        _take_up(demo, made, month)
    with transaction(demo.coop.sessions) as session:
        close = session.get_one(MonthClose, close_id)
        if close.finished_at is None:
            said = "; ".join(f"{TITLES[s.name]}: {s.report or s.state}" for s in close.steps if s.state != "done")
            raise Refusal(f"The demo's month-end of {month.name} did not finish. {said}")


def _take_up(demo: Demo, made: DemoMall, month: Month) -> int:
    with transaction(demo.coop.sessions) as session:
        close_id = start_close(session, demo.now, mall_id=_mall(session, made).id, month=month).id
    see_through(demo.coop, close_id)
    return close_id


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
