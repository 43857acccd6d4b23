"""Imports and month-ends killed at every named point, and run again: they come out as if nobody had died.

Each command is a process of its own that dies by SIGKILL at the point the environment names; see coop.core.faults.
"""

from __future__ import annotations

import re
import shutil
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import pytest
from sqlalchemy import select

from coop.books.checking import check_books
from coop.closing.models import MonthClose
from coop.closing.service import start_close
from coop.closing.steps import BEFORE_LOCK, BODIES
from coop.config import Settings
from coop.core import jobs
from coop.core.clock import utc_now
from coop.core.db import make_engine, make_sessions, transaction
from coop.core.mail import MailAttempt, Outbox
from coop.statements.checking import check_statements
from tests.databases import PostgresDatabases
from tests.factories.coops import MARCH, build_coop, content, everything, found, noon_zone
from tests.factories.sales import many_rows, row, write_csv
from tests.functional.warm import Ended, WarmCoop
from tests.services import CHECKOUT
from tests.work import work_off

ZONE = noon_zone()
STEPS = [f"close:{step}:{when}" for step in (*BEFORE_LOCK, "lock", "payouts") for when in ("before-commit", "done")]
MONTH_END = [
    "job:claimed",
    "job:before-commit",
    *STEPS[: STEPS.index("close:rent:before-commit")],
    "books:before-proof",
    *STEPS[STEPS.index("close:rent:before-commit") :],
    "close:statements:before-commit",
    "close:statements:done",
    "statement:frozen",
    "statement:rendered",
    "statement:before-commit",
    "job:done",
    "close:statements:watched",
    "close:mail:before-commit",
    "close:mail:done",
    "mail:claimed",
    "mail:sent",
    "mail:recorded",
    "close:mail:watched",
    "job:done",
]
"""In an order in which one month-end passes them, each killed process leaving the next point still to come."""
IMPORT = [
    "books:before-proof",
    "sales:posted",
    "import:before-commit",
    "import:before-commit@2",
    "import:batch",
    "import:batch@2",
]
SOURCES = ("books/*.py", "sales/*.py", "closing/*.py", "statements/*.py", "core/jobs.py", "core/mail.py")
"""Where the points are that these commands pass."""


def test_every_point_there_is_is_killed_at():
    source = "".join(path.read_text() for place in SOURCES for path in sorted((CHECKOUT / "coop").glob(place)))
    points = {
        name.replace("{name}", step).replace("{step.name}", step)
        for name in re.findall(r'faults\.point\(f?"([^"]+)"\)', source)
        for step in (*BODIES, "statements", "mail")
        if "watched" not in name or step not in BODIES
    }
    assert points == set(MONTH_END) | {name.partition("@")[0] for name in IMPORT}


@dataclass
class Place:
    """One co-op on one kind of database, and the commands on it."""

    warm: WarmCoop
    data: Path
    url: str

    def __post_init__(self) -> None:
        self.engine = make_engine(self.url)
        self.sessions = make_sessions(self.engine)

    @property
    def env(self) -> dict[str, str]:
        return {"COOP_DATA": str(self.data), "COOP_DATABASE_URL": self.url, "COOP_JOB_LEASE_S": "2"}

    @property
    def settings(self) -> Settings:
        return Settings(data=self.data, database_url=self.url, job_lease_s=2)

    def __call__(self, *words: str, **env: str) -> Ended:
        return self.warm(*words, **{**self.env, **env})

    def content(self) -> dict[str, list]:
        with transaction(self.sessions) as session:
            assert check_books(session) == []
            assert check_statements(session) == []
            return content(session)

    def letters(self) -> dict[str, bytes]:
        """The post-box: names and bytes."""
        return {path.name: path.read_bytes() for path in (self.data / "mail" / "new").glob("*")}


@pytest.fixture(scope="module")
def warm(tmp_path_factory: pytest.TempPathFactory) -> Iterator[WarmCoop]:
    with WarmCoop(tmp_path_factory.mktemp("commands")) as coop:
        yield coop


@pytest.fixture(params=["sqlite", pytest.param("postgresql", marks=pytest.mark.postgres)])
def places(request, warm, tmp_path, sqlite_template) -> Iterator[list[Place]]:
    """Two places to do the same in: one is disturbed, the other is not."""
    made = []
    for name in ("disturbed", "undisturbed"):
        data = tmp_path / name
        data.mkdir()
        if request.param == "sqlite":
            shutil.copyfile(sqlite_template, data / "coop.sqlite3")
            url = f"sqlite:///{data / 'coop.sqlite3'}"
        else:
            databases: PostgresDatabases = request.getfixturevalue("postgres_databases")
            url = databases.migrated()
        made.append(Place(warm, data, url))
    yield made
    for place in made:
        place.engine.dispose()
    if request.param != "sqlite":
        for place in made:
            request.getfixturevalue("postgres_databases").drop(place.url)


def begin(place: Place, now) -> None:
    """The small co-op, its month-end asked for."""
    with transaction(place.sessions) as session:
        coop = build_coop(session, now, zone=ZONE)
        session.flush()
        start_close(session, utc_now(), mall_id=coop.mall.id, month=MARCH)


def work(place: Place) -> None:
    """Do what there is to do in this process, undisturbed."""
    work_off(place.sessions, place.settings)


def id_line(letter: bytes) -> bytes:
    return next(line for line in letter.splitlines() if line.lower().startswith(b"message-id:"))


def release(place: Place) -> None:
    """As the watcher of a runner does when it sees it die."""
    with transaction(place.sessions) as session:
        jobs.release_leases(session, utc_now(), owner="")


def test_a_month_end_killed_at_every_point_in_turn_ends_as_one_nobody_killed(places, now):
    disturbed, undisturbed = places
    for place in places:
        begin(place, now)
    work(undisturbed)
    for point in MONTH_END:
        ended = disturbed("work", "--until-idle", "--group", "close:1", COOP_KILL_AT=point)
        assert ended.killed, (point, ended)
        release(disturbed)
    with transaction(disturbed.sessions) as session:
        assert session.scalars(select(MonthClose.finished_at)).one() is not None  # the last point is after the last commit
    ended = disturbed("month", "close", "2025-03", "--mall", "MAIN")
    assert ended.code == 0, ended
    assert "3 are sent" in ended.out

    assert disturbed.content() == undisturbed.content()
    # The mail that was sent and not recorded went out again, under its own name and byte for byte: one letter for each dealer.
    assert len(disturbed.letters()) == 3
    with transaction(disturbed.sessions) as session:
        sent = [f"Message-ID: <{message_id}>".encode() for message_id in session.scalars(select(Outbox.message_id))]
        assert sorted(id_line(letter) for letter in disturbed.letters().values()) == sorted(sent)
        outcomes = sorted(session.scalars(select(MailAttempt.outcome)))
    assert outcomes == ["sent", "sent", "sent", "started", "started"]  # cut when claimed, and when sent


@pytest.mark.parametrize("places", ["sqlite"], indirect=True)
def test_the_command_itself_sees_a_month_end_through_though_its_runners_are_killed(places, now):
    """One that nobody watched died before, with its lease running; then both runners of `coop month close` die once."""
    disturbed, undisturbed = places
    for place in places:
        begin(place, now)
    work(undisturbed)
    assert disturbed("work", "--until-idle", "--group", "close:1", COOP_KILL_AT="statement:frozen").killed
    ended = disturbed("month", "close", "2025-03", "--mall", "MAIN", COOP_KILL_AT="statement:rendered")
    assert ended.code == 0, ended
    assert "is started again" in ended.err
    assert "Traceback" not in ended.err
    assert disturbed.content() == undisturbed.content()
    before = everything_but_the_log(disturbed)
    assert disturbed("month", "close", "2025-03", "--mall", "MAIN").code == 0
    assert everything_but_the_log(disturbed) == before


def everything_but_the_log(place: Place) -> dict[str, tuple[int, str]]:
    with transaction(place.sessions) as session:
        return everything(session, besides=["audit_log"])


def test_two_commands_at_once_are_one_month_end(places, now, warm):
    together, alone = places
    with transaction(together.sessions) as session:
        build_coop(session, now, zone=ZONE)
    both = [warm.begin("month", "close", "2025-03", "--mall", "MAIN", **together.env) for _ in range(2)]
    begin(alone, now)
    work(alone)
    for ended in warm.end(*both):
        assert ended.code == 0, ended
        assert "Traceback" not in ended.err
    assert together.content() == alone.content()
    assert len(together.letters()) == 3


# --- imports ------------------------------------------------------------------------------------------------------------


def import_words(path: Path) -> tuple[str, ...]:
    return ("sales", "import", str(path), "--mapping", "open-retail", "--mall", "MAIN", "--create-dealers")


@pytest.fixture
def file(tmp_path) -> Path:
    """Three batches of sales, with bad rows and a return in each part of it."""
    rows = many_rows(11_000, per_ticket=25)
    for n in (10, 5_500, 10_900):
        rows[n] = (*rows[n][:5], "O.5", *rows[n][6:])
        rows[n + 1] = row(f"C{n}", rows[n + 1][1], quantity="-1", sold_at="2025-03-31 10:00:00", buyer=rows[n + 1][6])
    return write_csv(tmp_path / "march.csv.gz", rows)


def test_an_import_killed_at_every_point_in_turn_ends_as_one_nobody_killed(places, now, file):
    for place in places:
        with transaction(place.sessions) as session:
            found(session, now, zone=ZONE)
    disturbed, undisturbed = places
    whole = undisturbed(*import_words(file))
    assert whole.code == 0, whole
    for point in IMPORT:
        ended = disturbed(*import_words(file), COOP_KILL_AT=point)
        assert ended.killed, (point, ended)
    # A month cannot close over half a file.
    refused = disturbed("month", "close", "2025-03", "--mall", "MAIN")
    assert refused.code == 1
    assert "The import of march.csv.gz stopped before its last row: run the same import again." in refused.out
    ended = disturbed(*import_words(file))
    assert ended.code == 0, ended
    assert ended.out == whole.out
    kept = disturbed.content()
    kept["periods"], kept["steps"] = undisturbed.content()["periods"], []
    assert kept == undisturbed.content()


def test_two_imports_of_one_file_at_once_bring_in_one_set_of_tickets(places, now, file, warm):
    for place in places:
        with transaction(place.sessions) as session:
            found(session, now, zone=ZONE)
    together, alone = places
    both = [warm.begin(*import_words(file), **together.env) for _ in range(2)]
    whole = alone(*import_words(file))
    for ended in warm.end(*both):
        assert ended.code == 0, ended
        assert ended.out.partition("rows read")[2] == whole.out.partition("rows read")[2]
    assert together.content() == alone.content()
