"""`coop floor bays` where something stands: every piece that must move is told with its bay, its dealer, why, and the mend."""

from __future__ import annotations

from datetime import date, datetime
from pathlib import Path

import pytest
from click.testing import CliRunner, Result

from coop.cli import cli
from coop.core.db import make_engine, make_sessions, transaction
from coop.floor.domain.draft import PartDraft
from coop.floor.domain.finding import CAUTION
from tests.factories.overflow_hall import feet
from tests.factories.surveyed import Floor, build_surveyed

TO_COME, RAISED, LAST = date(2040, 1, 2), date(2040, 1, 9), date(2040, 2, 5)
"""Whatever day it is when this is read, they are to come."""


@pytest.fixture
def folder(sqlite_url: str, tmp_path: Path, now: datetime) -> Path:
    engine = make_engine(sqlite_url)
    with transaction(make_sessions(engine)) as session:
        build_surveyed(session, now)
    engine.dispose()
    return tmp_path


@pytest.fixture
def floor(folder: Path, sqlite_url: str, now: datetime) -> Floor:
    return Floor(make_sessions(make_engine(sqlite_url)), now, 1)


def bays(folder: Path, *words: str) -> Result:
    return CliRunner().invoke(cli, ["floor", "bays", *words, "--mall", "main", "--data", str(folder)])


def test_each_piece_that_must_move_is_told_with_bay_dealer_cause_and_mend(folder: Path, floor: Floor) -> None:
    """A door drawn where one stands, and from a day to come 60 in. for 44 in the other aisle: of 84 the first leaves 50."""
    floor.stay("A1-2", (30, 34), first=TO_COME, last=LAST)
    floor.stay("A1-3", (30, 20), first=TO_COME, last=LAST, dealer="V2")
    floor.stay("A2-3", first=TO_COME, last=LAST, dealer="V3")
    floor.stay("A1-6", (20, 20), at=18, first=TO_COME, last=LAST, dealer="V4")
    assert bays(folder).output.splitlines()[-1] == f"No pieces must move. {CAUTION}"
    floor.change_plan(PartDraft("D2", "door", feet(23, 38.5, 3, 0.5)))
    floor.widen("A1", 60, RAISED)
    before = [line for line in bays(folder).output.splitlines() if "move it" in line]
    at_door = "      A2-3 Oak chest (V3) stands within the 3' 8\" before door D2, which must stay free: move it."
    assert before == [at_door]
    told = bays(folder, "--on", str(RAISED)).output.splitlines()
    since = "Aisle A1 must keep 5' 0\" clear since Jan 9, 2040, says fire marshal."
    assert [line for line in told if "move it" in line] == [
        f"      A1-2 Oak chest (V1) leaves 4' 2\" of the 5' 0\" that aisle A1 must keep clear: move it. {since}",
        "      A1-3 Oak chest (V2) stands within the 5' 0\" before the opening of booth 22, which must stay free: move it. "
        + since,
        at_door,
    ]
    assert told[-1] == f"3 pieces must move. {CAUTION}"
    rows = [line.split()[0] for line in told if " at wall" in line or " at booth" in line]
    assert rows == sorted(rows), "bays stay in their order, whatever stands in them"
    assert not floor.bays(ended=True), "nothing is changed by asking"


def test_bays_of_a_day_that_is_past_are_refused(folder: Path) -> None:
    """A plan has no days: what its widths were then says nothing of what stood there."""
    assert "Jan 1, 2001 is past: leave --on out for today, or name a day to come." in str(
        bays(folder, "--on", "2001-01-01").exception
    )
