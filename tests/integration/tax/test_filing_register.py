"""The hard cases of the tax as they come through the register into a return: each ticket taken as a desk sends it."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from datetime import UTC, date, datetime
from decimal import Decimal

import pytest
from sqlalchemy import func, select
from sqlalchemy.orm import Session

from coop.books.service import close_period, ensure_period, lock_period
from coop.core.db import Sessions
from coop.core.periods import Month
from coop.floor.models import Mall
from coop.sales.domain import LineIn, TenderIn, TicketIn
from coop.sales.service import take_tickets
from coop.tax import filing
from coop.tax.domain.frozen import Worksheet
from coop.tax.domain.returns import FilingPeriod
from coop.tax.domain.ticket import Layaway
from coop.tax.models import TaxCharged, TaxRate
from coop.tax.service import add_jurisdiction, add_rule, change_rate, set_place, set_rate
from tests.factories.people import make_coop, make_dealer, make_mall
from tests.factories.tax import OFFICE, STATE, Filer, make_filer, setting

SEPTEMBER, OCTOBER = (FilingPeriod(Month(2026, m), "month") for m in (9, 10))


@dataclass
class Desk:
    """A register at the mall of a filer."""

    filer: Filer
    now: datetime
    count: int = 0

    @property
    def session(self) -> Session:
        return self.filer.session

    @property
    def mall(self) -> Mall:
        return self.filer.mall

    def ring(self, at: datetime, *prices: int, tax_class: str = "general", off: int = 0, layaway: Layaway | None = None) -> str:
        """A ticket of one line a price, each the next dealer's, `off` its discount in cents."""
        self.count += 1
        lines = tuple(
            LineIn(
                position=n + 1,
                dealer_id=self.filer.dealers[n % 3].id,
                tag=f"T-{n}",
                description="Oak washstand",
                quantity=1,
                unit_price=Decimal(cents) / 100,
                tag_cents=cents,
                discount_cents=off,
                discount_reason="standing" if off else "",
                tax_class=tax_class,
            )
            for n, cents in enumerate(prices)
        )
        key = f"desk-1:{self.count}"
        ticket = TicketIn(key, str(self.count), "desk-1", "sale", at, lines, (TenderIn("cash"),), layaway=layaway)
        take_tickets(self.session, self.now, self.mall, [ticket])
        return key

    def sheet(self, period: FilingPeriod = SEPTEMBER) -> Worksheet:
        sheet = filing.draft_return(self.session, OFFICE, period, filed_on=date(2026, 12, 1))
        assert sheet.apart == ()
        return sheet


@pytest.fixture
def desk(sessions: Sessions, now: datetime) -> Iterator[Desk]:
    with sessions() as session:
        make_coop(session, now)
        dealers = [make_dealer(session, now, code) for code in ("D01", "D02", "D03")]
        yield Desk(make_filer(session, now, make_mall(session, now), dealers), now)


def at(day: int, hour: int = 18, minute: int = 0, month: int = 9) -> datetime:
    return datetime(2026, month, day, hour, minute, tzinfo=UTC)


def test_a_rate_changes_at_midnight_in_the_malls_zone(desk: Desk) -> None:
    """Midnight in Chicago is 5:00 UTC in September: a minute before is the old day, its rate and, here, its return."""
    _raise_the_state(desk)
    desk.ring(at(1, 4, 59, month=10), 10_000)
    desk.ring(at(1, 5, 0, month=10), 10_000)
    before, after = desk.sheet(SEPTEMBER).value.lines[0], desk.sheet(OCTOBER).value.lines[0]
    assert [(row.percent, row.collected_cents) for row in before.rated] == [(Decimal(5), 500)]
    assert [(row.percent, row.collected_cents) for row in after.rated] == [(Decimal(6), 600)]


def _raise_the_state(desk: Desk) -> None:
    """To 6% from October on."""
    rate = desk.session.get_one(TaxRate, desk.filer.stack.jurisdictions[0].rates[0].rate_id)
    change_rate(desk.session, rate, Decimal(6), from_day=date(2026, 10, 1))


def test_a_discount_that_leaves_a_cent_over_three_dealers(desk: Desk) -> None:
    """Three lines of 0.33 and 5.5%: 0.05 on the ticket, shared so that lines and jurisdictions add up to it."""
    desk.ring(at(12), 43, 43, 43, off=10)
    sheet = desk.sheet()
    assert [line.deductions for line in sheet.value.lines] == [(("discount", 30),)] * 2
    assert sheet.value.collected_cents == 5
    rows = select(TaxCharged.dealer_id, func.sum(TaxCharged.amount_cents)).group_by(TaxCharged.dealer_id)
    assert sorted(int(cents) for _, cents in desk.session.execute(rows)) == [1, 2, 2]


def test_a_mall_that_moves_into_a_new_district(desk: Desk) -> None:
    district = add_jurisdiction(desk.session, code="EL-D1", name="Stadium district", kind="district", state_fips=STATE, fips="90")
    set_rate(desk.session, district, Decimal("0.1"), starts_on=date(2020, 1, 1))
    set_place(desk.session, desk.mall.id, [*desk.filer.jurisdictions, district], starts_on=date(2026, 9, 16))
    desk.ring(at(15), 100_000)
    desk.ring(at(16), 100_000)
    sheet = desk.sheet()
    assert [(line.name, line.gross_cents, line.collected_cents) for line in sheet.value.lines] == [
        ("State of Elder", 200_000, 10_000),
        ("Alder county", 200_000, 1_000),
        ("Stadium district", 100_000, 100),
    ]


def test_a_class_taxed_by_the_state_and_not_by_the_county(desk: Desk) -> None:
    add_rule(desk.session, desk.filer.jurisdictions[1], "exempt", {"tax_class": "food"}, starts_on=date(2026, 1, 1))
    desk.ring(at(12), 10_000, tax_class="food")
    state, county = desk.sheet().value.lines
    assert (state.exempt, state.collected_cents) == ((), 500)
    assert (county.exempt, county.taxable_cents, county.collected_cents) == ((("exempt class", 10_000),), 0, 0)


def test_an_item_of_nothing(desk: Desk) -> None:
    desk.ring(at(12), 0, 10_000)
    assert desk.sheet().value.collected_cents == 550


def test_a_ticket_that_comes_after_the_close_is_in_the_return_of_its_sale(desk: Desk) -> None:
    desk.ring(at(12), 10_000)
    period = ensure_period(desk.session, desk.mall.id, Month(2026, 9))
    lock_period(desk.session, period.id)
    close_period(desk.session, desk.now, period)
    key = desk.ring(at(30), 2_000)
    sheet = desk.sheet()
    assert [(late.key, late.sold_on, late.posted_on, late.tax_cents) for late in sheet.late] == [
        (key, date(2026, 9, 30), date(2026, 10, 1), 110)
    ]
    assert sheet.value.collected_cents == 660
    assert desk.sheet(OCTOBER).value.collected_cents == 0


@pytest.mark.parametrize(("taxed", "percent", "cents"), [("agreement", 5, 500), ("completion", 6, 600)])
def test_a_layaway_across_a_change_of_rates(desk: Desk, taxed: str, percent: int, cents: int) -> None:
    """Agreed at 5%, completed at 6%: the setting says which of them taxes it; either way October's return has it."""
    _raise_the_state(desk)
    setting(desk.session, starts_on=date(2026, 1, 1), layaway_at=taxed)
    desk.ring(at(12, month=10), 10_000, layaway=Layaway(date(2026, 9, 12), date(2026, 10, 12)))
    assert [row.collected_cents for row in desk.sheet(SEPTEMBER).value.lines[0].rated] == []
    rows = desk.sheet(OCTOBER).value.lines[0].rated
    assert [(row.percent, row.collected_cents) for row in rows] == [(Decimal(percent), cents)]
