"""`coop bank`: a file brought in, lines matched and shown, the books' side of the bank read by another program."""

from __future__ import annotations

import subprocess
import sys
from collections.abc import Iterator
from datetime import datetime
from pathlib import Path

import pytest
from click.testing import CliRunner
from sqlalchemy import Engine

from coop.books.domain.ofx import read_ofx
from coop.cli import cli
from coop.core.db import make_engine, make_sessions, transaction
from coop.core.errors import Refusal
from tests.factories.banking import FIRST_HALF, OCTOBER_LINES, begin_banking, csv_file, post_october


class Command:
    """`coop bank` over the October of a mall."""

    def __init__(self, engine: Engine, folder: Path, now: datetime) -> None:
        self.folder = folder
        with transaction(make_sessions(engine)) as session:
            post_october(begin_banking(session, now))

    def __call__(self, *words: str) -> str:
        done = CliRunner().invoke(cli, ["bank", *words], env={"COOP_DATA": str(self.folder)})
        if done.exception:
            raise done.exception
        return done.stdout

    def file(self, name: str, content: bytes) -> str:
        (self.folder / name).write_bytes(content)
        return str(self.folder / name)


@pytest.fixture
def bank(sqlite_url: str, tmp_path: Path, now: datetime) -> Iterator[Command]:
    engine = make_engine(sqlite_url)
    yield Command(engine, tmp_path, now)
    engine.dispose()


def test_a_file_brought_matched_and_shown(bank: Command) -> None:
    half, whole = bank.file("half.csv", FIRST_HALF), bank.file("october.csv", csv_file(*OCTOBER_LINES))
    assert bank("import", half).splitlines() == [
        "12 new lines from 2026-10-05 to 2026-10-15.",
        "Balance at the bank on 2026-10-15: $7,006.83.",
    ]
    assert "4 new lines" in (said := bank("import", whole))
    assert "12 lines here already." in said
    with pytest.raises(Refusal, match="This very file was brought in on"):
        bank("import", whole)
    said = bank("match", "--month", "2026-10", "--cards")
    assert said.startswith("5 lines matched.\n2 lines entered as card sales.\n")
    assert "2026-10-21        200.00  DEPOSIT: It fits two entries" in said
    shown = bank("show")
    assert "2026-10-13       -120.00  matched 1         CHECK 1038" in shown
    assert "                       at the bank       7,343.70\n" in shown
    assert "                        difference           0.00\n" in shown
    assert "outstanding: 2026-10-30        -60.00  Payout 1045" in shown
    assert shown.endswith("Not reconciled.\n")


@pytest.mark.parametrize(
    ("content", "sentence"),
    [
        (b"Details,Amount\nFEE,1.00\n", "Nothing was taken of the file. The heading in row 1 has no column for the day"),
        (b"Date,Amount\n2026-10-05,x\n2026-10-32,5\n", "Row 2 has the amount 'x', .* Row 3 has the day '2026-10-32'"),
        (b"Date,Amount\n2062-10-05,5\n", "It has a line of .*2062, a day to come: mend its date"),
    ],
)
def test_what_is_wrong_with_a_file_is_said_and_nothing_taken(bank: Command, content: bytes, sentence: str) -> None:
    with pytest.raises(Refusal, match=sentence):
        bank("import", bank.file("bad.csv", content))
    with pytest.raises(Refusal, match="No line of the bank is here yet"):
        bank("show")


OFXTOOLS = """
import sys
from ofxtools.Parser import OFXTree
tree = OFXTree()
tree.parse(sys.argv[1])
found = tree.convert().statements[0]
print(len(found.transactions), sum(one.trnamt for one in found.transactions), found.ledgerbal.balamt)
"""


def test_the_books_side_of_the_bank_for_other_programs(bank: Command, tmp_path: Path) -> None:
    """450.00, 125.50 and twice 200.00 in, 440.00 of checks out: 5,000.00 becomes 5,535.50."""
    file = tmp_path / "books.ofx"
    assert "8 lines written to" in (said := bank("export", "--month", "2026-10", "--format", "ofx", "--to", str(file)))
    assert "From $5,000.00 to $5,535.50." in said
    read = subprocess.run([sys.executable, "-c", OFXTOOLS, str(file)], capture_output=True, text=True, check=False)
    assert (read.stdout, read.stderr) == ("8 535.50 5535.50\n", "")
    assert [line.reference for line in read_ofx(file.read_bytes()).lines if line.amount_cents < 0] == [
        "1041",
        "1042",
        "1043",
        "1045",
    ]
    rows = bank("export", "--month", "2026-10", "--format", "csv").splitlines()
    assert rows[:4] == [
        "row,date,entry,kind,memo,amount,balance,figure",
        "period,,,,,,,2026-10-01 to 2026-10-31",
        "total,,,,balance before,,,5000.00",
        "total,,,,lines,,,8",
    ]
    assert rows[-1].endswith(",payout,Payout 1045,-60.00,5535.50,")
