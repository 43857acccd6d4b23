"""The co-op's own CSV of rates: what its heading says, what a row says, and what is wrong with one. The format is our own."""

from __future__ import annotations

import io
from datetime import date
from decimal import Decimal

import pytest

from coop.tax.domain.own_rates import COLUMNS, HELP, is_heading, read_own_rates
from coop.tax.domain.rate_files import FileRefused, Place, RateRow, RatesRead

HEADING = "state,kind,code,name,class,percent,starts,ends"


def read(*lines: str, heading: str = HEADING) -> RatesRead:
    return read_own_rates(io.BytesIO("\r\n".join([heading, *lines]).encode()))


def only(line: str, heading: str = HEADING) -> RateRow:
    found = read(line, heading=heading)
    assert not found.refused
    (row,) = found.rows
    return row


@pytest.mark.parametrize(
    ("line", "row"),
    [
        (
            "06,state,,State of Cedar,general,7.25,2017-01-01,",
            RateRow(Place("06", "state", "06"), "general", Decimal("7.25"), date(2017, 1, 1), None, 2),
        ),
        (
            "06,city,alder,Alder,books,0,2026-01-01,2026-12-31",
            RateRow(Place("06", "city", "ALDER"), "books", Decimal(0), date(2026, 1, 1), date(2026, 12, 31), 2),
        ),
        # A spreadsheet has taken the leading zeros and written a percent sign.
        (
            "6,county,79,,,0.125%,2026-01-01,2026-01-01",
            RateRow(Place("06", "county", "079"), "general", Decimal("0.125"), date(2026, 1, 1), date(2026, 1, 1), 2),
        ),
        (
            '06,District,80004,"Fair, and Hall",general, 1.500000 ,2026-01-01,',
            RateRow(Place("06", "district", "80004"), "general", Decimal("1.5"), date(2026, 1, 1), None, 2),
        ),
        (
            "55,state,55,,general,100,2026-01-01,",
            RateRow(Place("55", "state", "55"), "general", Decimal(100), date(2026, 1, 1), None, 2),
        ),
    ],
)
def test_a_row(line: str, row: RateRow) -> None:
    assert only(line) == row


def test_columns_in_another_order_and_left_out() -> None:
    row = only("2026-01-01,5.5,STATE,55", heading='"Starts", Percent ,KIND,state')
    assert row == RateRow(Place("55", "state", "55"), "general", Decimal("5.5"), date(2026, 1, 1), None, 2)


def test_names_and_empty_rows() -> None:
    found = read("55,city,ELM,Elm,general,1,2025-01-01,2025-12-31", ",,,,,,,", "", "55,city,ELM,,general,2,2026-01-01,")
    assert found.names == {Place("55", "city", "ELM"): "Elm"}
    assert [row.row for row in found.rows] == [2, 5]
    assert found.refused == ()


@pytest.mark.parametrize(
    ("line", "reason"),
    [
        ("CA,state,,,,7,2026-01-01,", "has the state 'CA'; write its FIPS code, two digits, such as 06."),
        (",state,,,,7,2026-01-01,", "has the state ''; write its FIPS code, two digits, such as 06."),
        ("٠٦,state,,,,7,2026-01-01,", "has the state '٠٦'; write its FIPS code, two digits, such as 06."),
        ("06,parish,1,,,7,2026-01-01,", "has the kind 'parish'; write state, county, city or district."),
        ("06,city,,,,7,2026-01-01,", "has the code ''; write ten letters and digits at most."),
        ("06,city,A-1,,,7,2026-01-01,", "has the code 'A-1'; write ten letters and digits at most."),
        ("06,state,55,,,7,2026-01-01,", "has the code '55'; leave a state's code empty, for the column state has it."),
        ("06,state,,,General,7,2026-01-01,", "has the class 'General'; use small letters, digits and hyphens, such as clothing."),
        ("06,state,,,,,2026-01-01,", "has the percent ''; write 5.5 for five and a half percent."),
        ("06,state,,,,7 1/4,2026-01-01,", "has the percent '7 1/4'; write 5.5 for five and a half percent."),
        ("06,state,,,,NaN,2026-01-01,", "has the percent 'NaN'; write 5.5 for five and a half percent."),
        ("06,state,,,,1e1,2026-01-01,", "has the percent '1e1'; write 5.5 for five and a half percent."),
        ("06,state,,,,-1,2026-01-01,", "has the percent -1, which is negative."),
        (
            "06,state,,,,725,2026-01-01,",
            "has the percent 725, which is more than the price; write 5.5 for five and a half percent.",
        ),
        ("06,state,,,,7,1/31/2026,", "has the day '1/31/2026' in the column starts; write it like 2026-01-31."),
        ("06,state,,,,7,2026-02-30,", "has the day '2026-02-30' in the column starts; write it like 2026-01-31."),
        ("06,state,,,,7,,", "has the day '' in the column starts; write it like 2026-01-31."),
        ("06,state,,,,7,2026-01-01,never", "has the day 'never' in the column ends; write it like 2026-01-31."),
        ("06,state,,,,7,2026-01-02,2026-01-01", "ends on 2026-01-01, before it starts on 2026-01-02."),
        (f"06,state,,{'x' * 121},,7,2026-01-01,", "has a name of 121 letters; it can have 120."),
        ("06,state,,,,7,2026-01-01", "has 7 columns; the heading has 8."),
        ("06,state,,,,7,25,2026-01-01,", "has 9 columns; the heading has 8."),
        ('06,state,,"open,,7,2026-01-01,', "has 1 columns; the heading has 8."),
    ],
)
def test_a_row_that_cannot_be_is_refused_alone(line: str, reason: str) -> None:
    found = read(line, "06,state,,,,7,2026-01-01,")
    assert found.refused == ((2, reason),)
    assert [row.row for row in found.rows] == [3]


def test_one_jurisdiction_is_called_one_thing() -> None:
    found = read("06,city,ELM,Elm,,1,2025-01-01,2025-12-31", "06,city,ELM,Elms,,2,2026-01-01,")
    assert found.refused == ((3, "calls its jurisdiction 'Elms', and row 2 calls it 'Elm': write the same in both."),)


@pytest.mark.parametrize(
    ("content", "sentence"),
    [
        (HEADING.replace(",", ";").encode(), "not separated by commas: save the file as CSV with commas."),
        (HEADING.replace(",", "\t").encode(), "not separated by commas"),
        (HEADING.replace("kind", "type").encode(), "The heading has a column 'type'. There are: state, kind, code, name,"),
        (HEADING.replace("ends", "state").encode(), "The heading has the column state twice: take one away."),
        (b"state,kind,percent\n", "The heading has no column starts: the first day, such as 2026-01-31."),
        (HEADING.encode("utf-16"), "The file is in UTF-16: save it as UTF-8"),
        (
            f"{HEADING}\n06,city,B,Bücher,,1,2026-01-01,\n".encode("cp1252"),
            "Line 2 is not UTF-8: save the file as UTF-8 (a spreadsheet",
        ),
        (f"{HEADING}\n06,city,B\0,,,1,2026-01-01,\n".encode(), "Line 2 holds zero bytes"),
    ],
)
def test_a_file_that_is_none_is_refused_whole(content: bytes, sentence: str) -> None:
    with pytest.raises(FileRefused) as refused:
        read_own_rates(io.BytesIO(content))
    assert sentence in str(refused.value)


def test_a_byte_order_mark_may_lead() -> None:
    content = b"\xef\xbb\xbf" + HEADING.encode() + b"\n06,state,,,,7,2026-01-01,\n"
    assert is_heading(content.splitlines()[0])
    assert len(read_own_rates(io.BytesIO(content)).rows) == 1


@pytest.mark.parametrize(
    ("line", "is_one"),
    [
        (HEADING, True),
        ("PERCENT;STATE;starts;kind", True),
        ("percent\tstate", True),
        ("state,rate", False),
        ("55,45,55,0.05,0.05,0.05,0.05,20090101,29991231", False),
        ("", False),
    ],
)
def test_a_heading_is_known_whatever_separates_it(line: str, is_one: bool) -> None:
    assert is_heading(line.encode()) is is_one


def test_help_tells_of_every_column() -> None:
    assert tuple(HELP) == COLUMNS == tuple(HEADING.split(","))
