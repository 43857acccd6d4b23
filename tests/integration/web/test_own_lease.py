"""A dealer's own lease in the portal: what she reads and does, and that another's is as if it were not there."""

from __future__ import annotations

import re
from datetime import UTC, date, datetime

import pytest
from sqlalchemy import select

from coop.core.db import transaction
from coop.dealers.service import begin_session
from coop.floor.models import Mall
from coop.floor.service import add_space
from coop.leases.deposits import return_deposit, take_deposit, use_deposit
from coop.leases.models import Charge, Dispute, Lease, LeaseSpace, Letter, Offer, Waiting
from tests.factories.leasing import Leasing
from tests.integration.web.conftest import Web, send
from tests.integration.web.test_office import count_queries
from tests.integration.web.test_tax_terms import mistake_at


def test_she_reads_her_rent_with_its_working_and_her_terms(web: Web, leasing: Leasing) -> None:
    """Booth 12: 120.00 sq ft at $2.25 is $270.00 this month and the next."""
    page = web.browser("dealer").get("/portal/lease").text
    assert page.count("120.00 sq ft × $2.25 a month") >= 3  # this month, the next, and October as charged
    assert "Rent of November 2026" in page
    assert "Rent of December 2026" in page
    assert "270.00" in page
    assert "30 days, to the end of a month" in page
    assert "your last day can be Dec 31, 2026 or later" in page
    assert "In dispute since Nov 2, 2026" in page
    assert "D03" not in page


def test_how_long_it_runs_is_said_as_the_office_says_it(web: Web, leasing: Leasing) -> None:
    def runs() -> str:
        page = web.browser("dealer").get("/portal/lease").text
        return page.split("<dt>It runs</dt><dd>")[1].split("</dd>")[0]

    assert runs() == "by the month"
    with transaction(web.sessions) as session:
        lease = session.get_one(Lease, leasing.running)
        lease.term_ends_on = date(2026, 12, 15)
    assert runs() == "for a fixed term, through Dec 15, 2026; then by the month"
    with transaction(web.sessions) as session:
        session.get_one(Lease, leasing.running).ends_on = date(2026, 12, 31)
    assert runs() == "through Dec 31, 2026"


def test_a_lease_without_a_rate_says_whom_to_ask_and_nothing_of_others(web: Web, leasing: Leasing) -> None:
    with transaction(web.sessions) as session:
        session.get_one(Lease, leasing.fixed).spaces[0].space.zone = "attic"
    page = web.browser("dealer").get("/portal/lease").text
    assert "it cannot be worked out yet. Ask the manager." in page
    assert "attic" not in page


def test_who_has_left_still_reads_what_became_of_her_deposit(web: Web, leasing: Leasing) -> None:
    """Of 120.00 taken, 45.00 was kept for a broken pane and 75.00 given back; the lease ended on Oct 31."""
    with transaction(web.sessions) as session:
        lease = session.get_one(Lease, leasing.running)
        take_deposit(session, web.clock.at, lease, 120_00, on=date(2026, 10, 1))
        use_deposit(session, web.clock.at, lease, 45_00, on=date(2026, 11, 1), reason="a pane was broken", damage=True)
        return_deposit(session, web.clock.at, lease, 75_00, on=date(2026, 11, 2), reference="check 204")
        lease.ends_on = lease.moved_out_on = lease.spaces[0].ends_on = date(2026, 10, 31)
        lease.settled_on = date(2026, 11, 2)
    browser = web.browser("dealer")
    home = browser.get("/portal/").text
    assert '<a href="/portal/lease">Your lease ended on Oct 31, 2026</a>' in home
    assert "The manager writes a lease" not in home
    page = browser.get("/portal/lease").text
    assert "You have no lease now." in page
    ended = page.partition('id="ended"')[2].partition('id="wishes"')[0]
    told = " ".join(re.sub(r"<[^>]+>", " ", ended).split())
    assert "to Oct 31, 2026" in told
    assert "Taken, Oct 1, 2026 120.00" in told
    assert "Kept, Nov 1, 2026 a pane was broken −45.00" in told
    assert "Given back, Nov 2, 2026 check 204 −75.00" in told
    assert "Still held 0.00" in told
    assert "/portal/letters/" in ended
    other = web.browser("other dealer")
    assert "pane" not in other.get("/portal/lease").text
    assert "ended on" not in other.get("/portal/").text


@pytest.mark.parametrize(
    ("method", "address"),
    [
        ("POST", "/portal/lease/1/sign"),
        ("POST", "/portal/lease/1/agreement"),
        ("GET", "/portal/lease/1/notice"),
        ("POST", "/portal/lease/1/notice"),
        ("POST", "/portal/lease/1/notice/take-back"),
        ("GET", "/portal/charges/1/dispute"),
        ("POST", "/portal/charges/1/dispute"),
        ("GET", "/portal/offers/1"),
        ("POST", "/portal/offers/1"),
        ("GET", "/portal/letters/1.pdf"),
        ("POST", "/portal/waiting/2/withdraw"),
    ],
)
def test_what_is_anothers_is_as_if_it_were_not_there(web: Web, method: str, address: str) -> None:
    """Lease, charge, offer, letter and wish are D01's; D02 tries them."""
    client = web.browser("other dealer")
    answer = client.get(address) if method == "GET" else send(client, address, name="x", answer="take", reason="x")
    assert answer.status_code == 404
    with web.sessions() as session:
        assert session.get_one(Lease, 1).signed_on is None
        assert session.get_one(Offer, 1).state == "open"
        assert session.get_one(Waiting, 2).state == "offered"


def test_she_signs_by_name_once(web: Web, leasing: Leasing) -> None:
    client = web.browser("dealer")
    empty = send(client, "/portal/lease/1/sign", name=" ")
    assert empty.status_code == 422
    assert "it is your signature" in mistake_at(empty.text, "name-1")
    assert send(client, "/portal/lease/1/sign", name="Ida Fenwick").status_code == 303
    with web.sessions() as session:
        lease = session.get_one(Lease, 1)
        assert (lease.signed_name, lease.signed_on, lease.signed_how) == ("Ida Fenwick", date(2026, 11, 3), "portal")
    assert "Make the signed agreement as PDF" in client.get("/portal/lease").text
    assert send(client, "/portal/lease/1/agreement").status_code == 303
    with web.sessions() as session:
        keys = session.scalars(select(Letter.key).where(Letter.lease_id == 1).order_by(Letter.id)).all()
    assert keys == ["agreement/lease:1/to-sign", "agreement/lease:1/signed-2026-11-03"]
    again = send(client, "/portal/lease/1/sign", name="Somebody")
    assert again.status_code == 422
    with web.sessions() as session:
        assert session.get_one(Lease, 1).signed_name == "Ida Fenwick"


def test_she_takes_her_notice_back_on_its_day_only(web: Web, leasing: Leasing) -> None:
    client = web.browser("dealer")
    early = send(client, "/portal/lease/1/notice", last_day="2026-11-30")
    assert early.status_code == 422
    assert "ends on Dec 31, 2026 at the earliest" in mistake_at(early.text, "last_day")
    assert 'value="2026-11-30"' in early.text
    assert send(client, "/portal/lease/1/notice", last_day="2026-12-31").status_code == 303
    assert send(client, "/portal/lease/1/notice/take-back").status_code == 303
    assert send(client, "/portal/lease/1/notice", last_day="2026-12-31").status_code == 303
    web.clock.at = datetime(2026, 11, 4, 6, 30, tzinfo=UTC)  # half past midnight at the mall
    with transaction(web.sessions) as session:
        token = begin_session(session, web.clock.at, web.house.users["dealer"], address="192.0.2.7", agent="a test")
    client.set_cookie("coop", token)
    late = send(client, "/portal/lease/1/notice/take-back")
    assert late.status_code == 422
    with web.sessions() as session:
        assert session.get_one(Lease, 1).ends_on == date(2026, 12, 31)


def test_she_disputes_a_charge_once(web: Web, leasing: Leasing) -> None:
    with transaction(web.sessions) as session:
        dispute = session.scalars(select(Dispute).where(Dispute.charge_id == leasing.charge)).one()
        session.delete(dispute)
    client = web.browser("dealer")
    address = f"/portal/charges/{leasing.charge}/dispute"
    assert "270.00" in client.get(address).text
    assert "Say what is wrong" in mistake_at(send(client, address, reason="").text, "reason")
    assert send(client, address, reason="We were closed.").status_code == 303
    twice = send(client, address, reason="We were closed, I said.")
    assert twice.status_code == 422
    assert "in dispute" in mistake_at(twice.text, "reason")
    assert "We were closed, I said." in twice.text


@pytest.mark.parametrize(("answer", "state"), [("take", "accepted"), ("decline", "declined")])
def test_she_answers_an_offer(web: Web, leasing: Leasing, answer: str, state: str) -> None:
    client = web.browser("dealer")
    assert "Shelf S1" in client.get("/portal/lease").text
    assert "$9.00 a month" in client.get("/portal/offers/1").text  # 4 sq ft at $2.25
    assert send(client, "/portal/offers/1", answer=answer).status_code == 303
    with web.sessions() as session:
        offer = session.get_one(Offer, 1)
        assert offer.state == state
        assert (offer.lease_id is not None) is (answer == "take")


def test_her_first_page_says_what_waits_for_her_until_it_is_done(web: Web, leasing: Leasing) -> None:
    """D01 is offered shelf S1 and has lease 1 to sign; D02 has only her own to sign."""
    client = web.browser("dealer")
    page = client.get("/portal/").text
    assert 'href="/portal/offers/1">An offer: Shelf S1 at' in page
    assert 'href="/portal/lease#lease-1">A lease to sign:' in page
    others = web.browser("other dealer").get("/portal/").text
    assert "/portal/lease#lease-2" in others
    assert "/portal/offers/1" not in others
    assert "/portal/lease#lease-1" not in others
    send(client, "/portal/offers/1", answer="decline")
    send(client, "/portal/lease/1/sign", name="Ida Fenwick")
    page = client.get("/portal/").text
    assert "An offer" not in page
    assert "/portal/lease#lease-1" not in page


def test_she_asks_for_a_space_and_withdraws(web: Web, leasing: Leasing) -> None:
    client = web.browser("dealer")
    wrong = send(client, "/portal/waiting", mall="MAIN", kind="case", zone="", least="90", most="80")
    assert wrong.status_code == 422
    assert "turn the two round" in mistake_at(wrong.text, "most")
    assert send(client, "/portal/waiting", mall="MAIN", kind="case", zone="case", least="", most="").status_code == 303
    twice = send(client, "/portal/waiting", mall="MAIN", kind="case", zone="case")
    assert "already" in mistake_at(twice.text, "kind")
    with web.sessions() as session:
        row = session.scalars(select(Waiting).where(Waiting.kind == "case", Waiting.state == "waiting")).one()
    assert send(client, f"/portal/waiting/{row.id}/withdraw").status_code == 303


def test_her_page_takes_no_more_queries_for_more_charges_and_spaces(web: Web, leasing: Leasing) -> None:
    before = count_queries(web, "dealer", "/portal/lease")
    with transaction(web.sessions) as session:
        for n in range(20):
            mall = session.get_one(Mall, web.house.mall.id)
            space = add_space(session, web.clock.at, mall, f"N{n}", kind="booth", zone="front", width_in16=960, depth_in16=960)
            held = {"starts_on": date(2026, 11, 1), "leased_area_sqft100": 2500}
            session.add(LeaseSpace(lease_id=1, space_id=space.id, **held))
            session.add(
                Charge(
                    lease_id=1,
                    mall_id=web.house.mall.id,
                    dealer_id=session.get_one(Lease, 1).dealer_id,
                    kind="fee",
                    what=f"fee:{n}",
                    first_day=date(2026, 11, 1),
                    label="Tags",
                    working="none were used",
                    amount_cents=0,
                )
            )
    assert count_queries(web, "dealer", "/portal/lease") == before
