"""Closing a month of many dealers and lines; and the same postings read by Beancount and by a pandas script."""

from __future__ import annotations

import random
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable
from datetime import UTC, date, datetime, timedelta
from decimal import Decimal
from pathlib import Path

from sqlalchemy import Engine, text

from coop.books.domain.export import WRITERS
from coop.books.queries import ledger_entries, ledger_head
from coop.closing.steps import BODIES
from coop.core import migrate
from coop.core.db import Sessions, make_engine, make_sessions, transaction
from coop.core.geometry import IN16_PER_FOOT
from coop.core.periods import Month
from coop.dealers.membership import add_dealer, found_coop
from coop.floor.models import Mall
from coop.floor.service import add_mall, add_space
from coop.leases.agreements import make_lease
from coop.leases.rules import set_rate
from coop.rooms import METADATA
from coop.sales.domain import LineIn, TenderIn, TicketIn
from coop.sales.service import take_tickets
from coop.tax.service import add_jurisdiction, set_place
from coop.tax.service import set_rate as set_tax_rate

MONTH = Month(2026, 9)
NOW = datetime(2026, 11, 3, 15, 0, tzinfo=UTC)
DEALERS = 500
MOST_RUNG = 100_000
"""Lines that are rung up; a larger month is made of copies."""
Row = Callable[[str, str, str], None]
PANDAS = """
import sys
import pandas as pd
rows = pd.read_csv(sys.argv[1], dtype=str, keep_default_na=False)
posted = rows[rows["row"] == "posting"].copy()
posted["cents"] = posted["amount"].str.replace(".", "", regex=False).astype("int64")
assert (posted.groupby("entry")["cents"].sum() == 0).all()
balances = posted.groupby("account")["cents"].sum()
dealers = posted[posted["account"].str.startswith("Liabilities:Dealers:")].groupby(["account", "kind"])["cents"].sum()
said = rows[rows["row"] == "balance"].set_index("account")["figure"].str.replace(".", "", regex=False).astype("int64")
assert (said == balances.reindex(said.index)).all() and balances.sum() == 0 and len(dealers)
"""
"""Trial balance, each entry's sum, and every dealer's month by kind, against the balances that the file states."""


def timed(body: Callable[[], object]) -> float:
    begun = time.perf_counter()
    body()
    return time.perf_counter() - begun


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


def multiply_month(engine: Engine, times: int) -> None:
    """The rung-up tickets of the month copied in SQL, each copy under keys of its own: the guards look at every row of it.

    A million lines are in the books in minutes so, where ringing them up takes a quarter of an hour; what is measured, the close,
    reads and proves each of them alike.
    """
    copied = {
        "entry": {"id": "id + :shift", "source_id": "source_id || :mark"},
        "posting": {"id": None, "entry_id": "entry_id + :shift"},
        "entry_proof": {"entry_id": "entry_id + :shift"},
        "ticket": {"id": "id + :shift", "key": "key || :mark", "entry_id": "entry_id + :shift"},
        "ticket_line": {"id": None, "ticket_id": "ticket_id + :shift"},
        "tender": {"id": None, "ticket_id": "ticket_id + :shift"},
        "tax_charged": {"id": None, "ticket_key": "ticket_key || :mark"},
        "tax_untaxed": {"id": None, "ticket_key": "ticket_key || :mark"},
    }
    with engine.begin() as connection:
        shift = int(connection.execute(text("SELECT max(id) FROM entry")).scalar_one())
        ends = {table: connection.execute(text(f"SELECT max({_key(table)}) FROM {table}")).scalar() or 0 for table in copied}
    for n in range(1, times):
        with engine.begin() as connection:
            for table, changes in copied.items():
                columns = [column.name for column in METADATA.tables[table].columns if changes.get(column.name, "") is not None]
                taken = ", ".join(changes.get(name) or name for name in columns)
                only = f"{_key(table)} <= :end" + (" AND source_kind = 'ticket'" if table == "entry" else "")
                connection.execute(
                    text(f"INSERT INTO {table} ({', '.join(columns)}) SELECT {taken} FROM {table} WHERE {only}"),
                    {"shift": shift * n, "mark": f"/{n}", "end": ends[table]},
                )
    if engine.dialect.name == "postgresql":
        with engine.begin() as connection:
            for table in ("entry", "ticket"):
                connection.execute(text(f"SELECT setval(pg_get_serial_sequence('{table}', 'id'), (SELECT max(id) FROM {table}))"))


def _key(table: str) -> str:
    return "entry_id" if table == "entry_proof" else "id"


def bench_close(row: Row, name: str, url: str, lines: int) -> None:
    engine = make_engine(url)
    migrate.upgrade(engine)
    sessions = make_sessions(engine)
    rung = min(lines, MOST_RUNG)
    making = timed(lambda: make_month(sessions, rung))
    row(f"ringing up {rung:,} taxed lines in batches, {name}", f"{making:.1f} s", f"{rung / making:,.0f} lines a second")
    if lines > rung:
        multiply_month(engine, lines // rung)
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
    slowest = ", ".join(f"{s} {t:.1f}" for s, t in sorted(steps.items(), key=lambda i: -i[1])[:4])
    total = sum(steps.values())
    row(f"close of {DEALERS} dealers, {lines:,} lines, {name}", f"{total:.1f} s", f"statements apart; {slowest}")
    if name == "SQLite":
        bench_peers(row, sessions, lines, total)
    engine.dispose()


def bench_peers(row: Row, sessions: Sessions, lines: int, ours: float) -> None:
    """The same month's postings in the hands of others: what a bookkeeper's program and a script take to check and sum them.

    Beancount reads and checks the whole file; the pandas script reads the CSV and sums accounts, dealers and each entry. Neither
    prices, taxes, charges or writes anything: they are yardsticks, not rivals.
    """
    with tempfile.TemporaryDirectory() as folder:
        files = {format_: Path(folder) / f"month.{format_}" for format_ in ("beancount", "csv")}
        with transaction(sessions) as session:
            head = ledger_head(session, month=MONTH)
            assert head is not None
            for format_, path in files.items():
                with path.open("w", encoding="utf-8", newline="") as file:
                    file.writelines(WRITERS[format_](head, ledger_entries(session, head)))
        for what, command in (
            ("bean-check", [str(Path(sys.executable).with_name("bean-check")), str(files["beancount"])]),
            ("a pandas script", [sys.executable, "-c", PANDAS, str(files["csv"])]),
        ):
            begun = time.perf_counter()
            done = subprocess.run(command, capture_output=True, text=True, check=False)
            seconds = time.perf_counter() - begun
            assert done.returncode == 0, done.stderr[-2000:]
            note = f"{head.postings:,} postings; the close takes {ours / seconds:.1f} times that"
            row(f"{what} on those {lines:,} lines' ledger", f"{seconds:.1f} s", note)
