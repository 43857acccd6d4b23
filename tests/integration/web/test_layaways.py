"""Layaways in the office: agreed by a form, paid, completed, cancelled; what is wrong stands at its field."""

from __future__ import annotations

import re

import pytest
from sqlalchemy import func, select

from coop.core.db import transaction
from coop.sales.layaway_books import check_layaways
from coop.sales.models import LayawayAgreement, LayawayMove, Ticket
from tests.integration.web.conftest import Web, send

MALL = "/office/layaways/MAIN"
AGREED = {
    # A browser sends every field of the page, the empty ones too.
    **{f"items-{n}-{name}": "" for n in range(6) for name in ("dealer", "tag", "words", "price", "discount", "allowed_by")},
    "key": "a" * 32,
    "buyer_name": "Tobias Wren",
    "items-0-dealer": "1",
    "items-0-words": "Oak washstand",
    "items-0-price": "120.00",
    "items-0-discount": "20.00",
    "items-0-allowed_by": "Fenwick",
    "items-2-dealer": "2",
    "items-2-words": "Blue crock",
    "items-2-price": "40",
    "due_days": "90",
    "fee_percent": "10",
    "deposit": "28",
    "tender": "cash",
}


def test_a_layaway_from_its_agreement_to_its_ticket(web: Web) -> None:
    manager = web.browser("manager")
    assert "Orla Quint" in manager.get(MALL).text
    page = manager.get(f"{MALL}/new").text
    assert re.search(r'name="key"[^>]*value="[0-9a-f]{32}"', page)
    for _ in range(2):
        sent = send(manager, f"{MALL}/new", **AGREED)
        assert (sent.status_code, sent.headers["Location"]) == (303, f"{MALL}/2")
    page = manager.get(f"{MALL}/2").text
    assert "Layaway 2 is agreed" in page
    assert "$119.70" in page  # 140.00 at 5.5%, less the deposit
    assert "$14.00, which is 10% of the prices" in manager.get(f"{MALL}/2/terms").text
    too_much = send(manager, f"{MALL}/2/payments", key="b" * 32, amount="120", tender="card")
    assert too_much.status_code == 422
    assert "The payment is $120.00: $119.70 is left to pay today." in too_much.text
    early = send(manager, f"{MALL}/2/complete")
    assert early.status_code == 422
    assert "$119.70 is left to pay" in early.text
    assert send(manager, f"{MALL}/2/payments", key="b" * 32, amount="119.70", tender="card").status_code == 303
    assert send(manager, f"{MALL}/2/complete").status_code == 303
    assert "its ticket is L2, $147.70" in manager.get(f"{MALL}/2").text
    with transaction(web.sessions) as session:
        ticket = session.scalars(select(Ticket).where(Ticket.number == "L2")).one()
        assert (ticket.net_cents, ticket.tax_cents, ticket.total_cents) == (140_00, 7_70, 147_70)
        assert check_layaways(session) == []
    assert send(manager, f"{MALL}/2/forget").status_code == 303
    assert "Tobias Wren" not in manager.get(f"{MALL}/2").text + manager.get(MALL).text


def test_cancelled_it_says_what_to_give_back(web: Web) -> None:
    manager = web.browser("manager")
    assert "$24.00 goes back to the buyer; $24.00 is kept" in manager.get(f"{MALL}/1").text
    assert "its buyer&#39;s name is needed" in send(manager, f"{MALL}/1/forget").text
    assert send(manager, f"{MALL}/1/cancel", tender="check").status_code == 303
    assert "give $24.00 back to the buyer" in manager.get(f"{MALL}/1").text
    again = send(manager, f"{MALL}/1/cancel", tender="check")
    assert "was cancelled on" in again.text
    assert again.status_code == 422
    with transaction(web.sessions) as session:
        kinds = session.execute(select(LayawayMove.kind, LayawayMove.tender, LayawayMove.amount_cents).order_by(LayawayMove.id))
        assert [tuple(row) for row in kinds] == [("paid", "cash", 48_00), ("fee", "", 24_00), ("given back", "check", 24_00)]


@pytest.mark.parametrize(
    ("changes", "said"),
    [
        ({"buyer_name": ""}, "Write the buyer&#39;s name."),
        ({"items-0-dealer": ""}, "Choose whose it is."),
        ({"items-2-words": ""}, "Write what it is"),
        ({"items-2-price": "lots"}, "This is not"),
        ({"items-0-discount": "121"}, "This is more than the price"),
        ({"items-0-allowed_by": ""}, "Say who allowed what is taken off."),
        ({"fee": "5"}, "Write the fee in percent or in dollars, not both."),
        ({"due_days": "0"}, "Write a whole number from 1 to 730."),
        ({"deposit": "500"}, "The deposit is $500.00: it lies above nothing and is at most the prices with their tax, $147.70."),
    ],
)
def test_what_is_wrong_stands_at_its_field_and_what_was_typed_stays(web: Web, changes: dict[str, str], said: str) -> None:
    answer = send(web.browser("manager"), f"{MALL}/new", **{**AGREED, **changes})
    assert answer.status_code == 422
    assert said in answer.text
    assert 'value="Oak washstand"' in answer.text
    assert "a" * 32 in answer.text
    with transaction(web.sessions) as session:
        assert session.scalar(select(func.count(LayawayAgreement.id))) == 1


def test_an_agreement_of_nothing(web: Web) -> None:
    empty = {name: value for name, value in AGREED.items() if not name.startswith("items")}
    assert "Write at least one item." in send(web.browser("manager"), f"{MALL}/new", **empty).text


def test_who_reads_only_sees_no_form(web: Web) -> None:
    page = web.browser("auditor").get(f"{MALL}/1").text
    assert "The manager takes payments" in page
    assert "Cancel the layaway" not in page


def test_one_that_is_not_there(web: Web) -> None:
    assert web.browser("manager").get(f"{MALL}/9").status_code == 404
