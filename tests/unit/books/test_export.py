"""The ledger as text for other programs, worked by hand."""

from __future__ import annotations

import csv
import re
from datetime import date
from itertools import islice, repeat

import pytest
from hypothesis import given
from hypothesis import strategies as st

from coop.books.domain.export import (
    HEADING,
    WRITERS,
    ExportEntry,
    LedgerHead,
    beancount,
    csv_rows,
    journal,
    legal_account,
    opening_of,
)

SALE = ExportEntry(
    *(17, date(2026, 10, 5), "MAIN", "sale", "ticket", "october/1", "sale", None, 'One; of "two" \\ \n=x'),
    postings=(("Assets:Drawer:MAIN", 40_00), ("Liabilities:Dealers:MAIN:D01", -36_00), ("Income:Commission:MAIN", -4_00)),
)
CHARGE = ExportEntry(
    *(18, date(2026, 10, 31), "", "correction", "entry", "9", "reversal", 9, ""),
    postings=(("Expenses:Bank", 1_05), ("Assets:Bank", -1_05)),
)
HEAD = LedgerHead(
    first_day=date(2026, 10, 1),
    last_day=date(2026, 10, 31),
    scope="mall MAIN",
    entries=2,
    postings=5,
    debits_cents=41_05,
    opening={"Assets:Bank": 10_00, "Equity:Opening": -10_00},
    closing={
        "Assets:Bank": 8_95,
        "Assets:Drawer:MAIN": 40_00,
        "Equity:Opening": -10_00,
        "Expenses:Bank": 1_05,
        "Income:Commission:MAIN": -4_00,
        "Liabilities:Dealers:MAIN:D01": -36_00,
    },
)
SAID = """\
; Period: 2026-10-01 to 2026-10-31
; Entries of: mall MAIN
; Income and expenses begin at zero: what they came to before is in Equity:Opening
; Control total, entries: 2
; Control total, postings: 5
; Control total, debits: 41.05
; Control total, balance of Assets: 48.95
; Control total, balance of Liabilities: -36.00
; Control total, balance of Income: -4.00
; Control total, balance of Expenses: 1.05
; Control total, balance of Equity: -10.00
"""


def test_beancount():
    assert "".join(beancount(HEAD, [SALE, CHARGE])) == SAID + (
        """
option "title" "Ledger of mall MAIN"
option "operating_currency" "USD"

2026-10-01 open Assets:Bank USD
2026-10-01 open Assets:Drawer:MAIN USD
2026-10-01 open Equity:Opening USD
2026-10-01 open Expenses:Bank USD
2026-10-01 open Income:Commission:MAIN USD
2026-10-01 open Liabilities:Dealers:MAIN:D01 USD

2026-10-01 * "opening" "Balances before 2026-10-01"
  Assets:Bank  10.00 USD
  Equity:Opening  -10.00 USD

2026-10-05 * "sale" "One; of \\"two\\" \\\\  =x"
  entry: "17"
  source: "ticket october/1 sale"
  mall: "MAIN"
  Assets:Drawer:MAIN  40.00 USD
  Liabilities:Dealers:MAIN:D01  -36.00 USD
  Income:Commission:MAIN  -4.00 USD

2026-10-31 * "correction" ""
  entry: "18"
  source: "entry 9 reversal"
  reverses: "9"
  Expenses:Bank  1.05 USD
  Assets:Bank  -1.05 USD

2026-11-01 balance Assets:Bank  8.95 ~ 0.00 USD
2026-11-01 balance Assets:Drawer:MAIN  40.00 ~ 0.00 USD
2026-11-01 balance Equity:Opening  -10.00 ~ 0.00 USD
2026-11-01 balance Expenses:Bank  1.05 ~ 0.00 USD
2026-11-01 balance Income:Commission:MAIN  -4.00 ~ 0.00 USD
2026-11-01 balance Liabilities:Dealers:MAIN:D01  -36.00 ~ 0.00 USD
"""
    )


def test_journal():
    assert "".join(journal(HEAD, [SALE, CHARGE])) == SAID + (
        """
commodity USD
    format 1000.00 USD

account Assets:Bank
account Assets:Drawer:MAIN
account Equity:Opening
account Expenses:Bank
account Income:Commission:MAIN
account Liabilities:Dealers:MAIN:D01

2026-10-01 * opening | Balances before 2026-10-01
    Assets:Bank  10.00 USD
    Equity:Opening  -10.00 USD

2026-10-05 * (17) sale | One, of "two" \\ =x [ticket october/1 sale at MAIN]
    Assets:Drawer:MAIN  40.00 USD
    Liabilities:Dealers:MAIN:D01  -36.00 USD
    Income:Commission:MAIN  -4.00 USD

2026-10-31 * (18) correction | [entry 9 reversal, reverses 9]
    Expenses:Bank  1.05 USD
    Assets:Bank  -1.05 USD

2026-10-31 * closing | Balances on 2026-10-31
    Assets:Bank  0.00 USD = 8.95 USD
    Assets:Drawer:MAIN  0.00 USD = 40.00 USD
    Equity:Opening  0.00 USD = -10.00 USD
    Expenses:Bank  0.00 USD = 1.05 USD
    Income:Commission:MAIN  0.00 USD = -4.00 USD
    Liabilities:Dealers:MAIN:D01  0.00 USD = -36.00 USD
"""
    )


def test_csv():
    rows = list(csv.DictReader(csv_rows(HEAD, [SALE, CHARGE])))
    assert list(rows[0]) == list(HEADING)
    assert [(row["row"], row["account"], row["amount"], row["figure"]) for row in rows] == [
        ("period", "mall MAIN", "", "2026-10-01 to 2026-10-31"),
        ("total", "entries", "", "2"),
        ("total", "postings", "", "5"),
        ("total", "debits", "", "41.05"),
        ("total", "balance of Assets", "", "48.95"),
        ("total", "balance of Liabilities", "", "-36.00"),
        ("total", "balance of Income", "", "-4.00"),
        ("total", "balance of Expenses", "", "1.05"),
        ("total", "balance of Equity", "", "-10.00"),
        ("opening", "Assets:Bank", "10.00", ""),
        ("opening", "Equity:Opening", "-10.00", ""),
        ("posting", "Assets:Drawer:MAIN", "40.00", ""),
        ("posting", "Liabilities:Dealers:MAIN:D01", "-36.00", ""),
        ("posting", "Income:Commission:MAIN", "-4.00", ""),
        ("posting", "Expenses:Bank", "1.05", ""),
        ("posting", "Assets:Bank", "-1.05", ""),
        ("balance", "Assets:Bank", "", "8.95"),
        ("balance", "Assets:Drawer:MAIN", "", "40.00"),
        ("balance", "Equity:Opening", "", "-10.00"),
        ("balance", "Expenses:Bank", "", "1.05"),
        ("balance", "Income:Commission:MAIN", "", "-4.00"),
        ("balance", "Liabilities:Dealers:MAIN:D01", "", "-36.00"),
    ]
    assert {name: rows[14][name] for name in HEADING[1:10]} == {
        "date": "2026-10-31",
        "entry": "18",
        "mall": "",
        "kind": "correction",
        "source": "entry",
        "source_id": "9",
        "purpose": "reversal",
        "reverses": "9",
        "memo": "",
    }


@pytest.mark.parametrize("writer", WRITERS.values())
def test_entries_are_written_as_they_come(writer):
    """A ledger without end: a writer that gathered it first would never begin."""
    assert len(list(islice(writer(HEAD, repeat(SALE)), 10_000))) == 10_000


def test_no_spreadsheet_takes_a_text_for_a_formula():
    typed = ExportEntry(
        *(1, date(2026, 10, 5), "=M", "+k", "-s", "@id", "=p", None, "=HYPERLINK(1)"),
        postings=(("Assets:Bank", -5), ("Equity:Opening", 5)),
    )
    row = next(row for row in csv.DictReader(csv_rows(HEAD, [typed])) if row["row"] == "posting")
    assert [row[name] for name in ("mall", "kind", "source", "source_id", "purpose", "memo", "amount")] == [
        *("'=M", "'+k", "'-s", "'@id", "'=p", "'=HYPERLINK(1)", "-0.05")
    ]


def test_what_income_and_expenses_came_to_opens_as_equity():
    before = {
        "Assets:Bank": 9_00,
        "Assets:Drawer:MAIN": 0,
        "Equity:Opening": -1_00,
        "Expenses:Bank": 2_00,
        "Income:Commission:MAIN": -10_00,
    }
    assert opening_of(before) == {"Assets:Bank": 9_00, "Equity:Opening": -9_00}
    assert opening_of({}) == {}


@pytest.mark.parametrize(
    ("path", "legal"),
    [
        ("Assets:Card-clearing:MAIN", "Assets:Card-clearing:MAIN"),
        ("Liabilities:Tax:US-TX", "Liabilities:Tax:US-TX"),
        ("Liabilities:Tax:48", "Liabilities:Tax:48"),
        ("Liabilities:Tax:St. Ives", "Liabilities:Tax:St--2E---20-Ives"),
        ("Liabilities:Tax-filed:state-office", "Liabilities:Tax-filed:X---state-office"),
        ("Assets:É", "Assets:X-----C9-"),
        ("Assets:-A", "Assets:X-----2D-A"),
        ("Assets:A--B", "Assets:A--2D---2D-B"),
        ("Assets::B", "Assets:X---:B"),
    ],
)
def test_account_names(path, legal):
    assert legal_account(path) == legal


@pytest.mark.parametrize("path", ["Assets", "Cash:MAIN", "", "assets:Bank"])
def test_an_account_outside_the_tree_is_a_fault(path):
    with pytest.raises(ValueError, match="is not below one of Assets"):
        legal_account(path)


def read_back(part: str) -> str:
    """The part that was written: an independent reader, from the left."""
    rest, read = part.removeprefix("X---"), ""
    while rest:
        token = re.match(r"--([0-9A-F]+)-|[A-Za-z0-9]|-(?=[A-Za-z0-9])", rest)
        assert token, rest
        read += chr(int(token[1], 16)) if token[1] else token[0]
        rest = rest[token.end() :]
    return read


@given(st.text(alphabet=st.one_of(st.sampled_from("X-aA2 ."), st.characters(exclude_characters=":")), max_size=12))
def test_no_two_accounts_have_one_name(part):
    name = legal_account(f"Assets:{part}").removeprefix("Assets:")
    assert re.fullmatch(r"[A-Z0-9][A-Za-z0-9-]*", name)
    assert read_back(name) == part
