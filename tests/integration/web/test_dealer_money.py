"""Checks that came back, chargebacks, charges and credits of a dealer, by the office's forms."""

from __future__ import annotations

import re

import pytest
from sqlalchemy import func, select

from coop.books.models import Entry
from coop.books.queries import dealer_entries
from coop.core.db import transaction
from coop.dealers.models import RoleGrant
from coop.leases.models import Charge
from tests.integration.web.conftest import Web, send
from tests.integration.web.test_payments import GOOD, balances
from tests.integration.web.test_tax_terms import mistake_at

D01 = "/office/dealers/D01"
BOUNCED = {"on": "2026-11-03", "reference": "N-5", "bank_fee": ""}
CHARGEBACK = {"mall": "MAIN", "amount": "48", "why": "card", "ticket": "500", "on": "2026-11-03", "borne_by": "dealer"}
CHARGEBACK["reference"] = "CB-1"
EXTRA = {"key": "a" * 32, "mall": "MAIN", "what": "no-show", "count": "2", "each": "25", "on": "2026-11-02"}
EXTRA["which"] = "Nov 1 and 2"


def choice_of(page: str) -> str:
    found = re.search(r'<option[^>]* value="(\d+)">Nov 2, 2026: \$212.50', page)
    assert found, page
    return found[1]


def moved(web: Web, before: dict[str, int]) -> dict[str, int]:
    return {path: cents - before.get(path, 0) for path, cents in balances(web).items() if cents != before.get(path, 0)}


def charges(web: Web) -> list[tuple[str, int, str]]:
    with web.sessions() as session:
        rows = session.scalars(select(Charge).where(Charge.kind.in_(("turn", "overflow", "fee"))).order_by(Charge.id))
        return [(row.label, row.amount_cents, row.working) for row in rows if row.dealer_id == 1]


def test_a_check_comes_back_once_with_its_fee(web: Web) -> None:
    assert send(web.browser("manager"), f"{D01}/payment", **GOOD).status_code == 303
    before = balances(web)
    client = web.browser("bookkeeper")
    payment = choice_of(client.get(f"{D01}/bounced").text)
    answer = send(client, f"{D01}/bounced", **BOUNCED, payment=payment, passed_on="y")
    assert "Write what the bank asked for" in mistake_at(answer.text, "bank_fee")
    for fields, at, sentence in (
        ({"on": "2026-11-04"}, "on", "still to come"),
        ({"on": "2026-11-01"}, "on", "before it was paid"),
        ({"payment": "1"}, "payment", "one of those listed"),
        ({"reference": ""}, "reference", "bank’s notice"),
    ):
        answer = send(client, f"{D01}/bounced", **{**BOUNCED, "payment": payment, **fields})
        assert (answer.status_code, sentence in mistake_at(answer.text, at)) == (422, True), (fields, answer.text)
    assert balances(web) == before
    answer = send(client, f"{D01}/bounced", **{**BOUNCED, "payment": payment, "bank_fee": "12", "passed_on": "y"})
    assert answer.headers["Location"] == D01
    assert moved(web, before)["Assets:Checks-to-deposit:MAIN"] == -212_50
    assert moved(web, before)["Liabilities:Dealers:MAIN:D01"] == 224_50
    assert ("Check that came back", 12_00, "the bank's fee, notice N-5") in charges(web)
    assert "The dealer has paid by no check that could come back" in client.get(f"{D01}/bounced").text


def test_a_chargeback_is_the_dealers_or_the_co_ops(web: Web) -> None:
    client = web.browser("bookkeeper")
    before = balances(web)
    assert send(client, f"{D01}/chargeback", **CHARGEBACK).status_code == 303
    assert moved(web, before) == {"Liabilities:Dealers:MAIN:D01": 48_00}
    answer = send(client, f"{D01}/chargeback", **CHARGEBACK)
    assert "posted already" in mistake_at(answer.text, "reference")
    assert send(client, f"{D01}/chargeback", **{**CHARGEBACK, "reference": "CB-2", "borne_by": "co-op"}).status_code == 303
    assert moved(web, before) == {"Liabilities:Dealers:MAIN:D01": 48_00}
    with web.sessions() as session:
        day = web.clock.at.date()
        memos = [e.memo for e in dealer_entries(session, web.house.mall.id, 1, day, day, besides=())]
        assert memos[-1] == "Taken back by the bank: the buyer disputed the card payment, ticket 500, CB-1"
        assert session.scalar(select(func.count(Entry.id)).where(Entry.kind == "chargeback")) == 2


@pytest.mark.parametrize(
    ("what", "label", "cents"),
    [
        ("no-show", "Turn not worked", 50_00),
        ("buy-out", "Turn bought out", 50_00),
        ("credit", "Turns worked beyond what is owed", -50_00),
        ("overflow", "Overflow rent", 50_00),
    ],
)
def test_a_charge_or_a_credit_says_how_it_came_about(web: Web, what: str, label: str, cents: int) -> None:
    before = charges(web)
    client = web.browser("manager")
    assert send(client, f"{D01}/charge", **{**EXTRA, "what": what}).status_code == 303
    assert charges(web)[len(before) :] == [(label, cents, "2 × $25.00: Nov 1 and 2")]
    answer = send(client, f"{D01}/charge", **{**EXTRA, "what": what})
    assert (answer.status_code, "is posted in November 2026 already" in answer.text) == (422, True)


@pytest.mark.parametrize(
    ("wrong", "at", "sentence"),
    [
        ({"count": "0"}, "count", "from 1 to 99"),
        ({"each": "0"}, "each", "is $0.00"),
        ({"what": "overflow", "each": "0"}, "each", "above zero"),
        ({"which": ""}, "which", "Write which"),
        ({"on": "2026-11-04"}, "on", "still to come"),
        ({"on": "2026-09-30"}, "on", "had no lease"),
        ({"mall": "EAST"}, "mall", "one of those listed"),
    ],
)
def test_what_is_wrong_with_a_charge_is_told_at_its_field(web: Web, wrong: dict[str, str], at: str, sentence: str) -> None:
    before = charges(web)
    answer = send(web.browser("manager"), f"{D01}/charge", **{**EXTRA, **wrong})
    assert answer.status_code == 422
    assert sentence in mistake_at(answer.text, at)
    assert charges(web) == before


def test_a_manager_who_deals_gives_herself_nothing(web: Web) -> None:
    with transaction(web.sessions) as session:
        session.add(RoleGrant(user_id=web.house.users["dealer"], role="manager"))
    client = web.browser("dealer")
    answer = send(client, f"{D01}/charge", **{**EXTRA, "what": "credit"})
    assert "a second person has to" in mistake_at(answer.text, "what")
    answer = send(client, f"{D01}/chargeback", **{**CHARGEBACK, "borne_by": "co-op"})
    assert "a second person has to" in mistake_at(answer.text, "borne_by")
