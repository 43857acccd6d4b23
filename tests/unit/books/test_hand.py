"""Entries by hand as values: what is wrong with lines, with a new account's path, and what a file is by its bytes."""

from __future__ import annotations

import pytest

from coop.books.domain.hand import HandLine, lines_fault, new_path_fault, paper_kind

BILL = HandLine("Expenses:Electricity", 25_00)


@pytest.mark.parametrize(
    ("lines", "said"),
    [
        ([BILL, HandLine("Assets:Bank", -25_00)], ""),
        ([BILL], "An entry has two lines or more"),
        ([], "An entry has two lines or more"),
        (
            [BILL, HandLine("Assets:Bank", -20_00)],
            "The debits are $25.00 and the credits $20.00: $5.00 is missing in the credits.",
        ),
        ([BILL, HandLine("Assets:Bank", -30_00)], "$5.00 is missing in the debits."),
        ([BILL, HandLine("Assets:Bank", 0)], "Line 2 has no amount"),
        ([HandLine("", 5), BILL], "Line 1 names no account"),
        ([BILL, HandLine(BILL.account, -25_00)], "the entry does nothing"),
        ([HandLine("Assets:Bank", n or -820) for n in range(41)], "40 lines at most, not 41"),
    ],
)
def test_lines_are_judged_together(lines: list[HandLine], said: str) -> None:
    fault = lines_fault(lines)
    assert said in fault
    assert bool(fault) is bool(said)


@pytest.mark.parametrize(
    ("path", "said"),
    [
        ("Expenses:Electricity", ""),
        ("Income:Vending:MAIN", ""),
        ("Liabilities:Loan", ""),
        ("Assets:Fixtures:Case-9", ""),
        ("Electricity", "begins with none of Assets, Liabilities, Income, Expenses, Equity"),
        ("Expenses", "is not written like Expenses:Electricity"),
        ("Expenses:electricity", "is not written like"),
        ("Expenses:Strom-für", "is not written like"),
        ("Expenses:A--B", "is not written like"),
        ("Expenses: Rent", "is not written like"),
        ("Expenses:Rent\n", "is not written like"),
        ("Expenses:" + "A" * 120, "The account's name has 129 letters"),
        ("Liabilities:Tax:US-TX", "Accounts of Liabilities:Tax are made by the program, for sales tax"),
        ("Assets:Bank:Savings", "made by the program, for bank lines"),
    ],
)
def test_the_path_of_a_new_account(path: str, said: str) -> None:
    fault = new_path_fault(path)
    assert said in fault
    assert bool(fault) is bool(said)


@pytest.mark.parametrize(
    ("content", "media_type"),
    [
        (b"%PDF-1.7\n", "application/pdf"),
        (b"\x89PNG\r\n\x1a\n\x00", "image/png"),
        (b"\xff\xd8\xff\xe0\x00\x10JFIF", "image/jpeg"),
        (b"<html><script>", ""),
        (b" %PDF-1.7", ""),
        (b"", ""),
    ],
)
def test_a_paper_is_what_its_bytes_say(content: bytes, media_type: str) -> None:
    assert paper_kind(content) == media_type
