"""A co-op that comes from paper: its file read by one, signed by another, and the first month kept here after it."""

from __future__ import annotations

import hashlib
from dataclasses import dataclass
from datetime import UTC, date, datetime
from decimal import Decimal
from pathlib import Path
from typing import Any

import pytest
from sqlalchemy import func, select, text
from sqlalchemy.exc import DBAPIError

from coop.books.bank_months import reconcile_month
from coop.books.models import Account, BankItem, Entry, Opening, OpeningMemo, Period, Posting, Seal
from coop.books.queries import balances, first_days
from coop.cli.machine import BOOKS
from coop.closing.opening import (
    OpeningRefused,
    drop_opening,
    pending_opening,
    read_opening,
    rows_of,
    sign_opening,
)
from coop.closing.service import start_close
from coop.config import Settings
from coop.core.db import Sessions, transaction
from coop.core.errors import Refusal
from coop.core.periods import Month
from coop.dealers.models import Dealer
from coop.floor.models import Mall
from coop.floor.service import add_mall
from coop.leases.settling import arrears_of_dealer
from coop.sales.claims import ask_claim, grant_claim
from coop.sales.domain import TenderIn
from coop.sales.layaway import complete_layaway, take_layaway_payment
from coop.sales.models import GiftCertificate, GiftMove, LayawayAgreement, TicketLine
from coop.sales.service import take_tickets
from coop.shifts.turn_models import TurnAccount
from coop.statements.models import Statement
from coop.tax import service as tax
from tests.factories.coops import found, line, ticket
from tests.factories.house import add_person
from tests.work import work_off

FEBRUARY, MARCH, APRIL = Month(2025, 2), Month(2025, 3), Month(2025, 4)
MARCH_2 = datetime(2025, 3, 2, 18, 0, tzinfo=UTC)
APRIL_2 = datetime(2025, 4, 2, 18, 0, tzinfo=UTC)
FILE = """\
kind,mall,dealer,what,number,amount,price,on,due,words,buyer
dealer,MAIN,D01,,,412.50,,,,,
dealer,MAIN,D02,,,-65.00,,,,,
dealer,EAST,D01,,,10.00,,,,,
deposit,MAIN,D01,,,150.00,,,,,
layaway,MAIN,D01,,17,30.00,120.00,2025-01-04,2025-05-02,Oak chest,Orla Quint
gift,MAIN,,,G-204,25.00,,2024-05-09,,,
unclaimed,MAIN,,,3311,18.00,,2025-01-22,,Blue crock,
tax,,,STATE-EL,,96.40,,,,,
bank,,,,,1660.00,,,,,
outstanding,,,,1041,-250.00,,2025-02-26,,,
outstanding,,,,D-9,40.00,,2025-02-28,,Deposit,
drawer,MAIN,,,,200.00,,,,,
account,,,Liabilities:Loan,,40.00,,,,,
equity,,,,,913.10,,,,,
equity,,,Retained:D02,,20.00,,,,,
year,MAIN,D01,gross,,3120.00,,,,,
turns,MAIN,D01,,,1.5,,,,,
total,,,dealer,3,357.50,,,,,
total,,,deposit,1,150.00,,,,,
total,,,layaway,1,30.00,,,,,
total,,,gift,1,25.00,,,,,
total,,,unclaimed,1,18.00,,,,,
total,,,tax,1,96.40,,,,,
total,,,bank,1,1660.00,,,,,
total,,,outstanding,2,-210.00,,,,,
total,,,drawer,1,200.00,,,,,
total,,,account,1,40.00,,,,,
total,,,equity,2,933.10,,,,,
total,,,year,1,3120.00,,,,,
total,,,turns,1,1.5,,,,,
"""
SQLITE = pytest.mark.parametrize("database_url", ["sqlite"], indirect=True)


@dataclass
class Paper:
    """A co-op with its malls, leases and tax, and nothing in its books."""

    sessions: Sessions
    settings: Settings
    main: Mall
    dealers: dict[str, Dealer]
    reader: int
    signer: int

    def read(self, text: str = FILE, *, month: Month = MARCH, by: int | None = None) -> Opening:
        with transaction(self.sessions) as session:
            return read_opening(
                session, MARCH_2, content=text.encode(), file_name="paper.csv", first_month=month, user_id=by or self.reader
            )

    def sign(self, opening: Opening, *, by: int | None = None, now: datetime = MARCH_2) -> list[int]:
        with transaction(self.sessions) as session:
            return sign_opening(session, now, session.get_one(Opening, opening.id), user_id=by or self.signer)

    def faults(self) -> list[str]:
        """Everything `coop check` says of the books."""
        said = []
        for _subject, proof in BOOKS:
            with transaction(self.sessions) as session:
                said += proof(session)
        return said

    def all(self, query: Any) -> list[Any]:
        with transaction(self.sessions) as session:
            return [tuple(row) for row in session.execute(query)]


@pytest.fixture
def paper(sessions: Sessions, database_url: str, tmp_path: Path, now: datetime) -> Paper:
    with transaction(sessions) as session:
        coop = found(session, now, dealers=("D01", "D02"))
        add_mall(session, now, "EAST", name="East Mill Hall", timezone="America/Chicago")
        state = tax.add_jurisdiction(session, code="STATE-EL", name="State of Elmora", kind="state")
        tax.set_rate(session, state, Decimal("5.5"), starts_on=date(2025, 1, 1))
        tax.set_place(session, coop.mall.id, [state], starts_on=date(2025, 1, 1))
        reader, signer = (add_person(session, now, f"{who}@example.org", ("manager",)) for who in ("first", "second"))
    return Paper(sessions, Settings(data=tmp_path, database_url=database_url), coop.mall, coop.dealers, reader, signer)


def test_what_is_signed_opens_the_books_and_the_first_month_closes_on_it(paper: Paper) -> None:
    opening = paper.read()
    assert opening.totals["dealer"] == {"rows": 3, "cents": 357_50}
    assert paper.all(select(Entry.id)) == []
    paper.sign(opening)

    with transaction(paper.sessions) as session:
        by_path = {one.path: one.amount_cents for one in balances(session) if one.amount_cents}
    # By hand: bank 1,660.00 as the bank says it, less the check 250.00, and the deposit of 40.00 it has not seen.
    assert by_path == {
        "Assets:Bank": 1450_00,
        "Assets:Drawer:MAIN": 200_00,
        "Equity:From-paper": -913_10,
        "Equity:Retained:D02": -20_00,
        "Liabilities:Dealers:EAST:D01": -10_00,
        "Liabilities:Dealers:MAIN:D01": -412_50,
        "Liabilities:Dealers:MAIN:D02": 65_00,
        "Liabilities:Deposits:MAIN:D01": -150_00,
        "Liabilities:Gift-certificates": -25_00,
        "Liabilities:Layaway:MAIN": -30_00,
        "Liabilities:Loan": -40_00,
        "Liabilities:Tax-on-paper:STATE-EL": -96_40,
        "Liabilities:Unclaimed:MAIN": -18_00,
    }
    entries = select(Entry.purpose, Entry.business_date, Entry.kind, Entry.source_id).order_by(Entry.purpose)
    source = ("opening", str(opening.id))
    assert paper.all(entries) == [(code, date(2025, 2, 28), *source) for code in ("EAST", "MAIN", "co-op")]
    assert paper.all(select(Period.first_day, Period.state).distinct()) == [(date(2025, 2, 1), "closed")]
    assert paper.all(select(Seal.chain, Seal.reason).order_by(Seal.chain)) == [
        ("EAST", "close"),
        ("MAIN", "close"),
        ("co-op", "close"),
    ]
    items = select(BankItem.on, BankItem.amount_cents, BankItem.reference).order_by(BankItem.id)
    assert paper.all(items) == [(date(2025, 2, 26), -250_00, "1041"), (date(2025, 2, 28), 40_00, "D-9")]
    memos = select(OpeningMemo.what, OpeningMemo.year, OpeningMemo.amount_cents, OpeningMemo.turns).order_by(OpeningMemo.id)
    assert paper.all(memos) == [("gross", 2025, 3120_00, None), ("turns", 2025, None, Decimal("1.5"))]
    turns = select(TurnAccount.member_id, TurnAccount.first_day, TurnAccount.kind, TurnAccount.turns)
    assert paper.all(turns) == [(paper.dealers["D01"].member_id, date(2025, 2, 1), "opening", Decimal("1.5"))]
    certificate = select(GiftCertificate.number, GiftMove.kind, GiftMove.amount_cents).join(GiftMove)
    assert paper.all(certificate) == [("G-204", "brought over", 25_00)]
    with transaction(paper.sessions) as session:
        assert set(first_days(session).values()) == {MARCH.first_day}
        owes = arrears_of_dealer(session, paper.main.id, paper.dealers["D02"].id, date(2025, 3, 20))
        assert (owes.open_cents, owes.late_cents) == (65_00, 65_00)
        kept = session.get_one(Opening, opening.id)
        assert "Orla" not in kept.content
        assert rows_of(session, kept).totals == kept.totals
        # The name stands with the agreement alone, where it can be removed.
        assert session.scalars(select(LayawayAgreement.buyer_name)).one() == "Orla Quint"
    assert paper.faults() == []

    # March is kept here: a sale, the unclaimed sale claimed, the layaway paid and taken.
    with transaction(paper.sessions) as session:
        mall, ida = session.get_one(Mall, paper.main.id), paper.dealers["D01"]
        take_tickets(session, MARCH_2, mall, [ticket("1", date(2025, 3, 2), [line(ida, 100_00)])])
        crock = session.scalars(select(TicketLine).where(TicketLine.description == "Blue crock")).one()
        grant_claim(session, MARCH_2, ask_claim(session, MARCH_2, crock, ida, words="Mine"), user_id=paper.signer)
        layaway = session.scalars(select(LayawayAgreement)).one()
        take_layaway_payment(session, MARCH_2, layaway, TenderIn("card", 96_60), key="last")
        assert complete_layaway(session, MARCH_2, layaway).total_cents == 126_60
        # What the bank has not seen from paper is outstanding still: 1,660.00 at the bank less 210.00 is the books' 1,450.00.
        made = reconcile_month(session, APRIL_2, MARCH, bank_cents=1660_00)
        assert (made.book_cents, made.outstanding_cents, made.difference_cents) == (1450_00, -210_00, 0)
    for code in ("MAIN", "EAST"):
        with transaction(paper.sessions) as session:
            mall = session.scalars(select(Mall).where(Mall.code == code)).one()
            start_close(session, APRIL_2, mall_id=mall.id, month=MARCH)
        work_off(paper.sessions, paper.settings)
    with transaction(paper.sessions) as session:
        statements = dict(
            session.execute(
                select(Dealer.code, Statement.opening_cents)
                .join(Dealer, Dealer.id == Statement.dealer_id)
                .where(Statement.mall_id == paper.main.id)
            ).all()
        )
    assert statements == {"D01": 412_50, "D02": -65_00}
    assert paper.faults() == []


@SQLITE
def test_one_person_alone_cannot_and_what_is_not_over_cannot(paper: Paper) -> None:
    opening = paper.read()
    with pytest.raises(Refusal, match=r"You entered the opening from paper.csv yourself: a second person has to approve it"):
        paper.sign(opening, by=paper.reader)
    with pytest.raises(Refusal, match=r"February 2025 is not over at .*: the opening can be signed from Mar 1, 2025"):
        paper.sign(opening, now=datetime(2025, 3, 1, 5, 0, tzinfo=UTC))
    assert paper.all(select(Entry.id)) == paper.all(select(Period.id)) == []


@SQLITE
def test_a_file_waits_alone_and_dropped_may_be_read_again(paper: Paper) -> None:
    opening = paper.read()
    with pytest.raises(Refusal, match=r"paper.csv waits to be signed already: sign it or drop it first"):
        paper.read()
    with transaction(paper.sessions) as session:
        drop_opening(session, MARCH_2, session.get_one(Opening, opening.id), user_id=paper.reader)
        assert pending_opening(session) is None
    with pytest.raises(Refusal, match=r"paper.csv is dropped already"):
        paper.sign(opening)
    again = paper.read()
    assert again.file_sha256 == hashlib.sha256(FILE.encode()).hexdigest()
    paper.sign(again)
    with pytest.raises(Refusal, match=r"The books are open since Mar 1, 2025, by paper.csv: there is one opening"):
        paper.read(FILE + "\n")


@SQLITE
def test_it_comes_before_every_other_entry(paper: Paper) -> None:
    opening = paper.read()
    with transaction(paper.sessions) as session:
        mall = session.get_one(Mall, paper.main.id)
        take_tickets(session, MARCH_2, mall, [ticket("1", date(2025, 3, 2), [line(paper.dealers["D01"], 100_00)])])
    with pytest.raises(Refusal, match=r"The books have entries already, so balances from paper come too late"):
        paper.sign(opening)


@SQLITE
def test_what_names_nothing_here_is_refused_by_row_and_nothing_is_kept(paper: Paper) -> None:
    text = (
        FILE.replace("dealer,MAIN,D02", "dealer,MAIN,D09")
        .replace("deposit,MAIN", "deposit,EAST")
        .replace("dealer,EAST,D01", "dealer,WEST,D01")
        .replace("STATE-EL", "STATE-OAK")
        .replace("120.00,2025-01-04", "20.00,2025-01-04")
        .replace("2025-02-28,,Deposit", "2025-03-01,,Deposit")
    )
    with pytest.raises(OpeningRefused) as refused:
        paper.read(text)
    assert refused.value.sentences == (
        "Row 3: there is no dealer D09: add the dealer first, or mend the code.",
        "Row 4: there is no mall WEST. There is: MAIN, EAST.",
        "Row 5: D01 has no lease at EAST whose deposit this could be: make the lease first.",
        "Row 6: $30.00 is paid on layaway 17, more than its price with tax, $21.10.",
        "Row 9: there is no jurisdiction STATE-OAK. There is: STATE-EL.",
        "Row 12: Mar 1, 2025 lies after Feb 28, 2025, the last day on paper.",
    )
    with pytest.raises(OpeningRefused, match=r"does not balance: .* so what it has is \$1.00 more than these two"):
        paper.read(FILE.replace("1660.00", "1661.00"))
    with pytest.raises(Refusal, match="not in UTF-8"), transaction(paper.sessions) as session:
        read_opening(session, MARCH_2, content=b"\xff\xfe", file_name="x", first_month=MARCH, user_id=paper.reader)
    assert paper.all(select(Opening.id)) == []


@SQLITE
def test_a_file_changed_in_the_database_is_not_signed(paper: Paper) -> None:
    opening = paper.read()
    with transaction(paper.sessions) as session:
        session.get_one(Opening, opening.id).content = FILE.replace("412.50", "512.50")
    with pytest.raises(Refusal, match=r"paper.csv is no more what was read: drop it and read it again"):
        paper.sign(opening)


def test_what_was_signed_is_frozen(paper: Paper) -> None:
    opening = paper.read()
    paper.sign(opening)
    for change in ("content = 'kind,amount'", "state = 'read'", "first_day = '2025-04-01'"):
        with pytest.raises(DBAPIError, match="never changed or deleted"), transaction(paper.sessions) as session:
            session.execute(text(f"UPDATE opening SET {change}"))


@SQLITE
def test_the_month_on_paper_has_no_month_end(paper: Paper) -> None:
    paper.sign(paper.read())
    with pytest.raises(Refusal, match=r"February 2025 was kept on paper: the books of .* begin with March 2025"):
        with transaction(paper.sessions) as session:
            start_close(session, APRIL_2, mall_id=paper.main.id, month=FEBRUARY)
    sums = select(Account.path, func.sum(Posting.amount_cents)).join(Posting).where(Account.path == "Equity:From-paper")
    assert paper.all(sums.group_by(Account.path)) == [("Equity:From-paper", -913_10)]
