"""`coop lease`: what it shows, what it writes, and what it refuses."""

from __future__ import annotations

from datetime import date, datetime
from pathlib import Path

import pytest
from click.testing import CliRunner, Result

from coop.cli import cli
from coop.core.db import make_engine, make_sessions, transaction
from coop.core.errors import Refusal
from coop.leases.agreements import Terms, sign_on_paper
from tests.integration.leases.conftest import Yard


def run(folder: Path, *words: str) -> Result:
    return CliRunner().invoke(cli, ["lease", *words, "--data", str(folder)])


@pytest.fixture
def folder(sqlite_url: str, tmp_path: Path, now: datetime) -> Path:
    engine = make_engine(sqlite_url)
    with transaction(make_sessions(engine)) as session:
        yard = Yard(session, now)
        ida = yard.lease("D01", "12", "13", terms=Terms(term_ends_on=date(2099, 5, 31), deposit_cents=540_00))
        sign_on_paper(session, now, ida, name="Ida Fenwick", on=date(2026, 5, 20))
        yard.lease("D02")
        yard.lease("D03", "11").settled_on = date(2026, 10, 31)
    engine.dispose()
    return tmp_path


def test_leases_are_listed_with_their_spaces(folder: Path) -> None:
    lines = run(folder, "list", "--mall", "main").output.splitlines()
    assert [line.split() for line in lines[1:]] == [
        "1 D01 for a fixed term Jun 1, 2026 May 31, 2099 May 20, 2026 12, 13".split(),
        "2 D02 by the month Jun 1, 2026 not signed none".split(),
    ]
    assert len(run(folder, "list", "--mall", "MAIN", "--all").output.splitlines()) == 4
    assert isinstance(run(folder, "list", "--mall", "EAST").exception, Refusal)


def test_a_lease_is_shown_in_words(folder: Path) -> None:
    said = " ".join(run(folder, "show", "1").output.split())
    for words in (
        "leases Booth 12 and Booth 13 at Lantern Yard Antiques Hall to Ida Fenwick, from Jun 1, 2026. Today: for a fixed term.",
        "Booth 12 front 120.00 sq ft $2.25 a square foot a month $270.00",
        "Deposit $540.00. It stays the dealer's",
        "The dealer, D01: Signed by Ida Fenwick on May 20, 2026, on paper.",
    ):
        assert words in said, words
    assert "There is no lease 9" in str(run(folder, "show", "9").exception)


def test_an_agreement_is_written_as_pdf(folder: Path, tmp_path: Path) -> None:
    target = tmp_path / "agreement.pdf"
    result = run(folder, "print", "1", str(target))
    assert result.exit_code == 0
    assert target.read_bytes().startswith(b"%PDF-")
    assert "Have counsel check it" in result.output
    assert "cannot be written" in str(run(folder, "print", "1", str(tmp_path / "none" / "a.pdf")).exception)
