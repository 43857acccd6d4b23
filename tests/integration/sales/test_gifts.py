"""Gift certificates: what is sold is owed, at every mall, until it is used or released; worked by hand, on both databases.

Cash, numbers and days are common practice, no published source.
"""

from __future__ import annotations

import threading
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import UTC, date, datetime
from decimal import Decimal
from typing import Any

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from sqlalchemy import select
from sqlalchemy.orm import Session

from coop.books.checking import check_books
from coop.books.queries import balances
from coop.core.db import Sessions, transaction
from coop.core.errors import Refusal
from coop.dealers.models import Dealer
from coop.floor.models import Mall
from coop.sales.domain import LineIn, TenderIn, TicketIn
from coop.sales.gifts import (
    HeldCertificates,
    certificate_left,
    certificates_held,
    certificates_query,
    check_gifts,
    is_in_state,
    listed,
    moves_of,
    release_certificate,
    sell_certificate,
    take_back_certificate,
)
from coop.sales.models import GiftCertificate, GiftMove, Tender
from coop.sales.service import take_tickets
from tests.factories.books import SEPTEMBER, ensure_period, shut
from tests.factories.people import make_coop, make_dealer, make_mall

OCTOBER_5 = date(2026, 10, 5)
GIFTS = "Liabilities:Gift-certificates"


@dataclass
class Till:
    """Two malls without tax, a dealer at each."""

    session: Session
    now: datetime
    main: Mall
    east: Mall
    dealer: Dealer
    count: int = 0

    def sell(self, amount: int = 50_00, mall: Mall | None = None, **more: Any) -> GiftCertificate:
        self.count += 1
        given: dict[str, Any] = {"tender": "cash", "on": OCTOBER_5, "key": f"form-{self.count}", **more}
        return sell_certificate(self.session, self.now, mall or self.main, amount_cents=amount, **given)

    def ring(self, price: int, *tenders: TenderIn, mall: Mall | None = None, day: int = 10) -> int:
        """A jug at a price: sold, or when negative brought back."""
        self.count += 1
        line = LineIn(1, self.dealer.id, "D01-7", "Jug", -1 if price < 0 else 1, Decimal(abs(price)) / 100, price)
        ticket = TicketIn(
            key=f"desk/{self.count}",
            number=str(self.count),
            source="desk",
            kind="return" if price < 0 else "sale",
            sold_at=datetime(2026, 10, day, 18, tzinfo=UTC),
            lines=(line,),
            tenders=tenders,
            taxed=False,
            buyer_key="a buyer",
        )
        return take_tickets(self.session, self.now, mall or self.main, [ticket])[0]

    def books(self) -> dict[str, int]:
        assert check_books(self.session) == check_gifts(self.session) == []
        return {row.path: row.amount_cents for row in balances(self.session)}

    def refused(self, price: int, *tenders: TenderIn, **more: Any) -> str:
        """What is said, with nothing done."""
        before = self.books()
        with pytest.raises(Refusal) as refusal, self.session.begin_nested():
            self.ring(price, *tenders, **more)
        self.session.info.pop("account_ids", None)
        assert self.books() == before
        return str(refusal.value)


@pytest.fixture
def till(sessions: Sessions, now: datetime) -> Iterator[Till]:
    with sessions() as session:
        make_coop(session, now)
        yield Till(session, now, make_mall(session, now), make_mall(session, now, "EAST"), make_dealer(session, now))
        session.commit()


def gift(number: str, cents: int | None = None) -> TenderIn:
    return TenderIn("gift", cents, gift=number)


def test_sold_at_one_mall_and_used_at_another_it_is_owed_by_the_coop(till: Till) -> None:
    sold = till.sell(50_00)
    assert (sold.number, certificate_left(till.session, sold)) == ("1001", 50_00)
    assert till.books() == {"Assets:Drawer:MAIN": 50_00, GIFTS: -50_00}
    # A jug at $42.00 in the other mall: $30.00 by the certificate, the rest in cash.
    ticket = till.ring(42_00, gift("1001", 30_00), TenderIn("cash"), mall=till.east)
    assert till.books() == {
        "Assets:Drawer:MAIN": 50_00,
        "Assets:Drawer:EAST": 12_00,
        GIFTS: -20_00,
        "Liabilities:Dealers:EAST:D01": -42_00,
    }
    tenders = till.session.scalars(select(Tender).where(Tender.ticket_id == ticket).order_by(Tender.id)).all()
    assert [(one.kind, one.amount_cents) for one in tenders] == [("gift", 30_00), ("cash", 12_00)]
    assert [(m.move.kind, m.move.amount_cents, m.mall.code, m.ticket, m.adds) for m in moves_of(till.session, sold)] == [
        ("sold", 50_00, "MAIN", "", True),
        ("redeemed", 30_00, "EAST", "2", False),
    ]


def test_an_open_ended_tender_takes_what_is_left_of_the_ticket(till: Till) -> None:
    till.sell(50_00)
    till.ring(42_00, gift("1001"))
    assert certificates_held(till.session) == 8_00


def test_a_return_gives_back_no_more_than_the_certificate_paid(till: Till) -> None:
    till.sell(50_00)
    till.ring(20_00, gift("1001", 5_00), TenderIn("cash"))
    said = till.refused(-20_00, gift("1001", -6_00), TenderIn("cash"), day=12)
    assert said.endswith("gift certificate 1001 has paid $5.00 of what was bought: no more than that can be given back to it.")
    till.ring(-20_00, gift("1001", -5_00), TenderIn("cash"), day=12)
    assert certificates_held(till.session) == 50_00
    assert till.session.scalars(select(GiftMove.kind).order_by(GiftMove.id)).all() == ["sold", "redeemed", "given back"]
    assert till.books() == {"Assets:Drawer:MAIN": 50_00, GIFTS: -50_00, "Liabilities:Dealers:MAIN:D01": 0}


def test_what_no_certificate_can_pay(till: Till) -> None:
    till.sell(20_00)
    till.sell(10_00, number="g-7", on=date(2021, 10, 9), expires_on=date(2026, 10, 9))
    till.ring(20_00, gift("1001"))
    till.sell(20_00)
    assert till.refused(5_00, gift("77")) == "Ticket 5: there is no gift certificate 77: check the number."
    assert till.refused(5_00, gift("  ")).endswith("write the certificate's number.")
    assert till.refused(5_00, gift("1001")).endswith("1001 has nothing left: take another one, or the money in another way.")
    assert till.refused(25_00, gift("1002")).endswith("1002 has $20.00 left, not $25.00: take at most that from it.")
    assert till.refused(5_00, gift("1002", 2_00), gift("1002")).endswith(
        "names gift certificate 1002 twice: name it once, for both together."
    )
    assert till.refused(5_00, gift("1002", -2_00), TenderIn("cash")).endswith("mend its sign.")
    # However its letters are written; on its last day it is good.
    assert till.refused(5_00, gift("G-7")).endswith("g-7 ended on Oct 9, 2026: take or give the money in another way.")
    till.ring(5_00, gift("G-7"), day=9)


def test_two_tickets_of_one_batch_use_one_certificate_up(till: Till) -> None:
    till.sell(50_00)
    held = HeldCertificates(till.session, [])
    with pytest.raises(Refusal, match="no gift certificate"):
        held.use(_ticket("x"), [("1001", 1)], OCTOBER_5)
    batch = [_ticket("1"), _ticket("2")]
    held = HeldCertificates(till.session, batch)
    held.use(batch[0], [("1001", 30_00)], OCTOBER_5)
    with pytest.raises(Refusal, match=r"Ticket 2: gift certificate 1001 has \$20\.00 left, not \$30\.00"):
        held.use(batch[1], [("1001", 30_00)], OCTOBER_5)


def _ticket(number: str) -> TicketIn:
    return TicketIn(number, number, "desk", "sale", datetime(2026, 10, 5, tzinfo=UTC), (), (gift("1001"),))


def test_two_desks_at_once_cannot_use_one_certificate_twice(till: Till, sessions: Sessions) -> None:
    till.sell(50_00)
    till.session.commit()
    till.ring(30_00, gift("1001"))
    refused: list[str] = []

    def other_desk() -> None:
        with transaction(sessions) as session:
            other = Till(
                session, till.now, session.get_one(Mall, 1), session.get_one(Mall, 2), session.get_one(Dealer, 1), count=90
            )
            try:
                other.ring(30_00, gift("1001"))
            except Refusal as refusal:
                refused.append(str(refusal))
                session.rollback()

    second = threading.Thread(target=other_desk)
    second.start()
    # Long enough that it stands before the row, which is held until the commit; sooner or later, the answer is the same.
    second.join(timeout=0.3)
    till.session.commit()
    second.join(timeout=30)
    assert refused == ["Ticket 91: gift certificate 1001 has $20.00 left, not $30.00: take at most that from it."]
    till.books()


def test_numbers_are_taken_once_and_a_form_sent_twice_sells_one(till: Till) -> None:
    till.sell(number="A-5")
    assert till.sell(key="one form").number == till.sell(key="one form").number == "1001"
    assert till.sell(number="2040").number == "2040"
    assert till.sell().number == "2041"
    for number, said in (
        ("a-5", "There is a gift certificate a-5 already: write another number, or leave it empty for the next."),
        ("no number", "'no number' is no number of a certificate: write up to 20 letters, digits and hyphens."),
    ):
        with pytest.raises(Refusal) as refusal:
            till.sell(number=number)
        assert str(refusal.value) == said
    assert certificates_held(till.session) == 4 * 50_00


@pytest.mark.parametrize(
    ("given", "said"),
    [
        ({"amount": 0}, "write an amount above nothing"),
        ({"tender": "layaway"}, "layaway is no way to pay for a certificate"),
        ({"expires_on": date(2026, 10, 4)}, "would end on Oct 4, 2026, before it is sold on Oct 5, 2026"),
        ({"expires_on": date(2031, 10, 4)}, "less than five years after it is sold.* or write Oct 5, 2031 or later"),
        ({"on": date(2024, 2, 29), "expires_on": date(2029, 2, 28)}, "or write Mar 1, 2029 or later"),
    ],
)
def test_what_cannot_be_sold(till: Till, given: dict[str, Any], said: str) -> None:
    with pytest.raises(Refusal, match=said):
        till.sell(**given)
    assert till.session.execute(certificates_query()).all() == []


def test_five_years_and_no_less(till: Till) -> None:
    """12 CFR 1005.20(e)(2): the money is good for five years at least."""
    assert till.sell(expires_on=date(2031, 10, 5)).expires_on == date(2031, 10, 5)


def test_sold_by_mistake_it_is_taken_back_on_its_day_while_unused(till: Till) -> None:
    mistake, kept, used = till.sell(tender="check"), till.sell(20_00), till.sell(30_00)
    till.ring(5_00, gift("1003"), day=5)
    take_back_certificate(till.session, till.now, mistake, on=OCTOBER_5)
    assert certificate_left(till.session, mistake) == 0
    assert [move.words for move in moves_of(till.session, mistake)] == ["sold", "taken back"]
    assert till.books()["Assets:Checks-to-deposit:MAIN"] == 0
    assert till.books()[GIFTS] == -45_00
    assert certificates_held(till.session) == 45_00
    assert check_gifts(till.session) == []
    for certificate, day in ((mistake, OCTOBER_5), (kept, date(2026, 10, 6)), (used, OCTOBER_5)):
        with pytest.raises(Refusal, match="only on the day it was sold, Oct 5, 2026, and as long as nothing was bought for it"):
            take_back_certificate(till.session, till.now, certificate, on=day)
    assert till.refused(5_00, gift("1001")).endswith("has nothing left: take another one, or the money in another way.")
    # Nothing was ever paid with it, so no return gives back to it.
    assert till.refused(-5_00, gift("1001", -5_00)).endswith("no more than that can be given back to it.")
    assert till.sell().number == "1004"


def test_sold_in_a_closed_month_it_is_dated_in_the_open_one(till: Till) -> None:
    shut(till.session, till.now, ensure_period(till.session, till.main.id, SEPTEMBER))
    sold = till.sell(on=date(2026, 9, 30))
    (move,) = till.session.scalars(select(GiftMove)).all()
    assert (sold.sold_on, move.on) == (date(2026, 9, 30), date(2026, 10, 1))


def test_what_is_listed(till: Till) -> None:
    for expires_on in (None, date(2026, 10, 9), date(2026, 10, 9), None):
        till.sell(20_00, on=date(2021, 10, 5), expires_on=expires_on)
    for number in ("1003", "1004"):
        till.ring(20_00, gift(number), day=9)

    def shown(day: int, state: str = "") -> list[tuple[str, int, str]]:
        today, rows = date(2026, 10, day), certificates_query().order_by(GiftCertificate.id)
        found = till.session.execute(rows.where(is_in_state(state, today)) if state else rows)
        return [(one.certificate.number, one.left_cents, one.state) for one in (listed(row, today) for row in found)]

    every = [("1001", 20_00, "open"), ("1002", 20_00, "expired"), ("1003", 0, "used"), ("1004", 0, "used")]
    assert shown(10) == every
    assert shown(10, "used") == every[2:]
    assert shown(10, "expired") == every[1:2]
    assert shown(9, "open") == [("1001", 20_00, "open"), ("1002", 20_00, "open")]


@pytest.mark.parametrize(("goes_to", "path"), [("state", "Assets:Bank"), ("co-op", "Income:Released:MAIN")])
def test_what_is_left_is_released_once(till: Till, goes_to: str, path: str) -> None:
    sold = till.sell(50_00)
    till.ring(20_00, gift("1001"), mall=till.east)
    release_certificate(till.session, till.now, sold, goes_to=goes_to, on=date(2026, 10, 20))
    found = till.books()
    assert (found[GIFTS], found[path]) == (0, -30_00)
    with pytest.raises(Refusal, match="Nothing is left on gift certificate 1001"):
        release_certificate(till.session, till.now, sold, goes_to=goes_to, on=date(2026, 10, 21))
    # What is given back to it later is there again, and may be released again.
    till.ring(-20_00, gift("1001"), mall=till.east, day=22)
    release_certificate(till.session, till.now, sold, goes_to=goes_to, on=date(2026, 10, 23))
    assert till.books()[path] == -50_00


def test_money_that_the_ledger_does_not_have_is_told(till: Till) -> None:
    till.sell(20_00)
    entry = till.session.scalars(select(GiftMove.entry_id)).one()
    till.session.add(
        GiftMove(certificate_id=1, key="foreign", kind="redeemed", amount_cents=25_00, on=OCTOBER_5, mall_id=1, entry_id=entry)
    )
    till.session.flush()
    assert check_gifts(till.session) == [
        f"Entry {entry} moves the gift certificates by $20.00 in the ledger and by -$5.00 by their own rows.",
        "Gift certificate 1001 has paid $5.00 more than it had.",
    ]


DEEDS = st.lists(st.tuples(st.sampled_from(["use", "bring back", "release"]), st.integers(1, 40_00)), max_size=8)


@settings(max_examples=12, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(deeds=DEEDS, amount=st.integers(1, 50_00))
def test_whatever_is_done_with_it_nothing_is_lost(till: Till, deeds: list[tuple[str, int]], amount: int) -> None:
    """What is left is what was paid in, less what it paid and what was let go; nothing is done beyond it."""
    nested = till.session.begin_nested()
    sold = till.sell(amount)
    left, paid = amount, 0
    for what, cents in deeds:
        if what == "release" and left:
            release_certificate(till.session, till.now, sold, goes_to="co-op", on=date(2026, 10, 20))
            left = 0
        elif what == "use" and cents <= left:
            till.ring(cents, gift(sold.number))
            left, paid = left - cents, paid + cents
        elif what == "bring back" and cents <= paid:
            till.ring(-cents, gift(sold.number))
            left, paid = left + cents, paid - cents
        elif what == "release":
            with pytest.raises(Refusal, match="Nothing is left"):
                release_certificate(till.session, till.now, sold, goes_to="co-op", on=date(2026, 10, 20))
        else:
            till.refused(cents if what == "use" else -cents, gift(sold.number))
        assert certificate_left(till.session, sold) == left
    assert till.books()[GIFTS] == -left
    nested.rollback()
    till.session.info.pop("account_ids", None)
