"""What the other tests stand on: the databases they are given, the mail server, and the services `coop test` starts."""

from __future__ import annotations

import smtplib
import subprocess
import sys
from email.message import EmailMessage

import psycopg
import pytest
import redis
from sqlalchemy import inspect, text

from coop.core import migrate
from coop.core.db import make_engine
from tests import services
from tests.databases import PostgresDatabases
from tests.mail_server import MailServer

NOWHERE_POSTGRES = "postgresql://postgres@127.0.0.1:1/postgres"
NOWHERE_REDIS = "redis://127.0.0.1:1"


def a_mail() -> EmailMessage:
    mail = EmailMessage()
    mail["From"], mail["To"], mail["Subject"] = "office@example.org", "ada@example.org", "Your statement — März"
    mail["Message-ID"] = "<one@coop.invalid>"
    mail.set_content("In the enclosure.\n")
    return mail


def send(server: MailServer, timeout_s: float = 20) -> None:
    with smtplib.SMTP(server.host, server.port, timeout=timeout_s) as client:
        client.send_message(a_mail())


def test_a_database_is_migrated_and_empty(engine, database_url):
    assert migrate.revision_of(engine) == migrate.newest_revision()
    with engine.connect() as connection:
        tables = set(inspect(connection).get_table_names())
        assert {"entry", "posting", "job"} <= tables
        assert connection.execute(text("SELECT count(*) FROM job")).scalar_one() == 0


@pytest.mark.parametrize("turn", [1, 2])
def test_what_one_test_writes_the_next_does_not_see(engine, turn):
    with engine.begin() as connection:
        assert connection.execute(text("SELECT count(*) FROM schedule_slot")).scalar_one() == 0
        connection.execute(text("INSERT INTO schedule_slot VALUES ('x', 1, '2026-11-03 15:00:00')"))


@pytest.mark.postgres
def test_databases_are_dropped_even_while_somebody_is_connected(postgres_url):
    databases = PostgresDatabases(postgres_url)
    address = databases.empty()
    engine = make_engine(address)
    with engine.connect() as connection:
        connection.execute(text("SELECT 1"))
        databases.drop_all()
        connection.invalidate()
    engine.dispose()
    with psycopg.connect(postgres_url) as server:
        left = server.execute("SELECT datname FROM pg_database WHERE datname LIKE %s", (databases.name + "%",))
        assert left.fetchall() == []


@pytest.mark.redis
def test_redis_answers_under_a_prefix(redis_url, redis_prefix):
    with redis.Redis.from_url(redis_url) as client:
        client.set(f"{redis_prefix}:x", "1")
        assert client.get(f"{redis_prefix}:x") == b"1"


def test_mail_server_keeps_what_it_accepts(smtp_server):
    send(smtp_server)
    (kept,) = smtp_server.wait_for(1)
    assert kept.sender == "office@example.org"
    assert kept.recipients == ("ada@example.org",)
    assert kept.message_id == "<one@coop.invalid>"
    assert kept.message["Subject"] == "Your statement — März"


def test_mail_server_refuses_for_a_while(smtp_server):
    smtp_server.refuse_temporarily(2)
    for _ in range(2):
        with pytest.raises(smtplib.SMTPRecipientsRefused) as refused:
            send(smtp_server)
        assert refused.value.recipients["ada@example.org"][0] == 451
    send(smtp_server)
    assert len(smtp_server.messages) == 1
    assert smtp_server.refusals == 2


def test_mail_server_refuses_for_ever(smtp_server):
    smtp_server.refuse_for_ever(stage="data")
    for _ in range(3):
        with pytest.raises(smtplib.SMTPDataError) as refused:
            send(smtp_server)
        assert refused.value.smtp_code == 550
    assert smtp_server.messages == []


@pytest.mark.parametrize(("stage", "kept"), [("helo", 0), ("data", 0), ("answer", 1)])
def test_mail_server_hangs(smtp_server, stage, kept):
    smtp_server.hang(times=1, stage=stage)
    with pytest.raises((TimeoutError, smtplib.SMTPServerDisconnected)):
        send(smtp_server, timeout_s=0.5)
    assert len(smtp_server.messages) == kept
    send(smtp_server)
    assert len(smtp_server.messages) == kept + 1


@pytest.mark.postgres
def test_a_postgres_is_started_and_stopped_when_none_runs():
    with services.running_postgres(NOWHERE_POSTGRES) as address:
        assert services.postgres_fault(address) == ""
        databases = PostgresDatabases(address)
        own = make_engine(databases.migrated())
        assert migrate.revision_of(own) == migrate.newest_revision()
        own.dispose()
        with services.running_postgres(address) as named:
            assert named == address
        with services.running_postgres(None, usual=address) as another:
            assert another != address
        assert services.postgres_fault(address) == ""
    assert services.postgres_fault(address) != ""


@pytest.mark.postgres
def test_where_no_postgres_is_installed_the_one_that_runs_is_used(monkeypatch):
    with services.running_postgres(None) as address:
        monkeypatch.setattr(services, "postgres_bin", lambda: None)
        with services.running_postgres(None, usual=address) as usual:
            assert usual == address
        with pytest.raises(services.ServiceMissing, match="is not installed"), services.running_postgres(None, NOWHERE_POSTGRES):
            pass
        assert services.postgres_fault(address) == ""


@pytest.mark.redis
def test_a_redis_is_started_and_stopped_when_none_runs():
    with services.running_redis(NOWHERE_REDIS) as address:
        assert services.redis_fault(address) == ""
    assert services.redis_fault(address) != ""


@pytest.mark.redis
def test_a_redis_that_runs_is_used_and_left_running():
    with services.running_redis(NOWHERE_REDIS) as address:
        with services.running_redis(address) as again:
            assert again == address
        assert services.redis_fault(address) == ""


def test_a_missing_service_fails_a_test_and_is_never_skipped(tmp_path):
    """The very fixtures, run against addresses where nothing listens."""
    (tmp_path / "test_needy.py").write_text(
        "def test_database(postgres_url): pass\n\n\ndef test_broker(redis_url): pass\n", encoding="utf-8"
    )
    command = [sys.executable, "-m", "pytest", "-q", "-p", "tests.conftest", "-p", "no:cacheprovider"]
    done = subprocess.run(
        [*command, "-c", str(services.CHECKOUT / "pyproject.toml"), "--rootdir", str(tmp_path), str(tmp_path)],
        env={"PATH": "/usr/bin:/bin", "COOP_TEST_POSTGRES": NOWHERE_POSTGRES, "COOP_TEST_REDIS": NOWHERE_REDIS},
        cwd=services.CHECKOUT,
        capture_output=True,
        text=True,
    )
    assert done.returncode == 1, done.stdout + done.stderr
    assert "2 errors" in done.stdout
    assert "skipped" not in done.stdout
    assert "cannot be used" in done.stdout
