"""Drawers in the office: counted, filled, paid out of and emptied by forms; devices; what is wrong stands at its field."""

from __future__ import annotations

import csv
import io
import re
from pathlib import Path

import pytest
from click.testing import CliRunner
from sqlalchemy import func, select

from coop.books.models import Account, Posting
from coop.cli import cli
from coop.core.audit import AuditLog
from coop.sales.models import DeskDevice, DrawerCount
from tests.integration.web.conftest import Web, send
from tests.integration.web.test_tax_terms import mistake_at

PAGE = "/office/sales/drawers/MAIN"
COUNT = {"key": "a" * 32, "drawer": "-", "on": "2026-11-03", "total": "", "second": "", "note": ""}
MOVE = {"key": "b" * 32, "drawer": "-", "on": "2026-11-03", "amount": "20", "reason": "Stamps", "what_for": "Postage"}
PIECES = {"bills_100": "2", "bills_5": "1", "quarters": "3", "pennies": "4"}
"""$205.79."""


def balances(web: Web) -> dict[str, int]:
    with web.sessions() as session:
        rows = session.execute(
            select(Account.path, func.sum(Posting.amount_cents))
            .join(Posting, Posting.account_id == Account.id)
            .group_by(Account.path)
        )
        return {path: int(cents) for path, cents in rows}


def test_a_count_by_bills_and_coins_is_added_up_and_kept_once(web: Web) -> None:
    held = balances(web)["Assets:Drawer:MAIN"]
    client = web.browser("desk")
    sure = {"sure": "y", "difference": str(205_79 - held)}
    for _ in range(2):
        answer = send(client, f"{PAGE}/count", **{**COUNT, **PIECES, **sure, "second": str(web.house.users["manager"])})
        assert (answer.status_code, answer.headers["Location"]) == (303, f"{PAGE}?month=2026-11")
    with web.sessions() as session:
        row = session.scalars(select(DrawerCount)).one()
        assert (row.expected_cents, row.counted_cents) == (held, 205_79)
        assert (row.counted_by, row.seconded_by) == (web.house.users["desk"], web.house.users["manager"])
    assert balances(web)["Expenses:Over-short:MAIN"] == held - 205_79
    assert "Drawer is counted: $205.79" in client.get(PAGE).text
    rows = list(csv.reader(io.StringIO(web.browser("auditor").get(f"{PAGE}/counts.csv?month=2026-11").text)))
    assert rows[1][:7] == [
        *("2026-11-03", "", f"{held / 100:.2f}", "205.79", f"{(205_79 - held) / 100:.2f}"),
        *("desk@example.org", "manager@example.org"),
    ]
    assert rows[2][:1] + rows[2][4:5] == ["total", rows[1][4]]
    assert rows[2][7] == "1 counts from 2026-11-01 to 2026-11-30"


@pytest.mark.parametrize(
    ("wrong", "at", "sentence"),
    [
        ({}, "total", "how many there are of each"),
        ({**PIECES, "total": "205.80"}, "total", "come to $205.79"),
        ({"quarters": "-1"}, "quarters", "whole number from 0 to"),
        ({"total": "5", "on": "2026-11-04"}, "on", "still to come"),
        ({"total": "5", "drawer": "back"}, "drawer", "one of those listed"),
        ({"total": "5", "second": "1" * 9}, "second", "one of those listed"),
    ],
)
def test_what_is_wrong_with_a_count_is_told_at_its_field(web: Web, wrong: dict[str, str], at: str, sentence: str) -> None:
    answer = send(web.browser("desk"), f"{PAGE}/count", **{**COUNT, **wrong})
    assert answer.status_code == 422
    assert sentence in mistake_at(answer.text, at)
    with web.sessions() as session:
        assert session.scalar(select(func.count()).select_from(DrawerCount)) == 0


def test_a_count_far_off_takes_two_and_is_confirmed(web: Web) -> None:
    held, manager = balances(web)["Assets:Drawer:MAIN"], web.browser("manager")
    far = {**COUNT, "total": f"{held / 100 + 1200:.2f}"}
    alone = send(manager, f"{PAGE}/count", **far)
    assert alone.status_code == 422
    assert "The drawer is more than $100.00 off what the books say" in mistake_at(alone.text, "second")
    far["second"] = str(web.house.users["desk"])
    for sure in ({}, {"difference": str(1200_00)}, {"difference": str(1200_01), "sure": "y"}):
        asked = send(manager, f"{PAGE}/count", **far, **sure)
        assert asked.status_code == 422
        assert "is $1,200.00 more than the books say. Check the amount" in asked.text
        assert f'value="{1200_00}"' in asked.text
    assert balances(web).get("Expenses:Over-short:MAIN", 0) == 0
    # The desk counts without knowing what should be there.
    by_desk = send(web.browser("desk"), f"{PAGE}/count", **{**far, "second": str(web.house.users["manager"])})
    assert "is more than $100.00 off what the books say. Check the amount" in by_desk.text
    assert "1,200.00 more" not in by_desk.text
    assert send(manager, f"{PAGE}/count", **far, difference=str(1200_00), sure="y").status_code == 303
    assert balances(web)["Expenses:Over-short:MAIN"] == -1200_00


def test_the_desk_is_not_told_what_should_be_in_the_drawer(web: Web) -> None:
    held = f"{balances(web)['Assets:Drawer:MAIN'] / 100:.2f}"
    assert held in web.browser("manager").get(PAGE).text
    for path in (PAGE, f"{PAGE}/count"):
        assert held not in web.browser("desk").get(path).text


def test_cash_is_put_in_paid_out_and_taken_to_the_bank(web: Web) -> None:
    before = balances(web)
    client = web.browser("bookkeeper")
    for _ in range(2):
        assert send(client, f"{PAGE}/put-in", **{**MOVE, "amount": "100", "new_drawer": "front"}).status_code == 303
    assert send(client, f"{PAGE}/paid-out", **{**MOVE, "drawer": "front", "amount": "12.40"}).status_code == 303
    slip = {"drawer": "front", "on": "2026-11-03", "cash": "60", "checks": "", "reference": "S-1"}
    assert send(client, f"{PAGE}/to-bank", **slip).status_code == 303
    after = balances(web)
    moved = {path: cents - before.get(path, 0) for path, cents in after.items() if cents != before.get(path, 0)}
    assert moved == {"Assets:Bank": -40_00, "Assets:Drawer:MAIN:front": 27_60, "Expenses:Postage:MAIN": 12_40}
    assert 'drawer=front">Count<span' in client.get(PAGE).text
    for path, fields, at, sentence in (
        ("put-in", {**MOVE, "key": "c" * 32, "new_drawer": "no such name!"}, "new_drawer", "letters, figures and hyphens"),
        ("put-in", {**MOVE, "key": "c" * 32, "new_drawer": "", "amount": "0"}, "amount", "above zero"),
        ("paid-out", {**MOVE, "key": "c" * 32, "drawer": "front", "amount": "27.61"}, "amount", "$27.60 was in the drawer front"),
        ("paid-out", {**MOVE, "key": "c" * 32, "reason": ""}, "reason", "what was bought"),
        ("paid-out", {**MOVE, "key": "c" * 32, "on": "2026-11-04"}, "on", "still to come"),
        ("to-bank", {**slip, "cash": "27.61", "reference": "S-2"}, "cash", "$27.60 was in the drawer front"),
        ("to-bank", {**slip, "checks": "1", "reference": "S-2"}, "checks", "$0.00 of checks wait"),
        ("to-bank", {**slip, "cash": "", "reference": "S-2"}, "cash", "the cash, the checks, or both"),
        ("to-bank", {**slip, "cash": "1"}, "reference", "posted already"),
    ):
        answer = send(client, f"{PAGE}/{path}", **fields)
        assert answer.status_code == 422, (path, fields)
        assert sentence in mistake_at(answer.text, at)
    assert balances(web) == after


def test_a_device_is_registered_and_retired(web: Web) -> None:
    client = web.browser("manager")
    assert send(client, f"{PAGE}/devices", name="back desk").status_code == 303
    answer = send(client, f"{PAGE}/devices", name="back desk")
    assert "registered at MAIN already" in mistake_at(answer.text, "name")
    with web.sessions() as session:
        device = session.scalars(select(DeskDevice).where(DeskDevice.name == "back desk")).one()
        device.waiting = 2
        session.commit()
        number = device.id
    answer = send(client, f"{PAGE}/devices/{number}/retire")
    assert (answer.status_code, "has 2 tickets it has not sent" in answer.text) == (422, True)
    assert send(client, f"{PAGE}/devices/{number}/retire", reason="It drowned").status_code == 303
    assert "back desk" not in client.get(PAGE).text.replace("back desk is retired", "")
    with web.sessions() as session:
        detail = session.scalar(select(AuditLog.detail).where(AuditLog.action == "device retired"))
        assert detail == "2 tickets not sent: It drowned"


@pytest.mark.parametrize("database_url", ["sqlite"], indirect=True)
def test_a_device_reports_by_the_command(web: Web, tmp_path: Path, database_url: str) -> None:
    def run(*words: str) -> str:
        env = {"COOP_DATABASE_URL": database_url}
        result = CliRunner().invoke(cli, ["desk", *words, "--mall", "MAIN", "--data", str(tmp_path)], env=env)
        return result.output + str(result.exception or "")

    assert "front desk: 3 waiting." in run("report", "--device", "front desk", "--waiting", "3")
    assert "3 waiting, heard of 20" in run("list")
    assert "front desk: nothing waits." in run("report", "--device", "front desk", "--waiting", "0")
    assert "There is no device attic in use at MAIN. There is: front desk." in run(
        "report", "--device", "attic", "--waiting", "0"
    )


def test_the_month_of_counts_is_chosen_among_those_of_the_books_and_the_one_asked_for(web: Web) -> None:
    page = web.browser("auditor").get(f"{PAGE}?month=2026-08").text
    offered = page[page.index('<select id="sift-month"') :].partition("</select>")[0]
    assert re.findall(r'value="(\d{4}-\d\d)"( selected)?', offered) == [
        ("2026-11", ""),
        ("2026-10", ""),
        ("2026-08", " selected"),
    ]
