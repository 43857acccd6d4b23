"""Every page over a year of 500 dealers: how long it takes, how many queries it asks, how many bytes it sends."""

from __future__ import annotations

import logging
import random
import tempfile
from collections.abc import Callable
from datetime import UTC, date, datetime, timedelta
from decimal import Decimal
from pathlib import Path

from sqlalchemy import select

from coop.app import create_app
from coop.closing.models import CloseStep, MonthClose
from coop.closing.steps import BODIES, TITLES
from coop.config import Settings
from coop.core import migrate
from coop.core.db import Sessions, make_engine, make_sessions, transaction
from coop.core.geometry import IN16_PER_FOOT
from coop.core.periods import Month, add_months
from coop.dealers.membership import add_dealer
from coop.dealers.models import Dealer
from coop.floor.models import Mall
from coop.floor.service import add_mall, add_space
from coop.leases.agreements import make_lease
from coop.leases.rules import set_rate
from coop.sales.domain import LineIn, TenderIn, TicketIn
from coop.sales.service import take_tickets
from coop.statements.figures import mall_middle, next_rents
from coop.statements.service import freeze_statement
from coop.tax.models import Jurisdiction
from coop.tax.service import set_place
from tests.factories.house import House, build_house
from tests.integration.web.budgets import AS_MOST, BUDGETS, Seen, see_pages

NOW = datetime(2026, 11, 3, 15, 0, tzinfo=UTC)
MONTHS = [Month.of(add_months(date(2025, 11, 1), n)) for n in range(12)]


def make_year(sessions: Sessions, *, dealers: int, lines_a_month: int, closed: bool = True) -> House:
    """The house of tests, and beside it a mall of many dealers (`WIDE`).

    Twelve months are sold and closed there, the last one stated, and two days of the next are sold.
    """
    with transaction(sessions) as session:
        house = build_house(session, NOW)
        since, side_in16 = MONTHS[0].first_day, 9 * IN16_PER_FOOT
        mall = add_mall(session, NOW, "WIDE", name="Wide Hall", timezone="America/Chicago")
        set_rate(session, mall, "middle", Decimal("2.25"), per="sqft", starts_on=since)
        stack = session.scalars(select(Jurisdiction).limit(2)).all()
        set_place(session, mall.id, list(stack), starts_on=date(2020, 1, 1))
        ids = []
        for n in range(dealers):
            dealer = add_dealer(session, NOW, f"W{n:03d}", name=f"Dealer {n}", email=f"w{n}@example.org", joined_on=since)
            space = add_space(
                session,
                NOW,
                mall,
                str(n),
                kind="booth",
                zone="middle",
                width_in16=side_in16,
                depth_in16=side_in16,
            )
            make_lease(session, NOW, mall, dealer, starts_on=since, commission_percent=Decimal(10), spaces=[space])
            ids.append(dealer.id)
        mall_id = mall.id
    for month in [*MONTHS, Month(2026, 11)]:
        _sell(sessions, mall_id, ids, month, lines_a_month)
        if closed and month in MONTHS:
            for body in BODIES.values():
                with transaction(sessions) as session:
                    body(session, NOW, session.get_one(Mall, mall_id), month)
            if month == MONTHS[-1]:
                _state(sessions, mall_id, ids, month)
            with transaction(sessions) as session:
                session.add(_as_closed(mall_id, month, house.users["manager"]))
    return house


def _as_closed(mall_id: int, month: Month, user_id: int) -> MonthClose:
    """The month-end whose steps were done here without its jobs."""
    close = MonthClose(mall_id=mall_id, first_day=month.first_day, started_by=user_id, started_at=NOW, finished_at=NOW)
    close.steps = [CloseStep(name=name, position=n, state="done", finished_at=NOW) for n, name in enumerate(TITLES)]
    return close


def _state(sessions: Sessions, mall_id: int, ids: list[int], month: Month) -> None:
    for start in range(0, len(ids), 100):
        with transaction(sessions) as session:
            mall, middle = session.get_one(Mall, mall_id), mall_middle(session, mall_id, month)
            rents = next_rents(session, mall, ids[start : start + 100], month)
            for dealer_id, to_come in rents.items():
                dealer = session.get_one(Dealer, dealer_id)
                freeze_statement(session, NOW, mall, dealer, month, middle=middle, to_come=to_come)


def _sell(sessions: Sessions, mall_id: int, ids: list[int], month: Month, lines: int) -> None:
    chance = random.Random(f"year:{month}")
    days = [day for day in month.each_day() if day <= date(2026, 11, 2)]
    tickets = []
    for n in range(lines // 3):
        at = datetime(days[n % len(days)].year, days[n % len(days)].month, days[n % len(days)].day, 16, tzinfo=UTC)
        items = tuple(
            LineIn(p, chance.choice(ids), f"T{n}-{p}", "Plate", 1, Decimal(cents) / 100, cents)
            for p in (1, 2, 3)
            for cents in (chance.randrange(25, 9000),)
        )
        key = f"WIDE/{month}/{n}"
        sold_at = at + timedelta(seconds=n % 20000)
        tickets.append(TicketIn(key, f"{month}-{n}", "WIDE/desk", "sale", sold_at, items, (TenderIn("card"),)))
    for start in range(0, len(tickets), 2000):
        with transaction(sessions) as session:
            take_tickets(session, NOW, session.get_one(Mall, mall_id), tickets[start : start + 2000])


def bench_pages(row: Callable[[str, str, str], None], *, smoke: bool) -> None:
    """Each page that takes longer than its budget, each that has been given far too much, and the slowest of all."""
    with tempfile.TemporaryDirectory() as folder:
        settings = Settings(data=Path(folder), secret_key="a key of the benchmark", mail_domain="example.org")
        engine = make_engine(settings.url)
        migrate.upgrade(engine)
        dealers, lines = (5, 60) if smoke else (500, 10_000)
        house = make_year(make_sessions(engine), dealers=dealers, lines_a_month=lines)
        engine.dispose()
        logging.disable(logging.INFO)
        seen = see_pages(create_app(settings, clock=lambda: NOW), house, wide=True, times=1 if smoke else 5)
        logging.disable(logging.NOTSET)
    slow = [one for one in seen if one.milliseconds > _most(one)]
    idle = [one for one in seen if one.milliseconds * 2 < _most(one) != AS_MOST]
    of = f"{len(seen)} pages over a year of {dealers} dealers, {lines * 12:,} lines"
    for one in sorted(seen, key=lambda one: -one.milliseconds)[:5]:
        row(
            f"page {one.path}",
            f"{one.milliseconds} ms",
            f"{one.queries} queries, {one.size_bytes // 1000} kB; of {of}",
        )
    for one in slow:
        row(f"page {one.path}", f"{one.milliseconds} ms", f"PAST ITS BUDGET of {_most(one)} ms")
    for one in [] if smoke else idle:
        row(f"page {one.path}", f"{one.milliseconds} ms", f"IDLE BUDGET of {_most(one)} ms: twice what it takes and more")
    quick = sum(one.milliseconds <= AS_MOST for one in seen)
    row(f"pages that take {AS_MOST} ms at most", f"{quick}", f"of {of}")
    row("pages within their budget of milliseconds", f"{len(seen) - len(slow)}", f"of {len(seen)}")


def _most(one: Seen) -> int:
    """A page that only a co-op of two malls has, such as a choice between them, is in no table of the tests' one mall."""
    return BUDGETS[one.endpoint].milliseconds if one.endpoint in BUDGETS else AS_MOST
