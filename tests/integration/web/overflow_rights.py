"""Every address of lent floor by role. The other addresses are in test_rights."""

from __future__ import annotations

from collections.abc import Callable

from tests.factories.house import House
from tests.integration.web.turn_rights import DEALER, DESK, MANAGER, READERS, Address


def stay_at(what: str) -> Callable[[House, str], str]:
    return lambda house, _: f"/office/overflow/MAIN/stays/{house.overflow.stay}{what}"


def asked_at(what: str) -> Callable[[House, str], str]:
    return lambda house, _: f"/office/overflow/MAIN/requests/{house.overflow.waiting}{what}"


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
    ("overflow.first", "GET"): ("/office/overflow/", READERS),
    ("overflow.plan", "GET"): ("/office/overflow/MAIN", READERS),
    ("overflow.survey", "GET"): ("/office/overflow/MAIN/survey", READERS),
    ("overflow.work_out", "POST"): ("/office/overflow/MAIN/survey", MANAGER),
    ("overflow.ask_back", "POST"): ("/office/overflow/MAIN/must-move", MANAGER),
    ("overflow.bays", "GET"): ("/office/overflow/MAIN/bays", READERS),
    ("overflow.bay", "GET"): ("/office/overflow/MAIN/bays/A1-1", READERS),
    ("overflow.note_bay", "POST"): ("/office/overflow/MAIN/bays/A1-1", MANAGER),
    ("overflow.lend", "POST"): ("/office/overflow/MAIN/bays/A1-1/lending", MANAGER),
    ("overflow.openings", "GET"): ("/office/overflow/MAIN/openings/12", READERS),
    ("overflow.say_openings", "POST"): ("/office/overflow/MAIN/openings/12", MANAGER),
    ("overflow.stay", "GET"): (stay_at(""), READERS),
    ("overflow.move", "POST"): (stay_at("/move"), MANAGER),
    ("overflow.lengthen", "POST"): (stay_at("/lengthen"), MANAGER),
    ("overflow.undo_lengthen", "POST"): (stay_at("/lengthen/undo"), MANAGER),
    ("overflow.end", "POST"): (stay_at("/end"), MANAGER),
    ("overflow.undo_end", "POST"): (stay_at("/end/undo"), MANAGER),
    ("overflow.ask_one_back", "POST"): (stay_at("/recall"), MANAGER),
    ("overflow.undo_recall", "POST"): (stay_at("/recall/undo"), MANAGER),
    ("overflow.cancel", "POST"): (stay_at("/cancel"), MANAGER),
    ("overflow.undo_cancel", "POST"): (stay_at("/cancel/undo"), MANAGER),
    ("overflow.there", "POST"): (stay_at("/there"), MANAGER),
    ("overflow.requests", "GET"): ("/office/overflow/MAIN/requests", READERS),
    ("overflow.asked", "GET"): (asked_at(""), READERS),
    ("overflow.give", "POST"): (asked_at("/give"), MANAGER),
    ("overflow.withdraw_asked", "POST"): (asked_at("/withdraw"), MANAGER),
    ("overflow.write", "GET"): ("/office/overflow/MAIN/requests/new", MANAGER),
    ("overflow.write_down", "POST"): ("/office/overflow/MAIN/requests/new", MANAGER),
    ("overflow.sold_here", "GET"): ("/office/overflow/sold", READERS | DESK),
    ("overflow.sold", "GET"): ("/office/overflow/MAIN/sold", READERS | DESK),
    ("overflow.put_sold", "POST"): ("/office/overflow/MAIN/sold", MANAGER | DESK),
    ("overflow.fetched", "POST"): (
        lambda house, _: f"/office/overflow/MAIN/sold/{house.overflow.stay}/fetched",
        MANAGER | DESK,
    ),
    ("overflow.draft", "GET"): ("/office/overflow/MAIN/draft", READERS),
    ("overflow.draft_progress", "GET"): ("/office/overflow/MAIN/draft/progress", READERS),
    ("overflow.published_draft", "GET"): (lambda house, _: f"/office/overflow/MAIN/drafts/{house.overflow.draft}", READERS),
    ("overflow.ask_draft", "POST"): ("/office/overflow/MAIN/draft", MANAGER),
    ("overflow.draft_again", "POST"): ("/office/overflow/MAIN/draft/again", MANAGER),
    ("overflow.stop_draft", "POST"): ("/office/overflow/MAIN/draft/stop", MANAGER),
    ("overflow.publish", "POST"): ("/office/overflow/MAIN/draft/publish", MANAGER),
    ("overflow.drop_draft", "POST"): ("/office/overflow/MAIN/draft/drop", MANAGER),
    ("overflow.take_up_draft", "POST"): (lambda house, _: f"/office/overflow/MAIN/drafts/{house.overflow.draft}/again", MANAGER),
    ("overflow.walks", "GET"): ("/office/overflow/MAIN/walks", READERS),
    ("overflow.begin", "POST"): ("/office/overflow/MAIN/walks", MANAGER),
    ("overflow.make_sheet", "POST"): ("/office/overflow/MAIN/walks/sheet", READERS),
    ("overflow.sheet_progress", "GET"): ("/office/overflow/MAIN/walks/sheet", READERS),
    ("overflow.sheet", "GET"): (lambda house, _: f"/office/overflow/MAIN/walks/sheets/{house.overflow.sheet}.pdf", READERS),
    ("overflow.walk", "GET"): (lambda house, _: f"/office/overflow/MAIN/walks/{house.overflow.walk}", READERS),
    ("overflow.mark_walk", "POST"): (lambda house, _: f"/office/overflow/MAIN/walks/{house.overflow.walk}", MANAGER),
    ("overflow.rules", "GET"): ("/office/overflow/MAIN/rules", READERS),
    ("overflow.change_rules", "GET"): ("/office/overflow/MAIN/rules/change", MANAGER),
    ("overflow.set_rules", "POST"): ("/office/overflow/MAIN/rules/change", MANAGER),
    ("overflow.withdraw_rules", "POST"): (
        lambda house, _: f"/office/overflow/MAIN/rules/{house.overflow.rules}/withdraw",
        MANAGER,
    ),
    ("overflow.fairness", "GET"): ("/office/overflow/MAIN/fairness", READERS),
}
