"""`coop statements book` and `export-lines`: what they write and what they refuse."""

from __future__ import annotations

import csv
from datetime import datetime
from pathlib import Path

import pikepdf
import pytest
from click.testing import CliRunner, Result

from coop.cli import cli
from coop.core.db import make_engine, make_sessions, transaction
from coop.core.documents import keep_document
from coop.core.errors import Refusal
from coop.statements.documents import statement_pdf
from coop.statements.service import freeze_statement
from tests.factories import statements
from tests.factories.coops import MARCH, build_coop
from tests.integration.statements.test_service import charge


def run(folder: Path, *words: str) -> Result:
    return CliRunner().invoke(cli, ["statements", *words, "--data", str(folder)])


def read(file: Path) -> list[dict[str, str]]:
    with file.open(newline="", encoding="utf-8") as lines:
        return list(csv.DictReader(lines))


@pytest.fixture
def folder(sqlite_url: str, tmp_path: Path, now: datetime) -> Path:
    paper = statement_pdf(statements.left())
    engine = make_engine(sqlite_url)
    with transaction(make_sessions(engine)) as session:
        coop = build_coop(session, now)
        charge(session, now, coop, MARCH)
        for code, dealer in coop.dealers.items():
            statement = freeze_statement(session, now, coop.mall, dealer, MARCH)
            statement.document_id = keep_document(
                session, now, file_name=code, media_type="application/pdf", content=paper, made_with="a test"
            ).id
    engine.dispose()
    return tmp_path


def test_all_of_a_month_or_those_without_mail_are_bound(folder: Path) -> None:
    where = ("--mall", "MAIN", "--month", "2025-03", "--to", str(folder / "all.pdf"))
    assert run(folder, "book", *where).output == f"4 statements written to {folder / 'all.pdf'}.\n"
    with pikepdf.open(folder / "all.pdf") as file:
        assert len(file.pages) == 8
    assert run(folder, "book", *where, "--without-mail").output.startswith("1 statement written")
    nowhere = run(folder, "book", *where[:-1], str(folder / "no" / "all.pdf"))
    assert "choose another place" in str(nowhere.exception)
    assert not list(folder.glob("*.part"))


def test_lines_are_written_for_a_mall_or_a_dealer_and_tie(folder: Path) -> None:
    where = ("export-lines", "--mall", "MAIN", "--month", "2025-03", "--to", str(folder / "lines.csv"))
    assert run(folder, *where).output == f"The lines of March 2025 are written to {folder / 'lines.csv'}.\n"
    rows = read(folder / "lines.csv")
    totals = {row["description"]: row["figure"] for row in rows if row["row"] == "total"}
    assert (totals["statements"], totals["all lines"]) == ("4", totals["closing balances"])
    assert run(folder, *where, "--dealer", "D01").exit_code == 0
    rows = read(folder / "lines.csv")
    assert [row["statement"] for row in rows if row["row"] == "closing"] == ["MAIN.D01.2025-03"]
    assert isinstance(run(folder, *where, "--dealer", "D99").exception, Refusal)
    april = [word if word != "2025-03" else "2025-04" for word in where]
    assert "No statement of April 2025 has been made at MAIN" in str(run(folder, *april).exception)
    assert rows[0]["figure"] == "2025-03-01 to 2025-03-31"
