"""The months the office lists, in the order they close, and what it says of a step that failed."""

from __future__ import annotations

import re
from datetime import date
from decimal import Decimal

from sqlalchemy import select, update

from coop.books.service import ensure_period
from coop.closing.models import CloseStep
from coop.core.db import transaction
from coop.core.jobs import Job
from coop.core.periods import Month
from coop.dealers.models import Dealer
from coop.floor.models import Mall
from coop.leases.agreements import make_lease
from coop.sales.claims import UNCLAIMED, ask_claim, grant_claim
from coop.sales.models import TicketLine
from coop.statements.models import Statement
from coop.tax.filing import move_tax_to_dealers
from tests.factories.people import make_dealer
from tests.factories.tax import filer_of, setting
from tests.integration.web.conftest import Web, send


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
    page = client.get("/office/months").text
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


def test_a_step_that_failed_says_why_on_the_page_and_on_its_fragment(web: Web) -> None:
    with transaction(web.sessions) as session:
        job = update(Job).where(Job.kind == "closing.watch")
        session.execute(job.values(state="failed", error="KeyError: 'x'.", args={"close_id": 1, "step": "statements"}))
    client = web.browser("manager")
    for address in ("/office/months/MAIN/2026-10", "/office/months/MAIN/2026-10/steps"):
        page = client.get(address).text
        assert "The step &#39;statements&#39; failed: KeyError: &#39;x&#39;. Tell whoever keeps the program." in page
        assert page.index('id="steps"') < page.index("The step &#39;")


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


def test_months_stand_by_year_with_what_was_sold_and_stated(web: Web) -> None:
    """November: 177.49; October: 42.00 of nobody, and two statements. Years before the last twelve months are asked for."""
    with transaction(web.sessions) as session:
        month = Month(2024, 11)
        while month.year == 2024:
            period = ensure_period(session, web.house.mall.id, month)
            period.state, period.closed_at = "closed", web.clock.at
            session.flush()
            month = month.next
    client = web.browser("auditor")
    page = client.get("/office/months").text
    assert re.findall(r"<caption>(\d{4})", page) == ["2026", "2025"]
    amount = r'<td class="wide-only amount[^>]*>([^<]+)</td>\s*'
    rows = {name: cells for name, *cells in re.findall(rf'months/MAIN/(\d{{4}}-\d\d)".*?{amount}{amount}', page, re.S)}
    assert rows["2026-11"] == ["177.49", "–"]
    assert rows["2026-10"] == ["42.00", "2"]
    assert rows["2025-01"] == ["0.00", "–"]
    assert len(rows) == 23
    foot = page[page.index('<tr class="sum"><th scope="row">2026') :].partition("</tr>")[0]
    assert re.findall(r'<td class="wide-only amount">([^<]+)</td>', foot) == ["219.49", "2"]
    older = client.get("/office/months?year=2024").text
    assert 'href="/office/months?year=2024"' in page
    assert re.findall(r"months/MAIN/(2024-\d\d)", older) == ["2024-12", "2024-11"]
    assert older.count("closed") == 2
    # A statement that is frozen and has no paper yet is not made.
    with transaction(web.sessions) as session:
        statement = session.scalars(select(Statement).order_by(Statement.id).limit(1)).one()
        copied = ("mall_id", "first_day", "value_json", "value_sha256", "opening_cents", "closing_cents", "created_at")
        other = make_dealer(session, web.clock.at, "D77").id
        session.add(Statement(number="MAIN.D77.2026-10", dealer_id=other, **{name: getattr(statement, name) for name in copied}))
    assert client.get("/office/months").text.count('<td class="wide-only amount">2</td>') == 2
    assert "Its books have no month of 1999." in client.get("/office/months?year=1999").text


def test_what_is_being_made_of_a_month_is_told_with_how_far_it_is(web: Web) -> None:
    client = web.browser("bookkeeper")
    page = client.get("/office/months").text
    assert "Statements are made: 1 of 2" in page
    assert '<progress max="2" value="1" aria-label="Statements are made">1 of 2</progress>' in page
    assert "The file for printing is being made" not in page
    assert send(client, "/office/months/MAIN/2026-10/print/without-mail").status_code == 303
    assert "The file for printing is being made" in client.get("/office/months").text
    month = client.get("/office/months/MAIN/2026-10").text.partition('id="print"')[2]
    assert month.count("A new one is being made: look again in a moment.") == 1
    assert "/print/all" in month
    assert 'action="/office/months/MAIN/2026-10/print/without-mail"' not in month
    with transaction(web.sessions) as session:
        session.execute(update(Job).where(Job.kind == "statements.book").values(state="done"))
    assert "being made" not in client.get("/office/months").text


def test_papers_that_wait_behind_are_told_as_to_come_and_not_as_under_way(web: Web) -> None:
    client = web.browser("auditor")
    with transaction(web.sessions) as session:
        period = ensure_period(session, web.house.mall.id, Month(2026, 10))
        period.state, period.closed_at = "closed", web.clock.at
    assert "closed, statements under way" in client.get("/office/months").text
    with transaction(web.sessions) as session:
        session.execute(
            update(Job).where(Job.group_key == "close:1", Job.state.in_(("queued", "running"))).values(queue="behind")
        )
        step = session.scalars(select(CloseStep).where(CloseStep.name == "statements")).one()
        step.progress_done = 0
    page = client.get("/office/months").text
    assert page.count("Papers to come are made when nothing else is to be done.") == 1
    assert "closed, papers to come" in page
    assert "<progress" not in page
    month = client.get("/office/months/MAIN/2026-10").text
    assert "Made when nothing else is to be done: 2 to come." in month
    assert "running</span>" not in month
    assert "<progress" not in month
    # Once it is their turn, they are told with how far they are.
    with transaction(web.sessions) as session:
        session.scalars(select(CloseStep).where(CloseStep.name == "statements")).one().progress_done = 1
    assert "Statements are made: 1 of 2" in client.get("/office/months").text


def test_the_dealers_sum_comes_to_the_months_net_sales_as_every_page_has_them(web: Web) -> None:
    """Of October's 42.00 of nobody, what is claimed in November was sold before it."""
    with transaction(web.sessions) as session:
        line = session.scalars(select(TicketLine).where(*UNCLAIMED).order_by(TicketLine.id).limit(1)).one()
        cents = line.price_cents
        dealer = session.scalars(select(Dealer).where(Dealer.code == "D02")).one()
        grant_claim(session, web.clock.at, ask_claim(session, web.clock.at, line, dealer, words="Mine"))
    client = web.browser("auditor")
    month = client.get("/office/months/MAIN/2026-11").text
    foot = month[month.index("<tfoot>") : month.index("</tfoot>")]
    assert f">−{cents // 100}.{cents % 100:02d}</td>" in foot[foot.index("Sold before") :]
    assert ">177.49</td>" in foot[foot.index("of the month’s days") :]
    assert ">177.49</td>" in client.get("/office/months").text
