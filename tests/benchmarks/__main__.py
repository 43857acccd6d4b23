"""`coop bench`: what the machine does in a second. A table with ratios; nothing here passes or fails.

`--lines 10000 100000` sets the months' sizes, `--postgres URL` names a server on which a database may be made, `--smoke` runs
everything small, to see that it runs.
"""

from __future__ import annotations

import argparse
import csv
import os
import platform
import random
import sys
import tempfile
import time
from collections.abc import Callable, Iterator
from concurrent.futures import ProcessPoolExecutor
from contextlib import contextmanager
from datetime import UTC, date, datetime, timedelta
from decimal import Decimal
from multiprocessing import get_context
from pathlib import Path

import psycopg
from sqlalchemy import text

import coop.rooms  # noqa: F401
from coop.closing.steps import BODIES
from coop.core import migrate
from coop.core.clock import utc_now
from coop.core.db import Sessions, make_engine, make_sessions, transaction
from coop.core.geometry import IN16_PER_FOOT
from coop.core.periods import Month
from coop.dealers.membership import add_dealer, found_coop
from coop.floor.models import Mall
from coop.floor.service import add_mall, add_space
from coop.leases.agreements import make_lease
from coop.leases.rules import set_rate
from coop.sales.domain import LineIn, TenderIn, TicketIn
from coop.sales.importing import ImportOptions, import_sales
from coop.sales.service import take_tickets
from coop.tax.service import add_jurisdiction, set_place
from coop.tax.service import set_rate as set_tax_rate
from tests.benchmarks.floor import bench_floor
from tests.benchmarks.rendering import render_naive, render_ours
from tests.benchmarks.tax import bench_tax

MONTH = Month(2026, 9)
NOW = datetime(2026, 11, 3, 15, 0, tzinfo=UTC)
DEALERS = 500


def row(what: str, figure: str, note: str = "") -> None:
    print(f"| {what:<58} | {figure:>16} | {note} |", flush=True)


def timed(body: Callable[[], object]) -> float:
    begun = time.perf_counter()
    body()
    return time.perf_counter() - begun


# --- databases ----------------------------------------------------------------------------------------------------------


@contextmanager
def sqlite_database() -> Iterator[str]:
    with tempfile.TemporaryDirectory() as folder:
        yield f"sqlite:///{folder}/coop.sqlite3"


@contextmanager
def postgresql_database(server: str) -> Iterator[str]:
    name = f"coop_bench_{os.getpid()}_{time.monotonic_ns()}"
    with psycopg.connect(server, autocommit=True) as connection:
        connection.execute(f'CREATE DATABASE "{name}"')
    try:
        yield "postgresql+psycopg://" + server.split("://", 1)[1].rsplit("/", 1)[0] + f"/{name}"
    finally:
        with psycopg.connect(server, autocommit=True) as connection:
            connection.execute(f'DROP DATABASE "{name}" WITH (FORCE)')


def databases(server: str) -> list[tuple[str, Callable[[], object]]]:
    return [("SQLite", sqlite_database), ("PostgreSQL", lambda: postgresql_database(server))]


# --- import -------------------------------------------------------------------------------------------------------------


def write_csv(path: Path, lines: int) -> None:
    chance = random.Random(lines)
    with path.open("w", newline="", encoding="utf-8") as file:
        out = csv.writer(file)
        out.writerow(["InvoiceNo", "StockCode", "Description", "Quantity", "InvoiceDate", "UnitPrice"])
        written = ticket = 0
        while written < lines:
            ticket += 1
            at = datetime(2026, 9, 1, 10, tzinfo=UTC) + timedelta(seconds=ticket * 2_300_000 // max(1, lines // 20))
            for _ in range(min(chance.randrange(1, 40), lines - written)):
                price = f"{chance.randrange(25, 9000) / 100:.2f}"
                out.writerow(
                    [ticket, chance.randrange(10000, 99999), "Plate", chance.randrange(1, 5), f"{at:%Y-%m-%d %H:%M:%S}", price]
                )
                written += 1


def bench_import(name: str, url: str, lines: int) -> None:
    engine = make_engine(url)
    migrate.upgrade(engine)
    sessions = make_sessions(engine)
    with transaction(sessions) as session:
        found_coop(session, NOW, "Bench", commission_percent=Decimal(10))
        add_mall(session, NOW, "MAIN", name="Bench", timezone="America/Chicago")
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "sales.csv"
        write_csv(path, lines)
        options = ImportOptions("open-retail", "MAIN", create_dealers=True)
        seconds = timed(lambda: import_sales(sessions, path, options, clock=utc_now))
    engine.dispose()
    row(f"import of {lines:,} lines, {name}", f"{seconds:.1f} s", f"{lines / seconds:,.0f} lines a second")


# --- close --------------------------------------------------------------------------------------------------------------


def make_month(sessions: Sessions, lines: int) -> None:
    """A mall of 500 dealers on booths, and a month of taxed tickets of three lines."""
    with transaction(sessions) as session:
        found_coop(session, NOW, "Bench", commission_percent=Decimal(10))
        mall = add_mall(session, NOW, "MAIN", name="Bench", timezone="America/Chicago")
        set_rate(session, mall, "middle", Decimal("2.25"), per="sqft", starts_on=MONTH.first_day)
        ids = []
        for n in range(DEALERS):
            dealer = add_dealer(session, NOW, f"D{n:03d}", name=f"Dealer {n}")
            space = add_space(
                session,
                NOW,
                mall,
                str(n),
                kind="booth",
                zone="middle",
                width_in16=8 * IN16_PER_FOOT,
                depth_in16=10 * IN16_PER_FOOT,
            )
            make_lease(session, NOW, mall, dealer, starts_on=MONTH.first_day, commission_percent=Decimal(10), spaces=[space])
            ids.append(dealer.id)
        stack = []
        for code, percent in (("STATE", "5"), ("COUNTY", "0.5"), ("CITY", "2")):
            jurisdiction = add_jurisdiction(session, code=code, name=code, kind="district")
            set_tax_rate(session, jurisdiction, Decimal(percent), starts_on=date(2020, 1, 1))
            stack.append(jurisdiction)
        set_place(session, mall.id, stack, starts_on=date(2020, 1, 1))
        mall_id = mall.id
    chance = random.Random(1)
    tickets = []
    for n in range(lines // 3):
        at = datetime(2026, 9, 1, 16, tzinfo=UTC) + timedelta(days=n % 30, seconds=n % 20000)
        items = tuple(
            LineIn(p, chance.choice(ids), f"T{n}", "Plate", 1, Decimal(cents) / 100, cents)
            for p in (1, 2, 3)
            for cents in (chance.randrange(25, 9000),)
        )
        tickets.append(TicketIn(f"MAIN/desk/{n}", str(n), "MAIN/desk", "sale", at, items, (TenderIn("card"),)))
    for start in range(0, len(tickets), 2000):
        with transaction(sessions) as session:
            take_tickets(session, NOW, session.get_one(Mall, mall_id), tickets[start : start + 2000])


def bench_close(name: str, url: str, lines: int) -> None:
    engine = make_engine(url)
    migrate.upgrade(engine)
    sessions = make_sessions(engine)
    making = timed(lambda: make_month(sessions, lines))
    row(f"ringing up {lines:,} taxed lines in batches, {name}", f"{making:.1f} s", f"{lines / making:,.0f} lines a second")
    if name == "PostgreSQL":
        with engine.connect() as connection:
            connection.execute(text("ANALYZE"))
            connection.commit()
    steps = {}
    for step, body in BODIES.items():

        def do(body: Callable[..., object] = body) -> None:
            with transaction(sessions) as session:
                body(session, NOW, session.get_one(Mall, 1), MONTH)

        steps[step] = timed(do)
    engine.dispose()
    slowest = ", ".join(f"{s} {t:.1f}" for s, t in sorted(steps.items(), key=lambda i: -i[1])[:4])
    total = sum(steps.values())
    row(f"close of {DEALERS} dealers, {lines:,} lines, {name}", f"{total:.1f} s", f"statements apart; {slowest}")


# --- statements ---------------------------------------------------------------------------------------------------------


def bench_statements(count: int) -> None:
    render_ours(0), render_naive(0)
    one = timed(lambda: [render_ours(n) for n in range(count)]) / count
    naive = timed(lambda: [render_naive(n) for n in range(count)]) / count
    with ProcessPoolExecutor(2, mp_context=get_context("spawn")) as pool:
        list(pool.map(render_ours, range(4)))
        two = timed(lambda: list(pool.map(render_ours, range(count * 2)))) / (count * 2)
    row("two-page statement of 60 lines, one process", f"{one * 1000:.0f} ms", f"{1 / one:.1f} a second")
    row("the same, two processes", f"{two * 1000:.0f} ms", f"{1 / two:.1f} a second")
    row("the same document rendered naively, one process", f"{naive * 1000:.0f} ms", f"ours takes {one / naive:.0%} of that")


def main() -> None:
    parser = argparse.ArgumentParser(prog="coop bench", description=__doc__)
    parser.add_argument("--lines", type=int, nargs="+", default=[10_000, 100_000])
    parser.add_argument(
        "--postgres", default=os.environ.get("COOP_TEST_POSTGRES", "postgresql://postgres@127.0.0.1:5432/postgres")
    )
    parser.add_argument("--smoke", action="store_true")
    asked = parser.parse_args()
    lines, count = ([300], 2) if asked.smoke else (asked.lines, 20)
    print(f"{platform.machine()}, {os.cpu_count()} processors, Python {platform.python_version()}, {utc_now().date()}\n")
    print(f"| {'what':<58} | {'figure':>16} | note |\n| {'-' * 58} | {'-' * 15}: | --- |")
    bench_statements(count)
    bench_tax(row, smoke=asked.smoke)
    bench_floor(row, smoke=asked.smoke)
    for name, database in databases(asked.postgres):
        for n in lines:
            with database() as url:
                bench_import(name, url, n)
            with database() as url:
                bench_close(name, url, n)
    sys.stdout.flush()


if __name__ == "__main__":
    main()
