"""Dealers in the office: the list with its figures, one dealer's page, her statements, and many entered from a file."""

from __future__ import annotations

import io
import re
from datetime import date, datetime
from decimal import Decimal

import pytest
from sqlalchemy import func, select
from werkzeug.test import TestResponse

from coop.books.payments import receive_payment
from coop.core.db import transaction
from coop.core.periods import Month
from coop.dealers.membership import add_dealer
from coop.dealers.models import Dealer
from coop.dealers.queries import dealer_by_code
from coop.floor.models import Mall
from coop.floor.service import add_mall
from coop.leases.agreements import make_lease
from coop.leases.models import Lease, LeaseShare, LeaseSpace
from coop.office.dealer_list import dealer_rows
from coop.office.queries import malls
from coop.sales.models import TicketLine
from coop.sales.queries import sold_by_month
from coop.sales.service import take_tickets
from tests.factories.coops import line, ticket
from tests.integration.web.conftest import Web, form_token, send
from tests.integration.web.test_office import count_queries

LIST, D01 = "/office/dealers/", "/office/dealers/D01"
PLAIN = "name,code,mail,joined\nNora Webb,,nora@example.org,2025-03-01\nOtis Marrow,D09,,\n"


def codes(page: str) -> list[str]:
    """Dealers of the list, in its order."""
    return re.findall(r'<th scope="row"><a href="/office/dealers/([^"]+)">', page)


def plain(page: str) -> str:
    return " ".join(re.sub(r"<[^>]+>", " ", re.sub(r"<svg.*?</svg>", " ", page, flags=re.S)).split())


# --- the list -----------------------------------------------------------------------------------------------------------


def test_the_list_says_what_each_holds_is_owed_and_sold(web: Web) -> None:
    """D01 sold 125.00 and 42.50 this month and paid 20.00; D02 sold 9.99 and shares booth 12; D03 has never rented."""
    with transaction(web.sessions) as session:
        mall, ida = session.get_one(Mall, web.house.mall.id), dealer_by_code(session, "D01")
        assert ida is not None
        receive_payment(
            session, web.clock.at, mall, ida, amount_cents=20_00, paid_by="check", on=date(2026, 11, 3), reference="118"
        )
        span, other = (
            session.scalars(select(LeaseSpace)).first(),
            session.scalars(select(Lease).where(Lease.dealer_id == 2)).first(),
        )
        assert span is not None
        assert other is not None
        for lease_id, percent in ((span.lease_id, 60), (other.id, 40)):
            session.add(LeaseShare(lease_space_id=span.id, lease_id=lease_id, share_percent=Decimal(percent)))
        add_dealer(session, web.clock.at, "D03", name="Ruth Ambler", phone="555-0142", joined_on=date(2026, 11, 1))
    with transaction(web.sessions) as session:
        rows = dealer_rows(session, web.clock.at, malls(session))
        assert [(row.code, row.state, list(row.spaces), row.balance_cents, row.net_cents) for row in rows] == [
            ("D01", "now", ["Booth 12"], 187_50, 167_50),
            ("D02", "now", ["Booth 12"], 9_99, 9_99),
            ("D03", "never", [], 0, 0),
        ]
        assert [row.told and row.told.number for row in rows] == ["MAIN.D01.2026-10", "MAIN.D02.2026-10", None]
    manager = web.browser("manager")
    assert codes(manager.get(LIST).text) == ["D01", "D02", "D03"]
    assert codes(manager.get(f"{LIST}?sort=-balance").text) == ["D01", "D02", "D03"]
    assert codes(manager.get(f"{LIST}?sort=-told").text)[-1] == "D03"
    assert codes(manager.get(f"{LIST}?state=never").text) == ["D03"]
    assert codes(manager.get(f"{LIST}?find=0142").text) == ["D03"]
    assert codes(manager.get(f"{LIST}?find=daughter&mall=MAIN").text) == ["D01"]
    page = manager.get(LIST).text
    assert "Balance so far" in page  # Commission and rent of the month are not taken off before its end.
    lines = manager.get(f"{LIST}?as=csv").text.splitlines()
    assert lines[1] == ("D01,Ida Fenwick,Fenwick & Daughter,ida@example.org,,2025-03-01,rents now,Booth 12,187.50,167.50,2026-10")


def test_who_left_and_who_comes_are_told_apart_on_each_malls_own_day(web: Web) -> None:
    with transaction(web.sessions) as session:
        east = add_mall(session, web.clock.at, "EAST", name="East Mill Hall", timezone="America/Chicago")
        (amos,) = session.scalars(select(Lease).where(Lease.dealer_id == 2)).all()
        amos.ends_on = date(2026, 11, 2)
        ruth = add_dealer(session, web.clock.at, "D03", name="Ruth Ambler", joined_on=date(2026, 11, 1))
        make_lease(session, web.clock.at, east, ruth, starts_on=date(2026, 12, 1), commission_percent=Decimal(10))
    with transaction(web.sessions) as session:
        rows = {row.code: row for row in dealer_rows(session, web.clock.at, malls(session))}
        assert rows["D01"].spaces == [f"Booth 12, {web.house.mall.name}"]  # In two malls a number alone says nothing.
    manager = web.browser("manager")
    for state, found in (("now", ["D01"]), ("left", ["D02"]), ("to+come", ["D03"]), ("never", [])):
        assert codes(manager.get(f"{LIST}?state={state}").text) == found
    assert codes(manager.get(f"{LIST}?mall=EAST").text) == ["D03"]
    assert codes(manager.get(f"{LIST}?mall=MAIN").text) == ["D01", "D02"]


def test_an_empty_list_says_what_to_do_first(web: Web) -> None:
    assert "There is none like it." in web.browser("manager").get(f"{LIST}?find=nobody").text
    page = web.browser("auditor").get(LIST).text
    assert "Enter a new dealer" not in page


@pytest.mark.parametrize("database_url", ["sqlite"], indirect=True)
def test_pages_ask_no_more_for_more_dealers_and_more_sales(web: Web) -> None:
    paths = (LIST, D01, f"{D01}/statements")
    before = [count_queries(web, "manager", path) for path in paths]
    with transaction(web.sessions) as session:
        mall, ida = session.get_one(Mall, web.house.mall.id), dealer_by_code(session, "D01")
        assert ida is not None
        for n in range(60):
            made = add_dealer(session, web.clock.at, f"X{n:02d}", name=f"Dealer {n}")
            make_lease(session, web.clock.at, mall, made, starts_on=date(2026, 11, 1), commission_percent=Decimal(10))
        take_tickets(session, web.clock.at, mall, [ticket(f"7{n:02d}", date(2026, 11, 2), [line(ida, 5_00)]) for n in range(40)])
    assert [count_queries(web, "manager", path) for path in paths] == before


# --- one dealer ---------------------------------------------------------------------------------------------------------


def test_a_dealers_page_has_what_she_telephones_about(web: Web) -> None:
    page = plain(web.browser("manager").get(D01).text)
    for said in (
        "Mail ida@example.org",
        "since Mar 1, 2025",
        "$167.50 owed to the dealer",
        "Lease from Oct 1, 2026 , Lantern Yard Antiques Hall: by the month. Booth 12 from Oct 1, 2026",
        "November 2026 167.50",
        "October 2026 : $5,183.90 owed to the dealer",
        "Claims Cobalt inkwell",
        "Commission: −537.94",
        "lease made, D01 from 2026-10-01 by command line or schedule",
        "Change names, addresses and numbers",
        "Post a payment",
    ):
        assert said in page, said
    read = plain(web.browser("auditor").get(D01).text)
    assert "Change names" not in read
    assert "Post a payment" not in read
    assert "$167.50 owed to the dealer" in read
    amos = plain(web.browser("manager").get("/office/dealers/D02").text)
    assert "1 did not arrive" in amos


def test_what_she_paid_and_owes_stands_on_her_page(web: Web) -> None:
    """She takes back 300.00 of this month's sales, which leaves 132.50 owed by her; then she pays 32.50."""
    with transaction(web.sessions) as session:
        mall, ida = session.get_one(Mall, web.house.mall.id), dealer_by_code(session, "D01")
        assert ida is not None
        take_tickets(
            session, web.clock.at, mall, [ticket("R1", date(2026, 11, 3), [line(ida, -300_00, quantity=-1)], kind="return")]
        )
        receive_payment(session, web.clock.at, mall, ida, amount_cents=32_50, paid_by="cash", on=date(2026, 11, 3), reference="7")
    page = plain(web.browser("manager").get(D01).text)
    assert "$100.00 owed by the dealer" in page
    assert "Nov 3, 2026: $32.50 , paid. Your payment by cash, 7" in page
    assert "payment received, MAIN, 7" in page


def test_months_end_with_the_running_one(web: Web, now: datetime) -> None:
    with transaction(web.sessions) as session:
        mall, ida = session.get_one(Mall, web.house.mall.id), dealer_by_code(session, "D01")
        assert ida is not None
        old = [
            ticket(str(n), on, [line(ida, cents)])
            for n, (on, cents) in enumerate(((date(2026, 9, 30), 11_00), (date(2026, 10, 1), 7_00)))
        ]
        take_tickets(session, now, mall, old)
        months = sold_by_month(session, TicketLine.dealer_id == ida.id, date(2026, 11, 3))
        next_month = sold_by_month(session, TicketLine.dealer_id == ida.id, date(2026, 12, 31))
    assert [(str(month), cents) for month, cents in months[10:]] == [
        ("2026-09", 11_00),
        ("2026-10", 7_00),
        ("2026-11", 167_50),
    ]
    assert [cents for _month, cents in months[:10]] == [None] * 10, "of months before her first sale nothing is known"
    assert (len(months), str(months[0][0])) == (13, "2025-11")
    assert next_month[-2:] == [months[-1], (Month(2026, 12), 0)]
    desc = "<desc>September 2026 $11.00; October 2026 $7.00; November 2026 $167.50.</desc>"
    assert desc in web.browser("manager").get(D01).text


def test_a_dealer_who_has_just_come_has_a_page(web: Web) -> None:
    with transaction(web.sessions) as session:
        add_dealer(session, web.clock.at, "D03", name="Ruth Ambler", phone="555 0142", joined_on=date(2026, 11, 1))
    page = web.browser("manager").get("/office/dealers/D03").text
    assert 'href="tel:5550142"' in page
    assert "Nothing was sold in the last 13 months." in page
    assert "None has been made yet" in plain(web.browser("manager").get("/office/dealers/D03/statements").text)


def test_statements_are_listed_and_taken_away(web: Web) -> None:
    manager = web.browser("manager")
    assert "/office/statements/MAIN.D01.2026-10" in manager.get(f"{D01}/statements").text
    assert manager.get(f"{D01}/statements?as=csv").text.splitlines()[1:] == ["MAIN.D01.2026-10,2026-10,MAIN,612.40,5183.90"]
    assert manager.get("/office/dealers/D99/statements").status_code == 404


# --- many from a file ---------------------------------------------------------------------------------------------------


def bring(web: Web, content: str) -> TestResponse:
    client = web.browser("manager")
    fields = {"csrf_token": form_token(client), "file": (io.BytesIO(content.encode()), "members.csv")}
    return client.post("/office/dealers/file", data=fields, content_type="multipart/form-data")


def enter(web: Web, text: str) -> TestResponse:
    client = web.browser("manager")
    return client.post("/office/dealers/file/enter", data={"csrf_token": form_token(client), "file": text})


def count_dealers(web: Web) -> int:
    with transaction(web.sessions) as session:
        return session.scalar(select(func.count(Dealer.id))) or 0


def test_many_dealers_are_shown_and_then_entered(web: Web) -> None:
    shown = bring(web, PLAIN)
    page = plain(shown.text)
    assert shown.status_code == 200
    assert "2 D10 Nora Webb" in page
    assert "Enter all 2 dealers" in page
    assert count_dealers(web) == 2
    entered = enter(web, PLAIN)
    assert (entered.status_code, entered.headers["Location"]) == (303, LIST)
    assert count_dealers(web) == 4
    assert codes(web.browser("manager").get(LIST).text) == ["D01", "D02", "D09", "D10"]
    # The same once more: somebody pressed twice, or brought the file again.
    again = enter(web, PLAIN)
    assert again.status_code == 422
    assert "Nora Webb is dealer D10 already" in again.text
    assert count_dealers(web) == 4


def test_a_bad_row_is_named_and_nothing_is_entered(web: Web) -> None:
    text = PLAIN + "Ida Fenwick,,ida@example.org,\n,,,soon\n"
    page = plain(bring(web, text).text)
    assert "Nothing is entered 2 of 4 rows refused" in page
    assert "Row 4: Ida Fenwick is dealer D01 already" in page
    assert "Row 5: The name is empty" in page
    assert "is not a day: write it like 2025-03-01" in page
    assert "Enter all" not in page
    assert enter(web, text).status_code == 422
    assert count_dealers(web) == 2


def test_what_is_no_list_of_dealers_is_told_at_the_field(web: Web) -> None:
    for content, said in (
        ("PK\x03\x04", "The file is a spreadsheet"),
        ("shoe\n38\n", "that is not known"),
        ("", "The file is empty"),
    ):
        answer = bring(web, content)
        assert (answer.status_code, said in answer.text) == (422, True)
    client = web.browser("manager")
    none = client.post("/office/dealers/file", data={"csrf_token": form_token(client)})
    assert (none.status_code, "Choose the file first." in none.text) == (422, True)


# --- leaving the co-op --------------------------------------------------------------------------------------------------


def test_the_office_writes_down_who_has_left_and_takes_it_back(web: Web) -> None:
    manager = web.browser("manager")
    answer = send(manager, f"{D01}/left", left_on="soon")
    assert (answer.status_code, "This is not a day. Write it like 2026-10-19." in answer.text) == (422, True)
    answer = send(manager, f"{D01}/left", left_on="2026-11-02")
    assert answer.status_code == 422
    assert "and has no end: give notice on it first" in answer.text
    with transaction(web.sessions) as session:
        for lease in session.scalars(select(Lease).where(Lease.dealer_id == 1)):
            lease.ends_on = date(2026, 11, 1)
    assert send(manager, f"{D01}/left", left_on="2026-11-02").headers["Location"] == D01
    page = plain(manager.get(D01).text)
    assert "Ida Fenwick has left." in page
    assert "left Nov 2, 2026" in page
    assert "Not left, or back" not in plain(web.browser("auditor").get(D01).text)
    send(manager, f"{D01}/back")
    page = plain(manager.get(D01).text)
    assert "Ida Fenwick is a member as before." in page
    assert "left Nov 2, 2026" not in page
