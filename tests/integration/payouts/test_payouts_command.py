"""`coop payouts`: a run from the command line, and what it refuses."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import datetime
from pathlib import Path

import achkit
import pytest
from click.testing import CliRunner, Result
from sqlalchemy import func, select

from coop.books.models import Entry
from coop.cli import cli
from coop.config import Settings
from coop.core.clock import local_date, utc_now
from coop.core.db import make_engine, make_sessions, transaction
from coop.core.errors import Refusal
from coop.core.sealed_text import FieldKeys
from coop.payouts.paying_out import check_payouts
from tests.factories.payouts import build_malls
from tests.functional.warm import WarmCoop
from tests.integration.payouts.conftest import Office


def run(folder: Path, *words: str) -> Result:
    return CliRunner().invoke(cli, ["payouts", *words, "--data", str(folder)])


@pytest.fixture
def now() -> datetime:
    """The command's own moment."""
    return utc_now()


@pytest.fixture
def folder(sqlite_url: str, tmp_path: Path) -> Path:
    engine = make_engine(sqlite_url)
    with transaction(make_sessions(engine)) as session:
        build_malls(session, utc_now(), FieldKeys.of(Settings(data=tmp_path)))
    engine.dispose()
    return tmp_path


def test_a_run_from_the_command_line(folder: Path) -> None:
    assert "There is no run yet." in run(folder, "show").output
    made = run(folder, "prepare", "2026-10", "--by", "books@example.org").output.splitlines()
    assert [line.split() for line in made[1:5]] == [
        ["D02", "check", "640.10"],
        ["D03", "check", "218.76"],
        ["D04", "bank", "transfer", "1,545.55"],
        ["all", "2,404.41"],
    ]
    assert made[5].endswith("542.40  owed since before the end of October 2026: $270.00 at EAST")
    assert made[6].endswith("9.99  $9.99 is less than the smallest payout, $10.00")
    for words, said in (
        (("prepare", "2026-11"), "November 2026 is still open at EAST, MAIN: close it first."),
        (("approve", "1", "--by", "books@example.org"), "You entered the payout run 1 yourself"),
        (("approve", "1", "--by", "nobody@example.org"), "nobody signs in with that mail address"),
        (("files", "1", "--to", str(folder / "out")), "Run 1 has no files: it is prepared."),
        (("paid", "1", "--on", "2026-11-10"), "only an approved run is paid"),
        (("show", "9"), "There is no run 9"),
    ):
        refused = run(folder, *words)
        assert isinstance(refused.exception, Refusal)
        assert said in str(refused.exception)
    approved = run(folder, "approve", "1", "--by", "second@example.org", "--first-check", "1041")
    assert approved.exception is None, approved.exception
    assert "its files are made" in approved.output
    assert run(folder, "files", "1", "--to", str(folder / "out"), "--by", "second@example.org").exception is None
    files = {path.name: path for path in (folder / "out").iterdir()}
    assert set(files) == {"payouts-run-1.ach", "checks-run-1.csv", "remittances-run-1.pdf"}
    assert achkit.validate(files["payouts-run-1.ach"].read_text())["errors"] == []
    assert files["payouts-run-1.ach"].stat().st_mode & 0o077 == 0
    today = local_date(utc_now(), "America/Chicago").isoformat()
    assert "Run 1 is paid: $2,404.41 in 5 entries." in run(folder, "paid", "1", "--on", today).output
    assert "already." in run(folder, "paid", "1", "--on", today).output
    assert run(folder, "show").output.splitlines()[1].split()[:3] == ["1", "2026-10", "paid"]


def test_a_year_from_the_command_line(folder: Path) -> None:
    said = run(folder, "year", "2026")
    # These sales have no tickets: the control says so, and all else is there.
    assert "The totals differ from the ledger (sales less trade-ins, balances of dealers" in str(said.exception)
    table = {line.split()[0]: line.split() for line in said.output.splitlines()}
    assert table["D01"][5:7] == ["270.00", "0.00"]
    assert table["D03"][-1] == "218.76"
    assert "an accountant decides" in said.output
    for words, refusal in (
        (("2019",), "Nothing is in the books of 2019"),
        (("2026", "--to", str(folder / "x")), "--to is for --format csv"),
    ):
        assert refusal in str(run(folder, "year", *words).exception)
    run(folder, "year", "2026", "--format", "csv", "--to", str(folder / "year.csv"))
    assert (folder / "year.csv").read_text().startswith("row,dealer,name,tax form,number ending,reached,sales,gross,")
    assert run(folder, "year", "2026", "--format", "csv").output.splitlines()[1].startswith("period,,2026-01-01 to 2026-12-31")


@pytest.fixture(scope="module")
def coop(tmp_path_factory: pytest.TempPathFactory) -> Iterator[WarmCoop]:
    with WarmCoop(tmp_path_factory.mktemp("commands")) as command:
        yield command


def test_killed_between_posting_and_its_end_and_said_again_it_posts_once(office: Office, coop: WarmCoop) -> None:
    office.prepare()
    office.approved()
    today = local_date(utc_now(), "America/Chicago").isoformat()
    words = ("payouts", "paid", "1", "--on", today)
    known = {"COOP_DATA": str(office.settings.data), "COOP_DATABASE_URL": office.settings.database_url}
    killed = coop(*words, **known, COOP_KILL_AT="payouts:posted")
    assert killed.killed, killed.err
    with transaction(office.sessions) as session:
        assert session.scalar(select(func.count(Entry.id)).where(Entry.kind == "payout")) == 0
        assert office.run(session).state == "approved"
    for said in ("in 5 entries", "already."):
        ended = coop(*words, **known)
        assert ended.code == 0, ended.err
        assert said in ended.out
    with transaction(office.sessions) as session:
        assert session.scalar(select(func.count(Entry.id)).where(Entry.kind == "payout")) == 5
        assert check_payouts(session) == []
