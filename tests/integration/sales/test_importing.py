"""A file of sales brought in: each row taken, unclaimed or refused, the totals prove it, and nothing comes in twice."""

from __future__ import annotations

import gzip
import itertools
from collections import Counter
from datetime import date, datetime, timedelta

import pytest
from hypothesis import HealthCheck, example, given, settings
from hypothesis import strategies as st
from sqlalchemy import select

from coop.books.checking import check_books
from coop.books.queries import balances
from coop.core.db import Sessions, transaction
from coop.core.errors import Refusal
from coop.dealers.membership import add_dealer
from coop.leases.models import Lease
from coop.sales.domain import MAPPINGS, RowError, parse_row
from coop.sales.importing import ImportOptions, import_sales, refusals_by_reason
from coop.sales.models import ImportRefusal, SalesImport, Ticket, TicketLine
from coop.sales.queries import refusals_of
from tests.factories.coops import content, everything
from tests.factories.sales import HEADINGS, csv_text, many_rows, row, write_csv

SQLITE = pytest.mark.parametrize("database_url", ["sqlite"], indirect=True)
MIXED = [
    row("536365", "60", "BLUE GLASS JAR", "6", price="2.55"),
    row("536365", "61", "TIN TRAY", "1", price="0.335"),
    row("536365", "61", "TIN TRAY", "1", price="0.335"),  # equal to the one before: two items
    row("536366", "POST", "POSTAGE", "1", price="18.00"),
    row("536366", "62", "", "1"),
    row("536367", "62", "OAK STOOL", "-2"),
    row("536368", "62", "OAK STOOL", "1", price="1,234.5O"),
    row("C536369", "60", "BLUE GLASS JAR", "-2", sold_at="2025-03-05 09:00:00", price="2.55"),
]


def totals(work: SalesImport) -> tuple[int, ...]:
    return (work.rows, work.rows_taken, work.rows_unclaimed, work.rows_refused, work.rows_here, work.tickets)


def owed(sessions: Sessions) -> dict[str, int]:
    """Cents owed on every account that is not zero, by the last part of its name."""
    with transaction(sessions) as session:
        return {b.path.rpartition(":")[2]: -b.amount_cents for b in balances(session) if "Liabilities" in b.path}


def held(sessions: Sessions) -> dict[str, tuple[int, str]]:
    with transaction(sessions) as session:
        return everything(session)


def reasons(sessions: Sessions, work: SalesImport) -> dict[str, int]:
    with transaction(sessions) as session:
        return dict(refusals_by_reason(session, work.id))


def sentences(sessions: Sessions, work: SalesImport) -> list[str]:
    with transaction(sessions) as session:
        return refusals_of(session, work.id)


# --- what is taken ------------------------------------------------------------------------------------------------------


def test_each_row_is_taken_unclaimed_or_refused_and_the_totals_prove_it(sessions, bring_in, tmp_path):
    work = bring_in(write_csv(tmp_path / "day.csv", MIXED))
    assert (work.state, totals(work)) == ("done", (8, 4, 1, 3, 0, 3))
    assert (work.taken_cents, work.unclaimed_cents) == (1530 + 34 + 34 - 510, 1800)
    assert owed(sessions) == {"D01": 1020, "D02": 68, "MAIN": 1800}
    assert reasons(sessions, work) == {"bad UnitPrice": 1, "no description": 1, "stock adjustment": 1}
    assert [sentence.partition(":")[0] for sentence in sentences(sessions, work)] == ["Line 6", "Line 7", "Line 8"]
    with transaction(sessions) as session:
        assert check_books(session) == []
        tickets = session.execute(select(Ticket.key, Ticket.kind, Ticket.sold_on).order_by(Ticket.id)).all()
    assert [tuple(t) for t in tickets] == [
        ("MAIN/open-retail/536365", "sale", date(2025, 3, 3)),
        ("MAIN/open-retail/536366", "sale", date(2025, 3, 3)),
        ("MAIN/open-retail/C536369", "return", date(2025, 3, 5)),
    ]


def test_the_same_file_twice_changes_nothing_under_any_name_or_packing(sessions, bring_in, tmp_path):
    first = bring_in(write_csv(tmp_path / "day.csv", MIXED))
    before = held(sessions)
    again = bring_in(write_csv(tmp_path / "other name.csv", MIXED))
    packed = bring_in(write_csv(tmp_path / "day.csv.gz", MIXED))
    assert held(sessions) == before
    assert first.id == again.id == packed.id


@SQLITE
def test_a_gzip_first_is_the_same_file_as_its_content(sessions, bring_in, tmp_path):
    bring_in(write_csv(tmp_path / "day.csv.gz", MIXED))
    before = held(sessions)
    bring_in(write_csv(tmp_path / "day.csv", MIXED))
    assert held(sessions) == before


def test_a_file_that_overlaps_another_brings_in_only_what_is_new(sessions, bring_in, tmp_path):
    bring_in(write_csv(tmp_path / "monday.csv", MIXED[:3]))
    week = [*MIXED[:3], row("536400", "62", "OAK STOOL", "1", price="40")]
    work = bring_in(write_csv(tmp_path / "week.csv", week))
    assert totals(work) == (4, 1, 0, 0, 3, 1)
    assert owed(sessions) == {"D01": 1530, "D02": 68, "D03": 4000}


def test_a_mended_file_brings_in_the_mended_rows_beside_what_was_taken(sessions, bring_in, tmp_path):
    bring_in(write_csv(tmp_path / "day.csv", MIXED))
    mended = [*MIXED]
    mended[4] = row("536366", "62", "PEWTER JUG", "1", price="7")
    mended[6] = row("536368", "62", "OAK STOOL", "1", price="1,234.50")
    work = bring_in(write_csv(tmp_path / "mended.csv", mended))
    assert totals(work) == (8, 2, 0, 1, 5, 2)
    assert owed(sessions) == {"D01": 1020, "D02": 68, "D03": 700 + 123450, "MAIN": 1800}
    with transaction(sessions) as session:
        beside = session.scalars(select(Ticket.key).where(Ticket.number == "536366").order_by(Ticket.id)).all()
    assert beside == ["MAIN/open-retail/536366", "MAIN/open-retail/536366+2"]


def test_a_row_that_differs_from_what_was_taken_is_refused_and_nothing_changes(sessions, bring_in, tmp_path):
    bring_in(write_csv(tmp_path / "day.csv", MIXED[:3]))
    dearer = [row("536365", "60", "BLUE GLASS JAR", "6", price="2.65"), *MIXED[1:3]]
    work = bring_in(write_csv(tmp_path / "dearer.csv", dearer))
    assert totals(work) == (3, 0, 0, 1, 2, 0)
    assert reasons(sessions, work) == {"differs": 1}
    assert "put it right with a return" in sentences(sessions, work)[0]
    assert owed(sessions) == {"D01": 1530, "D02": 68}


def test_rows_that_moved_on_their_ticket_are_never_taken_twice(sessions, bring_in, tmp_path):
    """A row is put in before others that were taken: by its position the last one would look new."""
    bring_in(write_csv(tmp_path / "day.csv", MIXED[:2]))
    work = bring_in(write_csv(tmp_path / "more.csv", [row("536365", "62", "OAK STOOL", "1", price="40"), *MIXED[:2]]))
    assert totals(work) == (3, 0, 0, 3, 0, 0)
    assert owed(sessions) == {"D01": 1530, "D02": 34}
    assert "whether item 3 is new cannot be told" in sentences(sessions, work)[2]


def test_a_file_mended_by_leaving_out_the_bad_row_takes_the_next_one_no_second_time(sessions, bring_in, tmp_path):
    bring_in(write_csv(tmp_path / "day.csv", [row("1", "60", price="O.5"), row("1", "61", price="2")]))
    work = bring_in(write_csv(tmp_path / "mended.csv", [row("1", "61", price="2")]))
    assert totals(work) == (1, 0, 0, 1, 0, 0)
    assert "Bring the file in with every row of the ticket in its place" in sentences(sessions, work)[0]
    assert owed(sessions) == {"D02": 200}


def test_a_row_with_too_many_cells_keeps_its_place_on_the_ticket(sessions, bring_in, tmp_path):
    """An unquoted comma in the description: refused, and once mended taken beside the others."""
    path = tmp_path / "day.csv"
    broken = '536365,61,"TIN TRAY",1,2025-03-03 10:15:00,2.00,1,X'
    stray = broken.replace('"TIN TRAY"', "TRAY, TIN")
    lines = csv_text([row("536365", "60", price="1"), row("536365", "62", price="3")]).splitlines()
    path.write_text("\n".join([lines[0], lines[1], stray, lines[2], ""]))
    work = bring_in(path)
    assert totals(work) == (3, 2, 0, 1, 0, 1)
    assert sentences(sessions, work) == ["Line 3: The row has 9 cells where the heading has 8: look for a stray comma or quote."]
    path.write_text("\n".join([lines[0], lines[1], broken, lines[2], ""]))
    assert totals(bring_in(path)) == (3, 1, 0, 0, 2, 1)
    assert owed(sessions) == {"D01": 100, "D02": 200, "D03": 300}


@SQLITE
def test_a_ticket_whose_rows_are_scattered_is_one_ticket(sessions, bring_in, tmp_path):
    scattered = [row("1", "60", price="1"), row("2", "61", price="2"), row("1", "62", price="4"), row("2", "60", price="8")]
    work = bring_in(write_csv(tmp_path / "day.csv", scattered))
    assert totals(work) == (4, 4, 0, 0, 0, 2)
    with transaction(sessions) as session:
        found = [
            (number, net) for number, net in session.execute(select(Ticket.number, Ticket.net_cents).order_by(Ticket.number))
        ]
    assert found == [("1", 500), ("2", 1000)]


@SQLITE
def test_blank_lines_extra_columns_and_another_order_of_columns_do_not_matter(sessions, bring_in, tmp_path):
    order = ["UnitPrice", "Till", "InvoiceNo", "Quantity", " Description ", "StockCode", "InvoiceDate"]
    text = csv_text([["2.50", "7", "536365", "2", "JAR", "60", "2025-03-03"]], order).replace("\n", "\r\n\r\n")
    path = tmp_path / "day.csv"
    path.write_bytes(text.encode())
    assert totals(bring_in(path)) == (1, 1, 0, 0, 0, 1)
    assert owed(sessions) == {"D01": 500}


@SQLITE
@pytest.mark.parametrize(
    ("encoding", "option"),
    [("utf-8-sig", "utf-8-sig"), ("utf-8-sig", "utf-8"), ("cp1252", "cp1252"), ("utf-16", "utf-16"), ("utf-8", "UTF8")],
)
def test_encodings_that_are_named_and_a_byte_order_mark(sessions, bring_in, tmp_path, encoding, option):
    work = bring_in(write_csv(tmp_path / "day.csv", [row(description="CAFÉ £5 TIN")], encoding=encoding), encoding=option)
    assert totals(work) == (1, 1, 0, 0, 0, 1)
    with transaction(sessions) as session:
        assert session.scalars(select(TicketLine.description)).all() == ["CAFÉ £5 TIN"]


@SQLITE
def test_a_file_of_headings_alone_is_brought_in_with_nothing(sessions, bring_in, tmp_path):
    assert totals(bring_in(write_csv(tmp_path / "day.csv", []))) == (0, 0, 0, 0, 0, 0)


# --- dealers ------------------------------------------------------------------------------------------------------------


def test_unknown_dealers_are_refused_by_name_then_made_where_that_is_asked(sessions, bring_in, tmp_path):
    path = write_csv(tmp_path / "day.csv", [row("1", "60", price="1"), row("1", "70", price="2"), row("2", "71", price="4")])
    work = bring_in(path)
    assert totals(work) == (3, 1, 0, 2, 0, 1)
    assert sentences(sessions, work)[0] == (
        "Line 3: Dealer D11 is not in the co-op: add the dealer, or import with --create-dealers."
    )
    before = held(sessions)
    bring_in(path)
    assert held(sessions) == before
    # The same file, as the sentence said.
    work = bring_in(path, create_dealers=True)
    assert totals(work) == (3, 3, 0, 0, 0, 3)
    assert sentences(sessions, work) == []
    assert owed(sessions) == {"D01": 100, "D11": 200, "D12": 400}
    before = held(sessions)
    bring_in(path, create_dealers=True)
    assert held(sessions) == before


@SQLITE
def test_a_dealer_who_was_added_since_gets_what_was_refused(sessions, bring_in, tmp_path, now):
    path = write_csv(tmp_path / "day.csv", [row("1", "60", price="1"), row("1", "70", price="2"), row("2", "71", price="4")])
    bring_in(path)
    with transaction(sessions) as session:
        add_dealer(session, now + timedelta(minutes=5), "D11", name="Nan Orrell", joined_on=date(2025, 3, 1))
    work = bring_in(path)
    assert totals(work) == (3, 2, 0, 1, 0, 2)
    assert reasons(sessions, work) == {"unknown dealer": 1}
    assert owed(sessions) == {"D01": 100, "D11": 200}


@SQLITE
def test_dealers_made_by_an_import_have_a_lease_over_all_their_sales(sessions, bring_in, tmp_path):
    rows = [row("1", "70", sold_at="2025-03-09 09:00:00"), row("2", "70", sold_at="2025-01-20 09:00:00")]
    bring_in(write_csv(tmp_path / "a.csv", rows), create_dealers=True)
    bring_in(write_csv(tmp_path / "b.csv", [row("3", "70", sold_at="2024-11-02 09:00:00")]), create_dealers=True)
    with transaction(sessions) as session:
        leases = session.execute(select(Lease.starts_on, Lease.ends_on).where(Lease.dealer_id == 4).order_by(Lease.starts_on))
        assert [tuple(lease) for lease in leases] == [
            (date(2024, 11, 1), date(2024, 12, 31)),
            (date(2025, 1, 1), None),
        ]


# --- returns ------------------------------------------------------------------------------------------------------------


def test_returns_are_tied_to_the_same_buyers_earlier_purchase_and_never_beyond_what_was_bought(sessions, bring_in, tmp_path):
    def back(number: str, quantity: int, day: int, buyer: str = "b1", tag: str = "60") -> tuple[str, ...]:
        return row(number, tag, quantity=str(quantity), sold_at=f"2025-03-{day:02d} 12:00:00", buyer=buyer)

    rows = [
        back("1", 5, 3),
        back("2", 4, 4),
        back("3", 9, 4, buyer="b2"),
        back("4", 9, 20),  # bought after the first returns
        back("C1", -3, 5),  # of ticket 1: 2 are left
        back("C2", -3, 6),  # 1 has too few left: of ticket 2, 1 left
        back("C3", -3, 7),  # neither has three left: untied
        back("C4", -2, 8),  # of ticket 1: none left
        back("C5", -1, 9, tag="61"),  # never bought
        back("C6", -1, 10, buyer=""),  # by nobody known
        back("C7", -9, 11, buyer="b2"),
    ]
    work = bring_in(write_csv(tmp_path / "month.csv", rows))
    assert work.rows_refused == 0
    with transaction(sessions) as session:
        tied = {r[0].removeprefix("MAIN/open-retail/"): r[11] for r in content(session)["lines"] if r[1] == "return"}
    assert {number: key and key.removeprefix("MAIN/open-retail/") for number, key in tied.items()} == {
        "C1": "1",
        "C2": "2",
        "C3": None,
        "C4": "1",
        "C5": None,
        "C6": None,
        "C7": "3",
    }


@SQLITE
def test_a_buyer_is_kept_as_a_pseudonym(sessions, bring_in, tmp_path):
    bring_in(write_csv(tmp_path / "day.csv", [row(buyer="17850"), row("2", buyer="")]))
    with transaction(sessions) as session:
        keys = session.scalars(select(Ticket.buyer_key).order_by(Ticket.id)).all()
    assert "17850" not in keys[0]
    assert len(keys[0]) == 32
    assert keys[1] == ""


# --- files that are no files of sales -----------------------------------------------------------------------------------

GOOD = csv_text([row()])
BAD_FILES = {
    "missing column": (csv_text([row()[:5] + row()[6:]], HEADINGS[:5] + HEADINGS[6:]), "lacks the column UnitPrice"),
    "empty": ("", "is empty: its first line must hold the headings InvoiceNo, StockCode"),
    "semicolons": (GOOD.replace(",", ";"), "must be separated by commas"),
    "a column twice": (GOOD.replace("Country", "Quantity"), "has the column Quantity twice: remove or rename one"),
    "the buyer twice": (GOOD.replace("Country", "CustomerID"), "has the column CustomerID twice"),
    "UTF-16": (GOOD.encode("utf-16"), "it seems to be in UTF-16. Save it as UTF-8, or say what it is with --encoding"),
    "UTF-16 without mark": (GOOD.encode("utf-16-le"), "NUL bytes in its heading"),
    "cp1252": (csv_text([*many_rows(400), row(description="CAFÉ")]).encode("cp1252"), "is not UTF-8 in line 402 (byte 0xc9)"),
    "unclosed quote": (GOOD + '536366,60,"JAR,1,2025-03-03,2.55,,\n', "not readable as CSV at line 3"),
    "quote within": (GOOD + '536366,60,"JAR"S,1,2025-03-03,2.55,,\n', "Look for an unclosed quote there"),
    "an endless cell": (GOOD + "x" * 140_000 + "\n", "field larger than field limit"),
    "truncated gzip": (gzip.compress(csv_text(many_rows(500)).encode())[:-900], "is a damaged gzip file"),
    "broken gzip": (b"\x1f\x8b\x08\x00" + b"\x00" * 6 + b"no deflate", "copy it again from its source"),
    "damaged gzip": (gzip.compress(GOOD.encode())[:-8] + b"\x00" * 8, "is a damaged gzip file"),
    "a picture": (b"\x89PNG\r\n\x1a\n\x00\x00\x00\rIHDR", "byte 0x89"),
}


@SQLITE
@pytest.mark.parametrize("name", BAD_FILES)
def test_a_file_that_is_no_file_of_sales_is_refused_whole(sessions, bring_in, tmp_path, name):
    text, said = BAD_FILES[name]
    path = tmp_path / "day.csv"
    path.write_bytes(text.encode() if isinstance(text, str) else text)
    before = held(sessions)
    with pytest.raises(Refusal) as refused:
        bring_in(path)
    assert said in str(refused.value)
    assert str(path) in str(refused.value)
    assert held(sessions) == before


@SQLITE
@pytest.mark.parametrize(
    ("name", "options", "said"),
    [
        ("folder", {}, "is a folder, not a file of sales"),
        ("nothing.csv", {}, "is not there"),
        ("day.csv", {"mall_code": "WEST"}, "--mall WEST: there is no such mall. There is: MAIN."),
        ("day.csv", {"mapping": "till"}, "--mapping till: there is no such mapping. There is: open-retail."),
        ("day.csv", {"encoding": "klingon"}, "--encoding klingon: there is no such encoding"),
        ("day.csv", {"encoding": "hex"}, "use one such as utf-8 or cp1252"),
        ("day.csv", {"encoding": "undefined"}, "--encoding undefined"),
    ],
)
def test_what_was_asked_wrongly_is_named(sessions, bring_in, tmp_path, name, options, said):
    (tmp_path / "folder").mkdir()
    write_csv(tmp_path / "day.csv", MIXED)
    before = held(sessions)
    with pytest.raises(Refusal) as refused:
        bring_in(tmp_path / name, **options)
    assert said in str(refused.value)
    assert held(sessions) == before


def test_nul_bytes_in_a_row_refuse_that_row(sessions, bring_in, tmp_path):
    """PostgreSQL cannot keep them, and no register writes them."""
    work = bring_in(write_csv(tmp_path / "day.csv", [row("1"), row("2", description="J\0R"), row("3\0")]))
    assert totals(work) == (3, 1, 0, 2, 0, 1)
    assert sentences(sessions, work)[0] == "Line 3: The row holds a NUL byte: take it out."


@SQLITE
def test_a_file_that_changes_while_it_is_read_is_not_taken_for_the_one_that_was_judged(sessions, coop, tmp_path, now, bring_in):
    path = write_csv(tmp_path / "day.csv", many_rows(6000))
    content_before = path.read_bytes()

    def clock() -> datetime:
        # Called first when the file has been judged and is about to be read again.
        path.write_bytes(content_before[:-4] + b"9.9\n")
        return now

    with pytest.raises(Refusal, match="changed while it was read"):
        import_sales(sessions, path, ImportOptions("open-retail", "MAIN"), clock=clock)
    path.write_bytes(content_before)
    work = bring_in(path)
    assert (work.state, work.rows, work.rows_taken) == ("done", 6000, 6000)


# --- whatever comes -----------------------------------------------------------------------------------------------------

CELLS = st.tuples(
    st.sampled_from(["1", "2", "3", "C4", "C5", "", " 1"]),
    st.sampled_from(["60", "61", "62", "70", "POST", ""]),
    st.sampled_from(["JAR", "", "JAR, BLUE", 'THE "BIG" JAR', "TWO\nLINES", "\t", "é"]),
    st.sampled_from(["1", "2", "-1", "-2", "0", "1.0", "1.5", "x", ""]),
    st.sampled_from(["2025-03-03 10:00:00", "2025-02-28", "2025-02-30", "", "2026-01-01T00:00"]),
    st.sampled_from(["2.55", "0", "-1", "1,000.00", "1.005", "O.5", "", "0.001"]),
    st.sampled_from(["", "b1", "b2"]),
    st.just("X"),
)
ONE_CASE = settings(max_examples=40, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])


def proved(sessions: Sessions, work: SalesImport) -> None:
    """The totals of an import add up, and are what is kept of it."""
    with transaction(sessions) as session:
        kept = session.get_one(SalesImport, work.id)
        assert kept.rows == kept.rows_taken + kept.rows_unclaimed + kept.rows_refused + kept.rows_here
        lines = session.execute(
            select(TicketLine.dealer_id, TicketLine.price_cents).join(Ticket).where(Ticket.import_id == work.id)
        ).all()
        assert (kept.rows_taken, kept.taken_cents) == _sum(p for d, p in lines if d is not None)
        assert (kept.rows_unclaimed, kept.unclaimed_cents) == _sum(p for d, p in lines if d is None)
        assert kept.rows_refused == len(session.scalars(select(ImportRefusal).where(ImportRefusal.import_id == work.id)).all())
        assert check_books(session) == []


def _sum(amounts) -> tuple[int, int]:
    found = list(amounts)
    return len(found), sum(found)


@SQLITE
@ONE_CASE
@given(st.lists(CELLS, max_size=12), st.booleans())
def test_any_rows_add_up(sessions, bring_in, tmp_path, rows, create):
    work = bring_in(write_csv(tmp_path / "day.csv", rows), create_dealers=create)
    assert (work.state, work.rows) == ("done", len(rows))
    proved(sessions, work)


@SQLITE
@ONE_CASE
@given(st.binary(max_size=300) | st.binary(max_size=60).map(lambda tail: GOOD.encode() + tail))
@example(gzip.compress(GOOD.encode()) + b"\x00")
@example(GOOD.encode() + b"\r")
@example(b"\xef\xbb\xbf")
@example(b"\n\n")
def test_any_bytes_are_refused_or_add_up(sessions, bring_in, tmp_path, content):
    path = tmp_path / "day.csv"
    path.write_bytes(content)
    before = held(sessions)
    try:
        work = bring_in(path)
    except Refusal as refused:
        said: str | None = str(refused)
    else:
        said = None
        proved(sessions, work)
    if said is not None:
        assert str(path) in said
        assert held(sessions) == before


NUMBERS = itertools.count(1)
FAR = datetime(9999, 1, 1)  # noqa: DTZ001  by the clock on the wall


def items(rows) -> Counter[tuple[str, str, int, int]]:
    """How often each item stands in a file, as far as its rows are sales or returns."""
    found: Counter[tuple[str, str, int, int]] = Counter()
    for cells in rows:
        try:
            parsed = parse_row(MAPPINGS["open-retail"], dict(zip(HEADINGS, cells, strict=True)), latest=FAR)
        except RowError:
            continue
        found[(parsed.number, parsed.tag, parsed.quantity, parsed.tag_cents)] += 1
    return found


@SQLITE
@ONE_CASE
@given(st.lists(CELLS, min_size=1, max_size=6), st.data())
def test_a_file_and_then_any_change_of_it_takes_no_item_twice(sessions, bring_in, tmp_path, rows, data):
    """However rows are left out, moved or added: of an item there are never more than the one file or the other has."""
    changed = data.draw(st.lists(st.sampled_from(rows) | CELLS, max_size=6))
    own = next(NUMBERS)
    first, second = (
        [(f"C{own}-{n}" if (n := r[0].strip()).startswith("C") else f"{own}-{n}", *r[1:]) for r in some]
        for some in (rows, changed)
    )
    for name, some in (("a.csv", first), ("b.csv", second)):
        proved(sessions, bring_in(write_csv(tmp_path / name, some)))
    with transaction(sessions) as session:
        query = select(Ticket.number, TicketLine.tag, TicketLine.quantity, TicketLine.tag_cents).join(TicketLine)
        lines = [tuple(found) for found in session.execute(query)]
    taken = Counter(found for found in lines if found[0].removeprefix("C").startswith(f"{own}-"))
    assert taken <= items(first) | items(second)
