"""`coop tax return`: what would be filed and what was, at a terminal, as CSV and as PDF."""

from __future__ import annotations

import csv
from datetime import UTC, date, datetime
from decimal import Decimal
from pathlib import Path

import pytest
from sqlalchemy import select

from coop.books.service import ensure_period
from coop.core.db import make_engine, make_sessions, transaction
from coop.core.documents import Document, keep_document
from coop.core.periods import Month
from coop.dealers.membership import add_dealer, found_coop
from coop.floor.models import Mall
from coop.floor.service import add_mall
from coop.tax.documents import CAUTION, pdf_name
from coop.tax.domain.returns import FilingPeriod
from coop.tax.filing import amend_return, file_return
from tests.factories.tax import OFFICE, filer_of, make_filer
from tests.functional.test_tax_commands import Tax

NOW = datetime(2026, 11, 3, 15, 0, tzinfo=UTC)
OCTOBER = FilingPeriod(Month(2026, 10), "month")


@pytest.fixture
def tax(sqlite_url: str, tmp_path: Path) -> Tax:
    """October's sale of $100.00: 5% to the state, 0.5% to the county, filed with one office at 2% for being in time."""
    with transaction(make_sessions(make_engine(sqlite_url))) as session:
        found_coop(session, NOW, "Trial", commission_percent=Decimal(10))
        mall = add_mall(session, NOW, "MAIN", name="Main", timezone="America/Chicago")
        dealer = add_dealer(session, NOW, "D01", name="Ida Fenwick", joined_on=date(2025, 3, 1))
        ensure_period(session, mall.id, OCTOBER.first)
        make_filer(session, NOW, mall, [dealer]).sell(date(2026, 10, 5), 100_00)
    return Tax(tmp_path)


def file_october(url: str) -> None:
    with transaction(make_sessions(make_engine(url))) as session:
        file_return(session, NOW, OFFICE, OCTOBER, filed_on=date(2026, 11, 2))


def figures(shown: str) -> dict[str, str]:
    return {" ".join(words[:-1]): words[-1] for line in shown.splitlines() if line.startswith("  ") and (words := line.split())}


def test_a_worksheet(tax: Tax) -> None:
    done = tax("return", "elder-revenue-office", "2026-10")
    assert done.returncode == 0
    assert done.stderr == CAUTION + "\n"
    lines = done.stdout.splitlines()
    assert lines[0] == "Elder Revenue Office, October 2026"
    assert lines[1].startswith("Return elder-revenue-office.2026-10, not filed; as of ")
    assert lines[2] == "Due Nov 20, 2026. Amounts are in dollars."
    assert lines[4] == "State of Elder"
    shown = figures(done.stdout)
    assert shown["Taxable sales"] == "100.00"
    assert (shown["Tax due at 5% of 100.00"], shown["Tax due at 0.5% of 100.00"]) == ("5.00", "0.50")
    assert (shown["Tax owed, as collected"], shown["Tax in the books"]) == ("5.50", "5.50")
    assert lines[-1] == "It agrees with both."
    assert max(map(len, lines)) <= 78
    assert tax("return", "elder revenue OFFICE", "2026-10").stdout == done.stdout


def test_a_worksheet_as_files(tax: Tax, tmp_path: Path) -> None:
    done = tax("return", OFFICE, "2026-10", "--csv", str(tmp_path / "a.csv"), "--pdf", str(tmp_path / "a.pdf"))
    assert done.stdout.splitlines() == [f"Written to {tmp_path / 'a.csv'}.", f"Written to {tmp_path / 'a.pdf'}."]
    rows = list(csv.reader((tmp_path / "a.csv").read_text(encoding="utf-8").splitlines()))
    assert ["elder-revenue-office.2026-10", "", "control", "sum of tax collected", "", "", "5.50"] in rows
    assert (tmp_path / "a.pdf").read_bytes().startswith(b"%PDF-")
    nowhere = tax("return", OFFICE, "2026-10", "--csv", str(tmp_path / "none" / "a.csv"))
    assert nowhere.returncode == 2
    assert nowhere.stderr.endswith("cannot be written: No such file or directory.")


def test_what_was_filed_last(tax: Tax, sqlite_url: str, tmp_path: Path) -> None:
    """The return, then the one that amends it; the PDF is the bytes that were kept, and none before they are."""
    file_october(sqlite_url)
    shown = tax("return", OFFICE, "2026-10").stdout
    assert "Return elder-revenue-office.2026-10, filed Nov 2, 2026\n" in shown
    assert figures(shown)["Net due, to be paid"] == "5.39"
    path = tmp_path / "a.pdf"
    missing = tax("return", OFFICE, "2026-10", "--pdf", str(path))
    assert (missing.returncode, path.exists()) == (2, False)
    assert missing.stderr.startswith("The PDF of elder-revenue-office.2026-10 is not made yet: with coop serve")
    with transaction(make_sessions(make_engine(sqlite_url))) as session:
        name = pdf_name("elder-revenue-office.2026-10")
        keep_document(session, NOW, file_name=name, media_type="application/pdf", content=b"%PDF kept", made_with="a test")
        assert session.scalars(select(Document)).one().file_name == name
    tax("return", OFFICE, "2026-10", "--pdf", str(path))
    assert path.read_bytes() == b"%PDF kept"
    with transaction(make_sessions(make_engine(sqlite_url))) as session:
        filer_of(session, NOW, session.scalars(select(Mall)).one(), count=1).sell(date(2026, 10, 9), 20_00)
        amend_return(session, NOW, "elder-revenue-office.2026-10", filed_on=date(2026, 11, 9), reason="A ticket came late.")
    shown = tax("return", OFFICE, "2026-10").stdout
    assert "Amends elder-revenue-office.2026-10: A ticket came late." in shown
    assert figures(shown)["Tax in this return"] == "6.60"


@pytest.mark.parametrize(
    ("words", "sentence"),
    [
        (("Oak Bureau", "2026-10"), "'Oak Bureau' is no office that returns are filed with. There is: Elder Revenue Office."),
        ((OFFICE, "2019-12"), "Nothing is filed with Elder Revenue Office for December 2019: its settings begin later"),
    ],
)
def test_what_is_not_there(tax: Tax, words: tuple[str, str], sentence: str) -> None:
    done = tax("return", *words)
    assert (done.returncode, done.stdout) == (2, "")
    assert done.stderr.startswith(sentence)


def test_a_month_that_is_none(tax: Tax) -> None:
    done = tax("return", OFFICE, "2026-13")
    assert done.returncode == 2
    assert "'2026-13'" in done.stderr
