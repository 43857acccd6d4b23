"""What lent floor costs: months worked by hand, by the rules in force day by day; sold pieces; whose lease is charged."""

from __future__ import annotations

from datetime import date, datetime

import pytest
from sqlalchemy import select

from coop.core.db import Sessions, transaction
from coop.core.errors import Refusal
from coop.core.periods import Month
from coop.leases.models import Charge, Lease
from coop.overflow.charging import charged_through, expected, post_overflow
from tests.factories.leases import make_lease
from tests.factories.overflow_floor import lay_bay, lay_piece, lay_rules, lay_stay
from tests.factories.people import make_coop, make_dealer, make_mall

NOVEMBER, DECEMBER = Month(2026, 11), Month(2026, 12)


class Hall:
    """A mall with a bay and dealer D01, whose lease began on November 10."""

    def __init__(self, sessions: Sessions, now: datetime) -> None:
        self.sessions, self.now = sessions, now
        with transaction(sessions) as session:
            make_coop(session, now)
            self.mall = make_mall(session, now)
            self.dealer = make_dealer(session, now)
            self.lease_id = make_lease(session, now, self.mall, self.dealer, starts_on=date(2026, 11, 10)).id
            self.bay = lay_bay(session, self.mall)

    def stay(self, session, starts_on: date, ends_on: date, *, inches: int = 24, **more):
        piece = lay_piece(session, self.dealer, "Oak shelf", (inches, 12, 30))
        return lay_stay(session, piece, self.bay, starts_on, ends_on, **more)

    def posted(self, session, month: Month = NOVEMBER) -> list[tuple[str, int]]:
        post_overflow(session, self.now, self.mall, month)
        rows = select(Charge).where(Charge.first_day == month.first_day, Charge.kind == "overflow").order_by(Charge.id)
        return [(charge.working, charge.amount_cents) for charge in session.scalars(rows)]


@pytest.fixture
def hall(sessions: Sessions, now: datetime) -> Hall:
    return Hall(sessions, now)


def test_each_day_goes_by_the_rules_of_that_day(hall: Hall) -> None:
    """November 16 to 19 are 4 days at 2 ft x $3.50 a foot-week = $4.00, the 20th to 22nd 3 days of $7.00 a piece-week = $3.00."""
    with transaction(hall.sessions) as session:
        lay_rules(session, hall.mall, date(2026, 11, 1), fee_kind="foot-week", fee_cents=3_50)
        lay_rules(session, hall.mall, date(2026, 11, 20), fee_kind="piece-week", fee_cents=7_00)
        stay = hall.stay(session, date(2026, 11, 16), date(2026, 11, 22))
        assert expected(session, hall.mall, [stay]) == {stay.id: 7_00}
        assert hall.posted(session) == [
            ("Nov 16 to Nov 22, 2026: 2' 0\" × 4 days × $3.50 a foot-week + 3 days × $7.00 a piece-week", 7_00)
        ]


def test_before_rules_are_set_floor_is_free_and_nothing_is_posted(hall: Hall) -> None:
    """Free to November 23, then 7 days at $7.00 a piece-week; in a free month no charge at all."""
    with transaction(hall.sessions) as session:
        hall.stay(session, date(2026, 11, 10), date(2026, 11, 12))
        assert hall.posted(session) == []
        lay_rules(session, hall.mall, date(2026, 11, 24), fee_kind="piece-week", fee_cents=7_00)
        hall.stay(session, date(2026, 11, 10), date(2026, 12, 31), at=40)
        assert hall.posted(session) == [
            ("Nov 10 to Nov 30, 2026: 2 weeks free + 1 week × $7.00 a piece-week", 7_00),
        ]


def test_a_sold_piece_waits_its_days_free_also_when_it_is_moved_meanwhile(hall: Hall) -> None:
    """Ten days free from November 24: six in the first place, four in the second, over the month's end. Then $7.00 a week."""
    with transaction(hall.sessions) as session:
        lay_rules(session, hall.mall, fee_kind="piece-week", fee_cents=7_00, sold_days=10)
        piece = lay_piece(session, hall.dealer, "Pine table", (24, 12, 30))
        lay_stay(session, piece, hall.bay, date(2026, 11, 24), date(2026, 11, 29), kind="sold")
        later = lay_stay(session, piece, hall.bay, date(2026, 11, 30), date(2026, 12, 6), at=60, kind="sold")
        assert hall.posted(session) == []
        assert hall.posted(session, DECEMBER) == [("Dec 1 to Dec 6, 2026: 3 days free + 3 days × $7.00 a piece-week", 3_00)]
        assert expected(session, hall.mall, [later]) == {later.id: 3_00}


def test_cancelled_stays_cost_nothing_and_a_lease_that_ended_is_charged(hall: Hall) -> None:
    with transaction(hall.sessions) as session:
        lay_rules(session, hall.mall, fee_kind="piece-week", fee_cents=7_00)
        hall.stay(session, date(2026, 11, 16), date(2026, 11, 22), state="cancelled")
        hall.stay(session, date(2026, 12, 7), date(2026, 12, 13))
        session.get_one(Lease, hall.lease_id).ends_on = date(2026, 12, 6)
        session.flush()
        assert hall.posted(session) == []
        assert hall.posted(session, DECEMBER) == [("Dec 7 to Dec 13, 2026: 1 week × $7.00 a piece-week", 7_00)]


def test_a_lease_that_ended_for_good_before_the_month_is_charged_nothing_more(hall: Hall) -> None:
    """Its deposit is settled and its final statement made; one that ended for good within the month still states it."""
    with transaction(hall.sessions) as session:
        lay_rules(session, hall.mall, fee_kind="piece-week", fee_cents=7_00)
        hall.stay(session, date(2026, 11, 24), date(2026, 12, 7))
        lease = session.get_one(Lease, hall.lease_id)
        lease.ends_on, lease.settled_on = date(2026, 11, 23), date(2026, 11, 30)
        session.flush()
        assert [cents for _, cents in hall.posted(session)] == [7_00]
        with pytest.raises(Refusal, match=r"Floor was lent in December 2026 without a lease .* dealer .* owes \$7.00"):
            hall.posted(session, DECEMBER)


def test_floor_is_charged_through_the_last_month_that_was_posted(hall: Hall) -> None:
    with transaction(hall.sessions) as session:
        lay_rules(session, hall.mall, fee_kind="piece-week", fee_cents=7_00)
        hall.stay(session, date(2026, 11, 24), date(2026, 12, 7))
        assert charged_through(session, hall.mall.id) is None
        hall.posted(session)
        assert charged_through(session, hall.mall.id) == date(2026, 11, 30)
        hall.posted(session, DECEMBER)
        assert charged_through(session, hall.mall.id) == date(2026, 12, 31)
