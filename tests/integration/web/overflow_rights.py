"""Every address of lent floor by role. The other addresses are in test_rights."""

from __future__ import annotations

from tests.integration.web.turn_rights import DEALER, Address

OVERFLOW: dict[tuple[str, str], tuple[Address, frozenset[str]]] = {
    ("lent.first", "GET"): ("/portal/overflow/", DEALER),
    ("lent.fairness", "GET"): ("/portal/overflow/fairness", DEALER),
    ("lent.ask", "GET"): ("/portal/overflow/ask", DEALER),
    ("lent.ask_floor", "POST"): ("/portal/overflow/ask", DEALER),
    ("lent.asked", "GET"): (lambda house, _: f"/portal/overflow/requests/{house.overflow.granted}", DEALER),
    ("lent.change", "GET"): (lambda house, _: f"/portal/overflow/requests/{house.overflow.waiting}/change", DEALER),
    ("lent.change_asked", "POST"): (lambda house, _: f"/portal/overflow/requests/{house.overflow.waiting}/change", DEALER),
    ("lent.withdraw", "POST"): (lambda house, _: f"/portal/overflow/requests/{house.overflow.waiting}/withdraw", DEALER),
    ("lent.again", "POST"): (lambda house, _: f"/portal/overflow/requests/{house.overflow.withdrawn}/again", DEALER),
    ("lent.there", "POST"): (lambda house, _: f"/portal/overflow/stays/{house.overflow.stay}/there", DEALER),
    ("lent.not_there", "POST"): (lambda house, _: f"/portal/overflow/stays/{house.overflow.stay}/not-there", DEALER),
    ("lent.gone", "POST"): (lambda house, _: f"/portal/overflow/stays/{house.overflow.stay}/gone", DEALER),
    ("lent.not_gone", "POST"): (lambda house, _: f"/portal/overflow/stays/{house.overflow.stay}/not-gone", DEALER),
    ("lent.give_back", "POST"): (lambda house, _: f"/portal/overflow/stays/{house.overflow.to_come}/give-back", DEALER),
    ("lent.have_again", "POST"): (lambda house, _: f"/portal/overflow/stays/{house.overflow.to_come}/stand-again", DEALER),
}
