"""Who may come in where: the roles, and every address of turns by role. The other addresses are in test_rights."""

from __future__ import annotations

from collections.abc import Callable

from tests.factories.house import House

ALL = frozenset({"manager", "bookkeeper", "auditor", "desk", "dealer", "nobody", "stranger"})
"""`nobody` is signed in without a role, `stranger` is not signed in."""
SIGNED_IN = ALL - {"stranger"}
READERS = frozenset({"manager", "bookkeeper", "auditor"})
MANAGER = frozenset({"manager"})
BY_HAND = frozenset({"manager", "bookkeeper"})
KEEPERS = frozenset({"manager", "bookkeeper"})
DESK = frozenset({"desk"})
DEALER = frozenset({"dealer"})

Address = str | Callable[[House, str], str]

TURNS: dict[tuple[str, str], tuple[Address, frozenset[str]]] = {
    ("rota.first", "GET"): ("/office/rota/", READERS),
    ("rota.month", "GET"): ("/office/rota/MAIN/2026-11", READERS),
    ("rota.begin", "POST"): ("/office/rota/MAIN/2026-12/begin", MANAGER),
    ("rota.progress", "GET"): ("/office/rota/MAIN/2026-11/progress", READERS),
    ("rota.draft", "POST"): ("/office/rota/MAIN/2026-11/draft", MANAGER),
    ("rota.stop", "POST"): ("/office/rota/MAIN/2026-11/stop", MANAGER),
    ("rota.publish", "POST"): ("/office/rota/MAIN/2026-11/publish", MANAGER),
    ("rota.turn", "GET"): (lambda house, _: f"/office/rota/MAIN/2026-11/turns/{house.turns.turn}", READERS),
    ("rota.would", "GET"): (lambda house, _: f"/office/rota/MAIN/2026-11/turns/{house.turns.turn}/would?member=nobody", MANAGER),
    ("rota.move", "POST"): (lambda house, _: f"/office/rota/MAIN/2026-11/turns/{house.turns.turn}/move", MANAGER),
    ("rota.exchange", "POST"): (lambda house, _: f"/office/rota/MAIN/2026-11/turns/{house.turns.turn}/exchange", MANAGER),
    ("rota.lock", "POST"): (lambda house, _: f"/office/rota/MAIN/2026-11/turns/{house.turns.turn}/lock", MANAGER),
    ("rota.fairness", "GET"): ("/office/rota/MAIN/fairness", READERS),
    ("rota_days.attendance", "GET"): ("/office/rota/MAIN/2026-11/attendance", READERS),
    ("rota_days.write_down", "POST"): (
        lambda house, _: f"/office/rota/MAIN/2026-11/attendance/{house.turns.missed}/written",
        MANAGER,
    ),
    ("rota_days.write_all", "POST"): ("/office/rota/MAIN/2026-11/attendance/all-worked", MANAGER),
    ("rota_days.decide", "POST"): (
        lambda house, _: f"/office/rota/MAIN/2026-11/attendance/{house.turns.missed}/decide",
        MANAGER,
    ),
    ("rota_days.set_right", "POST"): ("/office/rota/MAIN/2026-11/attendance/account", MANAGER),
    ("rota_days.lists", "GET"): ("/office/rota/MAIN/checklists", READERS),
    ("rota_days.set_list", "POST"): ("/office/rota/MAIN/checklists/opening", MANAGER),
    ("desk.first", "GET"): ("/desk/", MANAGER | DESK),
    ("desk.day", "GET"): ("/desk/MAIN", MANAGER | DESK),
    ("desk.turn", "GET"): (lambda house, _: f"/desk/MAIN/turns/{house.turns.today}", MANAGER | DESK),
    ("desk.sign_in", "POST"): (lambda house, _: f"/desk/MAIN/turns/{house.turns.today}/in", MANAGER | DESK),
    ("desk.sign_out", "POST"): (lambda house, _: f"/desk/MAIN/turns/{house.turns.today}/out", MANAGER | DESK),
    ("desk.tick", "POST"): ("/desk/MAIN/lists/opening", MANAGER | DESK),
    ("rota_house.hours", "GET"): ("/office/rota/MAIN/hours", READERS),
    ("rota_house.change_week", "GET"): ("/office/rota/MAIN/hours/week", MANAGER),
    ("rota_house.set_week", "POST"): ("/office/rota/MAIN/hours/week", MANAGER),
    ("rota_house.withdraw_week", "POST"): ("/office/rota/MAIN/hours/2027-01-01/withdraw", MANAGER),
    ("rota_house.set_date", "POST"): ("/office/rota/MAIN/hours/dates", MANAGER),
    ("rota_house.withdraw_date", "POST"): (
        lambda house, _: f"/office/rota/MAIN/hours/dates/{house.turns.exception}/withdraw",
        MANAGER,
    ),
    ("rota_house.choose_holiday", "POST"): ("/office/rota/MAIN/hours/holidays", MANAGER),
    ("rota_house.posts", "GET"): ("/office/rota/MAIN/posts", READERS),
    ("rota_house.add_post", "POST"): ("/office/rota/MAIN/posts", MANAGER),
    ("rota_house.post", "GET"): (lambda house, _: f"/office/rota/MAIN/posts/{house.turns.post}", READERS),
    ("rota_house.rename_post", "POST"): (lambda house, _: f"/office/rota/MAIN/posts/{house.turns.post}", MANAGER),
    ("rota_house.add_need", "POST"): (lambda house, _: f"/office/rota/MAIN/posts/{house.turns.post}/needs", MANAGER),
    ("rota_house.need", "GET"): (lambda house, _: f"/office/rota/MAIN/posts/needs/{house.turns.need}", MANAGER),
    ("rota_house.end_need", "POST"): (lambda house, _: f"/office/rota/MAIN/posts/needs/{house.turns.need}", MANAGER),
    ("rota_house.rules", "GET"): ("/office/rota/MAIN/rules", READERS),
    ("rota_house.change_rules", "GET"): ("/office/rota/MAIN/rules/change", MANAGER),
    ("rota_house.set_rules", "POST"): ("/office/rota/MAIN/rules/change", MANAGER),
    ("rota_house.withdraw_rules", "POST"): (lambda house, _: f"/office/rota/MAIN/rules/{house.turns.rule}/withdraw", MANAGER),
    ("rota_house.people", "GET"): ("/office/rota/MAIN/people", READERS),
    ("rota_house.set_many", "POST"): ("/office/rota/MAIN/people/many", MANAGER),
    ("rota_house.set_pair", "POST"): ("/office/rota/MAIN/people/pairs", MANAGER),
    ("rota_house.end_pair", "POST"): (lambda house, _: f"/office/rota/MAIN/people/pairs/{house.turns.pair}/end", MANAGER),
    ("rota_house.member", "GET"): ("/office/rota/MAIN/people/1", READERS),
    ("rota_house.set_fact", "POST"): ("/office/rota/MAIN/people/1/facts", MANAGER),
    ("rota_house.fact", "GET"): (lambda house, _: f"/office/rota/MAIN/people/facts/{house.turns.fact}", MANAGER),
    ("rota_house.end_fact", "POST"): (lambda house, _: f"/office/rota/MAIN/people/facts/{house.turns.fact}", MANAGER),
    ("rota_house.name_helper", "POST"): ("/office/rota/MAIN/people/1/helpers", MANAGER),
    ("rota_house.train_helper", "POST"): (
        lambda house, _: f"/office/rota/MAIN/people/helpers/{house.turns.helper}/trained",
        MANAGER,
    ),
    ("rota_house.end_helper", "POST"): (lambda house, _: f"/office/rota/MAIN/people/helpers/{house.turns.helper}/end", MANAGER),
    ("turns.first", "GET"): ("/portal/turns/", DEALER),
    ("turns.turn", "GET"): (lambda house, _: f"/portal/turns/{house.turns.turn}", DEALER),
    ("turns.offer_turn", "POST"): (lambda house, _: f"/portal/turns/{house.turns.today}/offer", DEALER),
    ("turns.send", "POST"): (lambda house, _: f"/portal/turns/{house.turns.turn}/helper", DEALER),
    ("turns.free", "GET"): (lambda house, _: f"/portal/turns/free/{house.turns.open_turn}", DEALER),
    ("turns.take_free", "POST"): (lambda house, _: f"/portal/turns/free/{house.turns.open_turn}", DEALER),
    ("turns.offer", "GET"): (lambda house, _: f"/portal/turns/offers/{house.turns.offer}", DEALER),
    ("turns.take", "POST"): (lambda house, _: f"/portal/turns/offers/{house.turns.offer}/take", DEALER),
    ("turns.answer", "POST"): (lambda house, _: f"/portal/turns/offers/{house.turns.offer}/answer", DEALER),
    ("turns.sign", "POST"): (lambda house, _: f"/portal/turns/offers/{house.turns.offer}/sign", DEALER),
    ("turns.decline", "POST"): (lambda house, _: f"/portal/turns/offers/{house.turns.offer}/decline", DEALER),
    ("turns.withdraw", "POST"): (lambda house, _: f"/portal/turns/offers/{house.turns.offer}/withdraw", DEALER),
    ("turns.availability", "GET"): ("/portal/turns/availability", DEALER),
    ("turns.give_availability", "POST"): ("/portal/turns/availability", DEALER),
    ("turns.end_availability", "POST"): (lambda house, _: f"/portal/turns/availability/{house.turns.said}/end", DEALER),
    ("turns.answer_month", "POST"): ("/portal/turns/availability/2026-12/all-said", DEALER),
    ("turns.rotas", "GET"): ("/portal/turns/rota", DEALER),
    ("turns.rota", "GET"): ("/portal/turns/rota/MAIN/2026-11", DEALER),
    ("turns.balance", "GET"): ("/portal/turns/balance", DEALER),
    ("turns.buy", "GET"): ("/portal/turns/buy-out/MAIN/2026-12", DEALER),
    ("turns.buy_turns", "POST"): ("/portal/turns/buy-out/MAIN/2026-12", DEALER),
    ("turns.fairness", "GET"): ("/portal/turns/fairness", DEALER),
    ("turns.helpers", "GET"): ("/portal/turns/helpers", DEALER),
    ("turns.add_helper", "POST"): ("/portal/turns/helpers", DEALER),
    ("turns.drop_helper", "POST"): (lambda house, _: f"/portal/turns/helpers/{house.turns.helper}/end", DEALER),
    ("turns.calendar", "GET"): ("/portal/turns/calendar", DEALER),
    ("turns.make_calendar", "POST"): ("/portal/turns/calendar", DEALER),
    ("turns.end_calendar", "POST"): (lambda house, _: f"/portal/turns/calendar/{house.turns.feed}/end", DEALER),
}
