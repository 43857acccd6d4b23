"""What the office reads of sales, on figures worked by hand: months by day and by dealer, tickets and items, one ticket whole."""

from __future__ import annotations

from collections.abc import Hashable
from datetime import date, datetime

import pytest
from sqlalchemy import Engine, select
from sqlalchemy.orm import Session

from coop.books.models import Period
from coop.closing.steps import net_sales_said
from coop.core.db import Sessions, transaction
from coop.core.periods import Month
from coop.office import sales_figures as figures
from coop.office import sales_tickets as tickets
from coop.office.sales_ticket import ticket_view
from coop.sales.claims import ask_claim, grant_claim
from coop.sales.models import Ticket, TicketLine
from coop.sales.queries import DealerSales, claimed_from_before
from coop.sales.service import take_tickets
from tests.databases import fill
from tests.factories.books import shut
from tests.factories.coops import APRIL, MARCH, SmallCoop, build_coop, line, ticket

TODAY = date(2026, 11, 3)


@pytest.fixture
def begins_with(now: datetime) -> Hashable:
    return "the small co-op of March", now


@pytest.fixture
def coop(engine: Engine, now: datetime) -> SmallCoop:
    return fill(engine, ("the small co-op of March", now), lambda session: build_coop(session, now))


def listed(session: Session, coop: SmallCoop, **asked: str) -> list[str]:
    """Numbers of the tickets that are found; `from_` is the day they begin."""
    given = {key.rstrip("_"): value for key, value in asked.items()}
    return [row.number for row in tickets.list_tickets(session, coop.mall.id, given, {}).rows]


def items(session: Session, coop: SmallCoop, **asked: str) -> list[tuple[str, int]]:
    given = {key.rstrip("_"): value for key, value in asked.items()}
    return [(row.dealer, row.price_cents) for row in tickets.list_lines(session, coop.mall.id, given, {}).rows]


# --- months -------------------------------------------------------------------------------------------------------------


def test_a_month_by_day(sessions: Sessions, coop: SmallCoop) -> None:
    """March: 144.99, 38.25, 671.66, 18.00, 749.00 and 3.51 are sold on six days; 333.33 and 7.00 come back."""
    with transaction(sessions) as session:
        whole = figures.sold_month(session, coop.mall.id, MARCH, TODAY)
    assert len(whole.days) == 31
    by_day = {on.day: sold for on, sold in whole.days if sold != figures.Sold()}
    assert {day: (sold.tickets, sold.sold_cents, sold.back_cents) for day, sold in by_day.items()} == {
        1: (1, 144_99, 0),
        3: (1, 38_25, 0),
        8: (1, 671_66, 0),
        15: (1, 18_00, 0),
        20: (1, 749_00, 0),
        22: (0, 0, 333_33),
        24: (0, 0, 7_00),
        31: (1, 3_51, 0),
    }
    # 5.5% and 0.5% of 144.99 are 7.97 and 0.72, one rounding over both: 8.70.
    assert by_day[1].tax_cents == 8_70
    assert (whole.whole.tickets, whole.whole.sold_cents, whole.whole.back_cents) == (6, 1625_41, 340_33)
    assert whole.whole.net_cents == 1285_08
    assert not whole.runs


def test_a_month_that_runs_ends_today_and_is_held_against_as_many_days(
    sessions: Sessions, coop: SmallCoop, now: datetime
) -> None:
    with transaction(sessions) as session:
        take_tickets(session, now, coop.mall, [ticket("2001", date(2025, 4, 2), [line(coop.dealers["D01"], 50_00)])])
        april = figures.sold_month(session, coop.mall.id, APRIL, date(2025, 4, 3))
        assert (april.runs, april.last_day, april.whole.net_cents) == (True, date(2025, 4, 3), 50_00)
        (beside,) = figures.months_beside(session, coop.mall.id, april, date(2025, 4, 3))
        assert (beside.month, beside.words) == (MARCH, "the month before")
        # The first three days of March, and all of it.
        assert (beside.sold.net_cents, beside.whole.net_cents) == (183_24, 1285_08)
        over = figures.sold_month(session, coop.mall.id, Month(2026, 3), TODAY)
        (year_before,) = figures.months_beside(session, coop.mall.id, over, TODAY)
        assert (year_before.words, year_before.sold.net_cents) == ("a year before", 1285_08)
        chart = figures.chart_of_days(april)
    assert [point.cents for point in chart.points[:4]] == [0, 50_00, 0, None]


def test_a_month_by_dealer(sessions: Sessions, coop: SmallCoop) -> None:
    """Commission so far, half-up: 10% of 157.26, 12.5% of 353.32, 8% of 754.00."""
    with transaction(sessions) as session:
        found = figures.by_dealer(session, coop.mall, MARCH)
        sold = figures.sold_month(session, coop.mall.id, MARCH, TODAY).whole
    assert [(row.code, row.sales, row.commission_cents) for row in found.rows] == [
        ("D04", DealerSales(804_00, 50_00, 0, 0, 2), 60_32),
        ("D02", DealerSales(686_65, 0, 333_33, 0, 2), 44_17),
        ("D01", DealerSales(168_51, 4_25, 7_00, 0, 2), 15_73),
    ]
    assert found.nobodys == DealerSales(20_50, 0, 0, 0, 2)
    assert (found.dealers_net_cents, found.claimed_cents(sold), found.closed) == (1264_58, 0, False)


def test_what_is_claimed_later_is_told_apart(sessions: Sessions, coop: SmallCoop, now: datetime) -> None:
    with transaction(sessions) as session:
        bowl = session.scalars(select(TicketLine).where(TicketLine.price_cents == 18_00)).one()
        claim = ask_claim(session, now, bowl, coop.dealers["D04"], words="Mine")
        grant_claim(session, now, claim)
        november = figures.by_dealer(session, coop.mall, Month(2026, 11))
        sold = figures.sold_month(session, coop.mall.id, Month(2026, 11), TODAY).whole
        assert [(row.code, row.sales.net_cents) for row in november.rows] == [("D04", 18_00)]
        assert (sold.net_cents, november.claimed_cents(sold)) == (0, 18_00)
        # Of March it was nobody's when March ended.
        assert figures.by_dealer(session, coop.mall, MARCH).nobodys.net_cents == 20_50
        assert claimed_from_before(session, coop.mall.id, MARCH) == 0
        # The month-end says the days' net sales, as Today, Sales and the list of months do.
        said = net_sales_said(session, coop.mall, Month(2026, 11))
    assert said == "Net sales of $0.00: $18.00 credited to dealers ($18.00 of it sold before and claimed now)."


# --- tickets and items --------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("asked", "found"),
    [
        ({}, ["1006", "R2", "R1", "1005", "1004", "1003", "1002", "1001"]),
        ({"sort": "total"}, ["R1", "R2", "1006", "1004", "1002", "1001", "1003", "1005"]),
        ({"from_": "2025-03-03", "to": "2025-03-15"}, ["1004", "1003", "1002"]),
        ({"find": "d02-33333"}, ["R1", "1003"]),
        ({"find": "d02-33333", "to": "2025-03-08"}, ["1003"]),
        ({"find": "1005"}, ["1005"]),
        ({"find": "d04"}, ["1005", "1003"]),
        ({"find": "d04", "to": "2025-03-08"}, ["1003"]),
        ({"find": "D0", "from_": "2025-03-15", "to": "2025-03-20"}, ["1005"]),
        ({"find": "pressed glass", "kind": "return"}, ["R2", "R1"]),
        ({"kind": "layaway"}, []),
        ({"from_": "the third"}, ["1006", "R2", "R1", "1005", "1004", "1003", "1002", "1001"]),
    ],
)
def test_tickets_are_found(sessions: Sessions, coop: SmallCoop, asked: dict[str, str], found: list[str]) -> None:
    with transaction(sessions) as session:
        assert listed(session, coop, **asked) == found


def test_a_ticket_of_the_list_says_what_it_was_paid_by_and_what_came_back(sessions: Sessions, coop: SmallCoop) -> None:
    with transaction(sessions) as session:
        rows = {row.number: row for row in tickets.list_tickets(session, coop.mall.id, {}, {}).rows}
    sale, back, untied = rows["1003"], rows["R1"], rows["R2"]
    assert (sale.more.pieces, sale.more.paid_by, sale.net_cents) == (3, ["card"], 671_66)
    assert ([one.number for one in sale.more.returned_by], sale.more.returns) == (["R1"], [])
    assert ([one.number for one in back.more.returns], back.more.returned_by) == (["1003"], [])
    assert (back.more.pieces, untied.more.returns) == (1, [])


@pytest.mark.parametrize(
    ("asked", "found"),
    [
        ({"dealer": "d04"}, [("D04", 749_00), ("D04", 5_00)]),
        ({"dealer": "D0"}, []),
        ({"kind": "nobodys"}, [("", 2_50), ("", 18_00)]),
        ({"kind": "off"}, [("D04", 749_00), ("D01", 38_25)]),
        ({"kind": "back", "sort": "-price"}, [("D01", -7_00), ("D02", -333_33)]),
        ({"find": "d02-1999"}, [("D02", 19_99)]),
        ({"find": "d02-1"}, [("D02", 19_99)]),
    ],
)
def test_items_are_found(sessions: Sessions, coop: SmallCoop, asked: dict[str, str], found: list[tuple[str, int]]) -> None:
    with transaction(sessions) as session:
        assert items(session, coop, **asked) == found


def test_one_ticket_whole(sessions: Sessions, coop: SmallCoop) -> None:
    """1003: three items together 671.66, 5.5% and 0.5% of it 40.30, one of them brought back by R1."""
    with transaction(sessions) as session:
        by_number = {one.number: one.id for one in session.scalars(select(Ticket))}
        view = ticket_view(session, coop.mall, by_number["1003"])
        assert view is not None
        assert [(one.dealer.code, one.line.price_cents) for one in view.lines if one.dealer] == [
            ("D02", 333_33),
            ("D02", 333_33),
            ("D04", 5_00),
        ]
        assert [[tied.number for tied in one.returned_by] for one in view.lines] == [["R1"], [], []]
        assert [(one.name, one.taxable_cents) for one in view.taxes] == [("State of Elmora", 671_66), ("Pine County", 671_66)]
        assert sum(one.amount_cents for one in view.taxes) == view.ticket.tax_cents == 40_30
        assert [(one.kind, one.amount_cents) for one in view.tenders] == [("card", 711_96)]
        assert [one.kind for one in view.entries] == ["sale"]
        assert not view.lowered
        back = ticket_view(session, coop.mall, by_number["R1"])
        assert back is not None
        assert [one.returns.number for one in back.lines if one.returns] == ["1003"]
        assert ticket_view(session, coop.mall, 0) is None


def test_a_ticket_that_came_late_is_listed_by_its_day_in_the_books(sessions: Sessions, coop: SmallCoop, now: datetime) -> None:
    with transaction(sessions) as session:
        shut(session, now, session.scalars(select(Period).where(Period.first_day == MARCH.first_day)).one())
        take_tickets(session, now, coop.mall, [ticket("3001", date(2025, 3, 30), [line(coop.dealers["D01"], 9_00)])])
        assert listed(session, coop, kind="late") == ["3001"]
        assert listed(session, coop, from_="2025-04-01") == ["3001"]
        assert "3001" not in listed(session, coop, to="2025-03-31")
