"""`coop overflow`: a period drafted from the command line with its bays, shown again, and what it refuses."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest
from click.testing import CliRunner, Result

from coop.cli import cli
from coop.core.db import make_engine, make_sessions, transaction
from coop.core.periods import shown_days
from tests.factories.overflow_floor import lay_piece, lay_request, lay_rules
from tests.factories.overflow_hall import build_overflow_hall
from tests.factories.people import make_coop, make_mall

FIRST = datetime.now(UTC).date() + timedelta(days=30)
"""The command asks the clock: whatever day it is when this is read, it is to come, and within a year."""
LAST = FIRST + timedelta(days=20)
"""Of three weeks."""


@pytest.fixture
def folder(sqlite_url: str, tmp_path: Path, now: datetime) -> Path:
    """The hall of 44 in., where V1 asks for floor for a chest."""
    engine = make_engine(sqlite_url)
    with transaction(make_sessions(engine)) as session:
        make_coop(session, now)
        hall = build_overflow_hall(session, now, make_mall(session, now))
        lay_rules(session, hall.mall)
        request = lay_request(session, hall.mall, hall.dealers["V1"], asked_on=now.date(), not_before=FIRST, weeks=2)
        lay_piece(session, hall.dealers["V1"], "Pine chest", request=request)
    engine.dispose()
    return tmp_path


def run(folder: Path, *words: str) -> Result:
    return CliRunner().invoke(cli, ["overflow", *words, "--mall", "main", "--data", str(folder)])


def test_a_period_is_drafted_with_its_bays_and_shown_again(folder: Path) -> None:
    assert "No draft of Lantern Yard Antiques Hall waits" in str(run(folder, "show").exception)
    result = run(folder, "draft", "--first-day", str(FIRST), "--weeks", "3", "--seconds", "5", "--seed", "1")
    assert result.exit_code == 0, result.exception
    lines = result.output.splitlines()
    assert lines[:2] == [f"{FIRST} to {LAST}, 3 weeks", "1 of 1 requests granted."]
    assert "What stands keeps its floor: proven, no draft is better at it." in lines
    assert any(line.startswith("V1     granted: Pine chest stands in bay A") for line in lines), lines
    assert run(folder, "show").output == result.output
    again = run(folder, "draft", "--first-day", str(FIRST))
    assert f"A draft of {shown_days(FIRST, LAST)} is there already" in str(again.exception)
