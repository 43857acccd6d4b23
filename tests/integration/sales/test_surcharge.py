"""A surcharge on a card sale: within the house rules of its day, the mall's income, given back with the sale and no further."""

from __future__ import annotations

from dataclasses import replace
from datetime import date, datetime
from decimal import Decimal

import pytest

from coop.books.queries import balances
from coop.books.rules import Rules, set_rules
from coop.closing.steps import check_dealers, check_tax
from coop.core.db import Sessions, transaction
from coop.core.errors import Refusal
from coop.sales.card_cost import card_parts
from coop.sales.service import take_tickets
from tests.factories.coops import MARCH, build_coop, line, ticket

DAY = date(2025, 3, 10)


def test_it_is_the_malls_income_and_goes_back_with_the_sale(sessions: Sessions, now: datetime) -> None:
    """3% of 106.00 (100.00 and 6% of tax) is 3.18. The dealer's price, the tax and her card cost stay as they were."""
    with transaction(sessions) as session:
        coop = build_coop(session, now)
        ida = coop.dealers["D01"]
        set_rules(session, now, Rules(surcharge_percent=Decimal(3)), starts_on=date(2025, 3, 5))
        before = {b.path: b.amount_cents for b in balances(session)}
        part = card_parts(session, coop.mall.id, MARCH)[ida.id]
        sold = replace(ticket("S1", DAY, [line(ida, 100_00, tag="chest")], buyer="b"), surcharge_cents=3_18)
        with pytest.raises(Refusal, match=r"the surcharge is \$3.19; the house rules of that day allow \$3.18 on \$106.00"):
            take_tickets(session, now, coop.mall, [replace(sold, surcharge_cents=3_19)])
    with transaction(sessions) as session:
        take_tickets(session, now, coop.mall, [sold])
        after = {b.path: b.amount_cents for b in balances(session)}
        moved = {path: after[path] - before.get(path, 0) for path in after if after[path] != before.get(path, 0)}
        assert moved["Income:Card-surcharge:MAIN"] == -3_18
        assert moved["Assets:Card-clearing:MAIN"] == 109_18
        assert moved["Liabilities:Dealers:MAIN:D01"] == -100_00
        assert card_parts(session, coop.mall.id, MARCH)[ida.id] == part + 100_00
        check_tax(session, now, coop.mall, MARCH)
        check_dealers(session, now, coop.mall, MARCH)
    back = ticket("S2", DAY, [line(ida, -100_00, tag="chest", quantity=-1)], kind="return", buyer="b")
    with pytest.raises(Refusal, match=r"\$3.18 is left of what the sale was surcharged"), transaction(sessions) as session:
        take_tickets(session, now, coop.mall, [replace(back, surcharge_cents=-3_19)])
    with transaction(sessions) as session:
        take_tickets(session, now, coop.mall, [replace(back, surcharge_cents=-3_18)])
        assert {b.path: b.amount_cents for b in balances(session)}["Income:Card-surcharge:MAIN"] == 0


def test_no_rule_is_no_surcharge_and_signs_are_held(sessions: Sessions, now: datetime) -> None:
    with transaction(sessions) as session:
        coop = build_coop(session, now)
        sold = ticket("S1", DAY, [line(coop.dealers["D01"], 100_00)])
        with pytest.raises(Refusal, match=r"allow \$0.00"):
            take_tickets(session, now, coop.mall, [replace(sold, surcharge_cents=1)])
        with pytest.raises(Refusal, match="charged on a sale and given back on a return"):
            take_tickets(session, now, coop.mall, [replace(sold, surcharge_cents=-1)])
