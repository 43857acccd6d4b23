"""Streamlined rate and boundary files: the states' own, and damaged ones. Sources in tests/reference/streamlined/README.md."""

from __future__ import annotations

import io
from collections.abc import Iterable
from datetime import date
from decimal import Decimal
from pathlib import Path

import pytest

from coop.tax.domain.boundary_files import locate, read_boundaries
from coop.tax.domain.proposals import apply_proposal, propose_rates
from coop.tax.domain.rate_files import FileRefused, Place, RateRow, rates_in_force, read_rates

FILES = Path(__file__).parents[3] / "reference" / "streamlined"
WISCONSIN = (FILES / "WIR2026Q2FEB18.csv").read_bytes()
MINNESOTA = (FILES / "MNR2026Q2FEB18.csv").read_bytes()
BOUNDARIES = (FILES / "MNB2026Q2FEB18-sample.csv").read_bytes()


def rates(*lines: str) -> list[tuple[int, str]]:
    return [tuple(row) for row in read_rates(io.BytesIO("\n".join(lines).encode())).refused]


def in_force(rows: Iterable[RateRow], places: Iterable[Place], on: date) -> Decimal:
    return sum(rates_in_force(rows, places, on).values(), Decimal(0))


# --- rates ----------------------------------------------------------------------------------------------------------------

MILWAUKEE = [
    Place("55", "state", "55"),
    Place("55", "county", "079"),
    Place("55", "city", "53000"),
    Place("55", "district", "55501"),
]
MINNEAPOLIS = [
    Place("27", "state", "27"),
    Place("27", "county", "053"),
    Place("27", "city", "43000"),
    *(Place("27", "district", code) for code in ("80004", "80008", "80009")),
]


@pytest.mark.parametrize(
    ("on", "percent"),
    [
        (date(2020, 3, 31), "5.6"),
        (date(2020, 4, 1), "5.5"),
        (date(2023, 12, 31), "5.5"),
        (date(2024, 1, 1), "7.9"),
    ],
)
def test_f1_milwaukee(on: date, percent: str) -> None:
    """Wisconsin's Streamlined rate file; 7.9% also in the Wisconsin Department of Revenue's FAQ on Milwaukee."""
    stored = apply_proposal([], propose_rates([], read_rates(io.BytesIO(WISCONSIN))))
    assert in_force(stored, MILWAUKEE, on) == Decimal(percent)


def test_f2_minneapolis() -> None:
    """Minnesota's Streamlined rate file: state 6.875, county 0.15, city 0.5, districts 0.5, 0.75 and 0.25."""
    found = rates_in_force(read_rates(io.BytesIO(MINNESOTA)).rows, MINNEAPOLIS, date(2026, 4, 1))
    assert list(found.values()) == [Decimal(p) for p in ("6.875", "0.15", "0.5", "0.5", "0.75", "0.25")]
    assert sum(found.values()) == Decimal("9.025")


def test_whole_files_are_read_without_refusal() -> None:
    for file, count in ((WISCONSIN, 1941), (MINNESOTA, 148)):
        read = read_rates(io.BytesIO(file))
        assert read.refused == ()
        assert len({row.row for row in read.rows}) == count
        assert {row.tax_class for row in read.rows} == {"general", "food"}


def test_a_byte_order_mark_may_lead_and_lines_may_end_as_they_like() -> None:
    changed = b"\xef\xbb\xbf" + MINNESOTA.replace(b"\n", b"\r\n")
    assert read_rates(io.BytesIO(changed)) == read_rates(io.BytesIO(MINNESOTA))


def test_an_open_end_is_written_two_ways() -> None:
    row = "55,45,55,0.05,0.05,0.04,0.04,19800101,"
    one, other = (read_rates([(row + end).encode()]).rows for end in ("29991231", "99991231"))
    assert one == other
    assert one == (
        RateRow(Place("55", "state", "55"), "general", Decimal(5), date(1980, 1, 1), None, 1),
        RateRow(Place("55", "state", "55"), "food", Decimal(4), date(1980, 1, 1), None, 1),
    )


def test_rates_between_states_are_taken_where_they_differ() -> None:
    rows = read_rates([b"55,45,55,0.05,0.04,0.02,0.02,19800101,99991231"]).rows
    assert [(row.tax_class, row.percent) for row in rows] == [("general", 5), ("general-interstate", 4), ("food", 2)]


GOOD = "55,00,079,0.005,0.005,0.005,0.005,19910401,20231231"


@pytest.mark.parametrize(
    ("row", "says"),
    [
        ("55,00,079,0.005,0.005,0.005,0.005,19910401", "has 8 columns; a rate row has 9."),
        (GOOD + ",", "has 10 columns; a rate row has 9."),
        (GOOD.replace("20231231", "20230231"), "has the end date '20230231'; dates are written YYYYMMDD."),
        (GOOD.replace("19910401", "1991-04-01"), "has the begin date '1991-04-01'; dates are written YYYYMMDD."),
        (GOOD.replace("20231231", "2023123"), "has the end date '2023123'; dates are written YYYYMMDD."),
        (GOOD.replace("20231231", "19901231"), "ends on 1990-12-31, before it begins on 1991-04-01."),
        (GOOD.replace("0.005", "-0.005", 1), "has the rate -0.005, which is negative."),
        (
            GOOD.replace("0.005", "5", 1),
            "has the rate 5, which is more than the price; rates are fractions of one, such as 0.05.",
        ),
        (GOOD.replace("0.005", "abc", 1), "has the rate 'abc', which is not a number."),
        (GOOD.replace("0.005", "NaN", 1), "has the rate 'NaN', which is not a number."),
        (GOOD.replace("0.005", "", 1), "has the rate '', which is not a number."),
        (GOOD.replace(",00,", ",02,"), "has the jurisdiction type '02'; it is 45, 00, 01 or 63."),
        (GOOD.replace("55,", "5x,", 1), "has the state '5x'; a state's FIPS code is two digits."),
        (GOOD.replace("079", ""), "has the jurisdiction ''; its FIPS code is digits."),
        ('55,00,"079', "has 1 columns; a rate row has 9."),
        ("state,type,fips,a,b,c,d,begin,end", "has the jurisdiction type 'type'; it is 45, 00, 01 or 63."),
    ],
)
def test_a_row_that_cannot_be_is_refused_alone(row: str, says: str) -> None:
    read = read_rates("\n".join((GOOD, row, GOOD.replace("079", "078"))).encode().splitlines(keepends=True))
    assert [tuple(refused) for refused in read.refused] == [(2, says)]
    assert {r.row for r in read.rows} == {1, 3}


def test_a_truncated_file_refuses_the_row_it_breaks_off_in() -> None:
    read = read_rates(io.BytesIO(MINNESOTA[:-3]))
    assert [refused.row for refused in read.refused] == [148]


@pytest.mark.parametrize(
    ("file", "says"),
    [
        (b"", "empty"),
        (b"\n\n", "empty"),
        (GOOD.encode("utf-16"), "UTF-16"),
        (GOOD.encode("utf-16-le"), "zero bytes"),
        (GOOD.encode() + b"\n55,00,\xe9,", "Line 2 is not UTF-8"),
        (b"PK\x03\x04rest", "ZIP archive"),
        (BOUNDARIES, "boundary file, of 89 columns"),
    ],
)
def test_another_file_is_refused_whole(file: bytes, says: str) -> None:
    with pytest.raises(FileRefused, match=says):
        read_rates(io.BytesIO(file))


# --- boundaries -----------------------------------------------------------------------------------------------------------

F6 = b"z,20171001,20190331,,,,,,,,,,,,,,,55401,,55405,,,27,27,053,43000,,,,ST,80004,63" + b"," * 57
FEBRUARY = date(2019, 2, 1)
SAMPLE = read_boundaries(io.BytesIO(BOUNDARIES))


def test_f6_a_zip_code_in_minneapolis() -> None:
    """A row of Minnesota's Streamlined boundary file; it is in the sample too."""
    for rows in (read_boundaries([F6]).rows, SAMPLE.rows):
        found = locate(rows, "55403", on=date(2018, 6, 1))
        assert found.stacks == (
            (
                Place("27", "state", "27"),
                Place("27", "county", "053"),
                Place("27", "city", "43000"),
                Place("27", "district", "80004"),
            ),
        )
        assert found.found
    assert not locate(SAMPLE.rows, "55403", on=date(2019, 4, 1)).found


def test_the_sample_is_read_whole() -> None:
    assert (len(SAMPLE.rows), SAMPLE.refused, SAMPLE.addresses) == (100, (), 0)
    assert [sum(row.record == record for row in SAMPLE.rows) for record in "Z4"] == [34, 66]


def test_a_record_type_in_capitals_and_an_address() -> None:
    assert read_boundaries([F6.replace(b"z", b"Z")]).rows == read_boundaries([F6]).rows
    assert read_boundaries([F6.replace(b"z", b"a")]).addresses == 1


def test_a_zip_code_in_no_place() -> None:
    found = locate(SAMPLE.rows, "99999", on=FEBRUARY)
    assert found.stacks == ()
    assert found.sentence == "ZIP 99999 is in no place of the boundary file on 2019-02-01: choose its jurisdictions by hand."
    assert locate(SAMPLE.rows, "55403", state="55", on=FEBRUARY).stacks == ()


def test_a_zip_code_in_several_places() -> None:
    found = locate(SAMPLE.rows, "55025", on=FEBRUARY)
    assert {stack[1].code for stack in found.stacks} == {"003", "163", "025"}
    assert found.sentence == "ZIP 55025 is in 3 places on 2019-02-01: give its +4 code, or pick one by hand."
    assert [place.code for place in locate(SAMPLE.rows, "55025", "0099", on=FEBRUARY).stacks[0]] == ["27", "003"]
    assert locate(SAMPLE.rows, "55025", "9999", on=FEBRUARY).stacks == ()


def test_a_zip_code_known_by_some_of_its_plus_4_codes_says_so() -> None:
    """In June 2018 the sample has 55025-8554 and no other code of 55025."""
    found = locate(SAMPLE.rows, "55025", on=date(2018, 6, 1))
    assert [place.code for place in found.stacks[0]] == ["27", "025"]
    assert found.sentence.endswith("Only ZIP+4 rows say so, which may leave codes out: its +4 code would tell.")
    assert found.found


def test_a_plus_4_code_goes_before_its_zip_code() -> None:
    assert "Parts of it are taxed otherwise" in locate(SAMPLE.rows, "55101", on=FEBRUARY).sentence
    assert [p.code for p in locate(SAMPLE.rows, "55101", "2300", on=FEBRUARY).stacks[0]] == ["27", "037"]
    assert [p.code for p in locate(SAMPLE.rows, "55101", "9998", on=FEBRUARY).stacks[0]] == ["27"]


def test_two_rows_with_other_jurisdictions_are_two_places() -> None:
    rows = read_boundaries([F6 + b"\n", F6.replace(b"43000", b"58000")]).rows
    assert locate(rows, "55403", on=date(2018, 6, 1)).sentence == (
        "ZIP 55403 is in 2 places on 2018-06-01: give its +4 code, or pick one by hand."
    )


@pytest.mark.parametrize(("zip5", "plus4"), [("5540", None), ("55403", "12"), ("ABCDE", None), ("٥٥٤٠٣", None)])
def test_what_is_no_zip_code(zip5: str, plus4: str | None) -> None:
    with pytest.raises(ValueError, match="digits"):
        locate(SAMPLE.rows, zip5, plus4, on=FEBRUARY)


@pytest.mark.parametrize(
    ("change", "says"),
    [
        ((b"z,", b"q,"), "has the record type 'q'; it is A, 4 or Z."),
        ((b"20171001", b"20171301"), "has the begin date '20171301'; dates are written YYYYMMDD."),
        ((b"20190331", b"20170331"), "ends on 2017-03-31, before it begins on 2017-10-01."),
        ((b"55405", b"5540"), "has the ZIP codes '55401' to '5540'; a ZIP code is five digits."),
        ((b"55405", b"55400"), "runs backwards, from 55401 to 55400."),
        ((b"z,", b"4,"), "has the +4 codes '' to ''; a +4 code is four digits."),
        ((b",27,27,", b",2,27,"), "has the state '2'; a state's FIPS code is two digits."),
        ((b",27,27,", b",27,55,"), "has the state 27 and the state's indicator '55': they must agree."),
        ((b"80004,63", b"80004,99"), "has the district '80004' of type '99'; it needs a code, and a type of 45, 00, 01 or 63."),
        ((b"27,27,053,43000,,,,ST,80004,63", b"27,,,,,,,,,"), "names no jurisdiction."),
        ((b"63,", b"63"), "has 88 columns; a boundary row has 89."),
    ],
)
def test_a_boundary_that_cannot_be_is_refused_alone(change: tuple[bytes, bytes], says: str) -> None:
    read = read_boundaries([F6 + b"\n", F6.replace(*change) + b"\n", F6])
    assert [tuple(refused) for refused in read.refused] == [(2, says)]
    assert len(read.rows) == 2


def test_a_rate_file_is_no_boundary_file() -> None:
    with pytest.raises(FileRefused, match="rate file, of 9 columns"):
        read_boundaries(io.BytesIO(MINNESOTA))
