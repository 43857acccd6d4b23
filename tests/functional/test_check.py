"""`coop check` finds what is missing or wrong and says how to mend it; `coop upgrade` brings a database forward."""

from __future__ import annotations

import subprocess
import sys
from dataclasses import dataclass, replace
from datetime import date, datetime
from decimal import Decimal
from pathlib import Path

import pytest
from click.testing import CliRunner
from sqlalchemy import Engine, select, text

from coop.books.accounts import dealer_account, income_account
from coop.books.domain.entries import EntryDraft
from coop.books.service import ensure_period, post_entry, seal_period
from coop.cli import cli
from coop.config import SettingsError
from coop.core import migrate
from coop.core.db import Sessions, transaction
from coop.core.errors import Refusal
from coop.core.periods import Month
from coop.dealers.membership import found_coop
from coop.dealers.models import Dealer, Member
from coop.floor.models import Mall
from coop.floor.service import add_mall
from tests.services import free_port

COOP = str(Path(sys.executable).parent / "coop")


@dataclass(frozen=True)
class Done:
    """How a command ended: as `coop.cli.main` ends it."""

    returncode: int
    stdout: str
    stderr: str


class Cli:
    """The command in a folder, with an environment of its own; in this process, or as the installed program."""

    def __init__(self, data: Path, **env: str) -> None:
        self.data = data
        self.env = {"COOP_DATA": str(data), **env}

    def __call__(self, *words: str, **env: str) -> Done:
        done = CliRunner().invoke(cli, words, env={**self.env, **env})
        if isinstance(done.exception, Refusal | SettingsError):
            return Done(2, done.stdout, str(done.exception))
        if done.exception and not isinstance(done.exception, SystemExit):
            raise done.exception
        return Done(done.exit_code, done.stdout, done.stderr)

    def installed(self, *words: str, **env: str) -> Done:
        done = subprocess.run(
            [COOP, *words],
            env={"PATH": "/usr/bin:/bin", **self.env, **env},
            cwd="/",
            stdin=subprocess.DEVNULL,
            capture_output=True,
            text=True,
        )
        return Done(done.returncode, done.stdout, done.stderr)


@pytest.fixture
def sqlite_database_url(sqlite_url: str) -> str:
    """Where the command finds a co-op that says nothing of its database: in its folder."""
    return sqlite_url


@pytest.fixture
def coop(database_url: str, sessions: Sessions, tmp_path: Path, now: datetime) -> Cli:
    """A co-op with one mall, on both databases."""
    with transaction(sessions) as session:
        found_coop(session, now, "Check", commission_percent=Decimal(10))
        add_mall(session, now, "MAIN", name="Check", timezone="America/Chicago")
    return Cli(tmp_path, **({} if database_url.startswith("sqlite") else {"COOP_DATABASE_URL": database_url}))


@pytest.fixture
def machine(tmp_path: Path) -> Cli:
    """The command where no co-op is."""
    return Cli(tmp_path / "data")


def faults(done: Done) -> str:
    """What a check that found something said, without what was well."""
    assert done.returncode == 1, done.stdout + done.stderr
    return "\n".join(line for line in done.stdout.splitlines() if not line.startswith("ok "))


def test_all_is_well(coop):
    done = coop.installed("check")
    assert done.returncode == 0, done.stdout + done.stderr
    said = done.stdout.splitlines()
    assert said[-1] == "All is well."
    assert all(line.startswith("ok ") for line in said[:-1])
    for subject in ("Python", "libraries for PDF", "settings", "trial balance", "deposits", "statements against the ledger"):
        assert any(subject in line for line in said)


def test_without_a_coop_the_machine_is_checked(machine):
    done = machine("check")
    assert done.returncode == 0, done.stdout + done.stderr
    assert f"There is no co-op in {machine.data}" in done.stdout
    assert "libraries for PDF" in done.stdout
    assert not machine.data.exists()


def test_missing_libraries_are_named_with_the_line_that_installs_them(machine, tmp_path):
    """As on a machine without Pango, where importing the renderer raises OSError."""
    (tmp_path / "planted").mkdir()
    (tmp_path / "planted" / "weasyprint.py").write_text("raise OSError('cannot load library libpango-1.0-0')\n")
    said = faults(machine.installed("check", PYTHONPATH=str(tmp_path / "planted")))
    assert "missing  libraries for PDF: cannot load library libpango-1.0-0" in said
    assert "install" in said
    assert "pango" in said.split("mend it with:")[1]


def test_a_wrong_setting_is_named(machine):
    said = faults(machine("check", COOP_SMTP_PORT="no"))
    assert "COOP_SMTP_PORT" in said
    assert "1 to mend." in said


@pytest.mark.parametrize("address", ["sqlite", "postgresql"])
def test_a_folder_that_is_not_there_is_not_a_coop(tmp_path, address):
    gone = f"postgresql://postgres@127.0.0.1:{free_port()}/none" if address == "postgresql" else ""
    done = Cli(tmp_path / "gone", COOP_DATABASE_URL=gone)("check")
    if address == "sqlite":
        assert done.returncode == 0
    else:
        said = faults(done)
        assert "mkdir -p" in said
        assert "wrong    database: it does not answer" in said


def test_an_earlier_version_is_told_to_upgrade_and_upgrade_does_it(empty_database_url, make_test_engine, tmp_path):
    coop = Cli(tmp_path, COOP_DATABASE_URL=empty_database_url)
    engine = make_test_engine(empty_database_url)
    migrate.upgrade(engine, "0001")
    said = faults(coop("check"))
    assert "it is at version 0001" in said
    assert f"mend it with: coop upgrade --data '{tmp_path}'" in said

    done = coop("upgrade")
    assert done.returncode == 0, done.stderr
    assert done.stdout.startswith("The database was brought from version 0001 to ")
    assert migrate.revision_of(engine) == migrate.newest_revision()
    again = coop("upgrade")
    assert again.returncode == 0
    assert again.stdout.endswith("already.\n")


def test_a_newer_version_is_not_touched(coop, engine):
    with engine.begin() as connection:
        connection.execute(text("UPDATE alembic_version SET version_num = 'f00d'"))
    assert "at version f00d, which this program does not know" in faults(coop("check"))
    done = coop("upgrade")
    assert done.returncode == 2
    assert "f00d" in done.stderr
    with engine.connect() as connection:
        assert connection.execute(text("SELECT version_num FROM alembic_version")).scalar_one() == "f00d"


def test_upgrade_makes_no_coop_where_there_is_none(machine):
    done = machine("upgrade")
    assert done.returncode == 2
    assert "There is no co-op" in done.stderr
    assert not machine.data.exists()


def two_sealed_entries(sessions: Sessions, now: datetime) -> int:
    """Post two entries of 12.00 to a dealer and seal them; the first one's id."""
    with transaction(sessions) as session:
        mall = session.scalars(select(Mall)).one()
        member = Member(name="Ada Quill", joined_on=date(2026, 1, 1), left_on=None)
        session.add(member)
        session.flush()
        dealer = Dealer(member_id=member.id, code="D01", created_at=now)
        session.add(dealer)
        session.flush()
        period = ensure_period(session, mall.id, Month(2026, 11))
        draft = EntryDraft(
            mall_id=mall.id,
            business_date=date(2026, 11, 3),
            kind="adjustment",
            source_kind="test",
            source_id="1",
            purpose="test",
            postings=((income_account(session, mall, "Fees"), 1200), (dealer_account(session, mall, dealer), -1200)),
        )
        entry = post_entry(session, now, draft)
        post_entry(session, now, replace(draft, source_id="2"))
        assert seal_period(session, now, period, "test") is not None
    return entry


def tamper(engine: Engine, statement: str) -> None:
    """Do what the database forbids, as somebody with the file or the superuser's password could."""
    with engine.begin() as connection:
        if engine.dialect.name == "postgresql":
            connection.execute(text("SET session_replication_role = replica"))
        else:
            for (name,) in connection.execute(text("SELECT name FROM sqlite_master WHERE type = 'trigger'")).all():
                connection.execute(text(f'DROP TRIGGER "{name}"'))
        changed = connection.execute(text(statement)).rowcount
        assert changed >= 1


@pytest.mark.parametrize(
    ("statement", "said"),
    [
        (
            "UPDATE posting SET amount_cents = 1300 WHERE entry_id = {entry} AND amount_cents = 1200",
            "The trial balance is off by 1.00",
        ),
        ("UPDATE posting SET amount_cents = amount_cents * 2 WHERE entry_id = {entry}", "trial balance and seals"),
        ("UPDATE entry SET memo = 'changed' WHERE id = {entry}", "an entry it covers was changed"),
    ],
)
def test_books_that_were_tampered_with_are_found(coop, engine, sessions, now, statement, said):
    entry = two_sealed_entries(sessions, now)
    assert coop("check").returncode == 0
    tamper(engine, statement.format(entry=entry))
    assert said in faults(coop("check"))


def test_a_damaged_file_is_found(tmp_path, sqlite_url):
    path = Path(sqlite_url.removeprefix("sqlite:///"))
    with path.open("r+b") as file:
        # The fourth page and on: the header stays, so that it opens.
        file.seek(4096 * 3)
        file.write(b"\xff" * 4096 * 40)
    said = faults(Cli(tmp_path)("check"))
    assert "damaged" in said or "malformed" in said


@pytest.mark.redis
def test_services_that_do_not_answer_are_named(coop, redis_url, smtp_server):
    there = {
        "COOP_JOBS": "celery",
        "COOP_REDIS_URL": redis_url,
        "COOP_SMTP_HOST": smtp_server.host,
        "COOP_SMTP_PORT": str(smtp_server.port),
        "COOP_SMTP_SECURITY": "none",
        "COOP_MAIL_FROM": "office@example.org",
        "COOP_MAIL_DOMAIN": "example.org",
    }
    done = coop("check", **there)
    assert done.returncode == 0, done.stdout
    assert f"mail server 127.0.0.1:{smtp_server.port} answers" in done.stdout
    assert "Redis answers" in done.stdout
    assert smtp_server.messages == []

    gone = there | {"COOP_REDIS_URL": f"redis://127.0.0.1:{free_port()}/0", "COOP_SMTP_PORT": str(free_port())}
    said = faults(coop("check", **gone))
    assert "Redis (COOP_REDIS_URL): it does not answer" in said
    assert "it does not answer" in said.split("mail server")[1]
    assert "2 to mend." in said
