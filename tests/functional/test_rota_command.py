"""`coop rota solve`: an instance from a file, its cost and bound, and the rota; bad files said with the mend."""

from __future__ import annotations

from pathlib import Path

import pytest
from click.testing import CliRunner

from coop.cli import cli
from coop.core.errors import Refusal

ROSTER = Path(__file__).parents[1] / "reference" / "roster"


def run(*words: str):
    return CliRunner().invoke(cli, ["rota", "solve", *words], catch_exceptions=True)


def test_an_instance_is_solved_and_proven():
    """Published optimum: 607 (Curtois and Qu 2014)."""
    done = run(str(ROSTER / "Instance1.txt"), "--workers", "1", "--limit", "60", "--seed", "3")
    assert done.exit_code == 0, done.output
    said = [line.split(None, 1) for line in done.stdout.splitlines()[:5]]
    assert said[:3] == [["objective", "607"], ["bound", "607"], ["proven", "yes"]]
    assert said[4] == ["rules", "all kept (checked apart from the solver)"]
    rows = done.stdout.splitlines()[6:]
    assert [row[0] for row in rows] == list("ABCDEFGH")
    assert all(set(row[1:]) <= set(" D-") and len(row.split()) == 15 for row in rows)
    assert "cost: 607 found" in done.stderr


def test_minima_that_cannot_be_are_left_out_and_said(tmp_path):
    """A is to work all of two days and is off on both."""
    text = "SECTION_HORIZON\n2\nSECTION_SHIFTS\nD,480,\nSECTION_STAFF\nA,D=2,960,960,5,1,1,1\nSECTION_DAYS_OFF\nA,0,1\n"
    (tmp_path / "i.txt").write_text(text + "SECTION_COVER\n0,D,1,100,1\n")
    done = run(str(tmp_path / "i.txt"), "--seconds", "20")
    assert done.stdout.splitlines()[:2] == ["left out: the least minutes of A cannot be", "objective  100"]
    assert "1 broken (checked apart from the solver)" in done.stdout


@pytest.mark.parametrize(
    ("content", "said"),
    [
        (None, "cannot be read: No such file or directory."),
        (b"\xff", "cannot be read: it is no UTF-8 text."),
        (b"SECTION_HORIZON\nx\n", "SECTION_SHIFTS is missing or empty."),
    ],
)
def test_a_file_that_is_no_instance_is_refused(tmp_path, content, said):
    if content is not None:
        (tmp_path / "i.txt").write_bytes(content)
    done = run(str(tmp_path / "i.txt"))
    assert isinstance(done.exception, Refusal)
    assert said in str(done.exception)
