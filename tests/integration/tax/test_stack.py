"""Which rates tax a mall on a day, from the states' own rate files; and what setting them refuses."""

from __future__ import annotations

import csv
from collections.abc import Iterator
from datetime import date, datetime
from decimal import Decimal
from pathlib import Path

import pytest
from sqlalchemy import select
from sqlalchemy.orm import Session

from coop.books.models import Account
from coop.core.db import Sessions
from coop.core.errors import Refusal
from coop.core.periods import Month
from coop.floor.models import Mall
from coop.tax.domain.compute import tax_ticket
from coop.tax.domain.rules import Stack, combined_percent, rate_in_force
from coop.tax.domain.ticket import LineToTax, TicketToTax
from coop.tax.models import Jurisdiction, TaxCharged
from coop.tax.queries import DealerTax, charged_by_account, collected_for_dealers, compiled_on, stack_on
from coop.tax.service import add_jurisdiction, set_place, set_rate
from tests.factories.people import make_coop, make_dealer, make_mall

REFERENCE = Path(__file__).parents[2] / "reference" / "streamlined-rates.csv"
KINDS = {"45": "state", "00": "county", "01": "city", "63": "district"}
OPEN_ENDS = {"29991231", "99991231"}


def day(text: str) -> date:
    return date(int(text[:4]), int(text[4:6]), int(text[6:]))


def percents(stack: Stack, on: date, tax_class: str = "general") -> list[Decimal]:
    """Each jurisdiction's percent in the stack's order, those without one left out."""
    return [rate.percent for j in stack.jurisdictions if (rate := rate_in_force(j, tax_class, on)) is not None]


def rates_of(session: Session, state: str) -> list[Jurisdiction]:
    """The state's jurisdictions of the reference, with their general rates, the state first."""
    made: dict[str, Jurisdiction] = {}
    with REFERENCE.open(encoding="ascii", newline="") as file:
        for row in csv.reader(file):
            if row[0] != state:
                continue
            code = f"{state}-{row[1]}-{row[2]}"
            if code not in made:
                made[code] = add_jurisdiction(session, code=code, name=f"Jurisdiction {code}", kind=KINDS[row[1]])
            ends_on = None if row[8] in OPEN_ENDS else day(row[8])
            set_rate(session, made[code], Decimal(row[3]) * 100, starts_on=day(row[7]), ends_on=ends_on)
    order = list(KINDS.values())
    return sorted(made.values(), key=lambda j: order.index(j.kind))


@pytest.fixture
def session(sessions: Sessions, now: datetime) -> Iterator[Session]:
    with sessions() as session:
        make_coop(session, now)
        yield session


@pytest.fixture
def mall(session: Session, now: datetime) -> Mall:
    return make_mall(session, now)


@pytest.mark.parametrize(
    ("on", "percent", "jurisdictions"),
    [
        # F1: Wisconsin's Streamlined rate file; 7.9% also in the Department of Revenue's Milwaukee questions and answers.
        ("2020-03-31", "5.6", ["5", "0.5", "0.1"]),
        ("2020-04-01", "5.5", ["5", "0.5"]),
        ("2023-12-31", "5.5", ["5", "0.5", "0"]),
        ("2024-01-01", "7.9", ["5", "0.9", "2"]),
        ("2026-11-03", "7.9", ["5", "0.9", "2"]),
    ],
)
def test_milwaukee(session: Session, mall: Mall, on: str, percent: str, jurisdictions: list[str]) -> None:
    set_place(session, mall.id, rates_of(session, "55"), starts_on=date(2000, 1, 1))
    stack = stack_on(session, mall.id, date.fromisoformat(on))
    assert percents(stack, date.fromisoformat(on)) == [Decimal(p) for p in jurisdictions]
    assert combined_percent(stack, date.fromisoformat(on)) == Decimal(percent)


def test_minneapolis(session: Session, mall: Mall) -> None:
    """F2: Minnesota's Streamlined rate file."""
    set_place(session, mall.id, rates_of(session, "27"), starts_on=date(2000, 1, 1))
    may = date(2026, 5, 1)
    stack = stack_on(session, mall.id, may)
    assert percents(stack, may) == [Decimal(p) for p in ("6.875", "0.15", "0.5", "0.5", "0.75", "0.25")]
    assert combined_percent(stack, may) == Decimal("9.025")
    assert tax_ticket(TicketToTax(may, (LineToTax(100_00),)), compiled_on(session, mall.id, may)).total_cents == 9_03


def test_a_place_holds_until_the_next_and_keeps_its_rounding(session: Session, mall: Mall) -> None:
    state, county, *_ = rates_of(session, "55")
    set_place(session, mall.id, [state], starts_on=date(2020, 1, 1))
    set_place(session, mall.id, [county, state], starts_on=date(2026, 7, 1), basis="item", aggregated=False)
    before, after = (stack_on(session, mall.id, date(2026, *day)) for day in ((6, 30), (7, 1)))
    assert ([j.jurisdiction_id for j in before.jurisdictions], before.basis, before.aggregated) == ([state.id], "ticket", True)
    assert [j.jurisdiction_id for j in after.jurisdictions] == [county.id, state.id]
    assert (after.basis, after.aggregated) == ("item", False)


def test_a_class_of_its_own(session: Session, mall: Mall) -> None:
    state, *_ = rates_of(session, "55")
    set_rate(session, state, Decimal("1.5"), starts_on=date(2026, 1, 1), tax_class="food")
    set_place(session, mall.id, [state], starts_on=date(2020, 1, 1))
    may = date(2026, 5, 1)
    stack = stack_on(session, mall.id, may)
    assert percents(stack, may) == [Decimal(5)]
    assert percents(stack, may, "food") == [Decimal("1.5")]
    assert percents(stack, may, "books") == [Decimal(5)]


def test_a_mall_without_a_place_does_not_sell_untaxed(session: Session, mall: Mall, now: datetime) -> None:
    set_place(session, mall.id, rates_of(session, "55"), starts_on=date(2026, 1, 1))
    with pytest.raises(Refusal, match="The mall has no tax place on 2025-12-31: set the jurisdictions that tax there first"):
        stack_on(session, mall.id, date(2025, 12, 31))
    with pytest.raises(Refusal, match="no tax place"):
        stack_on(session, make_mall(session, now, "EAST").id, date(2026, 5, 1))


def test_a_jurisdiction_has_its_own_account(session: Session) -> None:
    state = add_jurisdiction(session, code="STATE-EL", name="State of Elm", kind="state")
    account = session.get_one(Account, state.account_id)
    assert (account.path, account.kind) == ("Liabilities:Tax:STATE-EL", "tax")


@pytest.mark.parametrize("code", ["", "state", "ST ATE", "-EL", "A:B", "X" * 41])
def test_a_code_no_account_could_carry(session: Session, code: str) -> None:
    with pytest.raises(Refusal, match="use capitals, digits and hyphens"):
        add_jurisdiction(session, code=code, name="x", kind="state")


def test_what_is_no_rate(session: Session) -> None:
    state = add_jurisdiction(session, code="STATE-EL", name="State of Elm", kind="state")
    with pytest.raises(Refusal, match="ends on 2025-12-31, before it starts on 2026-01-01"):
        set_rate(session, state, Decimal(5), starts_on=date(2026, 1, 1), ends_on=date(2025, 12, 31))
    with pytest.raises(Refusal, match="State of Elm is -1 percent: it cannot be negative"):
        set_rate(session, state, Decimal(-1), starts_on=date(2026, 1, 1))
    set_rate(session, state, Decimal(5), starts_on=date(2026, 1, 1))
    with pytest.raises(Refusal, match="from 2026-06-01 overlaps the rate held from 2026-01-01 on: end that one first"):
        set_rate(session, state, Decimal(6), starts_on=date(2026, 6, 1))
    with pytest.raises(Refusal, match="101 percent, more than the price"):
        set_rate(session, state, Decimal(101), starts_on=date(2020, 1, 1), ends_on=date(2020, 1, 1))
    with pytest.raises(Refusal, match="'Big Hats': use small letters, digits and hyphens"):
        set_rate(session, state, Decimal(1), starts_on=date(2026, 1, 1), tax_class="Big Hats")


def test_tax_charged_is_added_up_by_account_and_by_dealer(session: Session, mall: Mall, now: datetime) -> None:
    state, county, *_ = rates_of(session, "55")
    ida, amos = make_dealer(session, now, "D01"), make_dealer(session, now, "D02")
    set_place(session, mall.id, [state, county], starts_on=date(2020, 1, 1))
    stack = stack_on(session, mall.id, date(2026, 10, 1))
    rate_ids = {j.jurisdiction_id: j.rates[0].rate_id for j in stack.jurisdictions}
    rows = [
        (date(2026, 10, 1), ida.id, state, 100_00, 5_00),
        (date(2026, 10, 1), ida.id, county, 100_00, 90),
        (date(2026, 10, 31), ida.id, state, -40_00, -2_00),
        (date(2026, 10, 31), amos.id, state, 20_00, 1_00),
        (date(2026, 10, 5), None, state, 10_00, 50),
        (date(2026, 9, 30), ida.id, state, 999_00, 49_95),
        (date(2026, 11, 1), ida.id, state, 999_00, 49_95),
        # An upper tier's base lies within a price that is counted already.
        (date(2026, 10, 2), amos.id, state, 7_00, 3, "single-article"),
    ]
    session.add_all(
        TaxCharged(
            mall_id=mall.id,
            posting_date=on,
            ticket_key="t",
            position=n,
            dealer_id=dealer_id,
            jurisdiction_id=jurisdiction.id,
            rate_id=rate_ids[jurisdiction.id],
            taxable_cents=taxable,
            amount_cents=amount,
            part="".join(part),
        )
        for n, (on, dealer_id, jurisdiction, taxable, amount, *part) in enumerate(rows)
    )
    session.flush()
    october = Month(2026, 10)
    assert charged_by_account(session, mall.id, october) == {state.account_id: 4_53, county.account_id: 90}
    assert collected_for_dealers(session, mall.id, october) == [
        DealerTax(ida.id, county.name, 100_00, 90),
        DealerTax(ida.id, state.name, 60_00, 3_00),
        DealerTax(amos.id, state.name, 20_00, 1_03),
    ]
    assert collected_for_dealers(session, mall.id, october, dealer_id=amos.id) == [DealerTax(amos.id, state.name, 20_00, 1_03)]
    assert set(session.scalars(select(TaxCharged.ticket_key))) == {"t"}
