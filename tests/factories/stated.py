"""Two closed months of the small co-op with their statements, as the books, the till and the leases made them."""

from __future__ import annotations

import dataclasses
from datetime import date, datetime
from decimal import Decimal

from sqlalchemy.orm import Session

from coop.books.rules import NO_RULES, set_rules
from coop.books.service import close_period, ensure_period, lock_period, pay_dealer, reverse_entry
from coop.core.periods import Month
from coop.leases.card_costs import post_card_costs
from coop.leases.posting import post_commissions, post_fee, post_rents
from coop.leases.queries import latest_leases
from coop.sales.card_cost import card_parts
from coop.sales.domain import TenderIn
from coop.sales.queries import month_sales
from coop.sales.service import take_tickets
from coop.statements.models import Statement
from coop.statements.service import freeze_statement
from tests.factories.coops import APRIL, MARCH, SmallCoop, build_coop, line, ticket


def shut(session: Session, now: datetime, coop: SmallCoop, month: Month) -> dict[str, Statement]:
    """Charge and close a month, and freeze every dealer's statement of it."""
    sales = month_sales(session, coop.mall.id, month)
    post_rents(session, now, coop.mall, month)
    post_commissions(session, now, coop.mall, month, {d: s.net_cents for d, s in sales.items() if d is not None})
    post_card_costs(session, now, coop.mall, month, card_parts(session, coop.mall.id, month), Decimal("2.5"))
    close_period(session, now, lock_period(session, ensure_period(session, coop.mall.id, month).id))
    return {code: freeze_statement(session, now, coop.mall, dealer, month) for code, dealer in coop.dealers.items()}


def build_stated(session: Session, now: datetime) -> SmallCoop:
    """March and April 2025 closed, with card cost at 2.5 percent; ticket 1010 is paid half by card.

    D02 gives 333.33 of March back in April, is paid for March, and the payout is put right.
    """
    coop = build_coop(session, now)
    set_rules(session, now, dataclasses.replace(NO_RULES, card_percent=Decimal("2.5")), starts_on=date(2025, 1, 1))
    ida, amos = coop.dealers["D01"], coop.dealers["D02"]
    half = ticket("1010", date(2025, 3, 9), [line(ida, 10000), line(amos, 5000, position=2)])
    take_tickets(session, now, coop.mall, [dataclasses.replace(half, tenders=(TenderIn("card", 7950), TenderIn("cash")))])
    owed = shut(session, now, coop, MARCH)["D02"].closing_cents
    paid = pay_dealer(session, now, coop.mall, amos, amount_cents=owed, on=date(2025, 4, 10), reference="7")
    reverse_entry(session, now, paid, on=date(2025, 4, 20), memo="lost in the mail")
    back = line(amos, -33333, tag="D02-33333", quantity=-1)
    take_tickets(session, now, coop.mall, [ticket("R9", date(2025, 4, 4), [back], kind="return", buyer="buyer-1003")])
    lease = latest_leases(session, coop.mall.id, date(2025, 4, 30))[ida.id]
    post_fee(session, now, lease, 800, key="key", label="Key", working="a second key", on=date(2025, 4, 3))
    shut(session, now, coop, APRIL)
    return coop
