"""Two malls that have closed October, five dealers, and who is paid what: worked by hand in the docstring of `build_malls`."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import UTC, date, datetime, timedelta
from decimal import Decimal

from sqlalchemy import select
from sqlalchemy.orm import Session

from coop.books.models import Period
from coop.books.rules import NO_RULES, Rules, set_rules
from coop.books.service import post_entries
from coop.core.periods import Month
from coop.core.sealed_text import FieldKeys
from coop.dealers.models import Dealer
from coop.dealers.paying import Paying, set_detail
from coop.floor.models import Mall
from coop.leases.posting import post_rents
from coop.payouts.bank_file import set_origin
from tests.factories.books import sale, shut
from tests.factories.house import add_person
from tests.factories.leases import make_lease, make_rate, make_space
from tests.factories.people import make_coop, make_dealer, make_mall

OCTOBER, NOVEMBER = Month(2026, 10), Month(2026, 11)
RULES = Rules(
    card_percent=Decimal(0),
    journal_limit_cents=NO_RULES.journal_limit_cents,
    payout_minimum_cents=10_00,
    bank_wait_days=7,
    tax_form_needed=False,
    next_rent="shown",
    unclaimed_days=60,
    stale_days=180,
)
ROUTINGS = ("111000025", "231380104")
"""Numbers whose digits check; what banks they are, if any, is of no matter here."""


@dataclass(frozen=True)
class Malls:
    """Ids of what was built."""

    main: int
    east: int
    dealers: dict[str, int]
    manager: int
    """Is D01's member."""
    bookkeeper: int
    second: int
    """A manager who is no dealer."""


def build_malls(session: Session, now: datetime, keys: FieldKeys, *, close: bool = True) -> Malls:
    """At `now` (3 November 2026), in dollars:

    ```
          MAIN      EAST      sum       how                  paid
    D01   812.40   -270.00    542.40    transfer, a person   held: the rent at EAST is open
    D02   640.10              640.10    check                640.10
    D03    98.76    120.00    218.76    nothing on file      218.76, a check
    D04  1500.00     45.55   1545.55    transfer, a business 1545.55
    D05     9.99                9.99    by hand              less than the smallest payout, 10.00
    ```
    """
    long_ago = now - timedelta(days=60)
    make_coop(session, long_ago)
    main, east = make_mall(session, long_ago, "MAIN"), make_mall(session, long_ago, "EAST")
    dealers = {code: make_dealer(session, long_ago, code) for code in ("D01", "D02", "D03", "D04", "D05")}
    dealers["D01"].member.address = "4 Mill Lane\nElder, TX 75001"
    dealers["D04"].trade_name = "Ambler Clocks"
    set_rules(session, long_ago, RULES, starts_on=date(2026, 1, 1))
    make_rate(session, east, "2.25")
    make_lease(session, long_ago, east, dealers["D01"], [make_space(session, long_ago, east)], starts_on=date(2026, 10, 1))
    post_entries(
        session,
        now,
        [
            sale(session, mall, dealers[code], cents, date(2026, 10, 20), f"october/{mall.code}/{code}")
            for mall, code, cents in (
                (main, "D01", 812_40),
                (main, "D02", 640_10),
                (main, "D03", 98_76),
                (east, "D03", 120_00),
                (main, "D04", 1500_00),
                (east, "D04", 45_55),
                (main, "D05", 9_99),
            )
        ],
    )
    post_rents(session, datetime(2026, 10, 1, 15, tzinfo=UTC), east, OCTOBER)
    ways = {
        "D01": Paying("ach", "person", ROUTINGS[1], "000123456789", "checking"),
        "D02": Paying("check"),
        "D04": Paying("ach", "business", ROUTINGS[0], "55500041", "savings"),
        "D05": Paying("hand"),
    }
    for code, way in ways.items():
        set_detail(session, long_ago, keys, dealers[code], way, mail_domain="example.org")
    set_origin(
        session,
        long_ago,
        keys,
        bank_routing=ROUTINGS[0],
        bank_name="Lantern Yard Savings",
        company_id="1911144442",
        company_name="Lantern Yard",
        balanced=False,
    )
    manager = add_person(session, now, "manager@example.org", ("manager", "dealer"), dealers["D01"].member_id)
    bookkeeper = add_person(session, now, "books@example.org", ("bookkeeper",))
    second = add_person(session, now, "second@example.org", ("manager",))
    if close:
        close_month(session, now)
    session.flush()
    return Malls(main.id, east.id, {code: one.id for code, one in dealers.items()}, manager, bookkeeper, second)


def close_month(session: Session, now: datetime, month: Month = OCTOBER, *codes: str) -> None:
    """Close a month at every mall, or at those of these codes."""
    wanted = select(Period).join(Mall, Mall.id == Period.mall_id).where(Period.first_day == month.first_day)
    for period in session.scalars(wanted.where(Mall.code.in_(codes)) if codes else wanted):
        shut(session, now, period)


def sell(session: Session, now: datetime, mall_id: int, dealer_id: int, cents: int, on: date, source: str) -> None:
    """A sale for a dealer on a day."""
    mall, dealer = session.get_one(Mall, mall_id), session.get_one(Dealer, dealer_id)
    post_entries(session, now, [sale(session, mall, dealer, cents, on, source)])
