"""`coop floor`: a plan from a file, checked, and out again in every format; bad files said row by row."""

from __future__ import annotations

import io
from dataclasses import dataclass
from datetime import UTC, date, datetime
from decimal import Decimal
from pathlib import Path
from xml.etree import ElementTree

import ezdxf
import pytest
from click.testing import CliRunner
from sqlalchemy import select

from coop.cli import cli
from coop.core.db import make_engine, make_sessions, transaction
from coop.core.errors import Refusal
from coop.dealers.membership import add_dealer, found_coop
from coop.floor.domain.finding import CAUTION
from coop.floor.domain.plan_csv import COLUMNS, HELP
from coop.floor.models import Mall
from coop.floor.planning import set_aisle_width
from coop.floor.queries import find_space
from coop.floor.service import add_mall
from coop.leases.agreements import make_lease

PLAN = """kind,code,zone,x,y,width,depth,corners,height,clear,tolerance
outline,,,0,0,40 ft,30 ft,,,36,2
exit,E,,,,,,"40 ft, 10 ft; 40 ft, 14 ft",,,
wall,N,,0,0,40 ft,4 1/2",,9 ft,,
aisle,MAIN,,12 ft,1 ft,6 ft,28 ft,,,,
booth,14,front,1 ft,1 ft,10 ft,8 ft,,,,
booth,15,front,1 ft,10 ft,10 ft,8 ft,,,,
"""
OVER = PLAN.replace("booth,15,front,1 ft,10 ft", "booth,15,front,1 ft,8 ft")


@dataclass(frozen=True)
class Done:
    """How a command ended: as `coop.cli.main` ends it."""

    returncode: int
    stdout: str
    stderr: str


class Floor:
    """`coop floor` in a folder, for the mall MAIN."""

    def __init__(self, data: Path) -> None:
        self.data = data

    def __call__(self, command: str, *words: str) -> Done:
        given = ["floor", command, *words, "--mall", "MAIN"]
        done = CliRunner().invoke(cli, given, env={"COOP_DATA": str(self.data)})
        if isinstance(done.exception, Refusal):
            return Done(2, done.stdout, str(done.exception))
        if done.exception and not isinstance(done.exception, SystemExit):
            raise done.exception
        return Done(done.exit_code, done.stdout, done.stderr)

    def bring(self, text: str, *words: str) -> Done:
        file = self.data / "plan.csv"
        file.write_text(text, encoding="utf-8", newline="")
        return self("import", str(file), *words)


@pytest.fixture
def floor(sqlite_url: str, tmp_path: Path) -> Floor:
    """A co-op with the mall MAIN and no plan."""
    engine = make_engine(sqlite_url)
    with transaction(make_sessions(engine)) as session:
        now = datetime(2026, 11, 3, 15, 0, tzinfo=UTC)
        found_coop(session, now, "Elm Street Dealers", commission_percent=Decimal(10))
        add_mall(session, now, "MAIN", name="Elm Street Hall", timezone="America/Chicago")
    engine.dispose()
    return Floor(tmp_path)


def test_a_file_is_shown_first_and_saved_when_told_to(floor: Floor) -> None:
    shown = floor.bring(PLAN)
    assert shown.returncode == 0
    assert "     added     5  exit E, wall N, aisle MAIN, booth 14, booth 15" in shown.stdout
    assert "Nothing has been changed." in shown.stdout
    assert "has no plan yet" in floor("check").stderr
    assert "The plan is saved." in floor.bring(PLAN, "--apply").stdout
    again = floor.bring(PLAN)
    assert [line.split() for line in again.stdout.splitlines()[:3]] == [["added", "0"], ["changed", "0"], ["taken", "away", "0"]]


def test_a_check_tells_findings_with_their_places_and_its_status(floor: Floor) -> None:
    floor.bring(PLAN, "--apply")
    clean = floor("check")
    assert (clean.returncode, clean.stdout) == (0, f"No findings. {CAUTION}\n")
    shown = floor.bring(OVER, "--apply")
    assert "changed     1  booth 15 (outline)" in shown.stdout
    found = floor("check")
    assert found.returncode == 1
    assert "Booth 14 and booth 15 overlap by 1' 0\"" in found.stdout
    assert "At x 1' 0\" to 11' 0\", y 8' 0\" to 9' 0\"." in found.stdout
    assert found.stdout.endswith(f"1 finding. {CAUTION}\n")


def test_bays_are_told_with_their_sizes_and_with_those_of_a_day_to_come(floor: Floor) -> None:
    """Along an aisle of 7 ft beside the booths, with 36 in. required: 35 in. deep but before the middle 36 in. of each booth."""
    assert "has no plan yet" in floor("bays").stderr
    floor.bring(PLAN.replace("aisle,MAIN,,12 ft,1 ft,6 ft", "aisle,MAIN,,11 ft,1 ft,7 ft"), "--apply")
    told = floor("bays").stdout.splitlines()
    assert told[0] == "Aisle MAIN has 4 bays, 10' 0\" long together."
    assert told[1].split("  ") == ["", "", "MAIN-1", "", "", "2' 6\" by 2' 11\"", "", " at booth 14"]
    assert told[5:] == [f"No pieces must move. {CAUTION}"]
    engine = make_engine(f"sqlite:///{floor.data / 'coop.sqlite3'}")
    with transaction(make_sessions(engine)) as session:
        mall = session.scalars(select(Mall)).one()
        set_aisle_width(session, datetime(2026, 11, 3, 15, 0, tzinfo=UTC), mall, "MAIN", date(2100, 1, 1), 80 * 16)
    engine.dispose()
    assert floor("bays").stdout.splitlines() == told
    assert floor("bays", "--on", "2100-01-01").stdout.startswith("Aisle MAIN is 7' 0\" wide and must keep 6' 8\" clear: ")


def test_bad_rows_are_told_together_and_nothing_is_changed(floor: Floor) -> None:
    floor.bring(PLAN, "--apply")
    bad = PLAN.replace("booth,14,front,1 ft", "booth,14,,ten").replace("booth,15", "sofa,15")
    refused = floor.bring(bad, "--apply")
    assert refused.returncode == 2
    assert "3 faults, and nothing has been changed:" in refused.stderr
    for told in ("Row 6, zone: is empty", "Row 6, x: 'ten' is not a length", "Row 7, kind: is 'sofa'"):
        assert told in refused.stderr
    assert floor("check").returncode == 0


def test_what_the_database_would_refuse_is_told_without_apply_too(floor: Floor, sqlite_url: str) -> None:
    floor.bring(PLAN, "--apply")
    engine = make_engine(sqlite_url)
    with transaction(make_sessions(engine)) as session:
        now = datetime(2026, 11, 3, 15, 0, tzinfo=UTC)
        dealer = add_dealer(session, now, "D01", name="Ida Fenwick", joined_on=date(2025, 1, 1))
        mall = session.scalars(select(Mall)).one()
        booth = find_space(session, mall.id, "15")
        assert booth is not None
        make_lease(session, now, mall, dealer, starts_on=date(2026, 10, 1), commission_percent=Decimal(10), spaces=[booth])
    engine.dispose()
    refused = floor.bring(PLAN.replace(PLAN.splitlines(keepends=True)[-1], ""))
    assert refused.returncode == 2
    assert refused.stderr.startswith("Space 15 cannot be taken off the plan: a lease or an offer names it")


def test_a_plan_comes_out_in_every_format(floor: Floor, tmp_path: Path) -> None:
    floor.bring(PLAN, "--apply")
    for ending, options in (
        ("svg", ()),
        ("pdf", ("--scale", "1/8 in. = 1 ft", "--paper", "a4")),
        ("dxf", ()),
        ("csv", ()),
    ):
        out = tmp_path / f"out.{ending}"
        done = floor("export", str(out), *options)
        assert done.returncode == 0, done.stderr
        assert CAUTION in done.stdout
    assert ElementTree.parse(tmp_path / "out.svg").getroot().tag.endswith("svg")
    assert (tmp_path / "out.pdf").read_bytes().startswith(b"%PDF-")
    drawing = ezdxf.read(io.StringIO((tmp_path / "out.dxf").read_text("utf-8")))  # type: ignore[attr-defined]
    assert not drawing.audit().errors
    again = floor.bring((tmp_path / "out.csv").read_text("utf-8"))
    assert [line.split()[-1] for line in again.stdout.splitlines()[:3]] == ["0", "0", "0"]


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (("out.txt",), "its ending does not say what it is to be"),
        (("out.pdf", "--scale", "large"), "'large' is no scale; write it like 1:48"),
        (("out.pdf", "--scale", "1:3"), "choose a larger paper or a smaller scale, such as 1:6"),
        (("no/such/folder/out.svg",), "cannot be written: No such file or directory"),
    ],
)
def test_an_export_that_cannot_be_is_refused_in_a_sentence(floor: Floor, words: tuple[str, ...], said: str) -> None:
    floor.bring(PLAN, "--apply")
    refused = floor("export", *words)
    assert refused.returncode == 2
    assert said in refused.stderr


def test_a_file_that_is_not_there_is_refused(floor: Floor) -> None:
    assert "cannot be read: No such file" in floor("import", "nowhere.csv").stderr


def test_the_help_names_every_column(floor: Floor) -> None:
    said = " ".join(floor("import", "--help").stdout.split())
    for column in COLUMNS:
        assert " ".join(f"{column} {HELP[column]}".split()) in said
