"""What each page may ask of the database, send, and take: the table of budgets, and how a page is measured against it."""

from __future__ import annotations

import statistics
import time
from dataclasses import dataclass
from typing import Any, NamedTuple

from flask import Flask
from sqlalchemy import event

from tests.factories.house import House
from tests.integration.web.test_rights import TABLE

ROLES = ("manager", "bookkeeper", "auditor", "desk", "dealer", "nobody")


AS_MOST = 150
"""Milliseconds that nobody waits for; a page that takes more says why where its budget is."""


class Budget(NamedTuple):
    """The most a page may take; its milliseconds are those of a quiet machine over a year of 500 dealers (`coop bench`).

    What closed months come to is remembered by then: the first page that asks for it after a start waits half a second more.
    """

    queries: int
    size_kb: int
    milliseconds: int = AS_MOST


BUDGETS: dict[str, Budget] = {
    "people.forgotten": Budget(8, 6),
    "people.choose": Budget(10, 6),
    "people.home": Budget(8, 6),
    "people.account": Budget(10, 7),
    "office.today": Budget(33, 22),
    "office.work": Budget(9, 5),
    "office.new_mall": Budget(10, 36),
    "office.months": Budget(22, 7),
    # A row of eleven figures for each of 500 dealers: half of it is writing 356 kB.
    "office.month": Budget(38, 17, 200),
    "office.month_steps": Budget(21, 9),
    "opening.page": Budget(14, 13),
    "office.statement": Budget(11, 40),
    "office.letters": Budget(21, 10),
    "office.letter": Budget(13, 7),
    "office.log": Budget(14, 16),
    "settings.first": Budget(28, 29),
    "settings.coop": Budget(7, 7),
    "settings.mall": Budget(10, 7),
    "settings.people_page": Budget(14, 11),
    "settings.person_page": Budget(15, 9),
    # Every space drawn and in a table, colored by what its dealer owes, by every charge of the year.
    "floor.plan": Budget(27, 13, 350),
    "floor.space": Budget(18, 9),
    "floor.aisles": Budget(12, 7),
    "floor.edit": Budget(13, 37),
    "floor.files": Budget(12, 8),
    "tax.due": Budget(16, 9),
    "tax_feeds.addresses": Budget(10, 8),
    # A filing period's tickets are proved one by one against their tax.
    "tax.worksheet": Budget(32, 11, 200),
    "tax.filed": Budget(28, 10, 200),
    "tax.jurisdictions": Budget(12, 7),
    "tax.jurisdiction": Budget(16, 9),
    "tax.places": Budget(13, 7),
    "tax.certificates": Budget(12, 10),
    "tax.imports": Budget(11, 8),
    "tax.proposal": Budget(12, 8),
    "tax.place": Budget(16, 7),
    "tax.certificate": Budget(10, 7),
    "tax.payments": Budget(16, 7),
    "tax.file_progress": Budget(9, 4),
    "tax_terms.new_jurisdiction": Budget(8, 7),
    "tax_terms.new_rate": Budget(13, 7),
    "tax_terms.rate": Budget(11, 8),
    "tax_terms.new_rule": Budget(13, 8),
    "tax_terms.rule": Budget(13, 7),
    "tax_terms.setting": Budget(15, 15),
    "dealers.listed": Budget(18, 8),
    "dealers.new": Budget(10, 7),
    "dealers.dealer": Budget(33, 16),
    "dealers.statements": Budget(11, 7),
    "dealers.file": Budget(8, 7),
    "dealers.payment": Budget(12, 7),
    "sales.overview": Budget(26, 16),
    "sales.dealers_of_month": Budget(16, 8),
    "sales.tickets": Budget(16, 9),
    "sales.ticket": Budget(18, 7),
    "sales.lines": Budget(12, 10),
    "sales.unclaimed": Budget(17, 9),
    "sales.line": Budget(16, 8),
    "sales.certificates": Budget(12, 8),
    "sales.sell": Budget(11, 7),
    "sales.certificate": Budget(13, 7),
    "sales.certificate_paper": Budget(10, 6),
    "portal.unclaimed": Budget(12, 7),
    "portal.unclaimed_item": Budget(11, 6),
    "dealers.bounced": Budget(11, 6),
    "dealers.chargeback": Budget(12, 7),
    "dealers.extra": Budget(12, 7),
    "rota.first": Budget(22, 6),
    "rota.month": Budget(49, 28),
    "rota.progress": Budget(9, 2),
    "rota.turn": Budget(38, 6),
    "rota.would": Budget(38, 2),
    "rota.fairness": Budget(24, 11),
    "drawers.listed": Budget(18, 9),
    "rota_days.attendance": Budget(18, 34),
    "rota_days.lists": Budget(14, 6),
    "desk.day": Budget(15, 6),
    "desk.turn": Budget(21, 5),
    "drawers.count": Budget(12, 9),
    "drawers.put_in": Budget(12, 7),
    "drawers.paid_out": Budget(12, 7),
    "drawers.to_bank": Budget(12, 7),
    "payouts.first": Budget(19, 9),
    # While a run is prepared it is looked at anew: who is late by every charge of the year. Before, the list and the holds do it.
    "payouts.run": Budget(43, 9, 300),
    "payouts.payment": Budget(16, 6),
    "payouts.stale": Budget(13, 6),
    "payouts.holds": Budget(39, 7),
    "payouts.hold": Budget(26, 6),
    "payouts.bank": Budget(10, 8),
    "bank.first": Budget(21, 9),
    "bank.line": Budget(22, 11),
    "bank.files": Budget(10, 7),
    "bank.months": Budget(13, 6),
    "bank.month": Budget(19, 6),
    "layaways.listed": Budget(13, 8),
    "layaways.new": Budget(13, 18),
    "layaways.layaway": Budget(19, 9),
    "layaways.terms": Budget(13, 7),
    # What rises in the 90 days ahead is worked out for every lease, month by month, and who is late by every charge of the year.
    "leases.work": Budget(46, 8, 600),
    # The rent of every lease, and who is late by every charge of the year.
    "leases.table": Budget(24, 9, 350),
    "leases.lease": Budget(29, 11),
    "leases.new_lease": Budget(15, 12),
    "leases.act": Budget(12, 6),
    "leases.span_act": Budget(14, 6),
    "leases.new_term": Budget(12, 7),
    "leases.dispute": Budget(16, 7),
    "leases.rates": Budget(14, 8),
    "rota_house.hours": Budget(21, 16),
    "rota_house.change_week": Budget(13, 8),
    "rota_house.posts": Budget(28, 7),
    "rota_house.post": Budget(13, 11),
    "rota_house.need": Budget(12, 6),
    "rota_house.rules": Budget(15, 8),
    "rota_house.change_rules": Budget(11, 14),
    "rota_house.people": Budget(29, 10),
    "rota_house.member": Budget(25, 10),
    "rota_house.fact": Budget(12, 6),
    "leases.rules": Budget(12, 8),
    "leases.change_rules": Budget(12, 11),
    "leases.index_values": Budget(11, 8),
    "leases.waiting": Budget(12, 8),
    "leases.ask": Budget(12, 8),
    "leases.turn": Budget(28, 6),
    "leases.offer": Budget(17, 8),
    "leases.letters": Budget(12, 9),
    "paying.dealer": Budget(13, 10),
    # A year's lines, every one, by dealer and ticket; nobody asks for it every day.
    "year.totals": Budget(29, 11, 350),
    "year.totals_of": Budget(29, 11, 350),
    "year.thresholds": Budget(10, 8),
    "year.patronage": Budget(10, 8),
    "year.shares": Budget(15, 8),
    "releases.first": Budget(26, 9),
    "portal.paid": Budget(15, 5),
    "portal.how_paid": Budget(10, 7),
    "books.first": Budget(14, 11),
    "books.trial": Budget(13, 8),
    "books.sheet": Budget(15, 9),
    "books.account": Budget(12, 8),
    "books.entries": Budget(13, 10),
    "books.entry": Budget(13, 7),
    # Any word in thirteen months of items: no index knows what is within a word.
    "books.find": Budget(14, 6, 250),
    "books.exports": Budget(10, 7),
    "books.hand": Budget(11, 7),
    "books.new": Budget(14, 12),
    "books.by_hand": Budget(12, 8),
    "books.reversal": Budget(11, 6),
    "books.rules": Budget(12, 10),
    "books.change_rules": Budget(10, 9),
    "portal.home": Budget(40, 15),
    "portal.statements": Budget(12, 7),
    "portal.statement": Budget(11, 39),
    "portal.statement_line": Budget(14, 6),
    "portal.statement_questions": Budget(12, 6),
    "office.statement_line": Budget(16, 6),
    "questions.first": Budget(12, 7),
    "questions.question": Budget(11, 7),
    "portal.sales": Budget(16, 13),
    "portal.details": Budget(11, 7),
    "turns.first": Budget(26, 14),
    "turns.turn": Budget(20, 12),
    "turns.free": Budget(11, 6),
    "turns.offer": Budget(16, 8),
    "turns.availability": Budget(19, 10),
    "turns.rota": Budget(14, 20),
    "turns.balance": Budget(35, 8),
    "turns.buy": Budget(20, 5),
    "turns.fairness": Budget(25, 16),
    "turns.helpers": Budget(11, 7),
    "turns.calendar": Budget(11, 7),
    "overflow.plan": Budget(30, 13),
    "overflow.survey": Budget(9, 4),
    "overflow.bays": Budget(14, 10),
    "overflow.bay": Budget(16, 19),
    "overflow.openings": Budget(14, 10),
    "overflow.stay": Budget(28, 16),
    "overflow.rules": Budget(13, 9),
    "overflow.change_rules": Budget(12, 13),
    "overflow.fairness": Budget(16, 12),
    "overflow.requests": Budget(14, 9),
    "overflow.asked": Budget(27, 9),
    "overflow.write": Budget(13, 11),
    "overflow.sold": Budget(19, 9),
    "overflow.draft": Budget(16, 8),
    "overflow.draft_progress": Budget(8, 4),
    "overflow.published_draft": Budget(11, 6),
    "overflow.walks": Budget(16, 8),
    "overflow.sheet_progress": Budget(9, 4),
    "overflow.walk": Budget(14, 6),
    "lent.first": Budget(28, 12),
    "lent.fairness": Budget(17, 10),
    "lent.ask": Budget(16, 12),
    "lent.asked": Budget(20, 12),
    "lent.change": Budget(18, 12),
    "resets.first": Budget(15, 6),
    "resets.booth": Budget(14, 9),
    "resets.measure": Budget(14, 16),
    "resets.smalls": Budget(13, 9),
    "resets.smalls_of": Budget(12, 8),
    "resets.pieces": Budget(11, 10),
    "resets.new_piece": Budget(11, 16),
    "resets.piece_file": Budget(9, 8),
    "resets.piece": Budget(14, 17),
    "resets.booth_sets": Budget(16, 8),
    "resets.set_page": Budget(18, 44),
    "resets.compare": Budget(23, 16),
    "resets.arrange": Budget(20, 8),
    "resets.arrange_progress": Budget(8, 3),
    "resets.days": Budget(13, 6),
    "resets.new_day": Budget(15, 8),
    "resets.day": Budget(30, 15),
    "resets.day_steps": Budget(27, 3),
    "resets.changing_day": Budget(16, 8),
    "resets.moves": Budget(29, 33),
    "resets.places": Budget(26, 8),
    "resets.way": Budget(30, 5),
    "resets.prices": Budget(12, 8),
    "resets.times": Budget(18, 8),
    "resets.settings": Budget(12, 14),
    "resets.season": Budget(18, 7),
    "resets.paper": Budget(31, 7),
    "resets.paper_steps": Budget(8, 3),
    "floor.resets": Budget(14, 9),
    "floor.new_way": Budget(8, 8),
    "floor.change_way": Budget(10, 9),
    "portal.my_lease": Budget(38, 9),
    "portal.notice": Budget(11, 6),
    "portal.dispute": Budget(9, 6),
    "portal.offer": Budget(14, 6),
    "portal.waiting": Budget(11, 7),
}


@dataclass(frozen=True)
class Seen:
    """A page as it was measured."""

    endpoint: str
    path: str
    queries: int
    size_bytes: int
    milliseconds: int


def see_pages(app: Flask, house: House, *, wide: bool = False, times: int = 1) -> list[Seen]:
    """Every page of the table of rights as its first role sees it; `wide` at the mall of many dealers where that mall has it."""
    engine = app.extensions["coop"].engine
    asked = 0

    def note(*_args: Any) -> None:
        nonlocal asked
        asked += 1

    event.listen(engine, "before_cursor_execute", note)
    seen = []
    for (endpoint, method), (address, allowed) in TABLE.items():
        if method != "GET" or endpoint.startswith("edge."):
            continue
        who = next((one for one in ROLES if one in allowed), None)
        client = app.test_client()
        if who is not None:
            client.set_cookie("coop", house.tokens[who])
        path = address if isinstance(address, str) else address(house, who or "stranger")
        if wide:
            other = path.replace("/MAIN", "/WIDE").replace("D01", "W001")
            path = other if client.get(other).status_code == 200 else path
        took = []
        for _ in range(times):
            asked, begun = 0, time.perf_counter()
            with client.get(path) as answer:
                size, is_page = len(answer.data), answer.mimetype == "text/html" and answer.status_code == 200
            took.append(time.perf_counter() - begun)
        if is_page:
            seen.append(Seen(endpoint, path, asked, size, round(statistics.median(took) * 1000)))
    event.remove(engine, "before_cursor_execute", note)
    return seen
