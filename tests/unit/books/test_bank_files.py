"""Files of the bank read: CSV by its heading, OFX of both kinds, and the sentences of what cannot be read."""

from __future__ import annotations

import subprocess
import sys
from collections.abc import Sequence
from datetime import date
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from coop.books.domain.bank_csv import read_csv
from coop.books.domain.bank_file import FileRefusedError, StatementFile
from coop.books.domain.ofx import BookLine, BookStatement, is_ofx, read_ofx, write_ofx

# --- CSV ----------------------------------------------------------------------------------------------------------------


def figures(read: StatementFile) -> list[tuple[str, int, str, str]]:
    return [(str(line.on), line.amount_cents, line.reference, line.words) for line in read.lines]


def test_one_column_of_amounts_newest_first_with_a_running_balance() -> None:
    """From 100.00: less 25.00 is 75.00, less 25.00 is 50.00, and 1,250.50 makes 1,300.50."""
    read = read_csv(
        b"\xef\xbb\xbfAccount,Ending in 99\r\n\r\n"
        b"Posting Date,Description,Check Number,Amount,Balance\r\n"
        b'10/30/2026,"DEPOSIT, BRANCH 4",,"$1,250.50","1,300.50"\r\n'
        b"10/05/2026,CHECK,1042,-25.00,50.00\r\n"
        b"10/05/26,CHECK # 01043,,(25.00),75.00\r\n"
    )
    assert figures(read) == [
        ("2026-10-05", -25_00, "01043", "CHECK # 01043"),
        ("2026-10-05", -25_00, "1042", "CHECK"),
        ("2026-10-30", 1250_50, "", "DEPOSIT, BRANCH 4"),
    ]
    assert (read.kind, read.first_day, read.last_day) == ("csv", date(2026, 10, 5), date(2026, 10, 30))
    assert read.closing_cents == 1300_50


def test_debit_and_credit_columns_in_semicolons_without_a_balance() -> None:
    read = read_csv(b"Date;Details;Memo;Debit;Credit\n2026-10-05;FEE;October;12.00;\n2026-10-06;CARDS;CARDS;0.00;96.10\n")
    assert figures(read) == [("2026-10-05", -12_00, "", "FEE October"), ("2026-10-06", 96_10, "", "CARDS")]
    assert read.closing_cents is None


def test_equal_lines_of_a_day_have_keys_of_their_own_and_the_same_ones_in_another_file() -> None:
    row = b"2026-10-05,-5.00,STAMPS\n"
    heading = b"Date,Amount,Description\n"
    first, second = read_csv(heading + row * 2), read_csv(heading + b"2026-10-04,1.00,X\n" + row * 2)
    assert len({line.key for line in first.lines}) == 2
    assert [line.key for line in second.lines[1:]] == [line.key for line in first.lines]


@pytest.mark.parametrize(
    ("text", "sentence"),
    [
        (
            "Details,Amount\nFEE,1.00\n",
            "The heading in row 1 has no column for the day: call one date, or posting date, posted date. "
            "Its columns are “Details”, “Amount”.",
        ),
        (
            "Date,Details\n2026-10-05,FEE\n",
            "The heading in row 1 has no column for the amount: call one amount, or two debit and credit. "
            "Its columns are “Date”, “Details”.",
        ),
        (
            "Date,Debit\n2026-10-05,1.00\n",
            "The heading in row 1 has no column for the amount: call one amount, or two debit and credit. "
            "Its columns are “Date”, “Debit”.",
        ),
        (
            "Account 1\nBuchung;Umsatz;Saldo\n",
            "The file has no heading: its first row names the columns, among them date and amount (or debit and credit). "
            "Its first row with columns reads “Buchung”, “Umsatz”, “Saldo”.",
        ),
        ("", "The file has no heading: its first row names the columns, among them date and amount (or debit and credit)."),
        ("Date,Amount\n", "The file has a heading and no line below it."),
        ("Date,Amount\n2026-10-05,twelve\n", "Row 2 has the amount 'twelve', which is not an amount; write it like 1234.50."),
        (
            "Date,Amount\n2026-10-05,1.005\n",
            "Row 2 has the amount '1.005', which has parts of a cent; write it with two decimals.",
        ),
        (
            "Date,Amount\n01/10/2026,5\n30/10/2026,5\n31/10/2026,5\n",
            "Its days are written day first, like 30/10/2026: they are read month first. Have the bank write them "
            "like 2026-10-31, or 10/31/2026.",
        ),
        (
            "Date,Amount\n10/30/2026,5\n31/10/2026,5\n",
            "Row 3 has the day '31/10/2026': write it like 2026-10-31 or 10/31/2026.",
        ),
        ("Date,Amount\n2026-10-05,0.00\n", "Row 2 moves no money: its amount is zero or empty. Take the row away."),
        ("Date,Debit,Credit\n2026-10-05,1,2\n", "Row 2 has both a debit and a credit: a line is one of the two."),
        ("Date,Details,Amount\n2026-10-05,FEE\n", "Row 2 has 2 columns; the heading in row 1 has more."),
        (
            "Date,Amount,Balance\n10/04/2026,5.00,105.00\n10/05/2026,1.00,116.00\n",
            "Row 3 has the balance 116.00, and by the rows before it would be 106.00: a row is missing or changed. "
            "Download the file again, or take its balance column away.",
        ),
    ],
)
def test_what_is_wrong_is_named(text: str, sentence: str) -> None:
    with pytest.raises(FileRefusedError) as refused:
        read_csv(text.encode())
    assert str(refused.value) == sentence


def test_every_bad_row_is_named_and_after_twenty_how_many_more() -> None:
    with pytest.raises(FileRefusedError) as refused:
        read_csv(b"Date,Amount\n" + b"2026-10-05,x\n" * 22 + b"2026-10-05,1.00\n")
    assert [fault[:7] for fault in refused.value.faults[:3]] == ["Row 2 h", "Row 3 h", "Row 4 h"]
    assert str(refused.value).endswith("And 2 more.")


@pytest.mark.parametrize(
    ("content", "part"), [(b"\xff\xfeD\0", "UTF-16"), (b"PK\x03\x04..", "workbook"), (b"Date,Amount\n\0", "zero bytes")]
)
def test_what_is_no_csv_is_said(content: bytes, part: str) -> None:
    with pytest.raises(FileRefusedError, match=part):
        read_csv(content)


# --- OFX ----------------------------------------------------------------------------------------------------------------

SGML = """OFXHEADER:100
DATA:OFXSGML
VERSION:102
ENCODING:USASCII
CHARSET:1252

<OFX><SIGNONMSGSRSV1><SONRS><STATUS><CODE>0<SEVERITY>INFO</STATUS><DTSERVER>20261103<LANGUAGE>ENG</SONRS></SIGNONMSGSRSV1>
<BANKMSGSRSV1><STMTTRNRS><TRNUID>0<STMTRS><CURDEF>USD<BANKACCTFROM><BANKID>1<ACCTID>99<ACCTTYPE>CHECKING</BANKACCTFROM>
<BANKTRANLIST><DTSTART>20261001<DTEND>20261031
<STMTTRN><TRNTYPE>CHECK<DTPOSTED>20261007120000.000[-5:EST]<TRNAMT>-125.00<FITID>A-1<CHECKNUM>001042<NAME>CHECK<MEMO></STMTTRN>
<STMTTRN><TRNTYPE>DEP<DTPOSTED>20261030<TRNAMT>1250,50<FITID>A-2<NAME>ELM &amp; ASH<MEMO>BRANCH 4
</STMTTRN>
<STMTTRN><TRNTYPE>OTHER<DTPOSTED>20261030<TRNAMT>0.00<FITID>A-3<NAME>NOTICE</STMTTRN>
</BANKTRANLIST><LEDGERBAL><BALAMT>{balance}<DTASOF>{as_of}</LEDGERBAL><AVAILBAL><BALAMT>1.00<DTASOF>{as_of}</AVAILBAL>
</STMTRS></STMTTRNRS></BANKMSGSRSV1></OFX>"""


def sgml(balance: str = "1300.50", as_of: str = "20261031") -> bytes:
    return SGML.format(balance=balance, as_of=as_of).encode()


def test_sgml_values_without_end_tags() -> None:
    assert is_ofx(sgml())
    read = read_ofx(sgml())
    assert figures(read) == [("2026-10-07", -125_00, "1042", "CHECK"), ("2026-10-30", 1250_50, "", "ELM & ASH BRANCH 4")]
    assert [line.key for line in read.lines] == ["ofx/A-1", "ofx/A-2"]
    assert (read.first_day, read.last_day, read.closing_cents) == (date(2026, 10, 1), date(2026, 10, 31), 1300_50)


def test_a_balance_of_a_later_day_than_the_lines_is_not_theirs_and_lines_after_it_are_added() -> None:
    assert read_ofx(sgml(as_of="20261103")).closing_cents is None
    earlier = read_ofx(sgml(balance="50.00", as_of="20261015"))
    assert (earlier.closing_cents, earlier.last_day) == (1300_50, date(2026, 10, 30))


WRITTEN_BY_OFXTOOLS = """
import sys
from datetime import datetime
from decimal import Decimal
from ofxtools.Client import OFXClient
from ofxtools.models import *
from ofxtools.utils import UTC
version = int(sys.argv[1])
status = STATUS(code=0, severity="INFO")
at = lambda day: datetime(2026, 10, day, 12, tzinfo=UTC)
lines = [
    STMTTRN(trntype="CHECK", dtposted=at(7), trnamt=Decimal("-125.00"), fitid="A-1", checknum="1042", name="Check & Co"),
    STMTTRN(trntype="DEP", dtposted=at(30), trnamt=Decimal("1250.50"), fitid="A-2", name="Elm & Ash", memo="Branch 4"),
]
account = BANKACCTFROM(bankid="1", acctid="99", accttype="CHECKING")
found = BANKTRANLIST(*lines, dtstart=at(1), dtend=at(31))
balance = LEDGERBAL(balamt=Decimal("1300.50"), dtasof=at(31))
statement = STMTRS(curdef="USD", bankacctfrom=account, banktranlist=found, ledgerbal=balance)
bank = BANKMSGSRSV1(STMTTRNRS(trnuid="5", status=status, stmtrs=statement))
signon = SIGNONMSGSRSV1(sonrs=SONRS(status=status, dtserver=at(31), language="ENG"))
made = OFX(signonmsgsrsv1=signon, bankmsgsrsv1=bank)
xml = version >= 200
out = OFXClient("http://127.0.0.1").serialize(made, version=version, close_elements=xml, prettyprint=xml)
sys.stdout.buffer.write(out)
"""


@pytest.mark.parametrize("version", ["102", "103", "200", "211", "220"])
def test_what_another_program_writes_is_read_in_every_version(version: str) -> None:
    """Written by ofxtools (GPL, a program of the tests) as a process of its own: SGML without end tags, and XML."""
    made = subprocess.run([sys.executable, "-c", WRITTEN_BY_OFXTOOLS, version], capture_output=True, check=False)
    assert made.returncode == 0, made.stderr
    assert is_ofx(made.stdout)
    read = read_ofx(made.stdout)
    assert figures(read) == [("2026-10-07", -125_00, "1042", "Check & Co"), ("2026-10-30", 1250_50, "", "Elm & Ash Branch 4")]
    assert (read.first_day, read.last_day, read.closing_cents) == (date(2026, 10, 1), date(2026, 10, 31), 1300_50)


@pytest.mark.parametrize(
    ("was", "becomes", "sentence"),
    [
        ("<CURDEF>USD", "<CURDEF>CAD", "The account is kept in CAD; the books are kept in USD."),
        ("<TRNAMT>-125.00", "<TRNAMT>lots", "Line 1 has the amount 'lots', which is not an amount; write it like 1234.50."),
        (
            "<DTPOSTED>20261030",
            "<DTPOSTED>20261399",
            "Line 2 has the day '20261399': it begins with year, month and day, like 20261031.",
        ),
        ("<FITID>A-1", "", "Line 1 has no number of the bank's (FITID)."),
        ("<FITID>A-2", "<FITID>A-1", "Line 2 has the bank's number 'A-1' of another line in this file."),
        ("<STMTRS>", "<STMTRS><STMTRS>", "The file holds 2 accounts: download the lines of the co-op's account alone."),
        ("STMTRS>", "OTHERRS>", "The file holds no statement of a bank account: download the account's transactions as OFX."),
    ],
)
def test_what_is_wrong_in_ofx_is_named(was: str, becomes: str, sentence: str) -> None:
    content = sgml()
    changed = (
        content.replace(was.encode(), becomes.encode())
        if was == "STMTRS>"
        else content.replace(was.encode(), becomes.encode(), 1)
    )
    assert changed != content
    with pytest.raises(FileRefusedError) as refused:
        read_ofx(changed)
    assert sentence in str(refused.value)


def test_names_of_its_own_are_refused_and_nothing_is_expanded() -> None:
    bomb = b'<?xml version="1.0"?><!DOCTYPE OFX [<!ENTITY a "aaaa"><!ENTITY b "&a;&a;">]><OFX>&b;</OFX>'
    assert is_ofx(bomb)
    with pytest.raises(FileRefusedError, match="DOCTYPE"):
        read_ofx(bomb)


# --- the books' side, as OFX --------------------------------------------------------------------------------------------


def statement(amounts: Sequence[int], opening: int = 0) -> BookStatement:
    lines = tuple(
        BookLine(n, date(2026, 10, 1 + n % 31), cents, "payout", "1042" if cents < 0 else "", "Elm & <Ash>\n")
        for n, cents in enumerate(amounts, 1)
    )
    return BookStatement(date(2026, 10, 1), date(2026, 10, 31), opening, lines)


@given(st.lists(st.integers(-(10**9), 10**9).filter(bool), min_size=1, max_size=20), st.integers(-(10**9), 10**9))
def test_what_is_written_reads_back_to_the_cent(amounts: list[int], opening: int) -> None:
    written = statement(amounts, opening)
    read = read_ofx("".join(write_ofx(written)).encode())
    assert sorted(line.amount_cents for line in read.lines) == sorted(amounts)
    assert read.closing_cents == opening + sum(amounts) == written.closing_cents
    assert {line.words for line in read.lines} == {"payout Elm & <Ash>"}


OFXTOOLS = """
import sys
from ofxtools.Parser import OFXTree
tree = OFXTree()
tree.parse(sys.argv[1])
found = tree.convert().statements[0]
print(found.curdef, found.ledgerbal.balamt, found.ledgerbal.dtasof.date())
for one in found.transactions:
    print(one.dtposted.date(), one.trntype, one.trnamt, one.fitid, one.checknum, one.name, one.memo)
for one in found.ballist:
    print(one.name, one.value)
"""


def test_another_reader_finds_the_same_in_it(tmp_path: Path) -> None:
    """ofxtools (GPL, a program of the tests) as a process of its own. 10.00 and 90.00 less 25.00 is 75.00."""
    file = tmp_path / "books.ofx"
    file.write_text("".join(write_ofx(statement([90_00, -25_00], opening=10_00))), encoding="utf-8")
    read = subprocess.run([sys.executable, "-c", OFXTOOLS, str(file)], capture_output=True, text=True, check=False)
    assert read.returncode == 0, read.stderr
    assert read.stdout.splitlines() == [
        "USD 75.00 2026-10-31",
        "2026-10-02 CREDIT 90.00 1 None payout Elm & <Ash>",
        "2026-10-03 CHECK -25.00 2 1042 payout Elm & <Ash>",
        "Balance before 10.00",
        "Came in 90.00",
        "Went out -25.00",
        "Lines 2",
    ]
