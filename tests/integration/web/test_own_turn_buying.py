"""A dealer buys turns out in the portal: as many as are owed beside the rota, where the house rules have a price."""

from __future__ import annotations

from decimal import Decimal

from sqlalchemy import select

from coop.core.db import transaction
from coop.leases.models import Charge
from coop.shifts.models import TurnRule
from coop.shifts.turn_models import TurnAccount
from tests.integration.web.conftest import Web, send

BUY = "/portal/turns/buy-out/MAIN/2026-12"


def test_turns_are_bought_out_and_stand_on_the_account(web: Web) -> None:
    client = web.browser("dealer")
    # In November Ida has more turns on the rota than she owes: none is to be bought out.
    page = client.get("/portal/turns/balance").text
    assert "Buy turns of November 2026 out" not in page
    assert f'href="{BUY}"' in page
    # Four a month less one as Treasurer, and one from before.
    page = client.get(BUY).text
    assert '<option value="4">4 turns: $160.00</option>' in page
    assert '<option value="5">' not in page
    assert "employment under local law" in page
    answer = send(client, BUY, number="5")
    assert answer.status_code == 422
    assert "Choose one of those listed." in answer.text
    answer = send(client, BUY, number="3")
    page = client.get(answer.headers["Location"]).text
    assert "3 turns of December 2026 are bought out: it stands on your account." in page
    assert "Bought out, December 2026" in page
    send(client, BUY, number="1")
    # All is bought: there is nothing more to buy of that month.
    assert client.get(BUY).status_code == 404
    with transaction(web.sessions) as session:
        lines = session.execute(select(TurnAccount.turns, TurnAccount.working).where(TurnAccount.kind == "bought out"))
        assert [tuple(row) for row in lines] == [(Decimal(3), "3 turns at $40.00 each"), (Decimal(1), "1 turn at $40.00 each")]
        charges = session.execute(select(Charge.amount_cents, Charge.label).where(Charge.kind == "turn").order_by(Charge.id))
        assert [tuple(row) for row in charges] == [
            (120_00, "Turns bought out, December 2026"),
            (40_00, "Turns bought out, December 2026"),
        ]


def test_nothing_is_for_sale_without_a_price_or_in_another_month(web: Web) -> None:
    client = web.browser("dealer")
    for path in ("/portal/turns/buy-out/MAIN/2027-02", "/portal/turns/buy-out/BARN/2026-12"):
        assert client.get(path).status_code == 404
    with transaction(web.sessions) as session:
        session.execute(TurnRule.__table__.update().values(buy_out_cents=None))
    assert client.get(BUY).status_code == 404
    assert send(client, BUY, number="1").status_code == 404
    assert "Buy turns of" not in client.get("/portal/turns/balance").text
