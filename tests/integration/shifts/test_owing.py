"""Who takes part in a month and what each owes, read from leases, shares and facts; balances; how many queries it takes."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import date, datetime
from decimal import Decimal

import pytest
from sqlalchemy import event

from coop.core.db import Sessions, transaction
from coop.core.periods import Month
from coop.dealers.models import Member
from coop.shifts.domain.owed import Owed
from coop.shifts.owing import balances, owed_of_month, workers_of
from coop.shifts.turn_models import TurnAccount
from tests.factories.hall import Hall
from tests.factories.leases import LONG_AGO, make_lease, make_space
from tests.factories.people import make_dealer, make_mall
from tests.factories.turns import lay_fact, lay_rules

OCTOBER, NOVEMBER = Month(2026, 10), Month(2026, 11)
STEPS = ((100_00, 50), (200_00, 100))


@pytest.fixture
def hall(sessions: Sessions, now: datetime) -> Iterator[Hall]:
    """Booth 12 has 120 sq ft, case C3 has 8."""
    with transaction(sessions) as session:
        yield Hall(session, now)


def test_nobody_owes_where_no_rules_are_set(hall: Hall) -> None:
    hall.lease(hall.ida, hall.booth)
    assert owed_of_month(hall.session, hall.mall, NOVEMBER) == {}
    lay_rules(hall.session, hall.mall, starts_on=date(2026, 11, 1))
    assert owed_of_month(hall.session, hall.mall, OCTOBER) == {}
    assert owed_of_month(hall.session, hall.mall, NOVEMBER) == {hall.ida.member_id: Owed(Decimal(2), "2")}


def test_a_month_goes_by_the_rules_of_its_first_day(hall: Hall) -> None:
    lay_rules(hall.session, hall.mall)
    lay_rules(hall.session, hall.mall, starts_on=date(2026, 11, 2), owed_base=Decimal(4))
    hall.lease(hall.ida, hall.booth)
    assert owed_of_month(hall.session, hall.mall, NOVEMBER)[hall.ida.member_id].turns == Decimal(2)
    assert owed_of_month(hall.session, hall.mall, Month(2026, 12))[hall.ida.member_id].turns == Decimal(4)


def test_area_adds_and_a_shared_booth_is_shared(hall: Hall) -> None:
    lay_rules(hall.session, hall.mall, owed_by_area=STEPS)
    hers, his = hall.lease(hall.ida), hall.lease(hall.amos, hall.case)
    hall.hold(hers, hall.booth, LONG_AGO, sqft=240, shares={hers: 50, his: 50})
    assert owed_of_month(hall.session, hall.mall, NOVEMBER) == {
        # Half of the booth alone.
        hall.ida.member_id: Owed(Decimal("1.5"), "50% of (2 and 1 for 240 sq ft) = 1.5"),
        # The case of 8 sq ft, and half of the booth's 240.
        hall.amos.member_id: Owed(Decimal("2.5"), "2 and 0.5 for 128 sq ft = 2.5"),
    }


def test_a_booth_that_is_shared_from_a_day_on_owes_by_its_days(hall: Hall) -> None:
    lay_rules(hall.session, hall.mall, owed_by_area=STEPS)
    hers, his = hall.lease(hall.ida), hall.lease(hall.amos, starts_on=date(2026, 11, 16))
    hall.hold(hers, hall.booth, LONG_AGO, date(2026, 11, 15), sqft=240)
    hall.hold(hers, hall.booth, date(2026, 11, 16), sqft=240, shares={hers: 50, his: 50})
    owed = owed_of_month(hall.session, hall.mall, NOVEMBER)
    # 3 x 15/30 + 1.5 x 15/30, and 1.5 x 15/30.
    assert owed[hall.ida.member_id].turns == Decimal("2.25")
    assert owed[hall.amos.member_id] == Owed(
        Decimal("0.75"), "Nov 16 to Nov 30: 50% of (2 and 1 for 240 sq ft), 15 of 30 days = 0.75"
    )


def test_a_member_of_two_codes_owes_for_both_leases_under_one_name(hall: Hall) -> None:
    lay_rules(hall.session, hall.mall)
    second = make_dealer(hall.session, hall.now, "A9")
    second.member_id = hall.ida.member_id
    hall.session.flush()
    hall.session.refresh(second)
    hall.lease(hall.ida, hall.booth)
    hall.lease(second, hall.case)
    (worker,) = workers_of(hall.session, hall.mall, NOVEMBER)
    assert (worker.name, worker.dealer_code) == ("Ida Fenwick", "A9")
    assert owed_of_month(hall.session, hall.mall, NOVEMBER) == {hall.ida.member_id: Owed(Decimal(4), "2 and 2 = 4")}


def test_facts_of_another_mall_change_nothing_here(hall: Hall) -> None:
    lay_rules(hall.session, hall.mall)
    east = make_mall(hall.session, hall.now, "EAST")
    hall.lease(hall.ida, hall.booth)
    hall.lease(hall.amos, hall.case)
    lay_fact(hall.session, hall.ida.member_id, "exempt", mall_id=east.id)
    lay_fact(hall.session, hall.amos.member_id, "exempt", mall_id=hall.mall.id, words="ill")
    owed = owed_of_month(hall.session, hall.mall, NOVEMBER)
    assert owed == {hall.ida.member_id: Owed(Decimal(2), "2"), hall.amos.member_id: Owed(Decimal(0), "exempt (ill) = 0")}


def test_workers_are_there_on_the_days_of_their_leases(hall: Hall) -> None:
    hall.lease(hall.ida, hall.booth, starts_on=date(2026, 11, 10), ends_on=date(2026, 11, 20))
    hall.lease(hall.ida, hall.booth, starts_on=date(2026, 11, 25))
    hall.lease(hall.amos, hall.case, ends_on=date(2026, 10, 31))
    lay_fact(hall.session, hall.ida.member_id, "trained", starts_on=date(2026, 11, 15))
    lay_fact(hall.session, hall.ida.member_id, "keys", ends_on=date(2026, 11, 12))
    lay_fact(hall.session, hall.ida.member_id, "exempt", starts_on=date(2026, 11, 18), ends_on=date(2026, 11, 19), words="ill")
    (ida,) = workers_of(hall.session, hall.mall, NOVEMBER)
    assert (ida.member_id, ida.dealer_code, ida.joined_on) == (hall.ida.member_id, "D01", date(2025, 3, 1))
    assert ida.there == ((date(2026, 11, 10), date(2026, 11, 20)), (date(2026, 11, 25), date(2026, 11, 30)))
    assert ida.exempt == ((date(2026, 11, 18), date(2026, 11, 19), "ill"),)
    days = [date(2026, 11, day) for day in (9, 12, 15, 18, 22, 30)]
    assert [ida.is_there(day) for day in days] == [False, True, True, True, False, True]
    assert [ida.is_trained(day) for day in days] == [False, False, True, True, True, True]
    assert [ida.holds_keys(day) for day in days] == [True, True, False, False, False, False]
    assert [ida.is_exempt(day) for day in days] == [False, False, False, True, False, False]


def test_a_member_who_left_is_there_through_the_last_day(hall: Hall) -> None:
    lay_rules(hall.session, hall.mall)
    hall.lease(hall.ida, hall.booth)
    hall.session.get_one(Member, hall.ida.member_id).left_on = date(2026, 11, 15)
    hall.session.flush()
    (ida,) = workers_of(hall.session, hall.mall, NOVEMBER)
    assert ida.there == ((date(2026, 11, 1), date(2026, 11, 15)),)
    assert owed_of_month(hall.session, hall.mall, NOVEMBER)[hall.ida.member_id].turns == Decimal(1)
    assert workers_of(hall.session, hall.mall, Month(2026, 12)) == []
    assert owed_of_month(hall.session, hall.mall, Month(2026, 12)) == {}


def test_balances_are_the_sums_of_the_accounts(hall: Hall) -> None:
    east = make_mall(hall.session, hall.now, "EAST")
    ida, amos = hall.ida.member_id, hall.amos.member_id
    for mall_id, member_id, month, turns in (
        (hall.mall.id, ida, OCTOBER, "-1.5"),
        (hall.mall.id, ida, NOVEMBER, "2"),
        (hall.mall.id, amos, NOVEMBER, "-0.67"),
        (east.id, ida, OCTOBER, "3"),
    ):
        hall.session.add(
            TurnAccount(
                mall_id=mall_id,
                member_id=member_id,
                first_day=month.first_day,
                kind="opening",
                key=f"opening:{month}",
                turns=Decimal(turns),
                working="by hand",
                turn_id=None,
                at=hall.now,
            )
        )
    hall.session.flush()
    assert balances(hall.session) == {
        (hall.mall.id, ida): Decimal("0.5"),
        (hall.mall.id, amos): Decimal("-0.67"),
        (east.id, ida): Decimal(3),
    }
    assert balances(hall.session, [hall.mall.id], NOVEMBER) == {(hall.mall.id, ida): Decimal("-1.5")}


def test_more_members_take_no_more_queries(hall: Hall) -> None:
    lay_rules(hall.session, hall.mall)
    hall.lease(hall.ida, hall.booth)
    counts = []
    for codes in ((), ("D03", "D04", "D05")):
        for code in codes:
            dealer = make_dealer(hall.session, hall.now, code)
            space = make_space(hall.session, hall.now, hall.mall, code)
            make_lease(hall.session, hall.now, hall.mall, dealer, [space])
        hall.session.flush()
        hall.session.expunge_all()
        asked: list[str] = []
        connection = hall.session.connection()

        def note(conn: object, cursor: object, statement: str, *rest: object, asked: list[str] = asked) -> None:
            asked.append(statement)

        event.listen(connection, "before_cursor_execute", note)
        assert len(owed_of_month(hall.session, hall.mall, NOVEMBER)) == 1 + len(codes)
        assert len(workers_of(hall.session, hall.mall, NOVEMBER)) == 1 + len(codes)
        event.remove(connection, "before_cursor_execute", note)
        counts.append(len(asked))
    assert counts[0] == counts[1]
