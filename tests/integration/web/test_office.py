"""The office's pages over a month-end: what they show, what they lead to, and how many questions they ask."""

from __future__ import annotations

from datetime import timedelta
from decimal import Decimal
from typing import Any

import pytest
from sqlalchemy import event, select, update

from coop.closing.models import CloseStep, MonthClose
from coop.core import audit
from coop.core.db import transaction
from coop.core.jobs import Job
from coop.core.mail import Outbox
from coop.dealers.membership import add_dealer
from coop.leases.agreements import make_lease
from coop.sales.domain import LineIn, TenderIn, TicketIn
from coop.sales.service import take_tickets
from tests.factories.house import LETTER
from tests.integration.web.conftest import Web, send


def set_steps(web: Web, **states: str) -> None:
    with transaction(web.sessions) as session:
        for name, state in states.items():
            session.execute(update(CloseStep).where(CloseStep.name == name).values(state=state))


def end_jobs(web: Web) -> None:
    with transaction(web.sessions) as session:
        session.execute(update(Job).values(state="done"))


def test_months_are_listed_with_their_state(web: Web) -> None:
    page = web.browser("auditor").get("/office/months").text
    assert "under way, 15 of 17 steps done" in page
    assert page.index("November 2026") < page.index("October 2026")


def test_a_month_under_way_is_watched_and_a_stopped_one_is_taken_up_again(web: Web) -> None:
    client = web.browser("manager")
    page = client.get("/office/months/MAIN/2026-10").text
    assert "15 of 17 steps are done." in page
    assert "live.js" in page
    assert "Take it up again" not in page
    assert "Mend it" not in page

    end_jobs(web)
    page = client.get("/office/months/MAIN/2026-10").text
    assert "It has stopped" in page
    assert "Take it up again" in page
    assert "live.js" not in page


def test_a_refused_step_gives_its_reason_and_where_to_mend_it(web: Web) -> None:
    with transaction(web.sessions) as session:
        session.execute(
            update(CloseStep)
            .where(CloseStep.name == "statements")
            .values(state="refused", report="D02 has no lease.", mend="/office/letters")
        )
    end_jobs(web)
    page = web.browser("bookkeeper").get("/office/months/MAIN/2026-10").text
    assert "D02 has no lease." in page
    assert 'href="/office/letters">Mend it' in page
    assert "The manager takes it up again" in page


def test_a_mending_place_on_another_site_is_no_link(web: Web) -> None:
    with transaction(web.sessions) as session:
        session.execute(update(CloseStep).where(CloseStep.name == "statements").values(state="refused", mend="//evil.example/"))
    assert 'href="//evil.example/"' not in web.browser("manager").get("/office/months/MAIN/2026-10").text


def test_a_finished_month_is_closed(web: Web) -> None:
    set_steps(web, statements="done", mail="done")
    with transaction(web.sessions) as session:
        session.execute(update(MonthClose).values(finished_at=web.clock.at))
    client = web.browser("manager")
    assert "closed" in client.get("/office/months").text
    page = client.get("/office/months/MAIN/2026-10").text
    assert "All 17 steps are done." in page
    assert "Take it up again" not in page


def test_the_steps_alone_say_when_they_have_ended(web: Web) -> None:
    client = web.browser("manager")
    fragment = client.get("/office/months/MAIN/2026-10/steps").text
    assert 'data-ended="no"' in fragment
    assert "<html" not in fragment
    assert 'max="2" value="1"' in fragment
    end_jobs(web)
    assert 'data-ended="yes"' in client.get("/office/months/MAIN/2026-10/steps").text


@pytest.mark.parametrize("address", ["/office/months/MAIN/2026-13", "/office/months/MAIN/2031-01", "/office/months/NONE/2026-10"])
def test_a_month_that_is_not_there(web: Web, address: str) -> None:
    assert web.browser("manager").get(address).status_code == 404


def test_dealers_figures_lead_to_statement_pdf_and_mail(web: Web) -> None:
    page = web.browser("manager").get("/office/months/MAIN/2026-10").text
    assert "/office/statements/MAIN.D01.2026-10" in page
    assert "/office/statements/MAIN.D01.2026-10.pdf" in page
    assert f"/office/letters/{web.house.sent_mail}" in page
    open_month = web.browser("manager").get("/office/months/MAIN/2026-11").text
    assert "167.50" in open_month
    assert "not yet" in open_month


def test_letters_by_state(web: Web) -> None:
    client = web.browser("bookkeeper")
    every = client.get("/office/letters").text
    assert "550 5.1.1 no such mailbox" in every
    assert "250 2.0.0 taken" not in every
    assert ">D01 Fenwick" in every
    assert "October 2026, Lantern Yard Antiques Hall" in every
    refused = client.get("/office/letters?state=failed").text
    assert ">D02 Amos Pell" in refused
    assert "d02@example.org" in refused
    assert "D01" not in refused
    assert "There is none like it" in client.get("/office/letters?state=given_up").text
    assert ">D01 Fenwick" in client.get("/office/letters?state=nonsense&before=x").text


def test_a_letter_shows_its_message_and_its_tries(web: Web) -> None:
    page = web.browser("auditor").get(f"/office/letters/{web.house.failed_mail}").text
    assert LETTER.splitlines()[0] in page
    assert "550 5.1.1 no such mailbox" in page
    assert "Send it again" not in page
    assert web.browser("auditor").get("/office/letters/999").status_code == 404


def test_a_refused_letter_is_sent_again_once(web: Web) -> None:
    client = web.browser("manager")
    address = f"/office/letters/{web.house.failed_mail}"
    assert "Send it again" in client.get(address).text
    answer = send(client, f"{address}/resend")
    assert answer.status_code == 303
    assert "The letter is on its way again" in client.get(answer.headers["Location"]).text
    twice = send(client, f"{address}/resend")
    assert twice.status_code == 422
    assert "still on its way" in twice.text
    with transaction(web.sessions) as session:
        again = session.scalars(select(Outbox).where(Outbox.resend_of_id == web.house.failed_mail)).all()
        assert [mail.state for mail in again] == ["queued"]
    # The month's page follows the newest of the two.
    assert f"/office/letters/{again[0].id}" in client.get("/office/months/MAIN/2026-10").text


def count_queries(web: Web, who: str, address: str) -> int:
    counted = 0

    def count(*_args: Any) -> None:
        nonlocal counted
        counted += 1

    engine = web.app.extensions["coop"].engine
    event.listen(engine, "before_cursor_execute", count)
    try:
        assert web.browser(who).get(address).status_code == 200
    finally:
        event.remove(engine, "before_cursor_execute", count)
    return counted


@pytest.mark.parametrize(
    ("who", "address"),
    [
        ("manager", "/office/"),
        ("manager", "/office/months"),
        ("manager", "/office/months/MAIN/2026-10"),
        ("manager", "/office/letters"),
        ("manager", "/office/log"),
        ("dealer", "/portal/"),
        ("dealer", "/portal/statements"),
        ("manager", "/account"),
    ],
)
def test_no_page_asks_more_when_there_is_more_to_show(web: Web, who: str, address: str) -> None:
    before = count_queries(web, who, address)
    with transaction(web.sessions) as session:
        ida = web.house.users["dealer"]
        for n in range(30):
            dealer = add_dealer(session, web.clock.at, f"E{n:02d}", name=f"Dealer {n}")
            make_lease(
                session,
                web.clock.at,
                web.house.mall,
                dealer,
                starts_on=web.clock.at.date().replace(month=1),
                commission_percent=Decimal(10),
            )
            audit.record(session, web.clock.at, "tried", "thing", n, user_id=ida)
            session.add(
                Outbox(
                    key=f"more/{n}",
                    kind="note",
                    recipient="more@example.org",
                    subject="More",
                    text_body="More",
                    html_body="",
                    message_id=f"more-{n}@example.org",
                    state="queued",
                    next_at=web.clock.at,
                    created_at=web.clock.at,
                )
            )
    assert count_queries(web, who, address) == before


def test_unclaimed_sales_stand_below_the_dealers(web: Web) -> None:
    """167.50 and 9.99 were sold for dealers in November, 40.00 for nobody: 217.49 in all."""
    client = web.browser("manager")
    assert "Unclaimed" not in client.get("/office/months/MAIN/2026-11").text.partition('id="figures"')[2]
    with transaction(web.sessions) as session:
        line = LineIn(position=1, dealer_id=None, tag="", description="Jar", quantity=1, unit_price=Decimal(40), tag_cents=4000)
        ticket = TicketIn(
            key="test:nobody",
            number="900",
            source="desk-1",
            kind="sale",
            sold_at=web.clock.at - timedelta(days=1),
            lines=(line,),
            tenders=(TenderIn("cash"),),
            taxed=False,
        )
        take_tickets(session, web.clock.at, web.house.mall, [ticket])
    foot = client.get("/office/months/MAIN/2026-11").text.partition("<tfoot>")[2]
    for words in ("177.49", "1 line of no dealer", "40.00", "217.49"):
        assert words in foot, words
