"""A dealer's own figures: what was sold today, this month and before, what covers her rent, and every item of it."""

from __future__ import annotations

import csv
import io
import re
from collections.abc import Hashable
from datetime import date
from decimal import Decimal

import pytest
from flask import Flask
from sqlalchemy import Engine, select
from sqlalchemy.orm import Session

from coop.core.db import Sessions, transaction
from coop.dealers.models import Dealer
from coop.dealers.queries import dealer_by_code
from coop.floor.models import Mall
from coop.floor.service import add_mall
from coop.leases.agreements import make_lease
from coop.leases.models import Lease
from coop.leases.posting import post_fee
from coop.leases.rules import add_term
from coop.sales.service import take_tickets
from tests.databases import fill
from tests.factories.house import House, build_house
from tests.factories.own_sales import add_many, add_own_year, piece, sold
from tests.integration.web.conftest import Clock, Web
from tests.integration.web.test_office import count_queries


@pytest.fixture
def begins_with(request: pytest.FixtureRequest, begins_with: Hashable, clock: Clock) -> Hashable:
    return ("own year", clock.at) if "year" in request.fixturenames else begins_with


@pytest.fixture
def year(app: Flask, sessions: Sessions, clock: Clock, engine: Engine) -> Web:
    """The house, in which D01 sold for a year."""

    def build(session: Session) -> House:
        house = build_house(session, clock.at)
        dealer = dealer_by_code(session, "D01")
        assert dealer is not None
        add_own_year(session, clock.at, session.get_one(Mall, house.mall.id), dealer)
        return house

    return Web(app, fill(engine, ("own year", clock.at), build), sessions, clock)


def sell(web: Web, code: str, cents: int, on: date, number: str, mall_code: str = "MAIN") -> None:
    with transaction(web.sessions) as session:
        dealer = dealer_by_code(session, code)
        assert dealer is not None
        mall = session.scalars(select(Mall).where(Mall.code == mall_code)).one()
        take_tickets(session, web.clock.at, mall, [sold(number, on, piece(dealer, cents))])


def words(page: str) -> str:
    """A page's text, the drawings left out."""
    return " ".join(re.sub(r"<[^>]+>", " ", re.sub(r"<svg.*?</svg>", " ", page, flags=re.S)).split())


# --- my booth -----------------------------------------------------------------------------------------------------------


def test_the_booth_page_holds_this_month_against_others(year: Web) -> None:
    """Today 7.50 and 24.00 less 81.00; with 125.00 and 42.50 so far 118.00; 60.00 a month ago, 80.00 a year ago."""
    page = words(year.browser("dealer").get("/portal/").text)
    for told in (
        "Today, Nov 3 1 −49.50",
        "November 2026 so far 3 118.00",
        "The same days of October 2026 Oct 1 to 3, 2026 1 60.00",
        "The same days a year ago Nov 1 to 3, 2025 1 80.00",
        "under 10 1 7.50",
        "10–24.99 1 24.00",
        "25–99.99 1 42.50",
        "from 100 1 125.00",
        "Nov 1 125.00 Nov 2 42.50 Nov 3 −49.50",
        "Yours now: Cobalt inkwell Nov 3, 2026",
        "Your statement of October 2026 Nov 3, 2026",
    ):
        assert told in page, told


def test_what_was_before_ones_first_sale_is_not_told(year: Web) -> None:
    """D02 sold for the first time on 2 November 2026."""
    page = words(year.browser("other dealer").get("/portal/").text)
    assert "November 2026 so far 1 9.99" in page
    assert "The same days" not in page


def test_the_rent_is_covered_by_what_is_left_after_commission(year: Web) -> None:
    """$270.00 of rent; of 118.00 a tenth is commission, so 106.20 counts; 182.00 more make $270.00 exactly."""
    client = year.browser("dealer")
    page = words(client.get("/portal/").text)
    assert "$163.80 to go until your rent of November 2026 is covered : $270.00 at Lantern Yard Antiques Hall" in page
    assert "come to $106.20 so far" in page
    sell(year, "D01", 181_99, date(2026, 11, 3), "820")
    assert "$0.01 to go" in words(client.get("/portal/").text)
    sell(year, "D01", 1, date(2026, 11, 3), "821")
    assert "Your rent of November 2026 is covered since Nov 3 : $270.00 at" in words(client.get("/portal/").text)


def test_fees_count_and_commission_by_the_price_of_an_item_is_as_the_month_end_takes_it(web: Web) -> None:
    """Half of items up to $100.00 and a tenth of dearer ones: of 42.50 and 125.00 there is 21.25 and 112.50 left.

    A fee of $10.00 is due beside the rent. What cannot be worked out is left to the page of the lease.
    """
    with transaction(web.sessions) as session:
        dealer = dealer_by_code(session, "D01")
        assert dealer is not None
        lease = session.scalars(select(Lease).where(Lease.dealer_id == dealer.id)).one()
        terms = {"tiers": [{"upto": "100.00", "percent": "50"}, {"percent": "10"}]}
        add_term(session, lease, "commission", terms, starts_on=date(2026, 10, 1), ends_on=None)
        post_fee(session, web.clock.at, lease, 10_00, key="fee:key", label="Case key", working="lost", on=date(2026, 11, 2))
    page = words(web.browser("dealer").get("/portal/").text)
    assert "$146.25 to go" in page
    assert ": $280.00 at Lantern Yard Antiques Hall, and your sales after commission come to $133.75 so far" in page
    with transaction(web.sessions) as session:
        session.get_one(Lease, lease.id).spaces[0].space.zone = "attic"
    page = web.browser("dealer").get("/portal/").text
    assert ">167.50<" in page
    assert "is covered" not in page


# --- sales --------------------------------------------------------------------------------------------------------------


def rows(page: str) -> list[str]:
    """What the list says of each item."""
    body = page[page.index("<tbody>", page.index("Items sold for you")) :]
    return [words(row) for row in re.findall(r"<tr>(.*?)</tr>", body[: body.index("</tbody>")], re.S)]


def test_every_item_is_listed_with_what_became_of_it(year: Web) -> None:
    page = year.browser("dealer").get("/portal/sales").text
    listed = rows(page)
    assert len(listed) == 9
    returned = next(row for row in listed if "brought back" in row)
    assert "Ladder-back chair CHAIR, ticket 806 ✻ brought back of ticket 804" in returned
    assert returned.endswith("−90.00 −9.00 booth −81.00")
    assert [row for row in listed if "claimed by you" in row] == [
        "Nov 3 2026 Cobalt inkwell ticket 590 ● claimed by you : sold on Oct 21, 2026 24.00 24.00"
    ]
    assert "All 7 pieces 839.00 0.00 839.00" in words(page)


@pytest.mark.parametrize(
    ("asked", "items", "net"),
    [
        ("from=2026-11-01&to=2026-11-02", ["Oak washstand", "Oak washstand"], "167.50"),
        ("find=QUILT", ["Quilt, wedding ring"], "60.00"),
        ("find=D01-5", ["Walnut secretary"], "500.00"),
        ("kind=back", ["Ladder-back chair"], "−81.00"),
        ("kind=off", ["Ladder-back chair", "Ladder-back chair"], "0.00"),
        ("kind=claimed", ["Cobalt inkwell"], "24.00"),
        ("kind=sold&sort=-net&to=2025-12-31", ["Walnut secretary", "Pressed glass bowl"], "580.00"),
    ],
)
def test_the_list_is_narrowed_and_summed_as_narrowed(year: Web, asked: str, items: list[str], net: str) -> None:
    page = year.browser("dealer").get(f"/portal/sales?{asked}").text
    assert [next(item for item in items if item in row) for row in rows(page)] == items
    assert re.search(rf'What is asked for<.*<td class="amount">{net}</td></tr></tfoot>', page, re.S)


def test_the_months_are_drawn_and_told(year: Web) -> None:
    page = year.browser("dealer").get("/portal/sales").text
    assert "<desc>November 2025 $580.00; October 2026 $141.00; November 2026 $118.00. All others: nothing.</desc>" in page
    assert "December 2025 0.00" in words(page)
    theirs = year.browser("other dealer").get("/portal/sales").text
    assert "<desc>November 2026 $9.99.</desc>" in theirs
    assert "October 2026" not in words(theirs)


def test_nothing_of_anothers_is_listed_summed_or_drawn(year: Web) -> None:
    page = year.browser("other dealer").get("/portal/sales?find=&from=2020-01-01").text
    assert [row for row in rows(page) if "9.99" in row] == rows(page)
    assert "What is asked for 1 piece 9.99" in words(page)
    assert "1 item This list as CSV" in words(page)
    answer = year.browser("other dealer").get("/portal/sales?as=csv")
    assert [row["Net"] for row in csv.DictReader(io.StringIO(answer.text))] == ["9.99"]


def test_the_csv_has_every_item_that_is_asked_for(year: Web) -> None:
    assert "1 piece back −90.00" in words(year.browser("dealer").get("/portal/sales?kind=back").text)
    answer = year.browser("dealer").get("/portal/sales?from=2026-11-03&sort=net&as=csv")
    assert answer.headers["Content-Disposition"] == "attachment; filename=my-sales.csv"
    taken = list(csv.DictReader(io.StringIO(answer.text)))
    assert [(row["Item"], row["Discount"], row["Net"], row["Note"]) for row in taken] == [
        ("Ladder-back chair", "-9.00", "-81.00", "brought back of 804"),
        ("Thimble, brass", "0.00", "7.50", ""),
        ("Cobalt inkwell", "0.00", "24.00", "claimed by you"),
    ]


def test_a_dealer_of_two_malls_chooses_between_them(web: Web) -> None:
    with transaction(web.sessions) as session:
        dealer = dealer_by_code(session, "D01")
        assert dealer is not None
        barn = add_mall(session, web.clock.at, "BARN", name="The Barn", timezone="America/Los_Angeles")
        make_lease(session, web.clock.at, barn, dealer, starts_on=date(2026, 10, 1), commission_percent=Decimal(10))
    client = web.browser("dealer")
    assert "sift-mall" not in client.get("/portal/sales").text
    sell(web, "D01", 33_00, date(2026, 11, 2), "901", "BARN")
    page = client.get("/portal/sales?mall=BARN").text
    assert [row for row in rows(page) if "33.00" in row] == rows(page)
    home = words(client.get("/portal/").text)
    assert "The Barn D01 1 33.00" in home
    assert "Lantern Yard Antiques Hall D01 2 167.50" in home
    assert "November 2026 so far 3 200.50" in home


def test_a_dealer_who_sold_nothing_reads_what_comes(web: Web) -> None:
    with transaction(web.sessions) as session:
        amos = session.scalars(select(Dealer).where(Dealer.code == "D02")).one()
        amos.member_id = session.scalars(select(Dealer).where(Dealer.code == "D01")).one().member_id
    client = web.browser("other dealer")
    for path in ("/portal/sales", "/portal/details"):
        assert "belongs to no dealer yet" in client.get(path).text


# --- how much they read -------------------------------------------------------------------------------------------------


def test_the_number_of_queries_does_not_grow_with_what_was_sold(web: Web) -> None:
    # My booth says the next turn as well, what of others is offered, and what is new of lent floor.
    most = {"/portal/": 37, "/portal/sales": 14, "/portal/statements": 10}
    before = {path: count_queries(web, "dealer", path) for path in most}
    with transaction(web.sessions) as session:
        dealer = dealer_by_code(session, "D01")
        assert dealer is not None
        add_many(session, web.clock.at, session.get_one(Mall, web.house.mall.id), dealer, 120)
    assert {path: count_queries(web, "dealer", path) for path in most} == before
    assert all(before[path] <= most[path] for path in most), before
    assert "1 to 50 of 122 items" in web.browser("dealer").get("/portal/sales").text
