"""A file of dealers as it reads: by its content, each row with what is wrong with it."""

from __future__ import annotations

from datetime import date

import pytest

from coop.dealers.dealer_file import MOST_ROWS, DealerFileRefused, file_text, read_dealer_file
from coop.dealers.details import Details

PLAIN = "name,trade_name,code,mail,telephone,address,joined\n"


def test_a_row_is_read_whole() -> None:
    (row,) = read_dealer_file(
        PLAIN + 'Ida  Fenwick,"Fenwick, Daughter",d01,ida@example.org,555-0142,4 Tannery Row / Elmora 50001,2025-03-01\n'
    )
    assert row.details == Details(
        "Ida Fenwick", "ida@example.org", "555-0142", "4 Tannery Row\nElmora 50001", "Fenwick, Daughter"
    )
    assert (row.row, row.code, row.joined_on, row.fault) == (2, "D01", date(2025, 3, 1), "")


@pytest.mark.parametrize(
    "text",
    [
        "Name;E-Mail;Phone;Joined On\nAmos Pell;amos@example.org;555-0178;3/1/2025\n",
        "joined\tname\tmail\ttelephone\n2025-03-01\tAmos Pell\tamos@example.org\t555-0178\n\n \t\t\t\n",
        'telephone,name,mail,joined\r\n555-0178,"Amos\r\nPell",amos@example.org,2025-03-01\r\n',
    ],
)
def test_columns_and_separators_may_be_others(text: str) -> None:
    (row,) = read_dealer_file(text)
    assert row.details == Details("Amos Pell", "amos@example.org", "555-0178")
    assert (row.code, row.joined_on, row.fault) == ("", date(2025, 3, 1), "")


def test_an_address_may_stand_on_lines_of_its_own() -> None:
    (row,) = read_dealer_file('name,address\nAmos Pell,"c/o Fenwick\n4 Tannery Row"\n')
    assert row.details.address == "c/o Fenwick\n4 Tannery Row"


@pytest.mark.parametrize(
    ("cells", "fault"),
    [
        (",,D01,,,,", "The name is empty"),
        ("Ida,,D 01,,,,", "use one to twelve letters"),
        ("Ida,,,ida,,,", "'ida' is not a mail address"),
        ("Ida,,,,,,1 March", "Joined '1 March' is not a day: write it like 2025-03-01."),
        ("Ida,,,,,,1025-03-01", "Joined '1025-03-01' lies before 1950"),
        ("Ida,,,,,4 Tannery Row, Elmora,2025-03-01", "put quotes round a cell that holds a comma"),
        (f"{'I' * 121},,,,,,", "The name has 121 letters"),
    ],
)
def test_a_row_says_what_is_wrong_with_it(cells: str, fault: str) -> None:
    wrong, right = read_dealer_file(f"{PLAIN}{cells}\nAmos Pell,,,,,,\n")
    assert fault in wrong.fault
    assert right.fault == ""


def test_a_row_names_every_fault_at_once() -> None:
    (row,) = read_dealer_file(PLAIN + ",,#,ida,,,soon\n")
    assert [words in row.fault for words in ("name is empty", "twelve letters", "is not a day")] == [True] * 3


@pytest.mark.parametrize(
    ("text", "sentence"),
    [
        ("", "The file is empty"),
        ("name\n\n", "no row below it"),
        ("mail,telephone\nx,y\n", "no column name"),
        ("name,shoe size\nIda,38\n", "'shoe size' that is not known"),
        ("name,mail,E-Mail\nIda,a,b\n", "the column mail twice"),
        ('name\n"Ida\n', "a quote that is not closed"),
        ("name\n" + "Ida\n" * (MOST_ROWS + 1), "2,001 rows"),
    ],
)
def test_a_file_of_another_shape_is_refused(text: str, sentence: str) -> None:
    with pytest.raises(DealerFileRefused, match=sentence):
        read_dealer_file(text)


@pytest.mark.parametrize("encoding", ["utf-8", "utf-8-sig", "utf-16"])
def test_text_is_known_by_its_bytes(encoding: str) -> None:
    assert file_text("name\nZoë Ålund\n".encode(encoding)) == "name\nZoë Ålund\n"


@pytest.mark.parametrize(
    ("content", "sentence"),
    [
        ("name\nIda\nZoë\n".encode("cp1252"), "Line 3 is not in UTF-8 .* 0xeb"),
        (b"PK\x03\x04rest", "a spreadsheet, not CSV"),
        (b"name\nI\0da\n", "no text"),
        (b"x" * (256 * 1024 + 1), "larger than 256 KB"),
    ],
)
def test_what_is_no_text_is_refused(content: bytes, sentence: str) -> None:
    with pytest.raises(DealerFileRefused, match=sentence):
        file_text(content)
