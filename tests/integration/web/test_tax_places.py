"""Places found by ZIP and chosen by hand, certificates, payments and drafts, in the office: what is done, and what is told."""

from __future__ import annotations

import io
import re
from datetime import date, timedelta
from decimal import Decimal
from typing import Any

import pytest
from sqlalchemy import func, select

from coop.core.audit import AuditLog
from coop.core.db import transaction
from coop.core.documents import Document
from coop.core.jobs import claim_next, run_job
from coop.core.periods import Month
from coop.floor.models import Mall
from coop.tax.domain.returns import FilingPeriod
from coop.tax.filing import file_return
from coop.tax.importing import apply_import, keep_proposal, propose_file
from coop.tax.models import TaxCertificate, TaxPlace
from coop.tax.places import place_name
from coop.tax.rendering import document_of, drafts_of
from coop.tax.service import add_jurisdiction, set_rate
from tests.factories.tax import OFFICE, STATE, filer_of
from tests.integration.web.conftest import Web, send

PLACES, PLACE = "/office/tax/places", "/office/tax/places/MAIN"
CERTIFICATES = "/office/tax/certificates"
PAYMENTS = "/office/tax/offices/elder-revenue-office/payments"
WORKSHEET = "/office/tax/offices/elder-revenue-office/2026-11"


def boundary(record: str, low: str, high: str, county: str, city: str = "", district: str = "", state: str = STATE) -> str:
    fields = [""] * 89
    fields[:3] = [record, "20200101", "29991231"]
    fields[17], fields[18], fields[19], fields[20] = low[:5], low[5:], high[:5], high[5:]
    fields[22:26] = [state, state, county, city]
    if district:
        fields[29:32] = ["x", district, "63"]
    return ",".join(fields) + "\n"


BOUNDARIES = (
    boundary("Z", "90001", "90001", "001")
    + boundary("Z", "90002", "90002", "001")
    + boundary("Z", "90002", "90002", "001", district="77")
    + boundary("4", "900020100", "900020199", "001", district="77")
    + boundary("Z", "90003", "90003", "999")
)


@pytest.fixture
def mapped(web: Web) -> Web:
    """90001 is in Alder county; 90002 too, in part within a district of 0.25%; 90003 in a county nobody brought in."""
    with transaction(web.sessions) as session:
        district = add_jurisdiction(session, code="EL-RIVER", name="River district", kind="district", state_fips=STATE, fips="77")
        set_rate(session, district, Decimal("0.25"), starts_on=date(2020, 1, 1))
        proposed = propose_file(session, "boundary", "b.csv", io.BytesIO(BOUNDARIES.encode()))
        apply_import(session, web.clock.at, keep_proposal(session, web.clock.at, proposed).id)
    return web


def text(page: str) -> str:
    return re.sub(r"\s+", " ", re.sub(r"<[^>]*>", " ", page))


# --- places -------------------------------------------------------------------------------------------------------------


def test_a_zip_in_one_place_shows_its_stack_and_is_confirmed(mapped: Web) -> None:
    client = mapped.browser("manager")
    page = client.get(PLACE + "?zip=90001&on=2026-12-01").text
    assert re.search(r"State of Elder state 5% Alder county county 0\.5% Together 5\.5%", text(page))
    sent: dict[str, Any] = {"code": ["EL", "EL-ALDER"], "starts_on": "2026-12-01", "basis": "item", "aggregated": "no"}
    answer = send(client, PLACE, **sent)
    assert answer.headers["Location"] == PLACES
    shown = text(client.get(PLACES).text)
    assert "is confirmed from Dec 1, 2026" in shown
    assert "Dec 1, 2026 confirmed by a person Nov 3, 2026, 9:00 am" in shown
    assert "Jan 1, 2020" in shown
    with mapped.sessions() as session:
        place = session.scalars(select(TaxPlace).order_by(TaxPlace.starts_on.desc())).first()
        assert place is not None
        assert ([j.code for j in place.jurisdictions], place.basis, place.aggregated) == (["EL", "EL-ALDER"], "item", False)
        line = session.scalars(select(AuditLog).where(AuditLog.action == "tax place confirmed")).one()
        assert (line.subject_id, line.user_id) == (place_name(mapped.house.mall, place.starts_on), mapped.house.users["manager"])
    again = send(client, PLACE, **sent)
    assert again.status_code == 422
    assert "has a place from 2026-12-01 already" in again.text
    assert 'class="field wrong"' in again.text
    assert send(client, f"{PLACE}/{place.id}/withdraw").status_code == 303
    assert "Dec 1, 2026" not in text(client.get(PLACES).text).split("goes on")[1]


def test_of_two_places_one_is_chosen(mapped: Web) -> None:
    client = mapped.browser("manager")
    page = client.get(PLACE + "?zip=90002&on=2026-12-01").text
    assert "ZIP 90002 is in 2 places on 2026-12-01: give its +4 code, or pick one by hand." in page
    assert 'class="field wrong"' in page
    assert "Together 5.5%" in text(page)
    assert "Together 5.75%" in text(page)
    assert "Confirm the place" not in page
    links = re.findall(r'href="([^"]*code=[^"]*#confirm)">It lies', page)
    chosen = client.get(links[1].replace("&amp;", "&")).text
    assert "Together 5.75%" in text(chosen)
    assert 'value="2026-12-01"' in chosen
    assert "Confirm the place" in chosen
    exact = client.get(PLACE + "?zip=90002-0150&on=2026-12-01").text
    assert "Together 5.75%" in text(exact)
    assert "Confirm the place" in exact


@pytest.mark.parametrize(
    ("query", "sentence"),
    [
        (
            "zip=99999&on=2026-12-01",
            "ZIP 99999 is in no place of the boundary file on 2026-12-01: choose its jurisdictions by hand.",
        ),
        ("zip=90001&on=2019-12-01", "ZIP 90001 is in no place"),
        ("zip=9000&on=2026-12-01", "a ZIP code is five digits, such as 55401, or nine"),
        ("zip=&on=2026-12-01", "Write the ZIP code of the mall"),
        ("zip=90001&on=soon", "This is not a day."),
        (
            "zip=90003&on=2026-12-01",
            "There is no county 999 of state 97: check the code, or bring the state&#39;s rate file in first.",
        ),
    ],
)
def test_a_zip_that_leads_nowhere_is_told_at_its_field(mapped: Web, query: str, sentence: str) -> None:
    page = mapped.browser("manager").get(f"{PLACE}?{query}").text
    assert sentence in page
    assert page.count('class="field wrong"') == 1
    assert "Confirm the place" not in page


def test_before_any_file_of_boundaries_the_page_says_so_and_leads_to_the_files(web: Web) -> None:
    page = web.browser("manager").get(f"{PLACE}?zip=50001&on=2026-12-01").text
    assert "No file of boundaries has been read yet: no ZIP code leads anywhere." in page
    assert "in no place of the boundary file" not in page
    assert 'href="/office/tax/files">Bring the state' in page


def test_jurisdictions_are_chosen_by_hand(mapped: Web) -> None:
    client = mapped.browser("manager")
    page = client.get(PLACE + "?wanted=river&code=EL").text
    assert "River district, EL-RIVER" in page
    assert "Together 5%" in text(page)
    both = client.get(PLACE + "?code=EL-RIVER&code=EL&wanted=el").text
    # The state first, whatever was added first; what is chosen is not offered again.
    assert re.search(r"State of Elder state 5% River district district 0\.25%", text(both))
    assert "Add River district" not in text(both)
    assert client.get(PLACE + "?code=NONE").status_code == 404
    none = client.get(PLACE + "?wanted=nowhere").text
    assert "There is none of that name" in none
    assert 'href="/office/tax/files">The state' in none
    assert 'href="/office/tax/jurisdictions/new">add one by hand' in none
    assert "No file of boundaries has been read yet" not in none
    nothing = client.get(PLACE + "?none=yes").text
    assert "Nothing is taxed there." in nothing
    assert send(client, PLACE, starts_on="2027-01-01", basis="ticket", aggregated="yes").status_code == 303
    assert "none: nothing is taxed" in client.get(PLACES).text


def test_a_day_whose_tickets_were_taxed_already_is_refused(mapped: Web) -> None:
    with transaction(mapped.sessions) as session:
        filer_of(session, mapped.clock.at, session.get_one(Mall, mapped.house.mall.id)).sell(date(2026, 11, 2), 1_000)
    client = mapped.browser("manager")
    sent: dict[str, Any] = {"code": ["EL", "EL-ALDER", "EL-RIVER"], "basis": "ticket", "aggregated": "yes"}
    answer = send(client, PLACE, starts_on="2026-11-01", **sent)
    assert answer.status_code == 422
    assert "were taxed up to 2026-11-02, and stay as they were: choose a day after that." in answer.text
    # What was chosen is kept.
    assert "Together 5.75%" in text(answer.text)
    assert send(client, PLACE, starts_on="", **sent).status_code == 422
    assert send(client, PLACE, starts_on="2026-11-03", **sent).status_code == 303
    with mapped.sessions() as session:
        first = session.scalars(select(TaxPlace).order_by(TaxPlace.starts_on)).first()
        assert first is not None
    answer = send(client, f"{PLACE}/{first.id}/withdraw")
    assert answer.status_code == 422
    assert "Tickets were taxed at this place up to 2026-11-02" in answer.text


def test_two_states_are_no_place(mapped: Web) -> None:
    with transaction(mapped.sessions) as session:
        add_jurisdiction(session, code="OT", name="State of Other", kind="state", state_fips="96", fips="96")
    sent: dict[str, Any] = {"code": ["EL", "OT"], "starts_on": "2026-12-01", "basis": "ticket", "aggregated": "yes"}
    answer = send(mapped.browser("manager"), PLACE, **sent)
    assert answer.status_code == 422
    assert "cannot both tax one place" in answer.text


# --- certificates -------------------------------------------------------------------------------------------------------

GOOD = {
    "number": " R-2002 ",
    "kind": "resale",
    "buyer_name": "Mill Road Traders",
    "states": "WI, Minnesota, 97",
    "starts_on": "2026-01-01",
    "expires_on": "2027-12-31",
}


def test_a_certificate_is_put_on_file_renewed_and_its_buyer_forgotten(web: Web) -> None:
    client = web.browser("manager")
    assert send(client, CERTIFICATES, **GOOD).status_code == 303
    page = client.get(CERTIFICATES).text
    assert "Certificate R-2002 is on file." in page
    assert "WI, MN, 97" in page
    with web.sessions() as session:
        made = session.scalars(select(TaxCertificate).where(TaxCertificate.number == "R-2002")).one()
        assert made.states == ["55", "27", "97"]
    path = f"{CERTIFICATES}/{made.id}"
    assert "Mill Road Traders" in client.get(path).text
    answer = send(client, path + "/until", expires_on="2025-12-31")
    assert answer.status_code == 422
    assert "It starts on 2026-01-01: its last day cannot be 2025-12-31" in answer.text
    assert send(client, path + "/until", expires_on="soon").status_code == 422
    assert send(client, path + "/until", expires_on="2026-06-30").status_code == 303
    assert "expired Jun 30, 2026" in client.get(CERTIFICATES).text
    assert send(client, path + "/until", expires_on="").status_code == 303
    assert "has no end" in client.get(CERTIFICATES).text
    assert send(client, path + "/forget").status_code == 303
    page = client.get(path).text
    assert "name removed" in page
    assert "Remove the name" not in page
    with web.sessions() as session:
        assert "Mill Road" not in repr(session.execute(select(AuditLog.detail, AuditLog.subject_id)).all())
    assert "Remove the name" not in web.browser("auditor").get(f"{CERTIFICATES}/1").text


@pytest.mark.parametrize(
    ("fields", "sentence"),
    [
        ({"number": ""}, "Write the certificate&#39;s number."),
        ({"number": "R-1001"}, "Certificate R-1001 is on file already."),
        ({"number": " R-1001"}, "Certificate R-1001 is on file already."),
        ({"number": "x" * 41}, "Write it in 40 characters."),
        ({"buyer_name": ""}, "Write the buyer&#39;s name"),
        ({"states": "Wisconsin, Elsewhere"}, "Elsewhere is no state. Write states like WI, MN or Wisconsin"),
        ({"states": ""}, "Write the states it holds in"),
        ({"states": ","}, "Write the states it holds in"),
        ({"expires_on": "2025-12-31"}, "This is before its first day."),
        ({"starts_on": "January"}, "This is not a day."),
    ],
)
def test_a_certificate_that_cannot_be_is_told_at_its_field(web: Web, fields: dict[str, str], sentence: str) -> None:
    answer = send(web.browser("manager"), CERTIFICATES, **{**GOOD, **fields})
    assert answer.status_code == 422
    assert sentence in answer.text
    assert answer.text.count('class="field wrong"') == 1
    if "buyer_name" not in fields:
        assert "Mill Road Traders" in answer.text
    with web.sessions() as session:
        assert session.scalar(select(func.count(TaxCertificate.id))) == 2


# --- payments -----------------------------------------------------------------------------------------------------------


def test_what_is_owed_is_paid_later_and_what_is_more_is_paid_ahead(web: Web) -> None:
    with transaction(web.sessions) as session:
        filer_of(session, web.clock.at, session.get_one(Mall, web.house.mall.id)).sell(date(2026, 11, 2), 10_000)
        november = FilingPeriod(Month(2026, 11), "month")
        file_return(session, web.clock.at, OFFICE, november, filed_on=date(2026, 12, 2), paid_cents=0)
    client = web.browser("manager")
    page = client.get(PAYMENTS).text
    # 550 of tax less 2%: 11.
    assert "$5.39 is owed to it." in page
    assert 'value="5.39"' in page
    assert "$5.39 is owed" in client.get("/office/tax/").text
    assert send(client, PAYMENTS, on="2026-11-03", amount="5.39", reference="transfer 1").status_code == 303
    assert "Nothing is owed to it." in client.get(PAYMENTS).text
    paid = {"on": "2026-11-03", "amount": "100.00", "reference": "check 77"}
    assert send(client, PAYMENTS, **paid).status_code == 303
    page = text(client.get(PAYMENTS).text)
    assert "The payment is in the books." in page
    assert "$100.00 is paid ahead" in page
    assert "Paid to Elder Revenue Office, check 77 100.00" in page
    assert "Sales-tax return elder-revenue-office.2026-11 5.39" in page
    assert "$100.00 is paid ahead" in client.get("/office/tax/").text
    again = send(client, PAYMENTS, **paid)
    assert again.status_code == 422
    assert "is empty, too long or used already" in again.text


@pytest.mark.parametrize(
    ("fields", "sentence"),
    [
        ({"on": "2026-11-04"}, "This day is still to come"),
        ({"on": ""}, "Write the day it was paid"),
        ({"amount": "0"}, "Nothing is paid with 0"),
        ({"amount": "-5"}, "cannot be negative"),
        ({"amount": "ten"}, "This is not an amount"),
        ({"reference": ""}, "Write the check&#39;s or the transfer&#39;s own number."),
    ],
)
def test_a_payment_that_cannot_be_is_told_at_its_field(web: Web, fields: dict[str, str], sentence: str) -> None:
    sent = {"on": "2026-11-03", "amount": "100.00", "reference": "check 77", **fields}
    answer = send(web.browser("manager"), PAYMENTS, **sent)
    assert answer.status_code == 422
    assert sentence in answer.text
    assert answer.text.count('class="field wrong"') == 1
    assert "Nothing is owed to it." in answer.text


# --- drafts -------------------------------------------------------------------------------------------------------------


def test_a_worksheet_is_put_on_paper_as_a_draft_by_a_worker(web: Web) -> None:
    number = "elder-revenue-office.2026-11"
    client = web.browser("manager")
    assert "Draft of" in client.get(WORKSHEET).text
    with transaction(web.sessions) as session:
        before = len(drafts_of(session, number))
    for _ in range(2):
        assert send(client, WORKSHEET + "/draft").status_code == 303
    page = client.get(WORKSHEET).text
    assert "A draft is being made" in page
    assert "Make a draft as PDF" not in page
    with transaction(web.sessions) as session:
        claimed = claim_next(session, web.clock.at, timedelta(seconds=60), group_key=f"tax-draft:{number}")
        assert claimed is not None
    run_job(web.sessions, claimed[0], lease=timedelta(seconds=60), token=claimed[1], clock=web.clock)
    with transaction(web.sessions) as session:
        drafts = drafts_of(session, number)
        assert len(drafts) == before + 1
        assert document_of(session, number) is None
        assert claim_next(session, web.clock.at, timedelta(seconds=60), group_key=f"tax-draft:{number}") is None
    answer = client.get(f"{WORKSHEET}/drafts/{drafts[0].id}.pdf")
    assert answer.headers["Content-Type"] == "application/pdf"
    assert answer.data.startswith(b"%PDF")
    assert f"/drafts/{drafts[0].id}.pdf" in client.get(WORKSHEET).text
    # The same worksheet again is the same draft; another document is none of its drafts.
    assert send(client, WORKSHEET + "/draft").status_code == 303
    assert "A draft is being made" not in client.get(WORKSHEET).text
    with web.sessions() as session:
        other = session.scalars(select(Document.id).where(Document.file_name.startswith("statement-"))).first()
    assert client.get(f"{WORKSHEET}/drafts/{other}.pdf").status_code == 404


def test_a_filed_return_has_no_draft(web: Web) -> None:
    answer = send(web.browser("manager"), "/office/tax/offices/elder-revenue-office/2026-10/draft")
    assert answer.status_code == 422
    assert "its own paper is on its page" in answer.text
