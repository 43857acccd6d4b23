"""The file of balances from paper: what its rows say, and every way it is refused, with the row."""

from __future__ import annotations

import re
from decimal import Decimal

import pytest
from hypothesis import given
from hypothesis import strategies as st

from coop.books.domain.opening_csv import (
    COLUMNS,
    EXAMPLE,
    KINDS,
    OpeningFault,
    read_opening_rows,
    sides,
    without_buyers,
)
from coop.core.money import plain_cents

HEADING = ",".join(COLUMNS)


def refused(*rows: str, heading: str = HEADING) -> list[str]:
    with pytest.raises(OpeningFault) as fault:
        read_opening_rows("\n".join([heading, *rows]) + "\n")
    return list(fault.value.sentences)


def test_the_example_reads_and_balances() -> None:
    """By hand: 1,650.00 at the bank less the check of 250.00, and 200.00 in the drawer, is 1,600.00.

    Owed: 347.50 to dealers, 150.00 deposit, 30.00 layaway, 25.00 certificate, 18.00 unclaimed, 96.40 tax: 666.90.
    """
    read = read_opening_rows(EXAMPLE)
    assert sides(read.rows) == (1600_00, 666_90, 933_10)
    assert read.totals["dealer"] == {"rows": 2, "cents": 347_50}
    assert read.totals["turns"] == {"rows": 1, "turns": "1.5"}
    (layaway,) = read.of("layaway")
    assert (layaway.row, layaway.number, layaway.cents, layaway.price_cents, layaway.buyer) == (
        5,
        "17",
        30_00,
        120_00,
        "Orla Quint",
    )
    (turns,) = read.of("turns")
    assert (turns.turns, turns.cents, turns.debit_cents) == (Decimal("1.5"), 0, 0)
    assert set(read.totals) < set(KINDS)


def test_a_spreadsheets_byte_order_mark_other_order_and_empty_rows_are_taken() -> None:
    read = read_opening_rows(
        "\ufeffAmount,Kind,What,Number\r\n 7.50 ,bank,,\r\n,,,\r\n7.5,equity,,\r\n7.50,total,bank,1\r\n7.5,total,equity,1\r\n"
    )
    assert [(row.row, row.kind, row.cents) for row in read.rows] == [(2, "bank", 750), (4, "equity", 750)]


@pytest.mark.parametrize(
    ("row", "sentence"),
    [
        ("rent,MAIN,D01,,,5,,,,,", "Row 2 has the kind 'rent'; write one of dealer, deposit,"),
        ("dealer,MAIN,,,,5,,,,,", "Row 2 has no dealer: a row of the kind dealer is what is owed to a dealer"),
        ("dealer,MAIN,D01,,,,,,,,", "Row 2 has no amount:"),
        ("dealer,MAIN,D01,,,five,,,,,", "Row 2 has 'five' in the column amount, which is not an amount; write it like 1234.50."),
        ("dealer,MAIN,D01,,,1.005,,,,,", "Row 2 has '1.005' in the column amount, which has parts of a cent"),
        ("dealer,MAIN,D01,,,0,,,,,", "Row 2 has an amount of nothing: leave the row out."),
        ("dealer,MAIN,D01,,9,5,,,,,", "Row 2 has '9' in the column number, which a row of the kind dealer does not take."),
        ("deposit,MAIN,D01,,,-5,,,,,", "Row 2 has -5 in the column amount: a row of the kind deposit lies above zero."),
        ("dealer,MAIN,D01", "Row 2 has 3 columns; the heading has 11."),
        ("gift,MAIN,,,G 1,5,,,,,", "Row 2 has 'G 1' in the column number; a certificate's has letters, digits and hyphens."),
        ("outstanding,,,,1041,-5,,29.8.26,,,", "Row 2 has the day '29.8.26' in the column on; write it like 2026-01-31."),
        ("layaway,MAIN,D01,,A7,5,9,2026-08-04,2026-08-05,Jug,Orla", "Row 2 has 'A7' in the column number; write digits"),
        ("layaway,MAIN,D01,,7,5,0,2026-08-04,2026-08-05,Jug,Orla", "Row 2 has no price above zero"),
        ("layaway,MAIN,D01,,7,5,9,2026-08-04,2026-08-03,Jug,Orla", "Row 2 is due on 2026-08-03, before it was agreed"),
        ("account,,,Loan,,5,,,,,", "Row 2 has 'Loan' in the column what; write an account such as"),
        (
            "account,,,Liabilities:Dealers:MAIN:D01,,5,,,,,",
            "Row 2 has the account Liabilities:Dealers:MAIN:D01, which is made of rows",
        ),
        ("equity,,,retained,,5,,,,,", "Row 2 has 'retained' in the column what"),
        ("year,MAIN,D01,sales,,5,,,,,", "Row 2 has 'sales' in the column what; write one of gross, net,"),
        ("turns,MAIN,D01,,,many,,,,,", "Row 2 has 'many' turns, which is not an amount"),
        ("total,,,rent,1,5,,,,,", "Row 2 is the total of 'rent'; write one of"),
        ("unclaimed,MAIN,,,,5,,,," + "a" * 161 + ",", "Row 2 has 161 letters in the column words; it takes 160."),
        ('dealer,"MAIN', "Row 2 is no CSV"),
    ],
)
def test_a_row_that_cannot_be_is_refused_by_its_number_and_mend(row: str, sentence: str) -> None:
    (said,) = refused(row)
    assert said.startswith(sentence)


def test_all_wrong_rows_are_said_at_once_and_a_second_row_of_one_thing() -> None:
    said = refused("dealer,MAIN,D01,,,5,,,,,", "dealer,main,d01,,,6,,,,,", "bank,,,,,x,,,,,")
    assert [sentence[:6] for sentence in said] == ["Row 3 ", "Row 4 "]
    assert "says again what row 2 says" in said[0]


@pytest.mark.parametrize(
    ("heading", "sentence"),
    [
        ("kind;mall;amount", "The heading's columns are not separated by commas: save the file as CSV with commas."),
        ("kind,amount,colour", "The heading has a column 'colour'. There are: kind, mall,"),
        ("kind,amount,kind", "The heading has the column kind twice: take one away."),
        ("kind,mall", "The heading has no column amount. There are: kind, mall,"),
    ],
)
def test_a_heading_that_cannot_be_is_refused(heading: str, sentence: str) -> None:
    (said,) = refused("bank,5", heading=heading)
    assert said.startswith(sentence)


def test_a_file_without_rows_is_refused() -> None:
    assert refused() == ["The file has no rows: write a balance a row, under the heading."]


def test_control_totals_must_agree_in_count_and_sum() -> None:
    bank, equity = "bank,,,,,100,,,,,", "equity,,,,,100,,,,,"
    assert refused(bank, equity, "total,,,equity,1,100,,,,,") == [
        "There is no control total of the rows of the kind bank: add a row total with how many, and their sum."
    ]
    assert refused(bank, equity, "total,,,equity,2,100,,,,,", "total,,,bank,1,90.50,,,,,") == [
        "Row 5 says the rows of the kind bank come to $90.50; they come to $100.00, $9.50 more.",
        "Row 4 says 2 of the kind equity; there is 1 row.",
    ]
    assert refused(bank, equity, "total,,,equity,1,100,,,,,", "total,,,bank,1,100,,,,,", "total,,,gift,1,25,,,,,") == [
        "Row 6 is the control total of the kind gift, of which there is no row."
    ]
    assert refused("turns,MAIN,D01,,,2,,,,,", "total,,,turns,1,2.5,,,,,") == ["Row 3 says 2.5 turns; they come to 2."]


def test_an_opening_that_does_not_balance_says_by_how_much_and_which_side() -> None:
    totals = ["total,,,bank,1,100,,,,,", "total,,,equity,1,%s,,,,,"]
    for equity, words in (("90", "$10.00 more than"), ("100.01", "$0.01 less than")):
        (said,) = refused("bank,,,,,100,,,,,", f"equity,,,,,{equity},,,,,", totals[0], totals[1] % equity)
        assert said.startswith("The opening does not balance: the co-op has $100.00; it owes $0.00 and its equity is ")
        assert words in said


def test_other_accounts_count_on_their_side() -> None:
    rows = ["account,,,Assets:Shelving,,40,,,,,", "account,,,Liabilities:Loan,,15,,,,,", "equity,,,Retained:D01,,25,,,,,"]
    read = read_opening_rows("\n".join([HEADING, *rows, "total,,,account,2,55,,,,,", "total,,,equity,1,25,,,,,"]))
    assert [row.debit_cents for row in read.rows] == [40_00, -15_00, -25_00]
    assert sides(read.rows) == (40_00, 15_00, 25_00)


def test_buyers_names_leave_the_file_and_nothing_else_does() -> None:
    kept = without_buyers(EXAMPLE)
    assert "Orla" not in kept
    assert read_opening_rows(kept.replace("Oak chest,", "Oak chest,x")).totals == read_opening_rows(EXAMPLE).totals
    assert re.sub("Orla Quint", "", EXAMPLE).split() == kept.split()


@given(st.lists(st.integers(-(10**9), 10**9).filter(bool), min_size=1, max_size=20))
def test_what_dealers_are_owed_against_the_bank_always_balances_with_its_equity(owed: list[int]) -> None:
    """Whatever the balances, the equity that is written as bank less owed lets the file in, and a cent beside it does not."""
    bank = 10**11
    rows = [f"dealer,MAIN,D{n},,,{plain_cents(cents)},,,,," for n, cents in enumerate(owed)]
    rows.append(f"total,,,dealer,{len(owed)},{plain_cents(sum(owed))},,,,,")
    rows += ["bank,,,,,1000000000.00,,,,,", "total,,,bank,1,1000000000.00,,,,,"]

    def file(equity: int) -> str:
        text = plain_cents(equity)
        return "\n".join([HEADING, *rows, f"equity,,,,,{text},,,,,", f"total,,,equity,1,{text},,,,,"])

    assert sum(row.debit_cents for row in read_opening_rows(file(bank - sum(owed))).rows) == 0
    with pytest.raises(OpeningFault, match=r"\$0\.01 less"):
        read_opening_rows(file(bank - sum(owed) + 1))
