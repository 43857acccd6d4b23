"""Accounts as people read them, worked by hand; and what is typed to find something."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from coop.books.domain.finding import Sought, read_sought
from coop.books.domain.tree import AccountSum, SheetLine, TreeRow, build_sheet, build_tree, total, trial_balance

# Two dealers owed $300.00 together and one who owes $40.00; a bank account; commission earned last year and this.
SUMS = [
    AccountSum("Assets:Bank", 100_00, 500_00, 60_00, before_year_cents=20_00),
    AccountSum("Expenses:Card-cost", 0, 10_00, 0),
    AccountSum("Expenses:Card-cost:MAIN", 5_00, 0, 0),
    AccountSum("Expenses:Idle", 0, 0, 0),
    AccountSum("Income:Commission:MAIN", -50_00, 0, 245_00, before_year_cents=-20_00),
    AccountSum("Liabilities:Dealers:MAIN:D01", -55_00, 0, 145_00, dealers=True),
    AccountSum("Liabilities:Dealers:MAIN:D02", 0, 40_00, 0, dealers=True),
    AccountSum("Liabilities:Dealers:MAIN:D03", 0, 0, 100_00, dealers=True),
]


def test_a_dealer_who_owes_lowers_nobody_else() -> None:
    rows = build_tree(SUMS)
    shown = {row.path: (row.balance_cents, row.moved_cents) for row in rows}
    assert shown["Assets"] == (580_00, 480_00)
    assert shown["Assets:Owed-by-dealers"] == (40_00, 40_00)
    assert shown["Liabilities:Dealers"] == (300_00, 245_00)
    assert shown["Income"] == (295_00, 245_00)
    assert "Expenses:Idle" not in shown
    assert [row.path for row in rows if not row.depth] == ["Assets", "Liabilities", "Income", "Expenses"]
    owing = next(row for row in rows if row.path == "Assets:Owed-by-dealers:MAIN:D02")
    assert (owing.account, owing.depth, owing.name) == ("Liabilities:Dealers:MAIN:D02", 3, "D02")


def test_an_account_with_others_below_it_is_beside_them() -> None:
    rows = build_tree(SUMS, below="Expenses:Card-cost")
    assert rows == [
        TreeRow("Expenses:Card-cost", "", 0, 15_00, 10_00, 0),
        TreeRow("Expenses:Card-cost:itself", "Expenses:Card-cost", 1, 10_00, 10_00, 0),
        TreeRow("Expenses:Card-cost:MAIN", "Expenses:Card-cost:MAIN", 1, 5_00, 0, 0),
    ]
    assert build_tree(SUMS, below="Expenses:Nothing") == []


def test_many_accounts_are_folded_until_asked_for() -> None:
    many = [AccountSum(f"Liabilities:Dealers:MAIN:D{n:02}", 0, 0, 100, dealers=True) for n in range(13)]
    assert build_tree(many)[-1] == TreeRow("Liabilities:Dealers:MAIN", "", 2, 13_00, 13_00, 13)
    assert len(build_tree(many, below="Liabilities:Dealers:MAIN")) == 14


def test_a_sheet_balances_with_what_income_left() -> None:
    sheet = build_sheet(SUMS)
    assert [*sheet.assets, *sheet.liabilities] == [
        SheetLine("Bank", 540_00),
        SheetLine("Owed by dealers", 40_00),
        SheetLine("Dealers", 300_00),
    ]
    assert sheet.equity == [SheetLine("Result of years before", 20_00), SheetLine("Result of this year so far", 260_00)]
    assert (total(sheet.assets), sheet.difference_cents) == (580_00, 0)
    assert sheet.income == [SheetLine("Commission", 245_00, 275_00)]
    assert sheet.expenses == [SheetLine("Card cost", 10_00, 15_00)]
    assert sheet.result == SheetLine("Result", 235_00, 260_00)


CENTS = st.integers(-10_000, 10_000)
PATHS = st.sampled_from([one.path for one in SUMS])


@given(st.dictionaries(PATHS, st.tuples(CENTS, st.integers(0, 10_000), st.integers(0, 10_000), CENTS)))
def test_whatever_balances_in_the_books_balances_on_every_page(amounts: dict[str, tuple[int, int, int, int]]) -> None:
    sums = [
        AccountSum(path, before, debits, credits, path.startswith("Liabilities:Dealers"), year)
        for path, (before, debits, credits, year) in amounts.items()
    ]
    off = sum(one.after_cents for one in sums)
    sums.append(AccountSum("Equity:From-paper", -off, 0, 0))
    trial = trial_balance(sums)
    assert trial.debits_cents == trial.credits_cents
    assert build_sheet(sums).difference_cents == 0
    roots = {row.path: row.balance_cents for row in build_tree(sums) if not row.depth}
    left = roots.get("Assets", 0) + roots.get("Expenses", 0)
    assert left == roots.get("Liabilities", 0) + roots.get("Equity", 0) + roots.get("Income", 0)


@pytest.mark.parametrize(
    ("text", "sought"),
    [
        ("25.00", Sought("25.00", amount_cents=25_00)),
        (" $1,250 ", Sought("$1,250", amount_cents=1250_00)),
        ("-3.5", Sought("-3.5", amount_cents=3_50)),
        ("14", Sought("14", amount_cents=14_00, entry_id=14)),
        ("#14", Sought("#14", entry_id=14)),
        ("0", Sought("0", entry_id=0)),
        ("1.005", Sought("1.005")),
        ("roof  slates", Sought("roof slates")),
        ("", Sought("")),
        ("9" * 30, Sought("9" * 30)),
    ],
)
def test_what_is_typed_to_find(text: str, sought: Sought) -> None:
    assert read_sought(text) == sought
