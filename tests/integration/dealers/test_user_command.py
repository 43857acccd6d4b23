"""`coop user`: the first way in."""

from __future__ import annotations

from datetime import datetime
from pathlib import Path

from click.testing import CliRunner, Result
from sqlalchemy import select

from coop.cli import cli
from coop.core.db import make_engine, make_sessions, transaction
from coop.core.errors import Refusal
from coop.dealers import service
from coop.dealers.membership import add_dealer
from coop.dealers.models import UserAccount


def run(folder: Path, *words: str) -> Result:
    return CliRunner().invoke(cli, ["user", *words, "--data", str(folder)])


def printed_passphrase(result: Result) -> str:
    assert result.exit_code == 0, result.output
    return result.output.splitlines()[-1].strip()


def test_people_are_added_with_the_passphrase_that_is_printed(sqlite_url: str, tmp_path: Path, now: datetime) -> None:
    engine = make_engine(sqlite_url)
    sessions = make_sessions(engine)
    with transaction(sessions) as session:
        ida = add_dealer(session, now, "D01", name="Ida Fenwick")
    passphrase = printed_passphrase(
        run(tmp_path, "add", "Ida@Example.org", "--role", "dealer", "--role", "desk", "--dealer", "d01")
    )
    with transaction(sessions) as session:
        judged = service.judge(session, now, email="ida@example.org", passphrase=passphrase, address="192.0.2.7")
        assert isinstance(judged, UserAccount)
        assert judged.member_id == ida.member_id
        assert {grant.role for grant in judged.grants} == {"dealer", "desk"}
    fresh = printed_passphrase(run(tmp_path, "passphrase", "ida@example.org"))
    with transaction(sessions) as session:
        assert isinstance(
            service.judge(session, now, email="ida@example.org", passphrase=passphrase, address="192.0.2.7"),
            service.TurnedAway,
        )
        assert isinstance(
            service.judge(session, now, email="ida@example.org", passphrase=fresh, address="192.0.2.7"), UserAccount
        )
    engine.dispose()


def test_an_unknown_dealer_is_refused_and_nobody_is_added(sqlite_url: str, tmp_path: Path) -> None:
    result = run(tmp_path, "add", "ida@example.org", "--role", "dealer", "--dealer", "D99")
    assert isinstance(result.exception, Refusal)
    assert "there is no such dealer" in str(result.exception)
    engine = make_engine(sqlite_url)
    with transaction(make_sessions(engine)) as session:
        assert session.scalars(select(UserAccount)).all() == []
    engine.dispose()
