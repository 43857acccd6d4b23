"""Statements' lines as CSV: a line a row, tied to the closing balances, and nothing a spreadsheet could run."""

from __future__ import annotations

import csv
import dataclasses
import io
from collections.abc import Callable
from datetime import date
from decimal import Decimal

import pytest

from coop.core.money import cents
from coop.statements.domain import StatementValue
from coop.statements.lines_csv import HEADING, lines_csv
from tests.factories import statements

Make = Callable[[], StatementValue]


def written(*values: StatementValue) -> list[dict[str, str]]:
    text = "".join(lines_csv(values, scope="mall MAIN", first_day=date(2010, 12, 1), last_day=date(2010, 12, 31)))
    assert text.endswith("\r\n")
    rows = list(csv.reader(io.StringIO(text)))
    assert {len(row) for row in rows} == {len(HEADING)}
    return [dict(zip(rows[0], row, strict=True)) for row in rows[1:]]


def amount(row: dict[str, str]) -> int:
    return cents(Decimal(row["amount"]))


@pytest.mark.parametrize("make", statements.SAMPLES.values(), ids=statements.SAMPLES.keys())
def test_the_lines_of_each_statement_add_up_to_its_closing_balance(make: Make) -> None:
    value = make()
    rows = written(value)
    lines = [row for row in rows if row["row"] == "line"]
    assert sum(map(amount, lines)) == value.closing_cents
    parts = (value.sales, value.returns, value.charges, value.payments, value.tax_owed)
    assert len(lines) == 1 + sum(map(len, parts))
    assert {row["amount"] for row in rows if row["row"] != "line"} == {""}
    assert [row["figure"] for row in rows if row["row"] == "closing"] == [f"{Decimal(value.closing_cents) / 100:.2f}"]


def test_the_file_says_its_period_and_its_control_totals() -> None:
    first, second = statements.everything(), dataclasses.replace(statements.debt(), number="MAIN.D02.2010-12", dealer_code="D02")
    rows = written(first, second)
    assert (rows[0]["row"], rows[0]["description"], rows[0]["figure"]) == ("period", "mall MAIN", "2010-12-01 to 2010-12-31")
    totals = {row["description"]: row["figure"] for row in rows if row["row"] == "total"}
    lines = [row for row in rows if row["row"] == "line"]
    assert (totals["statements"], totals["lines"]) == ("2", str(len(lines)))
    assert totals["all lines"] == totals["closing balances"]
    assert cents(Decimal(totals["closing balances"])) == first.closing_cents + second.closing_cents
    for section in {row["section"] for row in lines}:
        assert cents(Decimal(totals[section])) == sum(amount(row) for row in lines if row["section"] == section)
    assert [row["statement"] for row in rows if row["row"] == "closing"] == [first.number, second.number]


def test_a_line_says_when_what_and_how() -> None:
    rows = written(statements.everything())
    claimed = next(row for row in rows if row["section"] == "sales")
    assert (claimed["date"], claimed["ticket"], claimed["tag"], claimed["quantity"]) == ("2010-11-20", "20417", "D01-1040", "2")
    assert claimed["working"] == "sold on Nov 20, 2010, claimed on Dec 4, 2010: until then it was nobody's"
    back, untied = (row["working"] for row in rows if row["section"] == "returns")
    assert (back.partition(";")[0], untied) == ("gives back ticket 20421", "untied")
    told = {(row["section"], row["figure"]) for row in rows if row["row"] == "information"}
    assert {("to be paid", "1200.74"), ("carried forward", "305.00"), ("deposit held", "300.00")} <= told


def test_no_text_is_a_formula() -> None:
    sale = dataclasses.replace(statements.sale_lines(1)[0], description="=1+1", tag="@x", ticket="-5")
    row = next(row for row in written(statements.statement((sale,))) if row["section"] == "sales")
    assert (row["description"], row["tag"], row["ticket"]) == ("'=1+1", "'@x", "'-5")


def test_of_no_statement_there_are_totals_of_nothing() -> None:
    assert [row["figure"] for row in written()] == ["2010-12-01 to 2010-12-31", "0", "0", "0.00", "0.00"]
