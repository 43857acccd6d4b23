"""`coop ledger open` and `sign-opening`, and `coop month let-pass`: what a person types, reads and is refused."""

from __future__ import annotations

import re
from datetime import date
from pathlib import Path

import pytest
from click.testing import CliRunner
from sqlalchemy import select

from coop.books.domain.opening_csv import EXAMPLE
from coop.books.models import Entry
from coop.cli.beginning import new_command
from coop.cli.context import open_coop
from coop.cli.ledger import ledger_command
from coop.cli.month import month_command
from coop.closing.queries import first_months
from coop.core.clock import utc_now
from coop.core.db import transaction
from coop.core.errors import Refusal
from coop.dealers.models import Dealer
from coop.floor.models import Mall
from coop.sales.devices import register_device, report_queue
from coop.tax import service as tax
from tests.factories.house import add_person
from tests.factories.leases import make_lease
from tests.factories.people import make_dealer

PAST = EXAMPLE.replace("2026-", "2024-")
"""Over, whenever the test runs."""


@pytest.fixture
def data(tmp_path: Path) -> Path:
    folder = tmp_path / "coop"
    made = run(new_command, folder, "--name", "Lantern Yard", "--mall", "MAIN", "--timezone", "America/Chicago")
    assert "is there" in made
    assert "Coming from paper" in made
    with transaction(open_coop(folder).sessions) as session:
        now, mall = utc_now(), session.scalars(select(Mall)).one()
        for code in ("D01", "D02"):
            make_dealer(session, now, code)
        make_lease(session, now, mall, session.scalars(select(Dealer).where(Dealer.code == "D01")).one(), [])
        state = tax.add_jurisdiction(session, code="STATE", name="State of Elmora", kind="state")
        tax.set_place(session, mall.id, [state], starts_on=date(2020, 1, 1))
        for who, role in (("first", "bookkeeper"), ("second", "manager"), ("desk", "desk")):
            add_person(session, now, f"{who}@example.org", (role,))
    (tmp_path / "paper.csv").write_text(PAST, encoding="utf-8")
    return folder


def run(command, data: Path, *words: str) -> str:
    """What a command says. A refusal is raised as it is."""
    ended = CliRunner().invoke(command, [*words, "--data", str(data)])
    if ended.exception is not None:
        raise ended.exception
    return ended.output


def test_the_books_are_opened_from_the_command_line_by_two(data: Path, tmp_path: Path) -> None:
    assert EXAMPLE.strip() in run(ledger_command, data, "open", "--example")
    first = ("open", str(tmp_path / "paper.csv"), "--first-month", "2024-09", "--by")
    with pytest.raises(Refusal, match=r"--by nobody@example.org: nobody signs in with that mail address"):
        run(ledger_command, data, *first, "nobody@example.org")
    with pytest.raises(Refusal, match=r"--by desk@example.org: this is for the manager and the bookkeeper"):
        run(ledger_command, data, *first, "desk@example.org")
    with pytest.raises(Refusal, match="No opening waits to be signed"):
        run(ledger_command, data, "sign-opening", "--by", "second@example.org")
    (tmp_path / "wrong.csv").write_text(PAST.replace(",D02,", ",D77,"), encoding="utf-8")
    wrong = ("open", str(tmp_path / "wrong.csv"), "--first-month", "2024-09", "--by", "first@example.org")
    with pytest.raises(Refusal, match=r"wrong\.csv is not taken\.\nRow 3: there is no dealer D77"):
        run(ledger_command, data, *wrong)

    said = run(ledger_command, data, *first, "first@example.org")
    assert "paper.csv, for the books that begin with September 2024:" in said
    assert "bank       1       $1,650.00" in said
    assert "Nothing is posted yet." in said
    shown = run(ledger_command, data, "sign-opening", "--by", "second@example.org", "--dry-run")
    assert re.search(r"2 dealer +MAIN +D01 +\$412\.50\n +3 dealer +MAIN +D02 +-\$65\.00\n", shown)
    assert "Nothing was changed." in shown
    with pytest.raises(Refusal, match=r"You entered the opening from paper\.csv yourself"):
        run(ledger_command, data, "sign-opening", "--by", "first@example.org")
    assert "The books are open." in run(ledger_command, data, "sign-opening", "--by", "second@example.org")
    with transaction(open_coop(data).sessions) as session:
        assert sorted(session.scalars(select(Entry.purpose))) == ["MAIN", "co-op"]
    let = ("let-pass", "2024-09", "--mall", "MAIN", "--step", "bank", "--reason", "Late", "--by", "second@example.org")
    with pytest.raises(Refusal, match="The month-end of September 2024 at MAIN has not begun"):
        run(month_command, data, *let)


def test_a_file_read_by_mistake_is_dropped(data: Path, tmp_path: Path) -> None:
    run(ledger_command, data, "open", str(tmp_path / "paper.csv"), "--first-month", "2024-09", "--by", "first@example.org")
    assert run(ledger_command, data, "drop-opening", "--by", "second@example.org") == "paper.csv is dropped.\n"


def test_a_dry_run_with_a_refused_step_says_so_and_fails(data: Path) -> None:
    with transaction(open_coop(data).sessions) as session:
        mall = session.scalars(select(Mall)).one()
        register_device(session, utc_now(), mall, "front")
        report_queue(session, utc_now(), mall, "front", 2)
        first = first_months(session)[mall.id]
    ended = CliRunner().invoke(month_command, ["close", str(first), "--mall", "MAIN", "--dry-run", "--data", str(data)])
    assert ended.exit_code == 1
    assert "REFUSED  Desk devices have sent all they rang up: front has 2 tickets" in ended.output
    assert "would be done  Drawers are counted" in ended.output
    assert "would be refused. Mend what" in ended.output
