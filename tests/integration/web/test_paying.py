"""How a dealer is paid, on the office's pages and on her own: masked, with her passphrase, never a number in page or mail."""

from __future__ import annotations

import pytest
from sqlalchemy import select

from coop.core.audit import AuditLog
from coop.core.outbox import Outbox
from coop.dealers.models import Dealer, PayoutDetail
from tests.factories.house import PASSPHRASE
from tests.integration.web.conftest import Web, send
from tests.integration.web.test_tax_terms import mistake_at

OFFICE, OWN = "/office/dealers/D01/paying", "/portal/paid/D01"
GOOD = {
    "method": "ach",
    "holder": "person",
    "account_kind": "checking",
    "routing": "111000025",
    "account": "000123456789",
    "again": "000123456789",
}
ASKED = {"reason": "asked at the desk"}


def kept(web: Web) -> list[tuple[str, str, str]]:
    with web.sessions() as session:
        rows = session.execute(
            select(Dealer.code, PayoutDetail.method, PayoutDetail.account_last4)
            .join(Dealer, Dealer.id == PayoutDetail.dealer_id)
            .order_by(PayoutDetail.id)
        )
        return [tuple(row) for row in rows]


def test_the_office_enters_an_account_and_sees_it_masked_until_it_asks(web: Web) -> None:
    client = web.browser("bookkeeper")
    assert "by check, as nothing is on file" in client.get(OFFICE).text
    assert send(client, OFFICE, **GOOD, **ASKED).headers["Location"] == OFFICE
    assert kept(web) == [("D01", "ach", "6789")]
    for who in ("bookkeeper", "auditor"):
        for path in (OFFICE, "/office/dealers/D01"):
            page = web.browser(who).get(path).text
            assert "checking account ending 6789" in page.lower()
            assert "000123456789" not in page
    assert "Show the whole" not in web.browser("auditor").get(OFFICE).text
    assert "<strong>000123456789</strong>" in send(client, f"{OFFICE}/account").text
    with web.sessions() as session:
        seen = session.execute(select(AuditLog.user_id, AuditLog.detail).where(AuditLog.action == "bank account seen")).all()
        assert seen == [(web.house.users["bookkeeper"], "ending 6789")]
        mail = session.scalars(select(Outbox).where(Outbox.kind == "payout details")).one()
        assert (mail.recipient, "6789" in mail.text_body + mail.html_body) == ("ida@example.org", False)


def test_a_dealer_enters_her_own_with_her_passphrase(web: Web) -> None:
    client = web.browser("dealer")
    wrong = send(client, OWN, **GOOD, passphrase="not this one at all")
    assert wrong.status_code == 422
    assert "not the passphrase" in mistake_at(wrong.text, "passphrase")
    assert "000123456789" not in wrong.text
    assert send(client, OWN, **GOOD).status_code == 422
    assert kept(web) == []
    assert send(client, OWN, **GOOD, passphrase=PASSPHRASE).headers["Location"] == "/portal/paid"
    assert kept(web) == [("D01", "ach", "6789")]
    page = client.get("/portal/paid").text
    assert "to the checking account ending 6789" in page
    assert "000123456789" not in page
    assert send(web.browser("other dealer"), OWN, **GOOD, passphrase=PASSPHRASE).status_code == 404
    assert web.browser("other dealer").get(OWN).status_code == 404


def test_guessing_her_passphrase_has_to_wait(web: Web) -> None:
    client = web.browser("dealer")
    answers = [send(client, OWN, **GOOD, passphrase="a guess of it").status_code for _ in range(6)]
    assert answers == [422] * 5 + [429]
    assert send(client, OWN, **GOOD, passphrase=PASSPHRASE).status_code == 429
    assert kept(web) == []


@pytest.mark.parametrize(
    ("wrong", "at", "sentence"),
    [
        ({"routing": "112000025"}, "routing", "A digit of the routing number is wrong"),
        ({"account": "12", "again": "12"}, "account", "4 to 17 digits"),
        ({"again": "000123456788"}, "again", "differ"),
        ({"account_kind": ""}, "account_kind", "checking or savings"),
        ({"method": "cash"}, "method", "one of those listed"),
        ({"reason": ""}, "reason", "Say why it changes"),
    ],
)
def test_what_is_wrong_is_told_at_its_field_without_the_number(web: Web, wrong: dict[str, str], at: str, sentence: str) -> None:
    answer = send(web.browser("manager"), OFFICE, **{**GOOD, **ASKED, **wrong})
    assert answer.status_code == 422
    assert sentence in mistake_at(answer.text, at)
    assert "000123456789" not in answer.text
    assert kept(web) == []


def test_a_tax_form_is_kept_with_its_number_sealed(web: Web) -> None:
    client = web.browser("manager")
    # The number is python-stdnum's own example of an EIN.
    form = {"form": "W-9", "received_on": "2026-11-02", "number_kind": "EIN", "number": "91-1144442"}
    for wrong, at, sentence in (
        ({"received_on": "2026-11-04"}, "received_on", "still to come"),
        ({"number": "07-1144442"}, "number", "no employer identification number"),
        ({"number": ""}, "number", "not kept here"),
    ):
        answer = send(client, "/office/dealers/D01/tax-form", **{**form, **wrong})
        assert (answer.status_code, sentence in mistake_at(answer.text, at)) == (422, True)
    assert send(client, "/office/dealers/D01/tax-form", **form).status_code == 303
    page = client.get(OFFICE).text
    assert "ending 4442" in page
    assert "1144442" not in page
    assert "W-9, received on Nov 2, 2026" in client.get("/office/dealers/D01").text
    assert "91-1144442" in send(client, "/office/dealers/D01/tax-form/number").text
    assert "W-9, received on Nov 2, 2026" in web.browser("dealer").get("/portal/paid").text
