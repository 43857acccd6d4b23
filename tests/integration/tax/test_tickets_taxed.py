"""Tickets taxed by dated rates and rules, what is kept of it, and that it is never changed afterwards."""

from __future__ import annotations

from datetime import date, datetime, timedelta
from decimal import Decimal

import pytest
from sqlalchemy import select, text
from sqlalchemy.exc import DBAPIError

from coop.core.db import Sessions, transaction
from coop.core.errors import Refusal
from coop.core.periods import Month
from coop.floor.models import Mall
from coop.sales.domain import TicketIn
from coop.sales.models import Ticket, TicketLine
from coop.sales.service import take_tickets
from coop.sales.taxing import recomputed_tax
from coop.tax.models import Jurisdiction, TaxCharged, TaxRate, TaxUntaxed
from coop.tax.queries import charged_by_account
from coop.tax.service import add_jurisdiction, add_rule, change_rate, end_rate, set_place, set_rate
from tests.factories.coops import SmallCoop, found, line, ticket

DAY = date(2026, 10, 5)
OCTOBER = Month(2026, 10)


@pytest.fixture
def coop(sessions: Sessions, now: datetime) -> SmallCoop:
    """A mall taxed as Tennessee taxes: state 7%, local 2.25% of the first $1,600, single-article 2.75% of the next $1,600."""
    with transaction(sessions) as session:
        coop = found(session, now, dealers=["D01", "D02"])
        state = add_jurisdiction(session, code="STATE", name="State", kind="state", state_fips="47", fips="47")
        local = add_jurisdiction(session, code="LOCAL", name="Local", kind="county", state_fips="47", fips="001")
        set_rate(session, state, Decimal(7), starts_on=date(2020, 1, 1))
        set_rate(session, state, Decimal("2.75"), starts_on=date(2020, 1, 1), tax_class="single-article")
        set_rate(session, local, Decimal("2.25"), starts_on=date(2020, 1, 1))
        tiers = [{"name": "single-article", "over": "1600.00", "upto": "3200.00"}]
        add_rule(session, state, "article", {"tiers": tiers}, starts_on=date(2020, 1, 1))
        add_rule(session, local, "article", {"cap": "1600.00"}, starts_on=date(2020, 1, 1))
        set_place(session, coop.mall.id, [state, local], starts_on=date(2020, 1, 1))
    return coop


def take(sessions: Sessions, now: datetime, mall: Mall, *tickets: TicketIn) -> None:
    with transaction(sessions) as session:
        take_tickets(session, now, mall, tickets)


def charged(sessions: Sessions, key: str) -> dict[tuple[str, str], tuple[int, int]]:
    """(jurisdiction, part) -> base and tax in cents, of a ticket."""
    with transaction(sessions) as session:
        rows = session.execute(
            select(Jurisdiction.code, TaxCharged.part, TaxCharged.taxable_cents, TaxCharged.amount_cents)
            .join(Jurisdiction, Jurisdiction.id == TaxCharged.jurisdiction_id)
            .where(TaxCharged.ticket_key == key)
        )
        sums: dict[tuple[str, str], tuple[int, int]] = {}
        for code, part, base, tax in rows:
            before = sums.get((code, part), (0, 0))
            sums[code, part] = (before[0] + base, before[1] + tax)
        return sums


def untaxed(sessions: Sessions, key: str) -> list[tuple[str, str, str, int]]:
    with transaction(sessions) as session:
        rows = session.execute(
            select(Jurisdiction.code, TaxUntaxed.kind, TaxUntaxed.reason, TaxUntaxed.amount_cents)
            .join(Jurisdiction, Jurisdiction.id == TaxUntaxed.jurisdiction_id)
            .where(TaxUntaxed.ticket_key == key)
            .order_by(TaxUntaxed.id)
        )
        return [(code, kind, reason, cents) for code, kind, reason, cents in rows]


def test_a_table_at_four_thousand(sessions: Sessions, now: datetime, coop: SmallCoop) -> None:
    """P1: Tennessee Department of Revenue, SUT-6. The cap is per article, not per ticket: two tables are twice one."""
    take(sessions, now, coop.mall, ticket("1", DAY, [line(coop.dealers["D01"], 4000_00)]))
    two = [line(coop.dealers["D01"], 4000_00), line(coop.dealers["D02"], 4000_00, position=2)]
    take(sessions, now, coop.mall, ticket("2", DAY, two))
    assert charged(sessions, "desk/1") == {
        ("STATE", ""): (4000_00, 280_00),
        ("STATE", "single-article"): (1600_00, 44_00),
        ("LOCAL", ""): (1600_00, 36_00),
    }
    assert untaxed(sessions, "desk/1") == [("LOCAL", "exempt", "over the cap", 2400_00)]
    assert {key: value[1] for key, value in charged(sessions, "desk/2").items()} == {
        ("STATE", ""): 560_00,
        ("STATE", "single-article"): 88_00,
        ("LOCAL", ""): 72_00,
    }
    with transaction(sessions) as session:
        assert dict(session.execute(select(Ticket.number, Ticket.tax_cents)).all()) == {"1": 360_00, "2": 720_00}
        assert recomputed_tax(session, coop.mall, OCTOBER) == charged_by_account(session, coop.mall.id, OCTOBER)
        assert set(session.scalars(select(TaxCharged.sold_on))) == {DAY}


def test_a_discount_is_kept_as_a_deduction_and_comes_back_with_the_item(
    sessions: Sessions, now: datetime, coop: SmallCoop
) -> None:
    sold = line(coop.dealers["D01"], 100_00, tag="A", discount=10_00)
    back = line(coop.dealers["D01"], -90_00, tag="A", quantity=-1)
    take(sessions, now, coop.mall, ticket("1", DAY, [sold], buyer="b"))
    take(sessions, now, coop.mall, ticket("2", DAY + timedelta(days=1), [back], kind="return", buyer="b"))
    assert charged(sessions, "desk/1") == {("STATE", ""): (90_00, 6_30), ("LOCAL", ""): (90_00, 2_03)}
    assert untaxed(sessions, "desk/1") == [
        ("STATE", "deduction", "discount", 10_00),
        ("LOCAL", "deduction", "discount", 10_00),
    ]
    assert charged(sessions, "desk/2") == {("STATE", ""): (-90_00, -6_30), ("LOCAL", ""): (-90_00, -2_03)}
    assert untaxed(sessions, "desk/2") == [
        ("STATE", "deduction", "discount", -10_00),
        ("LOCAL", "deduction", "discount", -10_00),
    ]


def test_parts_come_back_with_every_part_of_their_tax(sessions: Sessions, now: datetime, coop: SmallCoop) -> None:
    """Three tables, given back one by one across a change of the rate: exactly what was charged."""
    whole = line(coop.dealers["D01"], 12000_99, tag="T", quantity=3)
    take(sessions, now, coop.mall, ticket("1", DAY, [whole], buyer="b"))
    with transaction(sessions) as session:
        rate = session.scalars(select(TaxRate).where(TaxRate.percent == 7)).one()
        change_rate(session, rate, Decimal(9), from_day=date(2026, 10, 10))
    for n, cents in enumerate((4000_33, 4000_33, 4000_33), 2):
        one = line(coop.dealers["D01"], -cents, tag="T", quantity=-1)
        take(sessions, now, coop.mall, ticket(str(n), date(2026, 10, 9 + n), [one], kind="return", buyer="b"))
    for read in (TaxCharged, TaxUntaxed):
        with transaction(sessions) as session:
            assert sum(session.scalars(select(read.amount_cents))) == 0
    sums = [charged(sessions, f"desk/{n}") for n in (1, 2, 3, 4)]
    for key, (base, tax) in sums[0].items():
        assert sum(back[key][0] for back in sums[1:]) == -base
        assert sum(back[key][1] for back in sums[1:]) == -tax
    with transaction(sessions) as session:
        assert recomputed_tax(session, coop.mall, OCTOBER) == {}


def test_each_line_s_price_is_its_base_and_what_was_not_taxed(sessions: Sessions, now: datetime, coop: SmallCoop) -> None:
    with transaction(sessions) as session:
        local = session.scalars(select(Jurisdiction).where(Jurisdiction.code == "LOCAL")).one()
        terms = {"name": "October", "tax_classes": ["general"], "limit": "50.00"}
        add_rule(session, session.merge(local), "holiday", terms, starts_on=DAY, ends_on=DAY)
    lines = [
        line(coop.dealers["D01"], 2000_00, discount=1_00),
        line(coop.dealers["D02"], 50_00, position=2),
        line(coop.dealers["D02"], 50_01, position=3),
        line(None, 0, position=4),
    ]
    take(sessions, now, coop.mall, ticket("1", DAY, lines))
    with transaction(sessions) as session:
        for j in session.scalars(select(Jurisdiction)):
            for sold in session.scalars(select(TicketLine)):
                of = {"ticket_key": "desk/1", "position": sold.position, "jurisdiction_id": j.id}
                base = session.scalars(select(TaxCharged.taxable_cents).filter_by(**of, part=""))
                rest = session.scalars(select(TaxUntaxed.amount_cents).filter_by(**of))
                assert sum(base) + sum(rest) == sold.tag_cents, (j.code, sold.position)
    # A limit met exactly is in, a cent more is out (Streamlined Sales and Use Tax Agreement s. 322).
    assert ("LOCAL", "exempt", "holiday", 50_00) in untaxed(sessions, "desk/1")


def test_a_ticket_that_cannot_be_taxed(sessions: Sessions, now: datetime, coop: SmallCoop) -> None:
    too_much = line(coop.dealers["D01"], 10_00, discount=11_00)
    with pytest.raises(Refusal, match="Ticket 1: Line 1: discount, coupons and trade-in together must lie between"):
        take(sessions, now, coop.mall, ticket("1", DAY, [too_much]))


def test_a_rate_ends_after_its_last_ticket(sessions: Sessions, now: datetime, coop: SmallCoop) -> None:
    take(sessions, now, coop.mall, ticket("1", DAY, [line(coop.dealers["D01"], 100_00)]))
    with transaction(sessions) as session:
        rate = session.scalars(select(TaxRate).where(TaxRate.percent == 7)).one()
        with pytest.raises(Refusal, match="A ticket of 2026-10-05 was taxed at this rate: it can end on that day or later"):
            end_rate(session, rate, DAY - timedelta(days=1))
        end_rate(session, rate, DAY)


# --- the database's own guards --------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    "statement",
    [
        "UPDATE tax_untaxed SET amount_cents = 1",
        "DELETE FROM tax_untaxed",
        "UPDATE tax_charged SET part = 'x'",
        "UPDATE tax_rate SET percent = 1",
        "UPDATE tax_rate SET tax_class = 'food'",
        "UPDATE tax_rate SET starts_on = '2019-01-01'",
        "DELETE FROM tax_rate",
        "UPDATE tax_return SET value_json = '{}' WHERE state = 'filed'",
        "UPDATE tax_return SET state = 'draft' WHERE state = 'filed'",
        "DELETE FROM tax_return WHERE state = 'filed'",
    ],
)
def test_what_was_charged_and_filed_is_never_changed(sessions: Sessions, now: datetime, coop: SmallCoop, statement: str) -> None:
    take(sessions, now, coop.mall, ticket("1", DAY, [line(coop.dealers["D01"], 4000_00)]))
    with transaction(sessions) as session:
        for number, state in (("a", "filed"), ("b", "draft")):
            session.execute(text(RETURN), {"number": number, "state": state})
    with pytest.raises(DBAPIError), transaction(sessions) as session:
        session.execute(text(statement))
    # What is begun may still be changed, a rate's end too.
    with transaction(sessions) as session:
        session.execute(text("UPDATE tax_return SET value_json = '{}' WHERE state = 'draft'"))
        session.execute(text("DELETE FROM tax_return WHERE state = 'draft'"))
        session.execute(text("UPDATE tax_rate SET ends_on = '2030-12-31'"))


RETURN = (
    "INSERT INTO tax_return (number, office, first_day, last_day, due_on, state, value_json, value_sha256, created_at) "
    "VALUES (:number, 'Office', '2026-09-01', '2026-09-30', '2026-10-20', :state, '[]', 'x', '2026-10-01 00:00:00')"
)
