"""Whole state files and made-up ones: proposed, applied, brought in again without change, undone; on both databases."""

from __future__ import annotations

import io
from datetime import date, datetime
from decimal import Decimal
from itertools import pairwise
from pathlib import Path
from typing import Any

import pytest
from sqlalchemy import func, select

from coop.books.models import Account
from coop.core.db import Sessions, transaction
from coop.core.errors import Refusal
from coop.core.periods import Month
from coop.floor.models import Mall
from coop.sales.service import take_tickets
from coop.sales.taxing import recomputed_tax
from coop.tax.domain.boundary_files import read_boundaries
from coop.tax.domain.proposals import propose_boundaries, propose_rates
from coop.tax.domain.rate_files import Place, read_rates
from coop.tax.domain.rules import Span, Stack, combined_percent
from coop.tax.file_work import receive_file
from coop.tax.importing import Kind, ProposedFile, apply_import, keep_proposal, propose_file, undo_import
from coop.tax.models import Jurisdiction, TaxBoundary, TaxImport, TaxRate
from coop.tax.queries import jurisdictions_at, locate_zip, rules_of, stack_on
from coop.tax.rates import jurisdiction_code
from coop.tax.service import add_jurisdiction, end_rate, set_place
from coop.tax.taxed_days import days_left, refuse_taxed_days
from tests.factories.coops import found, line, ticket

FILES = Path(__file__).parents[2] / "reference" / "streamlined"
WISCONSIN, MINNESOTA = FILES / "WIR2026Q2FEB18.csv", FILES / "MNR2026Q2FEB18.csv"
BOUNDARIES = FILES / "MNB2026Q2FEB18-sample.csv"


def propose(sessions: Sessions, content: bytes, kind: Kind = "rates") -> ProposedFile:
    with transaction(sessions) as session:
        return propose_file(session, kind, "a.csv", io.BytesIO(content))


def bring_in(sessions: Sessions, now: datetime, content: bytes, kind: Kind = "rates", **options: bool) -> TaxImport:
    with transaction(sessions) as session:
        proposed = propose_file(session, kind, "a.csv", io.BytesIO(content))
        return apply_import(session, now, keep_proposal(session, now, proposed).id, **options)


def undo(sessions: Sessions, now: datetime, import_id: int) -> TaxImport:
    with transaction(sessions) as session:
        return undo_import(session, now, import_id)


def held(sessions: Sessions) -> list[set[Any]]:
    """Every rate, jurisdiction and boundary there is, but for their ids."""
    rates = select(Jurisdiction.code, TaxRate.tax_class, TaxRate.percent, TaxRate.starts_on, TaxRate.ends_on)
    queries = (
        rates.join(Jurisdiction, Jurisdiction.id == TaxRate.jurisdiction_id),
        select(Jurisdiction.code, Jurisdiction.kind, Jurisdiction.state_fips, Jurisdiction.fips),
        select(TaxBoundary.key_sha, TaxBoundary.record, TaxBoundary.zip_low, TaxBoundary.zip_high, TaxBoundary.ends_on),
    )
    with transaction(sessions) as session:
        return [{tuple(row) for row in session.execute(query)} for query in queries]


def counts(work: TaxImport | ProposedFile) -> dict[str, int]:
    return {what: count for what, count in work.proposal["counts"].items() if count}


# --- rates ------------------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("path", [WISCONSIN, MINNESOTA], ids=["Wisconsin", "Minnesota"])
def test_a_state_s_whole_rate_file(sessions: Sessions, now: datetime, path: Path) -> None:
    content = path.read_bytes()
    expected = propose_rates([], read_rates(io.BytesIO(content)))
    proposed = propose(sessions, content)
    assert held(sessions) == [set(), set(), set()]
    assert counts(proposed)["added"] == len(expected.added)
    assert [o.sentence for o in expected.overlapping] == proposed.proposal["overlapping"]
    work = bring_in(sessions, now, content)
    after = held(sessions)
    assert after[0] == {(jurisdiction_code(r.place), r.tax_class, r.percent, r.starts_on, r.ends_on) for r in expected.added}
    again = propose(sessions, content)
    assert again.does_nothing
    assert counts(again)["unchanged"] == len(expected.added)
    second = bring_in(sessions, now, content)
    with transaction(sessions) as session:
        assert apply_import(session, now, work.id).state == "applied"
        # Thousands of jurisdictions share their state's account until they tax a mall.
        assert session.scalar(select(func.count(Account.id)).where(Account.kind == "tax")) == 1
    assert held(sessions) == after
    undo(sessions, now, second.id)
    assert held(sessions) == after
    undo(sessions, now, work.id)
    assert held(sessions) == [set(), set(), set()]
    assert undo(sessions, now, work.id).state == "undone"
    with pytest.raises(Refusal, match="was undone: bring the file in again"), transaction(sessions) as session:
        apply_import(session, now, work.id)


OLD = b"98,45,98,0.05,0.05,0.02,0.02,20200101,29991231\n98,00,001,0.01,0.01,0.01,0.01,20200101,20291231\n"
NEW = (
    b"98,45,98,0.05,0.05,0.02,0.02,20200101,20261231\n98,45,98,0.06,0.06,0.02,0.02,20270101,29991231\n"
    b"98,00,001,0.015,0.015,0.01,0.01,20200101,20301231\n"
)


def test_ended_changed_and_added_and_all_of_it_undone(sessions: Sessions, now: datetime) -> None:
    bring_in(sessions, now, OLD)
    before = held(sessions)
    assert counts(propose(sessions, NEW)) == {"added": 2, "ended": 2, "changed": 2, "jurisdictions": 1}
    work = bring_in(sessions, now, NEW)
    assert (
        "US-98-COUNTY-001",
        "general",
        Decimal("1.5"),
        date(2020, 1, 1),
        date(2030, 12, 31),
    ) in held(sessions)[0]
    assert propose(sessions, NEW).does_nothing
    undo(sessions, now, work.id)
    assert held(sessions) == before


OWN = (
    "state,kind,code,name,class,percent,starts,ends\n"
    "98,state,,State of Cedar,general,6,2027-01-01,\n"
    "98,city,ALDER,Alder,general,1.25,2027-01-01,2027-12-31\n"
    "98,city,ALDER,,books,0.5,2027-01-01,\n"
)


def test_the_co_op_s_own_file(sessions: Sessions, now: datetime) -> None:
    """Beside a state's file: it ends the rate held, adds a jurisdiction by its name and a class no state's file has; undone."""
    bring_in(sessions, now, OLD)
    before = held(sessions)
    proposed = propose(sessions, OWN.encode())
    assert counts(proposed) == {"added": 3, "ended": 1, "overlapping": 1, "not_in_file": 3, "jurisdictions": 2}
    assert proposed.proposal["added"][1] == "city ALDER of state 98, general: 1.25% from 2027-01-01 to 2027-12-31"
    work = bring_in(sessions, now, OWN.encode())
    with transaction(sessions) as session:
        state, city = jurisdictions_at(session, "98", city="ALDER")
        assert (city.code, city.name) == ("US-98-CITY-ALDER", "Alder")
        assert state.name == "State 98"  # what is here already keeps its name
        assert combined_percent(Stack(rules_of(session, [state, city], date(2027, 3, 1))), date(2027, 3, 1)) == Decimal("7.25")
    after = held(sessions)
    assert propose(sessions, OWN.encode()).does_nothing
    undo(sessions, now, bring_in(sessions, now, OWN.replace("0.5,2027", "0.75,2027").encode()).id)
    assert held(sessions) == after
    undo(sessions, now, work.id)
    assert held(sessions) == before


def test_the_co_op_s_own_file_comes_in_through_the_office(sessions: Sessions, now: datetime) -> None:
    with transaction(sessions) as session:
        assert receive_file(session, now, "own.csv", io.BytesIO(OWN.encode())).proposal["counts"]["added"] == 3
    with (
        transaction(sessions) as session,
        pytest.raises(Refusal, match="The heading's columns are not separated by commas"),
    ):
        receive_file(session, now, "own.csv", io.BytesIO(OWN.replace(",", ";").encode()))


def test_a_row_that_ends_on_the_day_the_next_begins(sessions: Sessions, now: datetime) -> None:
    """F5: a real row pair of Wisconsin's file; the later wins on that day, and it is said."""
    work = bring_in(sessions, now, WISCONSIN.read_bytes())
    assert work.proposal["overlapping"] == [
        "Row 47 (county 078 of state 55) runs into row 48 from 2020-03-31: the later wins, the earlier ends on 2020-03-30."
    ]
    with transaction(sessions) as session:
        (county,) = jurisdictions_at(session, "55", county="078")[1:]
        spans = session.execute(
            select(TaxRate.starts_on, TaxRate.ends_on)
            .where(TaxRate.jurisdiction_id == county.id, TaxRate.tax_class == "general")
            .order_by(TaxRate.starts_on)
        ).all()
    assert (date(2020, 3, 30), date(2020, 3, 31)) in [(one.ends_on, other.starts_on) for one, other in pairwise(spans)]


@pytest.mark.parametrize(
    ("content", "sentence"),
    [
        (b"", "a.csv: The file is empty"),
        (OLD.decode().encode("utf-16"), "a.csv: The file is in UTF-16"),
        (b"98,45,98,0.05,\xff,0,0,20200101,20201231\n", "a.csv: Line 1 is not UTF-8"),
        (BOUNDARIES.read_bytes(), "a.csv: This is a boundary file"),
    ],
)
def test_a_file_that_is_none(sessions: Sessions, content: bytes, sentence: str) -> None:
    with pytest.raises(Refusal, match=sentence):
        propose(sessions, content)


@pytest.mark.parametrize(
    ("row", "sentence"),
    [
        (b"98,00,002,-0.01,0.01,0,0,20200101,20201231", "row 3 has the rate -0.01, which is negative"),
        (b"98,00,002,0.01,0.01,0,0,20210101,20201231", "row 3 ends on 2020-12-31, before it begins"),
        (b"98,77,002,0.01,0.01,0,0,20200101,20201231", "row 3 has the jurisdiction type '77'"),
        (b"98,00,00", "row 3 has 3 columns; a rate row has 9"),
        (b"98,45,98,0.05,0.05,0,0,20210101,20211231", r"row 1 overlaps row 3 of the same jurisdiction"),
        (b"98,00,002,0.123456789,0.01,0,0,20200101,20201231", "row 3 has a rate of 12.3456789 percent: more than six"),
        (b"98,00,ab,0.01,0.01,0,0,20200101,20201231", "row 3 has the jurisdiction 'ab': write its letters as capitals"),
    ],
)
def test_a_file_with_a_refused_row_is_not_applied_by_halves(sessions: Sessions, now: datetime, row: bytes, sentence: str) -> None:
    with pytest.raises(Refusal, match=f"{sentence}.*Nothing is applied"):
        bring_in(sessions, now, OLD + row)
    assert held(sessions) == [set(), set(), set()]
    work = bring_in(sessions, now, OLD + row, without_refused=True)
    assert work.state == "applied"
    assert ("US-98-COUNTY-001", "county", "98", "001") in held(sessions)[1]


def test_what_changed_between_the_look_and_the_yes(sessions: Sessions, now: datetime) -> None:
    bring_in(sessions, now, OLD)
    with transaction(sessions) as session:
        work = keep_proposal(session, now, propose_file(session, "rates", "a.csv", io.BytesIO(NEW)))
    with transaction(sessions) as session:
        rate = session.scalars(select(TaxRate).where(TaxRate.percent == Decimal(1), TaxRate.tax_class == "general")).one()
        end_rate(session, rate, date(2028, 12, 31))
    before = held(sessions)
    with pytest.raises(Refusal, match="has changed since this was proposed"), transaction(sessions) as session:
        apply_import(session, now, work.id)
    with pytest.raises(Refusal, match=f"Import {work.id} was not applied"):
        undo(sessions, now, work.id)
    assert held(sessions) == before


def test_undoing_what_has_changed_since(sessions: Sessions, now: datetime) -> None:
    first = bring_in(sessions, now, OLD)
    bring_in(sessions, now, NEW)
    before = held(sessions)
    with pytest.raises(Refusal, match="have changed since: undo the later import"):
        undo(sessions, now, first.id)
    with pytest.raises(Refusal, match="There is no import 99"):
        undo(sessions, now, 99)
    assert held(sessions) == before


def sell(sessions: Sessions, now: datetime, on: date) -> None:
    """The file's state and county tax the mall; one thing is sold."""
    with transaction(sessions) as session:
        coop = found(session, now, dealers=["D01"])
        set_place(session, coop.mall.id, jurisdictions_at(session, "98", county="001"), starts_on=date(2020, 1, 1))
        take_tickets(session, now, coop.mall, [ticket("1", on, [line(coop.dealers["D01"], 100_00)])])


def test_a_rate_that_tickets_were_taxed_at_stays(sessions: Sessions, now: datetime) -> None:
    work = bring_in(sessions, now, OLD)
    sell(sessions, now, date(2026, 10, 5))
    before = held(sessions)
    with pytest.raises(Refusal, match="Tickets were taxed at rates of this import"):
        undo(sessions, now, work.id)
    # Another percent of a used row is refused by its row; the state's end lies after the ticket and is taken.
    assert propose(sessions, NEW).proposal["refused"] == [
        [
            3,
            "changes the general rate of county 001 of state 98 held from 2020-01-01, at which tickets were taxed: "
            "end that rate by hand and set the new one from its day.",
        ]
    ]
    early = NEW.replace(b"20261231", b"20260930").replace(b"20270101", b"20261001")
    refused = propose(sessions, early).proposal["refused"]
    assert [row for row, _ in refused] == [1, 2, 3]
    assert "the last on 2026-10-05, already on 2026-09-30" in refused[0][1]
    assert held(sessions) == before
    bring_in(sessions, now, NEW, without_refused=True)
    rates = held(sessions)[0]
    assert ("US-98", "general", Decimal(5), date(2020, 1, 1), date(2026, 12, 31)) in rates
    assert ("US-98", "general", Decimal(6), date(2027, 1, 1), None) in rates
    assert ("US-98-COUNTY-001", "general", Decimal(1), date(2020, 1, 1), date(2029, 12, 31)) in rates


HEADING = b"state,kind,code,name,class,percent,starts,ends\n"
OWN_GENERAL = HEADING + b"98,state,,,general,5,2020-01-01,\n98,county,001,,general,1,2020-01-01,\n"


def test_a_rate_of_a_file_does_not_begin_on_days_that_tickets_were_taxed_without_it(sessions: Sessions, now: datetime) -> None:
    """They keep their tax; the month-end, which taxes them again by the rates of their days, could never close."""
    bring_in(sessions, now, OWN_GENERAL)
    sell(sessions, now, date(2026, 10, 5))
    before = held(sessions)
    food = OWN_GENERAL + b"98,county,001,,food,0.5,2026-10-01,\n98,state,,,food,2,2026-10-06,\n"
    assert propose(sessions, food).proposal["refused"] == [
        [
            4,
            "gives county 001 of state 98 a food rate on days that tickets were taxed without it, the last on 2026-10-05; "
            "they keep their tax: begin it on 2026-10-06 or later.",
        ]
    ]
    with pytest.raises(Refusal, match="begin it on 2026-10-06 or later"):
        bring_in(sessions, now, food)
    assert held(sessions) == before
    bring_in(sessions, now, food.replace(b"2026-10-01", b"2026-10-06"))
    assert ("US-98-COUNTY-001", "food", Decimal("0.5"), date(2026, 10, 6), None) in held(sessions)[0]
    with transaction(sessions) as session:
        mall = session.scalars(select(Mall)).one()
        assert sum(recomputed_tax(session, mall, Month(2026, 10)).values()) == 600


def test_a_place_s_first_rate_of_a_file_begins_after_its_tickets(sessions: Sessions, now: datetime) -> None:
    """A jurisdiction without a rate leaves nothing on a ticket, and would tax it the second time."""
    bring_in(sessions, now, OWN_GENERAL.replace(b"county,001,,general,1,2020", b"county,001,,general,1,2027"))
    sell(sessions, now, date(2026, 10, 5))
    first = HEADING + b"98,county,001,,general,1,2026-01-01,2026-12-31\n"
    ((row, reason),) = propose(sessions, first).proposal["refused"]
    assert (row, reason.partition("begin it")[2]) == (2, " on 2026-10-06 or later.")
    with transaction(sessions) as session:
        (county,) = session.scalars(select(Jurisdiction).where(Jurisdiction.kind == "county"))
        with pytest.raises(Refusal, match="begin on 2026-10-06 or later"):
            refuse_taxed_days(session, county, Span(date(2026, 10, 1), date(2026, 12, 31)), "rate")
        # What taxes no place has no such days.
        other = add_jurisdiction(session, code="ELSE", name="Elsewhere", kind="state")
        refuse_taxed_days(session, other, Span(date(2026, 10, 1)), "rate")
    bring_in(sessions, now, first.replace(b"2026-01-01", b"2026-10-06"))


@pytest.mark.parametrize(
    ("during", "held", "left"),
    [
        ((1, 9), [], [(1, 9)]),
        ((1, 9), [(1, 9)], []),
        ((3, 6), [(1, None)], []),
        ((1, 9), [(3, 4), (6, 7)], [(1, 2), (5, 5), (8, 9)]),
        ((1, None), [(1, 4)], [(5, None)]),
        ((1, 3), [(5, None)], [(1, 3)]),
        ((5, 9), [(1, 2), (8, None)], [(5, 7)]),
    ],
)
def test_days_left(during: Any, held: list[Any], left: list[Any]) -> None:
    def span(days: Any) -> Span:
        first, last = days
        return Span(date(2026, 1, first), date(2026, 1, last) if last else None)

    assert days_left(span(during), map(span, reversed(held))) == [span(days) for days in left]


def test_jurisdictions_of_a_file_get_their_own_accounts_where_they_tax(sessions: Sessions, now: datetime) -> None:
    bring_in(sessions, now, OLD)
    sell(sessions, now, date(2026, 10, 5))
    with transaction(sessions) as session:
        mall_id = 1
        assert combined_percent(stack_on(session, mall_id, date(2026, 10, 5)), date(2026, 10, 5)) == Decimal(6)
        paths = session.scalars(select(Account.path).where(Account.kind == "tax").order_by(Account.path)).all()
    assert paths == ["Liabilities:Tax:US-98", "Liabilities:Tax:US-98-COUNTY-001"]


def test_a_place_keeps_the_jurisdictions_it_uses(sessions: Sessions, now: datetime) -> None:
    work = bring_in(sessions, now, OLD)
    with transaction(sessions) as session:
        coop = found(session, now)
        set_place(session, coop.mall.id, jurisdictions_at(session, "98"), starts_on=date(2020, 1, 1))
    with pytest.raises(Refusal, match="A place, a rule or a setting uses a jurisdiction of this import"):
        undo(sessions, now, work.id)


# --- boundaries ---------------------------------------------------------------------------------------------------------------


def test_a_boundary_file(sessions: Sessions, now: datetime) -> None:
    content = BOUNDARIES.read_bytes()
    expected = propose_boundaries([], read_boundaries(io.BytesIO(content)))
    proposed = propose(sessions, content, "boundary")
    assert counts(proposed) == {"added": len(expected.added)}
    assert held(sessions)[2] == set()
    work = bring_in(sessions, now, content, "boundary")
    after = held(sessions)
    assert len(after[2]) == len(expected.added)
    assert propose(sessions, content, "boundary").does_nothing
    # F6: a row of Minnesota's boundary file.
    with transaction(sessions) as session:
        located = locate_zip(session, "55403", on=date(2018, 6, 1))
    assert located.stacks == (
        (
            Place("27", "state", "27"),
            Place("27", "county", "053"),
            Place("27", "city", "43000"),
            Place("27", "district", "80004"),
        ),
    )
    undo(sessions, now, work.id)
    assert held(sessions)[2] == set()


def boundary(zip_low: str, zip_high: str, begin: str, end: str, county: str, record: str = "z", plus4: str = "") -> bytes:
    """One row, as files have it."""
    fields = [""] * 89
    fields[0], fields[1], fields[2] = record, begin, end
    fields[17:21] = zip_low, plus4, zip_high, plus4
    fields[22:25] = "98", "98", county
    return ",".join(fields).encode() + b"\n"


FIRST = boundary("99101", "99103", "20200101", "29991231", "001") + boundary("99103", "99105", "20200101", "29991231", "003")
SECOND = boundary("99101", "99103", "20200101", "20261231", "001") + boundary("99106", "99106", "20200101", "29991231", "003")


def test_boundaries_ended_and_added_then_undone_in_their_order(sessions: Sessions, now: datetime) -> None:
    first = bring_in(sessions, now, FIRST, "boundary")
    before = held(sessions)
    assert counts(propose(sessions, SECOND, "boundary")) == {"added": 1, "ended": 1, "not_in_file": 1}
    second = bring_in(sessions, now, SECOND, "boundary")
    with pytest.raises(Refusal, match="A later import changed rows of this one: undo that one first"):
        undo(sessions, now, first.id)
    undo(sessions, now, second.id)
    assert held(sessions) == before
    undo(sessions, now, first.id)
    assert held(sessions)[2] == set()


def test_a_zip_in_no_place_and_in_two(sessions: Sessions, now: datetime) -> None:
    bring_in(sessions, now, FIRST + boundary("99103", "99103", "20200101", "29991231", "003", "4", "0123"), "boundary")
    with transaction(sessions) as session:
        two = locate_zip(session, "99103", on=date(2026, 5, 1))
        exact = locate_zip(session, "99103", "0123", on=date(2026, 5, 1))
        none = locate_zip(session, "99110", on=date(2026, 5, 1))
        before = locate_zip(session, "99101", on=date(2019, 5, 1))
        with pytest.raises(Refusal, match="a ZIP code is five digits"):
            locate_zip(session, "9910", on=date(2026, 5, 1))
    assert (len(two.stacks), two.sentence) == (
        2,
        "ZIP 99103 is in 2 places on 2026-05-01: give its +4 code, or pick one by hand.",
    )
    assert [place.code for place in exact.stacks[0]] == ["98", "003"]
    assert none.stacks == before.stacks == ()
    assert "is in no place of the boundary file on 2026-05-01: choose its jurisdictions by hand" in none.sentence


@pytest.mark.parametrize(
    ("row", "sentence"),
    [
        (FIRST[:40], "row 3 has .* columns; a boundary row has 89"),
        (boundary("99105", "99101", "20200101", "29991231", "001"), "row 3 runs backwards, from 99105 to 99101"),
        (boundary("99101", "99103", "20200101", "20301231", "001"), "row 3 repeats row 1 with another end"),
        (boundary("99101", "99103", "20200101", "20301231", "001", "x"), "row 3 has the record type 'x'"),
    ],
)
def test_a_boundary_file_with_a_refused_row(sessions: Sessions, now: datetime, row: bytes, sentence: str) -> None:
    with pytest.raises(Refusal, match=sentence):
        bring_in(sessions, now, FIRST + row, "boundary")
    assert held(sessions)[2] == set()
