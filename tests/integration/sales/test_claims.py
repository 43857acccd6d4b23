"""Unclaimed sales: asked for, granted once, refused, brought back, released; the months around a claim stand. Worked by hand."""

from __future__ import annotations

import threading
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import UTC, date, datetime, timedelta
from decimal import Decimal

import pytest
from sqlalchemy import select
from sqlalchemy.orm import Session

from coop.books.models import Entry
from coop.books.queries import balances
from coop.cli.machine import BOOKS
from coop.closing.models import MonthClose
from coop.closing.steps import BODIES
from coop.core.db import Sessions, transaction
from coop.core.documents import keep_document
from coop.core.errors import Refusal
from coop.core.periods import Month
from coop.dealers.models import Dealer
from coop.floor.models import Mall
from coop.leases.agreements import make_lease
from coop.leases.queries import charges_of
from coop.sales.claims import (
    ask_claim,
    check_unclaimed,
    claims_of_line,
    grant_claim,
    refuse_claim,
    release_line,
    unclaimed_lines,
    unclaimed_sum,
)
from coop.sales.models import Claim, TicketLine
from coop.sales.queries import month_sales
from coop.sales.service import take_tickets
from coop.statements.service import build_value, freeze_statement
from coop.tax.models import TaxCharged
from tests.factories.coops import line, ticket
from tests.factories.house import add_person
from tests.factories.people import make_coop, make_dealer, make_mall
from tests.factories.tax import make_filer

SEPTEMBER, OCTOBER = Month(2026, 9), Month(2026, 10)
UNCLAIMED = "Liabilities:Unclaimed:MAIN"


def on(day: date) -> datetime:
    return datetime(day.year, day.month, day.day, 18, tzinfo=UTC)


OCT_5, OCT_6 = date(2026, 10, 5), date(2026, 10, 6)


@dataclass
class Hall:
    """A mall taxed at 5.5% whose commission is 10%; D01 and D02 lease there; $40.00 and $15.00 of nobody's sold Sep 20."""

    session: Session
    mall: Mall
    ida: Dealer
    amos: Dealer

    @property
    def jug(self) -> TicketLine:
        return self.session.get_one(TicketLine, 1)

    def ring(self, number: str, day: date, *cents: int, dealer: Dealer | None = None) -> list[TicketLine]:
        """Lines of a dealer or of nobody; brought back where negative."""
        items = [line(dealer, one, tag=f"X{n}", position=n, quantity=-1 if one < 0 else 1) for n, one in enumerate(cents, 1)]
        kind = "return" if cents[0] < 0 else "sale"
        (ticket_id,) = take_tickets(self.session, on(day), self.mall, [ticket(number, day, items, kind=kind, buyer="a buyer")])
        return list(self.session.scalars(select(TicketLine).where(TicketLine.ticket_id == ticket_id)))

    def ask(self, dealer: Dealer, of: TicketLine | None = None, day: date = OCT_5) -> Claim:
        return ask_claim(self.session, on(day), of or self.jug, dealer, words="My blue jug")

    def claimed(self, dealer: Dealer, of: TicketLine | None = None, day: date = OCT_5) -> int:
        return grant_claim(self.session, on(day), self.ask(dealer, of, day))

    def close(self, month: Month, made_at: datetime) -> None:
        """A month closed step by step, its statements frozen and on paper."""
        for body in BODIES.values():
            body(self.session, made_at, self.mall, month)
        for dealer in (self.ida, self.amos):
            made = freeze_statement(self.session, made_at, self.mall, dealer, month)
            paper = {
                "file_name": f"{made.number}.pdf",
                "media_type": "application/pdf",
                "content": b"%PDF",
                "made_with": "a test",
            }
            made.document_id = keep_document(self.session, made_at, **paper).id
        first_day = month.first_day
        self.session.add(MonthClose(mall_id=self.mall.id, first_day=first_day, started_at=made_at, finished_at=made_at))
        self.session.flush()

    def balance(self, path: str) -> int:
        self.holds()
        return {row.path: row.amount_cents for row in balances(self.session)}.get(path, 0)

    def holds(self) -> None:
        """All that `coop check` proves of the books."""
        assert [fault for _, proof in BOOKS for fault in proof(self.session)] == []

    def left(self) -> list[int]:
        found = unclaimed_lines(self.session, self.mall, today=OCT_5, old_after_days=10)
        return [row.left_cents for row in found]


@pytest.fixture
def hall(sessions: Sessions, now: datetime) -> Iterator[Hall]:
    with sessions() as session:
        make_coop(session, now)
        mall = make_mall(session, now)
        ida, amos = make_dealer(session, now, "D01"), make_dealer(session, now, "D02")
        for dealer in (ida, amos):
            make_lease(session, now, mall, dealer, starts_on=date(2026, 9, 1), commission_percent=Decimal(10))
        make_filer(session, now, mall, [ida, amos])
        made = Hall(session, mall, ida, amos)
        made.ring("501", date(2026, 9, 20), 40_00, 15_00)
        yield made


def test_a_sale_of_a_closed_month_is_stated_in_the_month_of_its_claim(hall: Hall) -> None:
    hall.close(SEPTEMBER, on(date(2026, 10, 2)))
    entry = hall.session.get_one(Entry, hall.claimed(hall.ida))
    assert (entry.kind, entry.source_id, entry.business_date) == ("claim", "line/1", OCT_5)
    assert entry.memo == "Claimed: ticket 501, item 1, of Sep 20, 2026"
    assert (hall.jug.dealer_id, hall.jug.credited_on) == (hall.ida.id, OCT_5)
    assert hall.balance(UNCLAIMED) == -15_00
    # The tax of September stays where it was due: with the sale, which was nobody's.
    assert set(hall.session.scalars(select(TaxCharged.dealer_id))) == {None}
    assert month_sales(hall.session, hall.mall.id, SEPTEMBER)[None].net_cents == 55_00
    hall.close(OCTOBER, on(date(2026, 11, 2)))
    stated = build_value(hall.session, hall.mall, hall.ida, OCTOBER, made_on=date(2026, 11, 2))
    assert [(row.sold_on, row.ticket, row.price_cents) for row in stated.sales] == [(date(2026, 9, 20), "501", 40_00)]
    (charged,) = charges_of(hall.session, hall.mall.id, OCTOBER, dealer_id=hall.ida.id)
    assert (charged.kind, charged.amount_cents) == ("commission", 4_00)
    assert stated.closing_cents == 36_00
    assert build_value(hall.session, hall.mall, hall.ida, SEPTEMBER, made_on=date(2026, 10, 2)).sales == ()
    hall.holds()


def test_granting_one_refuses_the_others_who_are_told(hall: Hall) -> None:
    mine, other = hall.ask(hall.ida), hall.ask(hall.amos)
    (asked, nobodys) = unclaimed_lines(hall.session, hall.mall, today=OCT_5, old_after_days=14)
    assert [(one.dealer.code, one.claim.words) for one in asked.asked] == [("D01", "My blue jug"), ("D02", "My blue jug")]
    assert (asked.age_days, asked.old, nobodys.asked) == (15, True, ())
    grant_claim(hall.session, on(OCT_6), other)
    assert [(one.claim.state, one.claim.decision) for one in claims_of_line(hall.session, 1)] == [
        ("refused", "Another dealer's claim was granted."),
        ("granted", ""),
    ]
    assert hall.balance("Liabilities:Dealers:MAIN:D02") == -40_00
    for deed, said in (
        (lambda: grant_claim(hall.session, on(OCT_6), mine), "This claim was refused before: it is decided once."),
        (lambda: grant_claim(hall.session, on(OCT_6), other), "This claim was granted before: it is decided once."),
        (lambda: refuse_claim(hall.session, on(OCT_6), other, decision="No"), "This claim was granted before"),
        (lambda: hall.ask(hall.ida), "This sale was claimed on Oct 6, 2026: nobody else can claim it."),
        (lambda: release_line(hall.session, on(OCT_6), hall.jug, goes_to="state", on=OCT_6), "was claimed on Oct 6, 2026"),
    ):
        with pytest.raises(Refusal, match=said):
            deed()


def test_refused_it_stays_nobodys_and_may_be_asked_for_again(hall: Hall) -> None:
    claim = hall.ask(hall.ida)
    with pytest.raises(Refusal, match="D01 has asked for this sale already: the manager decides on it"):
        hall.ask(hall.ida)
    with pytest.raises(Refusal, match="The reason is empty"):
        refuse_claim(hall.session, on(OCT_6), claim, decision=" ")
    refuse_claim(hall.session, on(OCT_6), claim, decision="The tag was D02's colour.")
    assert (claim.state, claim.entry_id, hall.left()) == ("refused", None, [40_00, 15_00])
    hall.claimed(hall.ida)
    assert hall.left() == [15_00]


def test_a_manager_does_not_decide_on_her_own(hall: Hall, now: datetime) -> None:
    ida = add_person(hall.session, now, "ida@example.org", ("manager", "dealer"), hall.ida.member_id)
    other = add_person(hall.session, now, "vera@example.org", ("manager",))
    mine, rival = hall.ask(hall.ida), hall.ask(hall.amos)
    with pytest.raises(Refusal, match="You cannot decide on your own claim: a second person has to"):
        grant_claim(hall.session, on(OCT_6), mine, user_id=ida)
    with pytest.raises(Refusal, match="You cannot decide on a sale that you ask for yourself: a second person has to"):
        refuse_claim(hall.session, on(OCT_6), rival, decision="Mine", user_id=ida)
    grant_claim(hall.session, on(OCT_6), mine, user_id=other)
    assert mine.decided_by == rival.decided_by == other


def test_what_is_no_unclaimed_sale(hall: Hall) -> None:
    (own,) = hall.ring("502", OCT_5, 9_00, dealer=hall.ida)
    with pytest.raises(Refusal, match="This sale is a dealer's already"):
        hall.ask(hall.amos, own)
    (back,) = hall.ring("R1", OCT_5, -40_00)
    with pytest.raises(Refusal, match="it goes to whoever claims that one"):
        hall.ask(hall.amos, back)
    with pytest.raises(Refusal, match="brought back: nothing of its price is left to claim"):
        hall.ask(hall.amos)
    assert hall.left() == [15_00]


# --- brought back -------------------------------------------------------------------------------------------------------


def test_brought_back_while_it_is_nobodys_it_leaves_the_unclaimed_money(hall: Hall) -> None:
    (back,) = hall.ring("R1", OCT_5, -10_00, dealer=hall.amos)
    # Whatever the desk thinks now: it is tied to a sale that is nobody's.
    assert (back.returns_line_id, back.dealer_id) == (1, None)
    assert hall.balance(UNCLAIMED) == -45_00
    assert hall.left() == [30_00, 15_00]
    entry = hall.session.get_one(Entry, hall.claimed(hall.ida, day=OCT_6))
    assert sorted(posting.amount_cents for posting in entry.postings) == [-30_00, 30_00]
    assert (back.dealer_id, back.credited_on) == (hall.ida.id, OCT_6)
    sold = month_sales(hall.session, hall.mall.id, OCTOBER)[hall.ida.id]
    assert (sold.gross_cents, sold.returns_cents, sold.net_cents) == (40_00, 10_00, 30_00)
    hall.close(SEPTEMBER, on(date(2026, 10, 7)))
    hall.close(OCTOBER, on(date(2026, 11, 2)))
    hall.holds()


def test_brought_back_after_its_claim_the_dealer_gives_it_back_but_not_its_tax(hall: Hall) -> None:
    hall.claimed(hall.ida)
    (back,) = hall.ring("R1", OCT_6, -40_00)
    assert (back.dealer_id, back.credited_on) == (hall.ida.id, OCT_6)
    assert hall.balance("Liabilities:Dealers:MAIN:D01") == 0
    assert hall.balance(UNCLAIMED) == -15_00
    assert set(hall.session.scalars(select(TaxCharged.dealer_id))) == {None}
    hall.close(SEPTEMBER, on(date(2026, 10, 7)))
    hall.close(OCTOBER, on(date(2026, 11, 2)))
    hall.holds()


def test_a_return_of_nobodys_that_is_tied_to_nothing_is_found_its_dealer_too(hall: Hall) -> None:
    (back,) = hall.ring("R1", OCT_5, -7_00)
    assert back.returns_line_id == 1
    items = [line(None, -3_00, tag="unknown", quantity=-1)]
    (ticket_id,) = take_tickets(hall.session, on(OCT_5), hall.mall, [ticket("R2", OCT_5, items, kind="return", buyer="another")])
    untied = hall.session.scalars(select(TicketLine).where(TicketLine.ticket_id == ticket_id)).one()
    assert hall.left() == [33_00, 15_00, -3_00]
    with pytest.raises(Refusal, match="there is nothing to release"):
        release_line(hall.session, on(OCT_6), untied, goes_to="state", on=OCT_6)
    hall.claimed(hall.amos, untied)
    assert hall.balance("Liabilities:Dealers:MAIN:D02") == 3_00


# --- released -----------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(("goes_to", "path"), [("state", "Assets:Bank"), ("co-op", "Income:Released:MAIN")])
def test_released_it_can_no_longer_be_claimed(hall: Hall, goes_to: str, path: str) -> None:
    hall.ring("R1", OCT_5, -10_00)
    claim = hall.ask(hall.ida)
    with pytest.raises(Refusal, match="D01 asks for this sale: decide on the claim first"):
        release_line(hall.session, on(OCT_6), hall.jug, goes_to=goes_to, on=OCT_6)
    refuse_claim(hall.session, on(OCT_6), claim, decision="Not hers")
    entry = hall.session.get_one(Entry, release_line(hall.session, on(OCT_6), hall.jug, goes_to=goes_to, on=OCT_6))
    assert (entry.source_kind, entry.source_id, entry.purpose) == ("release", "line/1", "release")
    assert (hall.balance(UNCLAIMED), hall.balance(path), hall.left()) == (-15_00, -30_00, [15_00])
    for deed in (
        lambda: hall.ask(hall.ida),
        lambda: release_line(hall.session, on(OCT_6), hall.jug, goes_to=goes_to, on=OCT_6),
    ):
        with pytest.raises(Refusal, match="was released on Oct 6, 2026, for nobody had claimed it"):
            deed()
    hall.close(SEPTEMBER, on(date(2026, 10, 7)))
    hall.holds()


# --- at once, listed, checked -------------------------------------------------------------------------------------------


def test_of_two_granted_at_once_one_is(hall: Hall, sessions: Sessions) -> None:
    first, second = hall.ask(hall.ida), hall.ask(hall.amos)
    ids = (first.id, second.id)
    hall.session.commit()
    grant_claim(hall.session, on(OCT_6), hall.session.get_one(Claim, ids[0]))
    refused: list[str] = []

    def other_manager() -> None:
        with transaction(sessions) as session:
            try:
                grant_claim(session, on(OCT_6), session.get_one(Claim, ids[1]))
            except Refusal as refusal:
                refused.append(str(refusal))
                session.rollback()

    other = threading.Thread(target=other_manager)
    other.start()
    # Long enough that it stands before the row, which is held until the commit; sooner or later, the answer is the same.
    other.join(timeout=0.3)
    hall.session.commit()
    other.join(timeout=30)
    assert refused == ["This claim was refused before: it is decided once."]
    hall.holds()


def test_brought_back_while_it_is_being_claimed_it_goes_to_the_claimant(hall: Hall, sessions: Sessions) -> None:
    claim_id = hall.ask(hall.ida).id
    hall.session.commit()
    grant_claim(hall.session, on(OCT_6), hall.session.get_one(Claim, claim_id))

    def desk() -> None:
        with transaction(sessions) as session:
            Hall(session, session.get_one(Mall, 1), session.get_one(Dealer, 1), session.get_one(Dealer, 2)).ring(
                "R1", OCT_6, -40_00
            )

    other = threading.Thread(target=desk)
    other.start()
    other.join(timeout=0.3)
    hall.session.commit()
    other.join(timeout=30)
    assert hall.balance("Liabilities:Dealers:MAIN:D01") == 0
    assert hall.left() == [15_00]


def test_what_is_listed(hall: Hall) -> None:
    hall.ring("503", OCT_5, 8_00)
    hall.ask(hall.ida)

    def listed(**asked: object) -> list[tuple[int, bool]]:
        rows = unclaimed_lines(hall.session, hall.mall, today=OCT_5, old_after_days=14, **asked)  # type: ignore[arg-type]
        return [(row.line.id, row.old) for row in rows]

    assert listed() == [(1, True), (2, True), (3, False)]
    assert listed(asked=True) == [(1, True)]
    assert listed(asked=False, after_id=2) == [(3, False)]
    assert listed(asked=False, most=1) == [(2, True)]
    found = unclaimed_sum(hall.session, hall.mall, old_before=OCT_5 - timedelta(days=14))
    assert (found.lines, found.cents, found.old, found.asked) == (3, 63_00, 2, 1)


def test_money_that_the_ledger_does_not_have_is_told(hall: Hall) -> None:
    hall.claimed(hall.ida)
    items = {**{c.name: getattr(hall.jug, c.name) for c in TicketLine.__table__.columns}, "id": 99, "position": 9}
    hall.session.execute(TicketLine.__table__.insert().values({**items, "dealer_id": None, "credited_on": None}))
    claim = hall.session.scalars(select(Claim)).one()
    entry = hall.session.scalars(select(Entry.id).where(Entry.kind == "sale")).first()
    wrong = {
        "line_id": 2,
        "dealer_id": hall.amos.id,
        "words": "",
        "asked_at": claim.asked_at,
        "decision": "",
        "decided_at": claim.asked_at,
    }
    hall.session.execute(Claim.__table__.insert().values(**wrong, state="granted", entry_id=entry))
    assert check_unclaimed(hall.session) == [
        "At MAIN unclaimed sales are $55.00 by their lines and $15.00 in the ledger.",
        "Claim 2 on ticket 501 is granted, but the sale is not its dealer's.",
    ]
