"""Pages of what was sold: a month by day and dealer, tickets, one ticket, items; as pages and as CSV."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, date, datetime, timedelta
from decimal import Decimal
from typing import Any

import pytest
from sqlalchemy import event, select

from coop.core.db import transaction
from coop.core.periods import Month
from coop.dealers.queries import dealer_by_code
from coop.floor.models import Mall
from coop.office.sales_figures import sold_month
from coop.office.sales_tickets import list_lines, list_tickets
from coop.sales.domain import LineIn, TenderIn, TicketIn
from coop.sales.layaway import complete_layaway, take_layaway_payment
from coop.sales.models import LayawayAgreement
from coop.sales.service import take_tickets
from coop.tax.service import file_certificate
from tests.factories.coops import line, ticket
from tests.factories.tax import STATE
from tests.integration.web.conftest import Web
from tests.integration.web.test_office import count_queries

MALL = "/office/sales/MAIN"


def words_of(page: str) -> str:
    return " ".join(page.split())


def test_a_month_is_shown_beside_the_one_before_and_by_dealer(web: Web) -> None:
    """November so far: 125.00, 42.50 and 9.99. October: the 42.00 that is nobody's, on the 21st."""
    manager = web.browser("manager")
    page = manager.get(MALL).text
    assert "$177.49 net" in page
    assert "coop sales import" not in page, "how sales come in is told as long as there are none"
    assert '<td class="amount">0.00</td><td class="amount">42.00</td>' in page
    assert '<td class="amount">167.50</td><td class="amount wide-only">16.75</td>' in page
    assert '<svg xmlns="http://www.w3.org/2000/svg" role="img"' in page
    assert f'href="{MALL}/tickets?from=2026-11-02&amp;to=2026-11-02"' in page
    october = manager.get(f"{MALL}/2026-10").text
    assert "$42.00 of the month was nobody’s when it ended." in october
    assert "First 3 days" not in october
    assert "Nothing was sold in it." in manager.get(f"{MALL}/2026-09").text
    assert manager.get(f"{MALL}/2026-12").status_code == 404
    assert manager.get("/office/sales/NOWHERE/2026-10").status_code == 404


def test_lists_are_taken_away_as_csv(web: Web) -> None:
    manager = web.browser("manager")
    dealers = manager.get(f"{MALL}/2026-11/dealers?as=csv")
    assert dealers.headers["Content-Disposition"] == "attachment; filename=sales-MAIN-2026-11-by-dealer.csv"
    assert dealers.text.splitlines() == [
        "Dealer,Name,Pieces,At tag,Discounts,Returns,Net,Commission",
        "D01,Fenwick & Daughter,2,167.50,0.00,0.00,167.50,16.75",
        "D02,Amos Pell,1,9.99,0.00,0.00,9.99,1.00",
    ]
    tickets = manager.get(f"{MALL}/tickets?find=&as=csv").text.splitlines()
    assert tickets[0] == "Ticket,Sold,In the books,Kind,Pieces,Net,Tax,Total,Paid by,Returns,Returned by"
    assert tickets[-1] == '590,2026-10-21,2026-10-21,sale,2,42.00,0.00,42.00,"gift, cash",,'
    items = manager.get(f"{MALL}/lines?dealer=D02&as=csv").text.splitlines()
    assert items[1:] == ["2026-11-02,502,D02,D02-102,Oak washstand,1,9.99,0.00,9.99,0.00"]


def test_lists_begin_with_the_month_and_reach_every_day(web: Web) -> None:
    manager = web.browser("manager")
    page = manager.get(f"{MALL}/tickets").text
    assert 'name="from" value="2026-11-01"' in page
    assert ">590</a>" not in page
    assert f'href="{MALL}/tickets?find="' in page
    assert ">590</a>" in manager.get(f"{MALL}/tickets?find=").text
    assert "inkwell" in manager.get(f"{MALL}/lines?find=INKWELL").text
    nothing = manager.get(f"{MALL}/tickets?find=umbrella").text
    assert "There is none like it." in nothing
    assert "Write the day, like 2026-10-19." in manager.get(f"{MALL}/tickets?from=yesterday").text


def test_a_ticket_says_where_each_cent_of_it_stands(web: Web) -> None:
    with transaction(web.sessions) as session:
        mall, ida = session.get_one(Mall, web.house.mall.id), dealer_by_code(session, "D01")
        assert ida is not None
        chair = line(ida, 80_00, tag="D01-900", discount=8_00)
        sold = ticket("900", date(2026, 11, 2), [chair], buyer="one", tender="check")
        back = ticket(
            "R900", date(2026, 11, 3), [line(ida, -80_00, tag="D01-900", discount=-8_00, quantity=-1)], kind="return", buyer="one"
        )
        sale_id, back_id = take_tickets(session, web.clock.at, mall, [sold, back])
    manager = web.browser("manager")
    page = words_of(manager.get(f"{MALL}/tickets/{sale_id}").text)
    assert "$8.00 off: booth sale, Spring sale" in page
    assert f'brought back in ticket <a href="{MALL}/tickets/{back_id}">R900</a>' in page
    # The house's place taxes goods at 5% and 0.5%: 72.00 bears 3.60 and 0.36, and 75.96 was paid by check.
    assert "$75.96 by check" in page
    assert '<a href="/office/dealers/D01">D01</a>' in page
    assert "/office/books/entries/" in page
    back_page = words_of(manager.get(f"{MALL}/tickets/{back_id}").text)
    assert f'brings back an item of ticket <a href="{MALL}/tickets/{sale_id}">900</a>' in back_page
    assert manager.get(f"{MALL}/tickets/999999").status_code == 404
    listed = manager.get(f"{MALL}/tickets?find=D01-900").text
    assert listed.count('scope="row"') == 2
    by_gift = words_of(manager.get(f"{MALL}/tickets/4").text)
    assert '<a href="/office/sales/certificates/1">Gift certificate 1001</a>: $20.00 of it used.' in by_gift


@pytest.mark.parametrize(("asked", "number"), [("D01", "D01"), ("d02-102", "D02-102")])
def test_a_ticket_is_found_by_its_number_though_it_reads_like_a_code_or_a_tag(web: Web, asked: str, number: str) -> None:
    with transaction(web.sessions) as session:
        mall, ida = session.get_one(Mall, web.house.mall.id), dealer_by_code(session, "D01")
        assert ida is not None
        take_tickets(session, web.clock.at, mall, [ticket(number, date(2026, 11, 2), [line(None, 5_00)])])
    rows = web.browser("manager").get(f"{MALL}/tickets?find={asked}&as=csv").text.splitlines()
    assert number in [row.split(",")[0] for row in rows]
    assert len(rows) > 2, "those that the code or the tag is of are there too"


def test_a_ticket_leads_to_its_layaway_and_says_what_was_not_taxed(web: Web) -> None:
    """The chest at 240.00 bears 13.20 of tax, and 48.00 was paid on it. An exempt buyer has 30.00 brought for 20.00."""
    with transaction(web.sessions) as session:
        mall, ida = session.get_one(Mall, web.house.mall.id), dealer_by_code(session, "D01")
        assert ida is not None
        agreed = session.scalars(select(LayawayAgreement)).one()
        take_layaway_payment(session, web.clock.at, agreed, TenderIn("card", 205_20), key="the rest")
        chest = complete_layaway(session, web.clock.at, agreed).id
        file_certificate(
            session,
            web.clock.at,
            number="E-4",
            kind="exempt",
            buyer_name="Orla Quint",
            states=[STATE],
            starts_on=date(2026, 8, 1),
        )
        brought = replace(ticket("950", date(2026, 11, 3), [line(ida, 30_00)]), certificate="E-4", delivery_cents=20_00)
        (lamp,) = take_tickets(session, web.clock.at, mall, [brought])
    manager = web.browser("manager")
    page = words_of(manager.get(f"{MALL}/tickets/{chest}").text)
    assert '<a href="/office/layaways/MAIN/1">Layaway 1</a>, agreed Nov 3, 2026' in page
    assert "$253.20 by what was held of the layaway" in page
    page = words_of(manager.get(f"{MALL}/tickets/{lamp}").text)
    assert "E-4, exempt" in page
    assert '<th scope="row">Delivery</th>' in page
    assert "$30.00 by State of Elder: " in page
    assert "$50.00 by card" in page
    assert ">950</a>" in manager.get(f"{MALL}/tickets?kind=delivery").text
    assert "a layaway completed" in manager.get(f"{MALL}/tickets?kind=layaway").text


@pytest.mark.parametrize("database_url", ["sqlite"], indirect=True)
def test_days_are_found_by_an_index(web: Web) -> None:
    """Of a list's days, and of those that words are sought on: a year of tickets is not looked through for a week of them."""
    asked = {"from": "2026-11-01", "to": "2026-11-02", "find": "washstand"}
    said: list[str] = []
    with transaction(web.sessions) as session:
        connection = session.connection()

        def explain(_connection: Any, _cursor: Any, statement: str, parameters: Any, *_more: Any) -> None:
            if statement.startswith("SELECT"):
                plan = connection.connection.cursor().execute(f"EXPLAIN QUERY PLAN {statement}", parameters)
                said.extend(str(row[3]) for row in plan.fetchall())

        event.listen(connection, "before_cursor_execute", explain)
        list_tickets(session, web.house.mall.id, asked, {})
        list_lines(session, web.house.mall.id, asked, {})
        sold_month(session, web.house.mall.id, Month(2026, 11), date(2026, 11, 3))
    searched = [step for step in said if "posting_date>?" in step]
    assert {step.split(" ")[1] for step in searched} == {"ticket", "ticket_line"}
    assert not [step for step in said if step.startswith("SCAN") and "ticket" in step]


@pytest.mark.parametrize("database_url", ["sqlite"], indirect=True)
@pytest.mark.parametrize("path", ["", "/2026-11/dealers", "/tickets", "/lines"])
def test_no_page_asks_more_for_more_rows(web: Web, path: str) -> None:
    before = count_queries(web, "manager", MALL + path)
    with transaction(web.sessions) as session:
        mall, ida = session.get_one(Mall, web.house.mall.id), dealer_by_code(session, "D01")
        assert ida is not None
        rung = []
        for n in range(60):
            item = LineIn(1, ida.id, f"D01-{n}", "Plate", 1, Decimal(n + 1), (n + 1) * 100)
            at = datetime(2026, 11, 2, 15, tzinfo=UTC) + timedelta(minutes=n)
            rung.append(TicketIn(f"more:{n}", f"M{n}", "desk-1", "sale", at, (item,), (TenderIn("cash"),), taxed=False))
        take_tickets(session, web.clock.at, mall, rung)
    assert count_queries(web, "manager", MALL + path) == before
