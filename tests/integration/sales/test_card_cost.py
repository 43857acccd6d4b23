"""Card cost from tickets to charges: split tenders, returns, claims, layaways; posted once, and the difference after."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from datetime import UTC, date, datetime
from decimal import Decimal
from fractions import Fraction

import pytest
from sqlalchemy import event, select, update
from sqlalchemy.orm import Session

from coop.books.queries import balances
from coop.books.service import ensure_period
from coop.core.db import Sessions
from coop.core.errors import Refusal
from coop.core.periods import Month
from coop.leases.card_costs import post_card_costs
from coop.leases.models import Charge
from coop.sales.card_cost import card_parts
from coop.sales.domain import LineIn, TenderIn, TicketIn
from coop.sales.layaway import Terms, agree_layaway, complete_layaway, take_layaway_payment
from coop.sales.models import TicketLine
from coop.sales.service import take_tickets
from coop.tax import service as tax
from tests.factories.books import shut
from tests.factories.coops import SmallCoop, found, line, ticket
from tests.factories.people import make_dealer

OCTOBER, NOVEMBER = Month(2026, 10), Month(2026, 11)


@dataclass
class Desk:
    session: Session
    coop: SmallCoop
    now: datetime
    count: int = 0

    def sell(self, day: date, lines: Sequence[LineIn], *tenders: TenderIn, kind: str = "sale") -> int:
        self.count += 1
        rung = ticket(str(self.count), day, lines, kind=kind, taxed=False)
        return take_tickets(self.session, self.now, self.coop.mall, [replace(rung, tenders=tenders or rung.tenders)])[0]

    def parts(self, month: Month = OCTOBER) -> dict[str, Fraction]:
        codes = {dealer.id: code for code, dealer in self.coop.dealers.items()}
        return {codes[dealer_id]: part for dealer_id, part in card_parts(self.session, self.coop.mall.id, month).items()}

    def post(self, percent: str = "3", month: Month = OCTOBER) -> int:
        parts = card_parts(self.session, self.coop.mall.id, month)
        return post_card_costs(self.session, self.now, self.coop.mall, month, parts, Decimal(percent))

    def charges(self) -> list[tuple[int, int, str]]:
        rows = self.session.scalars(select(Charge).where(Charge.kind == "card").order_by(Charge.id))
        return [(row.change, row.amount_cents, row.working) for row in rows]


@pytest.fixture
def desk(sessions: Sessions, now: datetime) -> Iterator[Desk]:
    with sessions() as session:
        yield Desk(session, found(session, now, dealers=["D01", "D02"]), now)


def test_parts_of_a_month(desk: Desk) -> None:
    ida, amos = desk.coop.dealers["D01"], desk.coop.dealers["D02"]
    day = date(2026, 10, 5)
    desk.sell(day, [line(ida, 300_00), line(amos, 100_00, position=2)], TenderIn("card", 100_00), TenderIn("cash", 300_00))
    desk.sell(day, [line(ida, 50_00)], TenderIn("cash"))
    desk.sell(day, [line(amos, 20_00), line(None, 30_00, position=2)], TenderIn("card"))
    # She takes a thing for $60 in: the $40 of hers, not of the other's $100, is less paid by card.
    taken_in = replace(line(ida, 100_00), trade_in_cents=60_00)
    desk.sell(day, [taken_in, line(amos, 100_00, position=2)], TenderIn("card"))
    desk.sell(date(2026, 10, 9), [line(amos, -10_00, quantity=-1)], TenderIn("card"), kind="return")
    desk.sell(date(2026, 11, 1), [line(ida, 999_00)], TenderIn("card"))
    assert desk.parts() == {"D01": 75_00 + 40_00, "D02": 25_00 + 20_00 + 100_00 - 10_00}
    assert desk.parts(NOVEMBER) == {"D01": 999_00}


def test_a_claimed_item_counts_in_the_month_it_is_credited_in(desk: Desk) -> None:
    nobodys = desk.sell(date(2026, 10, 5), [line(None, 80_00)], TenderIn("card", 20_00), TenderIn("cash", 60_00))
    claimed = update(TicketLine).where(TicketLine.ticket_id == nobodys)
    desk.session.execute(claimed.values(dealer_id=desk.coop.dealers["D02"].id, credited_on=date(2026, 11, 2)))
    assert (desk.parts(), desk.parts(NOVEMBER)) == ({}, {"D02": 20_00})


def test_a_layaway_counts_when_it_is_completed_by_how_its_payments_came(desk: Desk) -> None:
    mall, item = desk.coop.mall, line(desk.coop.dealers["D01"], 100_00)
    state = tax.add_jurisdiction(desk.session, code="EL", name="State of Elmora", kind="state")
    tax.set_rate(desk.session, state, Decimal(5), starts_on=date(2025, 1, 1))
    tax.set_place(desk.session, mall.id, [state], starts_on=date(2025, 1, 1))
    agreed = datetime(2026, 10, 2, 15, tzinfo=UTC)
    one = agree_layaway(
        desk.session, agreed, mall, [item], Terms("Orla Quint", due_days=90), deposit=TenderIn("card", 21_00), key="a"
    )
    take_layaway_payment(desk.session, agreed, one, TenderIn("cash", 84_00), key="b")
    assert desk.parts() == {}
    complete_layaway(desk.session, datetime(2026, 11, 2, 15, tzinfo=UTC), one, tender="cash")
    assert desk.parts(NOVEMBER) == {"D01": 20_00}  # A fifth of $105.00 came by card.


def test_it_is_charged_once_and_then_the_difference(desk: Desk) -> None:
    ida = desk.coop.dealers["D01"]
    desk.sell(date(2026, 10, 5), [line(ida, 412_50)], TenderIn("card"))
    assert [desk.post("0"), desk.post(), desk.post()] == [0, 1, 0]
    desk.sell(date(2026, 10, 6), [line(ida, -400_00, quantity=-1)], TenderIn("card"), kind="return")
    shut(desk.session, desk.now, ensure_period(desk.session, desk.coop.mall.id, OCTOBER))
    assert [desk.post(), desk.post("0"), desk.post("0")] == [1, 1, 0]
    assert desk.charges() == [
        (0, 12_38, "3% of $412.50 paid by card"),  # 12.375
        (1, -12_00, "3% of $12.50 paid by card, less $12.38 charged before"),
        (2, -38, "0% of $12.50 paid by card, less $0.38 charged before"),
    ]
    recovered = {b.path: b.amount_cents for b in balances(desk.session)}["Income:Card-cost-recovered:MAIN"]
    assert recovered == 0


def test_what_cannot_be_charged_is_refused(desk: Desk) -> None:
    vera = make_dealer(desk.session, desk.now, "D03")
    desk.sell(date(2026, 10, 5), [line(vera, 10_00)], TenderIn("card"))
    with pytest.raises(Refusal, match="Dealer D03 has sales in October 2026 but no lease"):
        desk.post()
    with pytest.raises(Refusal, match="The percent of the card cost is 101: write one between 0 and 100"):
        desk.post("101")
    assert (desk.post("0"), desk.charges()) == (0, [])


def test_the_questions_do_not_grow_with_the_tickets(desk: Desk) -> None:
    asked: list[str] = []
    event.listen(desk.session.get_bind(), "before_cursor_execute", lambda *args: asked.append(args[2]))
    counts = []
    for n in (1, 9):
        rung: list[TicketIn] = [
            ticket(f"{n}/{i}", date(2026, 10, 1 + i), [line(desk.coop.dealers["D01"], 1_00)], taxed=False) for i in range(n)
        ]
        take_tickets(desk.session, desk.now, desk.coop.mall, rung)
        asked.clear()
        desk.parts()
        counts.append(len(asked))
    assert counts[0] == counts[1]
