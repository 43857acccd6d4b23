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
from datetime import UTC, datetime, timedelta
from decimal import Decimal
from multiprocessing import get_context
from pathlib import Path

import psycopg

import coop.rooms  # noqa: F401
from coop.core import migrate
from coop.core.clock import utc_now
from coop.core.db import make_engine, make_sessions, transaction
from coop.dealers.membership import found_coop
from coop.floor.service import add_mall
from coop.sales.importing import ImportOptions, import_sales
from tests.benchmarks.arranging import bench_arranging
from tests.benchmarks.closing import NOW, bench_close, timed
from tests.benchmarks.floor import bench_floor
from tests.benchmarks.overflow import bench_overflow
from tests.benchmarks.overflow_bays import bench_bays
from tests.benchmarks.pages import bench_pages
from tests.benchmarks.rendering import render_naive, render_ours
from tests.benchmarks.resets_fit import bench_fit
from tests.benchmarks.resets_hours import bench_hours
from tests.benchmarks.resets_order import bench_order
from tests.benchmarks.rota import bench_rota
from tests.benchmarks.tax import bench_tax


def row(what: str, figure: str, note: str = "") -> None:
    print(f"| {what:<58} | {figure:>16} | {note} |", flush=True)


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


# --- statements ---------------------------------------------------------------------------------------------------------


def bench_statements(count: int) -> None:
    render_ours(0), render_naive(0)
    one = timed(lambda: [render_ours(n) for n in range(count)]) / count
    naive = timed(lambda: [render_naive(n) for n in range(count)]) / count
    with ProcessPoolExecutor(2, mp_context=get_context("spawn")) as pool:
        list(pool.map(render_ours, range(4)))
        two = timed(lambda: list(pool.map(render_ours, range(count * 2)))) / (count * 2)
    row("two-page statement of 38 lines, told in full, one process", f"{one * 1000:.0f} ms", f"{1 / one:.1f} a second")
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
    bench_bays(row, smoke=asked.smoke)
    bench_fit(row, smoke=asked.smoke)
    bench_hours(row, smoke=asked.smoke)
    bench_order(row, smoke=asked.smoke)
    bench_rota(row, smoke=asked.smoke)
    bench_arranging(row, smoke=asked.smoke)
    bench_overflow(row, smoke=asked.smoke)
    bench_pages(row, smoke=asked.smoke)
    for name, database in databases(asked.postgres):
        for n in lines:
            with database() as url:
                bench_import(name, url, n)
            with database() as url:
                bench_close(row, name, url, n)
    sys.stdout.flush()


if __name__ == "__main__":
    main()
