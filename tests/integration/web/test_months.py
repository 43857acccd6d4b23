"""The months the office lists, in the order they close, and what it says of a step that failed."""

from __future__ import annotations

import re
from datetime import UTC, date, datetime
from decimal import Decimal

from sqlalchemy import select, update

from coop.books.domain.hand import HandLine
from coop.books.journal import enter_journal
from coop.books.service import ensure_period
from coop.core import audit
from coop.core.db import transaction
from coop.core.jobs import Job
from coop.core.periods import Month
from coop.dealers.models import Dealer
from coop.floor.models import Mall
from coop.leases.agreements import make_lease
from coop.payouts.models import PayoutRun
from coop.sales.claims import ask_claim
from coop.sales.domain import LineIn, TenderIn, TicketIn
from coop.sales.drawers import count_drawer, put_float
from coop.sales.models import TicketLine
from coop.sales.service import take_tickets
from coop.statements.models import Statement, StatementQuestion
from coop.tax.filing import move_tax_to_dealers
from tests.factories.tax import filer_of, setting
from tests.integration.web.conftest import Web, send
from tests.integration.web.test_office import count_queries


def lease_from_july(web: Web) -> None:
    with transaction(web.sessions) as session:
        amos = session.scalars(select(Dealer).where(Dealer.code == "D02")).one()
        begins = date(2026, 7, 15)
        ends = date(2026, 8, 31)
        make_lease(session, web.clock.at, web.house.mall, amos, starts_on=begins, ends_on=ends, commission_percent=Decimal(10))
        ensure_period(session, web.house.mall.id, Month(2026, 7))


def test_every_month_from_the_first_to_the_current_is_listed_and_can_be_begun_in_its_turn(web: Web) -> None:
    lease_from_july(web)
    client = web.browser("manager")
    page = client.get("/office/").text.split('id="waiting"')[-1].partition("</section>")[2]
    months = ["November 2026", "October 2026", "September 2026", "August 2026", "July 2026"]
    assert [page.index(name) for name in months] == sorted(page.index(name) for name in months)
    assert "June 2026" not in page
    assert "December 2026" not in page
    assert client.get("/office/months/MAIN/2026-06").status_code == 404

    later = client.get("/office/months/MAIN/2026-09").text
    assert "Begin the month-end" not in later
    assert 'href="/office/months/MAIN/2026-07">July 2026</a> must close first' in later
    refused = send(client, "/office/months/MAIN/2026-09/begin")
    assert refused.status_code == 422
    assert "July 2026 is still open" in refused.text

    assert "Begin the month-end of July 2026" in client.get("/office/months/MAIN/2026-07").text
    assert send(client, "/office/months/MAIN/2026-07/begin").status_code == 303


def test_the_first_page_says_what_waits_with_a_link_and_a_count(web: Web) -> None:
    """One and fifteen of each are counted in as many queries."""

    def add(first: int, last: int) -> None:
        with transaction(web.sessions) as session:
            mall = session.get_one(Mall, web.house.mall.id)
            dealers = session.scalars(select(Dealer).limit(1)).all()
            statement = session.scalars(select(Statement).limit(1)).one()
            lines = tuple(LineIn(n - first + 1, None, "", f"Thimble {n}", 1, Decimal(2), 2_00) for n in range(first, last))
            sold_at = datetime(2026, 11, 2, 18, tzinfo=UTC)
            ticket = TicketIn(f"t{first}", f"9{first}", "desk-1", "sale", sold_at, lines, (TenderIn("cash"),), taxed=False)
            take_tickets(session, web.clock.at, mall, [ticket])
            for line in session.scalars(select(TicketLine).where(TicketLine.description.startswith("Thimble"))).all():
                if int(line.description.split()[1]) >= first:
                    ask_claim(session, web.clock.at, line, dealers[0], words="Mine")
            for n in range(first, last):
                of = {"key": f"{n:032}", "mall": mall, "on": date(2026, 11, 2), "reason": "Power", "new_accounts": True}
                moved = [HandLine("Expenses:Power", 500_00), HandLine("Assets:Bank", -500_00)]
                enter_journal(session, web.clock.at, lines=moved, user_id=web.house.users["bookkeeper"], **of)
                session.add(
                    PayoutRun(
                        number=100 + n,
                        first_day=date(2026, 10, 1),
                        pay_on=date(2026, 11, 3),
                        made_at=web.clock.at,
                        state="prepared",
                    )
                )
                asked = {"line": "whole", "said": "It all", "question": "Why?", "asked_at": web.clock.at}
                session.add(StatementQuestion(statement_id=statement.id, **asked))

    addresses = ["/office/sales/MAIN/unclaimed", "/office/books/by-hand", "/office/payouts/", "/office/letters/questions/"]

    def counts() -> list[int]:
        page = web.browser("manager").get("/office/").text
        found = [re.search(rf'<a href="{address}">(\d+) ', page) for address in addresses]
        return [int(one[1]) if one else 0 for one in found]

    at_first = counts()
    add(0, 1)
    assert counts() == [count + 1 for count in at_first]
    assert re.search(r">\d+ (entry|entries) by hand to approve</a>", web.browser("manager").get("/office/").text)
    before = count_queries(web, "manager", "/office/")
    add(1, 16)
    assert counts() == [count + 16 for count in at_first]
    assert count_queries(web, "manager", "/office/") == before


def test_the_first_page_names_a_drawer_that_nobody_counted_once_its_month_is_over(web: Web) -> None:
    said = '<a href="/office/sales/drawers/MAIN?month=2026-09">1 drawer of MAIN to count, September 2026</a>'
    manager, september = web.browser("manager"), date(2026, 9, 7)
    with transaction(web.sessions) as session:
        mall = session.get_one(Mall, web.house.mall.id)
        # Of a month that runs nothing is asked yet.
        for key, drawer, on in (("f", "fair", september), ("g", "front", date(2026, 11, 2))):
            put_float(session, web.clock.at, mall, key=key, drawer=drawer, amount_cents=80_00, on=on)
    page = manager.get("/office/").text
    assert said in page
    assert "November 2026</a>" not in page.partition("Months of")[0]
    with transaction(web.sessions) as session:
        mall = session.get_one(Mall, web.house.mall.id)
        count_drawer(session, web.clock.at, mall, key="k", drawer="fair", on=september, counted_cents=80_00)
    assert said not in manager.get("/office/").text


def test_a_step_that_failed_says_why_on_the_page_and_on_its_fragment(web: Web) -> None:
    with transaction(web.sessions) as session:
        job = update(Job).where(Job.kind == "closing.watch")
        session.execute(job.values(state="failed", error="KeyError: 'x'.", args={"close_id": 1, "step": "statements"}))
    client = web.browser("manager")
    for address in ("/office/months/MAIN/2026-10", "/office/months/MAIN/2026-10/steps"):
        page = client.get(address).text
        assert "The step &#39;statements&#39; failed: KeyError: &#39;x&#39;. Tell whoever keeps the program." in page
        assert page.index('id="steps"') < page.index("The step &#39;")


def test_the_log_has_plain_words_for_what_was_done(web: Web) -> None:
    with transaction(web.sessions) as session:
        audit.record(session, web.clock.at, "mail.resend", "outbox", 1)
    page = web.browser("manager").get("/office/log").text
    assert "letter sent again" in page
    assert "resend" not in page


def test_tax_that_dealers_file_has_a_column_where_they_do(web: Web) -> None:
    client = web.browser("manager")
    assert "Tax to file" not in client.get("/office/months/MAIN/2026-11").text
    with transaction(web.sessions) as session:
        mall = session.get_one(Mall, web.house.mall.id)
        setting(session, starts_on=date(2026, 11, 1), mall_id=mall.id, owed_by="dealer")
        filer_of(session, web.clock.at, mall, count=70).sell(date(2026, 11, 1), 20_000)
        assert move_tax_to_dealers(session, web.clock.at, mall, Month(2026, 11)) > 0
    page = client.get("/office/months/MAIN/2026-11").text
    heads = re.findall(r'<th scope="col"[^>]*>([^<]+)</th>', page)
    foot = page[page.index('<tr class="sum">') :]
    sums = re.findall(r'<td class="amount[^>]*>([^<]*)</td>', foot[: foot.index("</tr>")])
    said = dict(zip(heads[1:-1], sums, strict=True))
    assert (said["Tax to file"], said["Paid"]) == ("11.00", "0.00")


def test_a_month_that_runs_says_from_when_it_can_close_and_offers_no_button(web: Web) -> None:
    """It is November 3, 2026."""
    page = web.browser("manager").get("/office/months/MAIN/2026-11").text
    assert "November 2026 is not over yet: its month-end can begin on Dec 1, 2026." in page
    assert "Begin the month-end" not in page
