"""Unclaimed sales, claims and gift certificates on pages: asked for in the portal, decided in the office, sold by a form."""

from __future__ import annotations

import re
from datetime import UTC, date, datetime
from decimal import Decimal

import pytest
from sqlalchemy import func, select

from coop.core.db import transaction
from coop.core.mail import Outbox
from coop.dealers.models import Dealer, UserAccount
from coop.floor.models import Mall
from coop.leases.models import Lease
from coop.sales.claims import ask_claim, check_unclaimed
from coop.sales.domain import LineIn, TenderIn, TicketIn
from coop.sales.gifts import check_gifts, sell_certificate
from coop.sales.models import Claim, GiftCertificate, TicketLine
from coop.sales.service import take_tickets
from tests.integration.web.conftest import Web, send
from tests.integration.web.test_office import count_queries

MALL = "/office/sales/MAIN"
SOLD = {"key": "a" * 32, "mall": "MAIN", "amount": "75", "tender": "card", "number": "", "expires_on": ""}
NEW = "/office/sales/certificates/new"


def item(web: Web) -> str:
    return f"{MALL}/unclaimed/{web.house.unclaimed}"


# --- unclaimed ----------------------------------------------------------------------------------------------------------


def test_a_dealer_asks_the_manager_grants_and_both_are_told(web: Web) -> None:
    amos, manager = web.browser("other dealer"), web.browser("manager")
    page = amos.get("/portal/unclaimed").text
    assert "Cobalt inkwell" in page
    assert "It stood on my washstand" not in page  # what another dealer wrote
    ask = f"/portal/unclaimed/{web.house.unclaimed}"
    assert "Write how you know it" in send(amos, ask, dealer="D02", words=" ").text
    sent = send(amos, ask, dealer="D02", words="My blue tag, 24.00")
    assert (sent.status_code, sent.headers["Location"]) == (303, "/portal/unclaimed")
    assert "you asked for it" in amos.get("/portal/unclaimed").text
    again = send(amos, ask, dealer="D02", words="Once more")
    assert (again.status_code, "D02 has asked for this sale already" in again.text) == (422, True)
    page = manager.get(item(web)).text
    assert "“It stood on my washstand”" in page
    assert "“My blue tag, 24.00”" in page
    assert "D01, D02" in manager.get(f"{MALL}/unclaimed").text
    assert send(manager, f"{MALL}/claims/2/grant").status_code == 303
    page = manager.get(item(web)).text
    assert "The sale is D02’s from today on." in page
    assert "Another dealer&#39;s claim was granted." in page
    late = send(manager, f"{MALL}/claims/1/grant")
    assert (late.status_code, "This claim was refused before: it is decided once." in late.text) == (422, True)
    assert "on your statement of November 2026" in amos.get("/portal/unclaimed").text
    told = web.browser("dealer").get("/portal/unclaimed").text
    assert "Another dealer&#39;s claim was granted." in told
    with transaction(web.sessions) as session:
        mails = session.execute(select(Outbox.recipient, Outbox.subject).where(Outbox.kind == "claim").order_by(Outbox.id)).all()
        assert [tuple(row) for row in mails] == [
            ("ida@example.org", "Your claim on Cobalt inkwell, $24.00: refused"),
            ("amos@example.org", "Your claim on Cobalt inkwell, $24.00: granted"),
        ]
        assert check_unclaimed(session) == []


def test_a_claim_is_refused_with_a_reason(web: Web) -> None:
    manager = web.browser("manager")
    empty = send(manager, f"{MALL}/claims/1/refuse", decision=" ")
    assert (empty.status_code, "Write why: the dealer reads it." in empty.text) == (422, True)
    assert send(manager, f"{MALL}/claims/1/refuse", decision="The tag was green.").status_code == 303
    assert "The tag was green." in web.browser("dealer").get("/portal/unclaimed").text
    # And once more, by telephone.
    asked = send(manager, f"{item(web)}/claims", dealer="1", words="She found the paper")
    assert asked.status_code == 303
    assert "Choose whose it is said to be." in send(manager, f"{item(web)}/claims", dealer="", words="").text
    with transaction(web.sessions) as session:
        states = session.scalars(select(Claim.state).order_by(Claim.id)).all()
        assert list(states) == ["refused", "asked"]


def test_a_manager_cannot_grant_her_own(web: Web) -> None:
    with transaction(web.sessions) as session:
        manager = session.get_one(UserAccount, web.house.users["manager"])
        manager.member_id = session.get_one(UserAccount, web.house.users["dealer"]).member_id
    answer = send(web.browser("manager"), f"{MALL}/claims/1/grant")
    assert (answer.status_code, "You cannot decide on your own claim: a second person has to." in answer.text) == (422, True)
    with transaction(web.sessions) as session:
        assert session.get_one(TicketLine, web.house.unclaimed).dealer_id is None


def test_who_did_not_lease_there_when_it_was_sold_sees_nothing(web: Web) -> None:
    with transaction(web.sessions) as session:
        for lease in session.scalars(select(Lease).where(Lease.dealer_id == 2)):
            lease.ends_on = date(2026, 10, 20)
    amos = web.browser("other dealer")
    assert "Cobalt inkwell" not in amos.get("/portal/unclaimed").text
    for method in (amos.get, lambda path: send(amos, path, dealer="D02", words="Mine")):
        assert method(f"/portal/unclaimed/{web.house.unclaimed}").status_code == 404


def test_another_dealer_cannot_be_asked_for(web: Web) -> None:
    answer = send(web.browser("other dealer"), f"/portal/unclaimed/{web.house.unclaimed}", dealer="D01", words="Mine")
    assert (answer.status_code, "Choose one of those listed." in answer.text) == (422, True)


def test_the_office_sees_what_waits(web: Web) -> None:
    manager = web.browser("manager")
    assert manager.get("/office/sales/").headers["Location"] == MALL
    page = manager.get(MALL).text
    assert "$42.00" in page
    assert "1 is asked for and waits for the manager" in page
    assert "$30.00" in page
    assert "is owed to whoever brings one" in page
    assert "$48.00</a> is held on 1 that is open" in page
    auditor = web.browser("auditor").get(item(web)).text
    assert "The manager grants and refuses claims." in auditor
    assert "Grant it" not in auditor


@pytest.mark.parametrize("path", [f"{MALL}/unclaimed/999", f"{MALL}/unclaimed/1", "/office/sales/certificates/9"])
def test_what_is_not_there(web: Web, path: str) -> None:
    # Line 1 is a dealer's from the first.
    assert web.browser("manager").get(path).status_code == 404


# --- gift certificates --------------------------------------------------------------------------------------------------


def test_a_certificate_is_sold_printed_and_found(web: Web) -> None:
    manager = web.browser("manager")
    assert re.search(r'name="key"[^>]*value="[0-9a-f]{32}"', manager.get(NEW).text)
    for _ in range(2):
        sent = send(manager, NEW, **SOLD)
        assert (sent.status_code, sent.headers["Location"]) == (303, "/office/sales/certificates/2")
    page = manager.get("/office/sales/certificates/2").text
    assert "Gift certificate 1002 is sold, $75.00" in page
    assert "$75.00 is left" in page
    paper = manager.get("/office/sales/certificates/2/paper").text
    assert "it is used up" in paper
    assert "Lantern Yard Antiques Hall" in paper
    first = manager.get("/office/sales/certificates/1").text
    assert "$30.00 is left" in first
    assert "paid for ticket 590" in first
    listed = manager.get("/office/sales/certificates?number=1001").text
    assert 'certificates/1"' in listed
    assert 'certificates/2"' not in listed
    assert "There is none like it" in manager.get("/office/sales/certificates?state=expired").text
    with transaction(web.sessions) as session:
        assert check_gifts(session) == []


def test_a_certificate_sold_by_mistake_is_taken_back(web: Web) -> None:
    manager = web.browser("manager")
    send(manager, NEW, **SOLD)
    path = "/office/sales/certificates/2"
    assert "Take it back" not in web.browser("auditor").get(path).text
    assert f'action="{path}/take-back"' in manager.get(path).text
    assert send(manager, f"{path}/take-back").status_code == 303
    page = manager.get(path).text
    assert "Gift certificate 1002 is taken back: give $75.00 back" in page
    assert "taken back, sold by mistake" in page
    assert "Take it back" not in page
    send(manager, f"{path}/take-back")
    assert "cannot be taken back" in manager.get(path).text
    # One that has paid for something.
    assert "Take it back" not in manager.get("/office/sales/certificates/1").text


@pytest.mark.parametrize(
    ("changes", "said"),
    [
        ({"amount": ""}, "Write the amount, like 50.00."),
        ({"amount": "lots"}, "This is not"),
        ({"amount": "0"}, "write an amount above nothing."),
        ({"number": "1001"}, "There is a gift certificate 1001 already"),
        ({"number": "a b"}, "is no number of a certificate"),
        ({"tender": "layaway"}, "Choose one of those listed."),
        ({"mall": "WEST"}, "Choose one of those listed."),
        ({"expires_on": "2026-11-02"}, "would end on Nov 2, 2026, before it is sold on Nov 3, 2026."),
        ({"expires_on": "2027-11-03"}, "write Nov 3, 2031 or later."),
        ({"expires_on": "soon"}, "This is not a day."),
    ],
)
def test_what_is_wrong_is_told_and_what_was_typed_stays(web: Web, changes: dict[str, str], said: str) -> None:
    answer = send(web.browser("manager"), NEW, **{**SOLD, **changes})
    assert answer.status_code == 422
    assert said in answer.text
    assert "a" * 32 in answer.text
    with transaction(web.sessions) as session:
        assert session.scalar(select(func.count(GiftCertificate.id))) == 1


def test_no_page_asks_more_where_more_is_sold(web: Web) -> None:
    """Thirty unclaimed sales that both dealers ask for, and thirty certificates, cost no more questions than one of each."""
    pages = [
        ("manager", MALL),
        ("manager", f"{MALL}/unclaimed"),
        ("manager", item(web)),
        ("manager", "/office/sales/certificates"),
        ("dealer", "/portal/unclaimed"),
    ]
    before = [count_queries(web, *page) for page in pages]
    with transaction(web.sessions) as session:
        mall = session.get_one(Mall, web.house.mall.id)
        dealers = session.scalars(select(Dealer)).all()
        lines = tuple(LineIn(n, None, "", f"Thimble {n}", 1, Decimal(2), 2_00) for n in range(1, 31))
        sold_at = datetime(2026, 11, 2, 18, tzinfo=UTC)
        ticket = TicketIn("many", "900", "desk-1", "sale", sold_at, lines, (TenderIn("cash"),), taxed=False)
        (ticket_id,) = take_tickets(session, web.clock.at, mall, [ticket])
        for line in session.scalars(select(TicketLine).where(TicketLine.ticket_id == ticket_id)).all():
            for dealer in dealers:
                ask_claim(session, web.clock.at, line, dealer, words="Mine")
            of = {"amount_cents": 5_00, "tender": "cash", "on": date(2026, 11, 2), "key": f"many-{line.id}"}
            sell_certificate(session, web.clock.at, mall, **of)
    assert [count_queries(web, *page) for page in pages] == before
