"""Disputed charges in the office: where they are told, decided, and what is given back; and what their dealer reads."""

from __future__ import annotations

from sqlalchemy import select

from coop.leases.models import Charge, Dispute
from tests.factories.leasing import Leasing
from tests.integration.web.conftest import Web, send
from tests.integration.web.test_tax_terms import mistake_at

MALL = "/office/leases/MAIN"


def test_a_dispute_is_decided_and_its_dealer_reads_how(web: Web, leasing: Leasing) -> None:
    with web.sessions() as session:
        dispute = session.scalars(select(Dispute).where(Dispute.charge_id == leasing.charge)).one()
    answer = send(web.browser("manager"), f"{MALL}/1/disputes/{dispute.id}", outcome="The week is given back.")
    assert answer.status_code == 303
    page = web.browser("dealer").get("/portal/lease").text
    assert (
        "Dispute decided Nov 3, 2026: The week is given back.</small>" in page
    )  # One full stop, and no link to dispute it again.
    news = " ".join(web.browser("dealer").get("/portal/").text.split())
    assert "Your dispute of Booth 12, October 2026 is decided</a>: The week is given back." in news
    assert "is decided" not in web.browser("other dealer").get("/portal/").text
    assert "dispute decided, Booth 12, 2026-10" in web.browser("auditor").get("/office/dealers/D01").text


def test_what_is_given_back_is_written_where_the_dispute_is_decided(web: Web, leasing: Leasing) -> None:
    """Of the 270.00 of October, 126.00 is given back."""
    with web.sessions() as session:
        dispute = session.scalars(select(Dispute).where(Dispute.charge_id == leasing.charge)).one()
    manager, at = web.browser("manager"), f"{MALL}/1/disputes/{dispute.id}"
    assert "Nothing, or up to $270.00." in manager.get(at).text
    refused = send(manager, at, outcome="Half is given back.", back="270.01")
    assert refused.status_code == 422
    assert "Booth 12 leaves $270.00 to give back: write that or less." in mistake_at(refused.text, "back")
    assert 'value="270.01"' in refused.text
    assert 'value="Half is given back."' in refused.text
    with web.sessions() as session:
        assert session.get_one(Dispute, dispute.id).closed_on is None  # Nothing is half done.
    assert send(manager, at, outcome="Half is given back.", back="126").status_code == 303
    with web.sessions() as session:
        credit = session.scalars(select(Charge).where(Charge.what == f"dispute:{dispute.id}")).one()
    assert f'<dt>Given back</dt><dd><a href="/office/books/entries/{credit.entry_id}">$126.00</a>' in manager.get(at).text
    hers = web.browser("dealer").get("/portal/lease").text
    assert "Given back: Booth 12<small>November 2026: of $270.00 charged for October 2026, disputed: Half is given back." in hers
    assert "disputed charge given back, $126.00 of Booth 12, 2026-10" in web.browser("auditor").get("/office/dealers/D01").text


def test_the_dealers_page_leads_to_her_disputes(web: Web, leasing: Leasing) -> None:
    with web.sessions() as session:
        dispute = session.scalars(select(Dispute).where(Dispute.charge_id == leasing.charge)).one()
    at = f"{MALL}/1/disputes/{dispute.id}"
    page = web.browser("manager").get("/office/dealers/D01").text
    assert f'<a href="{at}">Booth 12, October 2026</a>' in page
    assert "waits for a decision" in page
    for_reading = web.browser("auditor").get("/office/dealers/D01").text
    assert "waits for a decision" in for_reading
    assert at not in for_reading  # The page where it is decided is the manager's.
    send(web.browser("manager"), at, outcome="It stands.")
    page = web.browser("manager").get("/office/dealers/D01").text
    assert f'<a href="{at}">Booth 12, October 2026</a>: decided Nov 3, 2026' in page


def test_a_dealer_whose_every_late_line_is_disputed_is_shown_and_sent_no_letter_of_what_is_late(
    web: Web, leasing: Leasing
) -> None:
    """Today leads here to decide it, and a letter would have nothing to ask for."""
    page = web.browser("manager").get(MALL).text
    row = next(part for part in page[page.index('id="late"') :].split("<tr>") if "D01" in part)
    assert '<small class="narrow-only">In dispute: 270.00</small>' in row
    assert f'href="{MALL}/1#charges"' in row
    assert "Write the letter" not in row
    assert "Write of what is late" not in web.browser("manager").get(f"{MALL}/1").text
    with web.sessions() as session:
        dispute = session.scalars(select(Dispute).where(Dispute.charge_id == leasing.charge)).one()
    assert send(web.browser("manager"), f"{MALL}/1/disputes/{dispute.id}", outcome="It stands.").status_code == 303
    page = web.browser("manager").get(MALL).text
    assert "In dispute: " not in page
    assert "Write the letter" in page[page.index('id="late"') :]
