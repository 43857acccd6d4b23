"""`coop tax`: files proposed, applied and undone; what taxes a place; the tax of a ticket; bad input said in a sentence."""

from __future__ import annotations

import json
import subprocess
import sys
from dataclasses import dataclass
from datetime import UTC, date, datetime
from decimal import Decimal
from pathlib import Path
from typing import Any

import pytest
from click.testing import CliRunner

from coop.cli import cli
from coop.cli.tax import RATES_CAUTION
from coop.core.db import make_engine, make_sessions, transaction
from coop.core.errors import Refusal
from coop.dealers.membership import found_coop
from coop.floor.service import add_mall
from coop.tax.queries import jurisdictions_at
from coop.tax.service import file_certificate, set_place

FILES = Path(__file__).parents[1] / "reference" / "streamlined"
WISCONSIN, MINNESOTA = str(FILES / "WIR2026Q2FEB18.csv"), str(FILES / "MNR2026Q2FEB18.csv")
BOUNDARIES = str(FILES / "MNB2026Q2FEB18-sample.csv")


@dataclass(frozen=True)
class Done:
    """How a command ended: as `coop.cli.main` ends it."""

    returncode: int
    stdout: str
    stderr: str


class Tax:
    """`coop tax` in a folder."""

    def __init__(self, data: Path) -> None:
        self.data = data

    def __call__(self, *words: str, given: str | bytes | None = None) -> Done:
        done = CliRunner().invoke(cli, ["tax", *words], env={"COOP_DATA": str(self.data)}, input=given)
        if isinstance(done.exception, Refusal):
            return Done(2, done.stdout, str(done.exception))
        if done.exception and not isinstance(done.exception, SystemExit):
            raise done.exception
        return Done(done.exit_code, done.stdout, done.stderr)


@pytest.fixture
def tax(sqlite_url: str, tmp_path: Path) -> Tax:
    """A co-op with the mall MAIN and nothing of tax."""
    engine = make_engine(sqlite_url)
    now = datetime(2026, 11, 3, 15, 0, tzinfo=UTC)
    with transaction(make_sessions(engine)) as session:
        found_coop(session, now, "Trial", commission_percent=Decimal(10))
        add_mall(session, now, "MAIN", name="Main", timezone="America/Chicago")
    engine.dispose()
    return Tax(tmp_path)


def test_wisconsin(tax: Tax) -> None:
    """F1, F5: proposed without a change, applied, applied again without a change, undone."""
    proposed = tax("import-rates", WISCONSIN)
    assert proposed.returncode == 0
    assert "added      3,882" in proposed.stdout
    assert "overlapping: Row 47 (county 078 of state 55) runs into row 48 from 2020-03-31: the later wins" in proposed.stdout
    assert "Nothing has been changed." in proposed.stdout
    place = ("--state", "55", "--county", "079", "--city", "53000")
    assert tax("rate", *place, "--on", "2024-01-01").stderr.startswith("There is no state 55")
    assert "Applied as import 1. To take it back: coop tax undo-import 1" in tax("import-rates", WISCONSIN, "--apply").stdout
    for on, percent in (("2020-03-31", "5.6"), ("2020-04-01", "5.5"), ("2023-12-31", "5.5"), ("2024-01-01", "7.9")):
        shown = tax("rate", *place, "--district", "55501", "--on", on).stdout.splitlines()
        assert shown[-1].split() == ["combined", f"{percent}%"]
    assert [row.split() for row in shown] == [
        ["state", "55", "5%"],
        ["county", "079", "0.9%"],
        ["city", "53000", "2%"],
        ["district", "55501", "no", "rate"],
        ["combined", "7.9%"],
    ]
    assert "There is nothing to change." in tax("import-rates", WISCONSIN, "--apply").stdout
    before = tax("rate", "--state", "55", "--on", "1970-01-01").stdout.splitlines()
    assert [row.split() for row in before] == [
        ["state", "55", "no", "rate"],
        ["combined", "no", "rate", "is", "in", "force", "on", "1970-01-01"],
    ]
    assert tax("undo-import", "1").stdout == "Import 1 is undone.\n"
    assert tax("undo-import", "1").stdout == "Import 1 was undone already.\n"
    assert tax("rate", *place, "--on", "2024-01-01").returncode == 2


def test_every_figure_says_that_the_state_s_rule_decides(tax: Tax, tmp_path: Path) -> None:
    """Apart from the answer, which another program may read."""
    tax("import-rates", MINNESOTA, "--apply")
    tax("import-boundary", BOUNDARIES, "--apply")
    told = f"{RATES_CAUTION}\n"
    assert tax("rate", "--state", "27", "--on", "2026-05-01").stderr == told
    assert tax("locate", "55403", "--on", "2018-06-01").stderr == told
    done = tax("compute", write(tmp_path, stack=STACK))
    assert done.stderr == told
    assert json.loads(done.stdout)["tax"]


def test_minnesota(tax: Tax) -> None:
    """F2, F6: Minneapolis, and a ZIP code of the boundary file, before and after there are percents."""
    tax("import-boundary", BOUNDARIES, "--apply")
    shown = tax("locate", "55403", "--on", "2018-06-01").stdout
    assert shown.splitlines()[1:5] == ["state 27", "county 053", "city 43000", "district 80004"]
    assert "No percents: There is no state 27" in shown
    tax("import-rates", MINNESOTA, "--apply")
    shown = tax("locate", "55403", "--state", "27", "--on", "2018-06-01").stdout
    assert [row.split()[:2] for row in shown.splitlines()[1:5]] == [
        ["state", "27"],
        ["county", "053"],
        ["city", "43000"],
        ["district", "80004"],
    ]
    codes = [word for code in minneapolis() for word in ("--district", code)]
    rate = tax("rate", "--state", "27", "--county", "053", "--city", "43000", *codes, "--on", "2026-05-01").stdout
    assert rate.splitlines()[-1].split() == ["combined", "9.025%"]
    assert tax("rate", "--state", "27", "--on", "2026-05-01").stdout.splitlines()[-1].split() == ["combined", "6.875%"]
    assert tax("locate", "99999", "--on", "2018-06-01").stderr.startswith("ZIP 99999 is in no place of the boundary file")
    assert tax("locate", "5540").stderr.startswith("ZIP '5540': a ZIP code is five digits")
    assert tax("locate", "55403", "--state", "MN").stderr.startswith("State 'MN': a state's FIPS code is two digits, such as 27.")


def minneapolis() -> list[str]:
    """Codes of the three districts there, as the co-op's own sample of the state's file has them."""
    rows = (Path(__file__).parents[1] / "reference" / "streamlined-rates.csv").read_text(encoding="ascii").splitlines()
    return [row.split(",")[2] for row in rows if row.startswith("27,63,")]


@pytest.mark.parametrize(
    ("content", "sentence"),
    [
        (b"", "bad.csv: The file is empty"),
        ("55,45".encode("utf-16"), "bad.csv: The file is in UTF-16"),
        (b"98,45,98,-0.05,0.05,0,0,20200101,20201231\n", "1 row is refused (row 1 has the rate -0.05, which is negative.)"),
        (b"98,45,98,0.05,0.05,0,0,20210101,20201231\n", "1 row is refused (row 1 ends on 2020-12-31, before it begins"),
        (b"98,45,98,0.05,0.05,0,0,20200101,20291231\n98,00,00", "1 row is refused (row 2 has 3 columns; a rate row has 9.)"),
        (b"98,46,98,0.05,0.05,0,0,20200101,20201231\n", "1 row is refused (row 1 has the jurisdiction type '46'"),
        (
            b"98,45,98,0.05,0.05,0,0,20200101,20201231\n98,45,98,0.06,0.06,0,0,20200601,20211231\n",
            "2 rows are refused (row 1 overlaps row 2 of the same jurisdiction (state 98): mend one of them.)",
        ),
    ],
)
def test_a_bad_rate_file_is_not_applied(tax: Tax, tmp_path: Path, content: bytes, sentence: str) -> None:
    path = tmp_path / "bad.csv"
    path.write_bytes(content)
    done = tax("import-rates", str(path), "--apply")
    assert (done.returncode, done.stderr[: len(sentence)]) == (2, sentence)
    assert tax("rate", "--state", "98", "--on", "2020-05-01").returncode == 2
    assert tax("undo-import", "1").stderr == "There is no import 1."
    assert "is not in the range" in tax("undo-import", "9" * 30).stderr


def test_the_good_rows_of_a_bad_file_are_taken_where_that_is_asked(tax: Tax, tmp_path: Path) -> None:
    path = tmp_path / "bad.csv"
    path.write_bytes(b"98,45,98,0.05,0.05,0,0,20200101,20291231\n98,00,00")
    assert "add --without-refused" in tax("import-rates", str(path), "--apply").stderr
    done = tax("import-rates", str(path), "--apply", "--without-refused")
    assert done.returncode == 0
    assert "refused: row 2 has 3 columns" in done.stdout
    assert tax("rate", "--state", "98", "--on", "2020-05-01").stdout.splitlines()[-1].split() == ["combined", "5%"]
    missing = tax("import-rates", str(tmp_path / "none.csv"))
    assert (missing.returncode, "cannot be read" in missing.stderr) == (2, True)


# --- compute ------------------------------------------------------------------------------------------------------------------


STACK = {"jurisdictions": [{"name": "State", "state": "98", "rates": [{"percent": "7.9"}]}]}


def write(tmp_path: Path, **body: Any) -> str:
    path = tmp_path / "ticket.json"
    path.write_text(json.dumps({"on": "2026-11-03", "lines": [{"price": "2.09", "quantity": 3}], **body}), encoding="utf-8")
    return str(path)


def test_a_ticket_with_its_own_stack_needs_no_co_op(tmp_path: Path) -> None:
    """R2 by the ticket, as the installed program; from a file and from standard input."""
    path = write(tmp_path, stack=STACK)
    command = [str(Path(sys.executable).parent / "coop"), "tax", "compute"]
    env = {"PATH": "/usr/bin:/bin", "COOP_DATA": str(tmp_path / "nowhere")}
    done = subprocess.run([*command, path], env=env, capture_output=True, text=True)
    assert (done.returncode, done.stderr) == (0, f"{RATES_CAUTION}\n")
    assert json.loads(done.stdout)["tax"] == "0.50"
    piped = subprocess.run([*command, "-"], env=env, input=Path(path).read_text(), capture_output=True, text=True)
    assert json.loads(piped.stdout) == json.loads(done.stdout)
    assert not (tmp_path / "nowhere").exists()


def test_the_schema_and_the_help_show_what_a_ticket_is(tax: Tax) -> None:
    schema = json.loads(tax("compute", "--schema").stdout)
    assert schema["required"] == ["on", "lines"]
    shown = tax("compute", "--help").stdout
    for key in schema["properties"]:
        assert key in shown
    assert tax("compute").stderr.startswith("Name the JSON file to compute")


def test_a_ticket_at_a_place_of_the_co_op_s_data(tax: Tax, tmp_path: Path, sqlite_url: str) -> None:
    tax("import-rates", WISCONSIN, "--apply")
    tax("import-boundary", BOUNDARIES, "--apply")
    tax("import-rates", MINNESOTA, "--apply")
    now = datetime(2026, 11, 3, 15, 0, tzinfo=UTC)
    engine = make_engine(sqlite_url)
    with transaction(make_sessions(engine)) as session:
        stack = jurisdictions_at(session, "55", county="079", city="53000")
        set_place(session, 1, stack, starts_on=date(2020, 1, 1), basis="item")
        file_certificate(
            session,
            now,
            number="R-17",
            kind="resale",
            buyer_name="Orla Quint",
            states=["55"],
            starts_on=date(2026, 1, 1),
            expires_on=date(2026, 11, 2),
        )
    engine.dispose()
    milwaukee = {"state": "55", "county": "079", "city": "53000"}
    assert json.loads(tax("compute", write(tmp_path, place=milwaukee)).stdout)["tax"] == "0.50"
    assert json.loads(tax("compute", write(tmp_path, place={**milwaukee, "basis": "item"})).stdout)["tax"] == "0.51"
    at_mall = json.loads(tax("compute", write(tmp_path, place={"mall": "main"})).stdout)
    assert (at_mall["tax"], at_mall["basis"], len(at_mall["jurisdictions"])) == ("0.51", "item", 3)
    by_zip = json.loads(tax("compute", write(tmp_path, on="2018-06-01", place={"zip": "55403"})).stdout)
    assert [j["name"].split()[0] for j in by_zip["jurisdictions"]] == ["State", "County", "City", "District"]
    none = tax("compute", write(tmp_path, place={"zip": "99999"}))
    assert (none.returncode, none.stderr[:28]) == (2, "ZIP 99999 is in no place of ")
    buyer = {"certificate": "R-17"}
    expired = tax("compute", write(tmp_path, place=milwaukee, buyer=buyer))
    assert (expired.returncode, expired.stdout) == (2, "")
    assert expired.stderr.startswith("Certificate R-17 expired on 2026-11-02: tax the sale, or ask the buyer for one that holds.")
    exempt = json.loads(tax("compute", write(tmp_path, on="2026-11-02", place=milwaukee, buyer=buyer)).stdout)
    assert (exempt["tax"], exempt["lines"][0]["untaxed"][0]["reason"]) == ("0.00", "resale")


@pytest.mark.parametrize(
    ("body", "sentence"),
    [
        ({"stack": STACK, "tip": "1.00"}, "tip is not known here; the keys are on, lines,"),
        ({"stack": {"jurisdictions": [{"name": "State"}]}}, "stack.jurisdictions[0].rates is missing"),
        ({"stack": STACK, "lines": [{"price": 2.09}]}, "lines[0].price is the number 2.09; it must be text"),
        ({"stack": STACK, "lines": [{"price": "2.09", "quantity": -3}]}, "lines[0].quantity is -3; it must be from 1"),
    ],
)
def test_a_bad_ticket_names_the_path(tax: Tax, tmp_path: Path, body: dict[str, Any], sentence: str) -> None:
    path = write(tmp_path, **body)
    done = tax("compute", path)
    assert (done.returncode, done.stdout) == (2, "")
    assert done.stderr.startswith(f"{path}: {sentence}")


def test_a_ticket_that_is_no_text(tax: Tax, tmp_path: Path) -> None:
    path = tmp_path / "ticket.json"
    assert tax("compute", str(path)).stderr.startswith(f"{path}: it cannot be read")
    path.write_bytes(b"\xff\xfe{}")
    assert tax("compute", str(path)).stderr == f"{path}: it is not UTF-8: save it as UTF-8."
    path.write_text("{", encoding="utf-8")
    assert tax("compute", str(path)).stderr.startswith(f"{path}: This is not JSON")


def test_rules_that_contradict_each_other_in_a_ticket(tax: Tax, tmp_path: Path) -> None:
    rules = [{"kind": "delivery", "terms": {"how": how}} for how in ("taxable", "exempt")]
    stack = {"jurisdictions": [{**STACK["jurisdictions"][0], "rules": rules}]}
    done = tax("compute", write(tmp_path, stack=stack))
    assert (done.returncode, done.stderr) == (2, "Delivery in State: two rules hold on 2026-11-03; end one of them.")
