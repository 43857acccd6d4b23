"""`coop ledger export`, read by the programs it is for: Beancount 3 and hledger, each as a process of its own."""

from __future__ import annotations

import csv
import io
import json
import os
import re
import shutil
import subprocess
import sys
from collections.abc import Iterator
from datetime import date, datetime
from decimal import Decimal
from pathlib import Path

import pytest
from click.testing import CliRunner
from sqlalchemy import Engine

from coop.books import queries
from coop.books.accounts import ensure_account
from coop.books.domain.entries import EntryDraft
from coop.books.domain.export import legal_account
from coop.books.reading import entry_kinds
from coop.books.service import post_entries
from coop.cli import cli
from coop.cli.ledger import write_whole
from coop.core.db import Sessions, make_engine, make_sessions, transaction
from coop.core.errors import Refusal
from tests.factories.books import bank_charge, lay_out
from tests.factories.every_kind import KINDS, lay_every_kind
from tests.integration.closing.money_hall import found

FORMS = ("beancount", "journal")


def program(name: str) -> str:
    """A program's path: beside Python, else on the PATH. One that is missing is a failure."""
    found = shutil.which(name, path=str(Path(sys.executable).parent)) or shutil.which(name)
    if found is None:
        pytest.fail(f"{name} is not installed. Run: bash .ci/setup", pytrace=False)
    return found


def run(*words: str) -> subprocess.CompletedProcess[str]:
    # A C locale would have hledger refuse what is not ASCII.
    return subprocess.run(words, capture_output=True, text=True, env={"LC_ALL": "C.UTF-8", "PATH": "/usr/bin:/bin"}, check=False)


def check(form: str, file: Path) -> subprocess.CompletedProcess[str]:
    if form == "beancount":
        return run(program("bean-check"), "--no-cache", str(file))
    return run(program("hledger"), "check", "--strict", "-f", str(file))


BEANCOUNT_BALANCES = """
import json, sys
from beancount import loader
entries, errors, options = loader.load_file(sys.argv[1])
assert not errors, errors
sums = {}
for entry in entries:
    for posting in getattr(entry, "postings", None) or ():
        sums[posting.account] = sums.get(posting.account, 0) + int(posting.units.number * 100)
print(json.dumps(sums))
"""


def their_balances(form: str, file: Path) -> dict[str, int]:
    """Each account's cents as the program adds them up, zeros left out."""
    if form == "beancount":
        done = run(sys.executable, "-c", BEANCOUNT_BALANCES, str(file))
        sums = json.loads(done.stdout)
    else:
        done = run(program("hledger"), "-f", str(file), "balance", "--flat", "--no-total", "-O", "csv")
        rows = csv.DictReader(io.StringIO(done.stdout))
        sums = {row["account"]: int(Decimal(row["balance"].removesuffix(" USD")) * 100) for row in rows}
    assert done.returncode == 0, done.stderr
    return {path: amount for path, amount in sums.items() if amount}


class Ledger:
    """The books of `lay_out`, with names, words and sums that are hard on other programs; and the command over them."""

    def __init__(self, url: str, folder: Path, now: datetime) -> None:
        self.folder = folder
        self.engine: Engine = make_engine(url)
        self.sessions: Sessions = make_sessions(self.engine)
        with transaction(self.sessions) as session:
            self.books = lay_out(session, now)
            upper, lower, odd = (
                ensure_account(session, path, "tax")
                for path in ("Liabilities:Tax:St. Ives", "Liabilities:Tax:St. Ives:über", "Liabilities:Tax-filed:the-office")
            )
            words = 'date:2026-13-99 [2026-99-01] "q" \\ ; | = @ (x) é\n{1}, * !'
            post_entries(
                session,
                now,
                [
                    bank_charge(session, 7_05, date(2026, 9, 2), "august"),
                    bank_charge(session, 1, date(2026, 10, 31), "october"),
                    EntryDraft(
                        *(None, date(2026, 10, 31), "tax", "journal", words, "x"),
                        postings=((upper, 12_345_678_90), (lower, -12_345_000_00), (odd, -678_90)),
                        memo=words,
                    ),
                ],
            )

    def export(self, form: str, *words: str) -> Path:
        file = self.folder / f"ledger.{form}"
        line = ["ledger", "export", "--format", form, "--to", str(file), *words]
        done = CliRunner().invoke(cli, line, env={"COOP_DATA": str(self.folder)})
        if done.exception:
            raise done.exception
        self.said = done.stdout
        return file

    def balances(self, through: date) -> dict[str, int]:
        with transaction(self.sessions) as session:
            return {legal_account(b.path): b.amount_cents for b in queries.balances(session, through=through) if b.amount_cents}


@pytest.fixture
def ledger(sqlite_url: str, tmp_path: Path, now: datetime) -> Iterator[Ledger]:
    made = Ledger(sqlite_url, tmp_path, now)
    yield made
    made.engine.dispose()


@pytest.mark.parametrize("form", FORMS)
def test_all_of_it_is_accepted_and_adds_up_as_ours(ledger: Ledger, form: str):
    """B1, over everything there is."""
    file = ledger.export(form)
    done = check(form, file)
    assert done.returncode == 0, done.stdout + done.stderr
    assert their_balances(form, file) == ledger.balances(date(2026, 10, 31))
    text = file.read_text(encoding="utf-8")
    assert "; Period: 2026-09-02 to 2026-10-31\n; Entries of: the whole co-op\n" in text
    assert f"{'entries':>20} {9:>15}" in ledger.said
    assert "opening" not in text


@pytest.mark.postgres
def test_postgresql_gives_the_same_file(ledger: Ledger, postgres_database_url: str, tmp_path: Path, now: datetime):
    there = Ledger(postgres_database_url, tmp_path, now)
    there.engine.dispose()
    file = tmp_path / "there.beancount"
    done = subprocess.run(
        [program("coop"), "ledger", "export", "--format", "beancount", "--month", "2026-10", "--to", str(file)],
        env={**os.environ, "COOP_DATA": str(tmp_path), "COOP_DATABASE_URL": postgres_database_url},
        capture_output=True,
        text=True,
        check=False,
    )
    assert done.returncode == 0, done.stderr
    assert file.read_bytes() == ledger.export("beancount", "--month", "2026-10").read_bytes()


@pytest.mark.parametrize("form", FORMS)
def test_a_month_stands_alone(ledger: Ledger, form: str):
    """B1, over October: assets and liabilities as in the ledger; income and expenses only of the month."""
    file = ledger.export(form, "--month", "2026-10")
    done = check(form, file)
    assert done.returncode == 0, done.stdout + done.stderr
    ours = ledger.balances(date(2026, 10, 31))
    assert ours["Expenses:Bank-charges"] == 7_06
    assert their_balances(form, file) == ours | {"Expenses:Bank-charges": 1, "Equity:Opening": 7_05}


@pytest.mark.parametrize("form", FORMS)
def test_a_mall_has_its_own_entries_only(ledger: Ledger, form: str):
    file = ledger.export(form, "--mall", "east")
    done = check(form, file)
    assert done.returncode == 0, done.stdout + done.stderr
    assert their_balances(form, file) == {"Assets:Drawer:EAST": 99_99, "Liabilities:Dealers:EAST:D02": -99_99}


@pytest.mark.parametrize("month", [(), ("--month", "2026-10")])
@pytest.mark.parametrize("form", FORMS)
def test_a_cent_more_is_refused(ledger: Ledger, form: str, month: tuple[str, ...]):
    """B1: a cent on one posting; a cent on both sides, which balances still; a cent on any balance at the end."""
    file = ledger.export(form, *month)
    text = file.read_text(encoding="utf-8")
    sale = "  Assets:Drawer:EAST  99.99 USD\n", "  Liabilities:Dealers:EAST:D02  -99.99 USD\n"
    assert all(text.count(line) == 1 for line in sale)
    one = text.replace(sale[0], sale[0].replace("99.99", "100.00"))
    both = one.replace(sale[1], sale[1].replace("99.99", "100.00"))
    ends = (
        r"(balance Assets:Bank  -?\d+\.\d)(\d)( ~)" if form == "beancount" else r"(Assets:Bank  0.00 USD = -?\d+\.\d)(\d)( USD)"
    )
    end, count = re.subn(ends, lambda m: f"{m[1]}{(int(m[2]) + 1) % 10}{m[3]}", text)
    assert count == 1
    for changed in (one, both, end):
        file.write_text(changed, encoding="utf-8")
        assert check(form, file).returncode != 0


def test_csv_sums_to_zero_and_to_its_totals(ledger: Ledger):
    raw = ledger.export("csv", "--month", "2026-10").read_bytes()
    rows = list(csv.DictReader(io.StringIO(raw.decode("utf-8"), newline="")))
    postings = [Decimal(row["amount"]) for row in rows if row["row"] == "posting"]
    totals = {row["account"]: row["figure"] for row in rows if row["row"] == "total"}
    assert sum(Decimal(row["amount"]) for row in rows if row["amount"]) == 0
    assert len(postings) == int(totals["postings"]) == 13
    assert len({row["entry"] for row in rows if row["row"] == "posting"}) == int(totals["entries"]) == 6
    assert sum(amount for amount in postings if amount > 0) == Decimal(totals["debits"])
    assert raw == ledger.export("csv", "--month", "2026-10").read_bytes()


@pytest.mark.parametrize(
    ("words", "sentence"),
    [
        (
            ("--month", "2026-08"),
            "There is nothing to export: the books of the co-op hold no entry up to the end of August 2026.",
        ),
        (("--mall", "WEST"), "--mall WEST: there is no such mall. There is: EAST, MAIN."),
        (("--to", "nowhere/ledger.csv"), "--to nowhere/ledger.csv could not be written (No such file or directory)"),
    ],
)
def test_refusals(ledger: Ledger, words: tuple[str, ...], sentence: str):
    with pytest.raises(Refusal, match=re.escape(sentence)):
        ledger.export("csv", *words)
    assert not list(ledger.folder.glob("*.csv"))


def test_a_month_without_entries_says_the_balances(ledger: Ledger):
    file = ledger.export("journal", "--month", "2026-12")
    assert check("journal", file).returncode == 0
    assert "; Control total, entries: 0\n" in file.read_text(encoding="utf-8")
    assert check("beancount", ledger.export("beancount", "--month", "2026-12")).returncode == 0


def test_stopped_on_the_way_the_file_that_was_there_stays(tmp_path: Path):
    def lines() -> Iterator[str]:
        yield "half\n" * 100_000
        raise OSError(28, "No space left on device")

    file = tmp_path / "ledger.csv"
    file.write_text("before", encoding="utf-8")
    with pytest.raises(Refusal, match="could not be written \\(No space left on device\\)"):
        write_whole(file, lines())
    assert [path.name for path in tmp_path.iterdir()] == ["ledger.csv"]
    assert file.read_text(encoding="utf-8") == "before"


# --- every kind of entry ------------------------------------------------------------------------------------------------


@pytest.fixture(scope="module")
def every_kind(sqlite_template: Path, tmp_path_factory: pytest.TempPathFactory) -> Iterator[tuple[Path, Sessions]]:
    """The folder of a co-op whose books hold an entry of every kind, and its sessions."""
    folder = tmp_path_factory.mktemp("every-kind")
    shutil.copyfile(sqlite_template, folder / "coop.sqlite3")
    engine = make_engine(f"sqlite:///{folder / 'coop.sqlite3'}")
    made = make_sessions(engine)
    with transaction(made) as session:
        found(session)
    lay_every_kind(made)
    yield folder, made
    engine.dispose()


@pytest.mark.parametrize("month", ["", "2026-12"])
@pytest.mark.parametrize("form", FORMS)
def test_every_kind_of_entry_is_accepted_and_a_cent_more_refused(every_kind: tuple[Path, Sessions], form: str, month: str):
    """B1, over a ledger with an entry of every kind the program makes; of a month alone too."""
    folder, made = every_kind
    file = folder / f"every.{form}"
    words = ["ledger", "export", "--format", form, "--to", str(file), *(["--month", month] if month else [])]
    assert CliRunner().invoke(cli, words, env={"COOP_DATA": str(folder)}).exit_code == 0
    with made() as session:
        assert set(entry_kinds(session)) == KINDS
        through = date(2026, 12, 31) if month else None
        ours = {b.path: b.amount_cents for b in queries.balances(session, through=through)}
    done = check(form, file)
    assert done.returncode == 0, done.stdout + done.stderr
    theirs = their_balances(form, file)
    if month:
        # Income and expenses begin the month at zero.
        ours, theirs = ({path: cents for path, cents in sums.items() if path[0] in "AL"} for sums in (ours, theirs))
    assert theirs == {legal_account(path): cents for path, cents in ours.items() if cents}
    text = file.read_text(encoding="utf-8")
    assert f"; Period: {'2026-12-01 to 2026-12-31' if month else '2026-11-02 to 2027-01-05'}\n" in text
    assert "; Control total, debits: " in text
    # One posting in the middle, a cent up: the entry does not balance; and a cent on both of its sides: the end does not.
    entries = re.split(r"\n(?=\d{4}-\d\d-\d\d \*)", text)
    middle = next(n for n, one in enumerate(entries) if n > len(entries) // 2 and one.count(" USD\n") == 2)
    amounts = re.compile(r"(-?)(\d+)\.(\d\d)(?= USD\n)")
    first = amounts.search(entries[middle])
    assert first is not None
    one = entries[middle].replace(first.group(), _a_cent_more(first.group()), 1)
    both = amounts.sub(lambda found_: _a_cent_more(found_.group()), entries[middle])
    for changed in (one, both):
        file.write_text("\n".join([*entries[:middle], changed, *entries[middle + 1 :]]), encoding="utf-8")
        assert check(form, file).returncode != 0


def _a_cent_more(amount: str) -> str:
    """Away from zero."""
    cents = int(amount.replace(".", "").lstrip("-")) + 1
    return f"{'-' if amount.startswith('-') else ''}{cents // 100}.{cents % 100:02d}"
