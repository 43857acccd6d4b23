"""`coop rota draft`: a month drafted from the command line, and what it refuses."""

from __future__ import annotations

from datetime import date, datetime
from decimal import Decimal
from pathlib import Path

import pytest
from click.testing import CliRunner, Result
from sqlalchemy import select

from coop.cli import cli
from coop.core.db import make_engine, make_sessions, transaction
from coop.core.errors import Refusal
from coop.floor.models import Mall
from coop.shifts.models import Availability, Rota, Turn
from tests.factories.leases import make_lease, make_rate, make_space
from tests.factories.people import make_coop, make_dealer, make_mall
from tests.factories.turns import lay_fact, lay_mall, lay_published


def run(folder: Path, *words: str) -> Result:
    return CliRunner().invoke(cli, ["rota", "draft", *words, "--data", str(folder)])


@pytest.fixture
def folder(sqlite_url: str, tmp_path: Path, now: datetime) -> Path:
    """A mall with five key holders, none of whom can come on January 2, 2027; another without turns."""
    engine = make_engine(sqlite_url)
    with transaction(make_sessions(engine)) as session:
        make_coop(session, now)
        mall = make_mall(session, now)
        make_mall(session, now, "EAST")
        make_rate(session, mall)
        lay_mall(session, mall, owed_base=Decimal(12), most_week=4)
        for number in range(1, 6):
            dealer = make_dealer(session, now, f"D{number:02d}")
            make_lease(session, now, mall, dealer, [make_space(session, now, mall, f"1{number}")])
            for fact in ("trained", "keys"):
                lay_fact(session, dealer.member_id, fact)
            never = Availability(member_id=dealer.member_id, kind="never", starts_on=date(2027, 1, 2), ends_on=date(2027, 1, 2))
            never.weekdays, never.every_weeks, never.from_min, never.to_min, never.said_at = 127, 1, 0, 1440, now
            session.add(never)
    engine.dispose()
    return tmp_path


def test_a_month_is_drafted_and_what_is_uncovered_is_said_with_its_reason(folder: Path, sqlite_url: str) -> None:
    """January 2027 has 26 days from Monday to Saturday, five of them Saturdays: 26 + 26 + 5 turns; on the 2nd are three."""
    result = run(folder, "2027-01", "--mall", "main", "--seed", "1", "--seconds", "10")
    assert result.exit_code == 0, result.exception
    lines = result.output.splitlines()
    assert "54 of 57 turns covered, 0 moved from who had them" in lines
    assert any(line.startswith("2027-01-02 Desk, 10 am to 2 pm: 1 uncovered (said never: ") for line in lines), lines
    engine = make_engine(sqlite_url)
    with transaction(make_sessions(engine)) as session:
        turns = session.scalars(select(Turn).where(Turn.member_id.is_(None))).all()
        assert {turn.on_date for turn in turns} == {date(2027, 1, 2)}
    engine.dispose()


def test_a_mall_without_hours_a_published_month_and_an_unknown_mall_are_refused(
    folder: Path, sqlite_url: str, now: datetime
) -> None:
    assert "has no opening hours yet: set them first" in str(run(folder, "2027-01", "--mall", "EAST").exception)
    assert isinstance(run(folder, "2027-01", "--mall", "BARN").exception, Refusal)
    engine = make_engine(sqlite_url)
    with transaction(make_sessions(engine)) as session:
        mall = session.scalars(select(Mall).where(Mall.code == "MAIN")).one()
        rota = Rota(mall_id=mall.id, first_day=date(2027, 2, 1), state="draft")
        session.add(rota)
        session.flush()
        lay_published(session, rota, now)
    engine.dispose()
    assert "The rota of February 2027 is published" in str(run(folder, "2027-02", "--mall", "MAIN").exception)
