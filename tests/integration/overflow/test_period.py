"""A period read from rows: what dealers had and paid, weeks in a bay, what is left of a request; and floor shared by rent."""

from __future__ import annotations

from datetime import date, datetime
from decimal import Decimal

import pytest
from sqlalchemy import select
from sqlalchemy.orm import Session

from coop.books.models import Period
from coop.core.db import Sessions, transaction
from coop.leases.models import Charge, Lease
from coop.leases.turn_charges import charge_turn
from coop.overflow.fair import fairness
from coop.overflow.fair_words import evenness_said
from coop.overflow.models import BayRow
from coop.overflow.period import hash_of, read_period
from tests.factories.books import shut
from tests.factories.leases import make_lease, make_space
from tests.factories.overflow_floor import lay_bay, lay_piece, lay_request, lay_rules, lay_stay
from tests.factories.people import make_coop, make_dealer, make_mall

TODAY, FIRST = date(2026, 11, 3), date(2026, 11, 9)


class Rows:
    """A bay of 10 ft; D01 paid $300.00 of rent, D02 $100.00, both in October; D03 has no lease any more."""

    def __init__(self, sessions: Sessions, now: datetime) -> None:
        self.sessions, self.now = sessions, now
        with transaction(sessions) as session:
            make_coop(session, now)
            self.mall = make_mall(session, now)
            lay_rules(session, self.mall)
            self.bay = lay_bay(session, self.mall)
            self.dealers = {code: make_dealer(session, now, code) for code in ("D01", "D02", "D03")}
            for code, cents in (("D01", 300_00), ("D02", 100_00), ("D03", 500_00)):
                space = make_space(session, now, self.mall, f"1{code[-1]}")
                ends_on = date(2026, 10, 31) if code == "D03" else None
                lease = make_lease(session, now, self.mall, self.dealers[code], [space], ends_on=ends_on)
                self.charge(session, lease, date(2026, 10, 1), "rent", cents)

    def charge(self, session: Session, lease: Lease, first_day: date, kind: str, cents: int) -> None:
        session.add(
            Charge(
                lease_id=lease.id,
                mall_id=self.mall.id,
                dealer_id=lease.dealer_id,
                kind=kind,
                what=f"{kind}:{lease.id}",
                first_day=first_day,
                label=kind,
                working="as agreed",
                amount_cents=cents,
            )
        )
        session.flush()

    def stay(self, session: Session, code: str, starts_on: date, ends_on: date, *, at: int = 0, **more: object) -> None:
        """Of a chest of 2 ft."""
        piece = lay_piece(session, self.dealers[code], "Oak chest", (24, 18, 30))
        lay_stay(session, piece, self.bay, starts_on, ends_on, at=at, **more)


@pytest.fixture
def rows(sessions: Sessions, now: datetime) -> Rows:
    return Rows(sessions, now)


def test_rent_and_floor_of_the_year_before_count_and_weeks_in_a_bay(rows: Rows) -> None:
    """The year before November 9, 2026 begins with November 9, 2025, and the months of its rent with December.

    D01's chest stood September 1 to 14, a Tuesday to a Monday: 24 in. for two weeks are 48 inch-weeks, in three weeks of the 52.
    D02's stood since before the year, until November 15, 2025: 7 days of it count, 24 inch-weeks, in the earliest week but one.
    """
    with transaction(rows.sessions) as session:
        rows.stay(session, "D01", date(2026, 9, 1), date(2026, 9, 14))
        rows.stay(session, "D01", date(2026, 9, 7), date(2026, 9, 20), at=60, state="cancelled")
        rows.stay(session, "D02", date(2025, 10, 1), date(2025, 11, 15))
        lease = session.scalars(select(Lease).where(Lease.dealer_id == rows.dealers["D01"].id)).one()
        rows.charge(session, lease, date(2025, 12, 1), "wall", 20_00)
        rows.charge(session, lease, date(2025, 11, 1), "rent", 70_00)
        rows.charge(session, lease, date(2026, 10, 1), "commission", 99_00)
        dealers = {one.code: one for one in read_period(session, rows.mall, FIRST, 4, TODAY).facts.dealers}
    assert sorted(dealers) == ["D01", "D02"]
    one, two = dealers["D01"], dealers["D02"]
    assert (one.rent_cents, one.had_inch_weeks, one.weeks_had) == (320_00, 48, {"A1-1": 3})
    assert (two.rent_cents, two.had_inch_weeks, two.weeks_had) == (100_00, 24, {"A1-1": 1})
    assert (one.spaces, two.spaces) == ({"11": "booth"}, {"12": "booth"})


def test_rent_counts_as_paid_less_what_was_owed_when_the_last_closed_month_ended(rows: Rows) -> None:
    """D01 is $50.00 below zero at the end of October. What is charged or paid since counts when November is closed."""
    with transaction(rows.sessions) as session:
        lease = session.scalars(select(Lease).where(Lease.dealer_id == rows.dealers["D01"].id)).one()

        def charge(key: str, on: date) -> None:
            charge_turn(session, rows.now, lease, 50_00, key=key, label="Turn missed", working="as agreed", on=on)

        def rents() -> dict[str, int]:
            read = read_period(session, rows.mall, FIRST, 4, TODAY)
            assert {row.code: row.rent_cents for row in fairness(session, rows.now, rows.mall).rows} == {
                one.code: one.rent_cents for one in read.facts.dealers
            }
            return {one.code: one.rent_cents for one in read.facts.dealers}

        charge("first", date(2026, 10, 20))
        assert rents() == {"D01": 300_00, "D02": 100_00}
        october = session.scalars(select(Period).where(Period.first_day == date(2026, 10, 1))).one()
        shut(session, rows.now, october)
        session.flush()
        assert rents() == {"D01": 250_00, "D02": 100_00}
        charge("second", date(2026, 11, 2))
        assert rents() == {"D01": 250_00, "D02": 100_00}


def test_what_waits_of_a_request_is_asked_for_and_what_stands_stays(rows: Rows) -> None:
    """Of three pieces one has floor, and another's was taken back: two wait. What brings floor last is the price."""
    with transaction(rows.sessions) as session:
        values = {"asked_on": date(2026, 10, 1), "not_before": date(2026, 10, 12), "weeks": 3}
        partly = lay_request(session, rows.mall, rows.dealers["D01"], state="partly", **values)
        lay_request(session, rows.mall, rows.dealers["D01"], state="withdrawn", **values)
        given, back, third = (
            lay_piece(session, rows.dealers["D01"], name, request=partly, price_cents=90_00) for name in ("One", "Two", "Three")
        )
        stay = lay_stay(session, given, rows.bay, date(2026, 11, 2), date(2026, 11, 15), at=48)
        lay_stay(session, back, rows.bay, date(2026, 11, 2), date(2026, 11, 15), at=84, state="cancelled")
        read = read_period(session, rows.mall, FIRST, 4, TODAY)
        (asked,), (standing,) = read.facts.asked, read.facts.standing
        assert [piece.key for piece in asked.pieces] == [str(back.id), str(third.id)]
        assert asked.cents == {str(back.id): 90_00, str(third.id): 90_00}
        assert (standing.key, standing.bay, standing.must_move) == (str(stay.id), "A1-1", False)
        assert read.facts.rooms[0].depth_by_week == (24 * 16,) * 4
        assert hash_of(read_period(session, rows.mall, FIRST, 4, TODAY)) == hash_of(read)

        session.get_one(BayRow, rows.bay.id).is_lent = False
        session.flush()
        kept_free = read_period(session, rows.mall, FIRST, 4, TODAY)
        assert kept_free.facts.rooms[0].depth_by_week == (0,) * 4
        assert hash_of(kept_free) != hash_of(read)
        session.get_one(BayRow, rows.bay.id).ended_on = TODAY
        session.flush()
        gone = read_period(session, rows.mall, FIRST, 4, TODAY).facts
        assert (gone.rooms, [one.must_move for one in gone.standing]) == ((), [True])


def test_what_was_sold_and_nobody_fetched_bars_where_it_stands_in_a_bay_cut_anew_too(rows: Rows) -> None:
    """It stands from 20 to 44 in. of a bay that begins 10 in. farther to the right by now; its floor was its until November 1."""
    with transaction(rows.sessions) as session:
        rows.stay(session, "D01", date(2026, 10, 20), date(2026, 11, 1), at=20, kind="sold")

        def barred() -> list[tuple[str, int, int, date, date | None]]:
            standing = read_period(session, rows.mall, FIRST, 4, TODAY).facts.standing
            return [(one.bay, one.from_in16 // 16, -(-one.to_in16 // 16), one.ends_on, one.was_due) for one in standing]

        assert barred() == [("A1-1", 20, 44, date(2026, 12, 6), date(2026, 11, 1))]
        session.get_one(BayRow, rows.bay.id).ended_on = TODAY
        lay_bay(session, rows.mall, "A1-1", 100, x=10)
        lay_bay(session, rows.mall, "A1-2", 100, x=44)
        lay_bay(session, rows.mall, "A1-3", 100, y=24)
        assert barred() == [("A1-1", 10, 34, date(2026, 12, 6), date(2026, 11, 1))]


def test_floor_had_is_told_against_what_is_due_by_rent(rows: Rows) -> None:
    """120 in. for 52 weeks are 6,240 inch-weeks: three quarters are due to D01, a quarter to D02.

    D01 had 24 in. for 13 weeks, 312 of 4,680, and D02 as much, of 1,560: parts of 1/15 and 1/5. Jain's index of them is
    (4/15)^2 / (2 x 10/225) = 0.8 (Jain, Chiu, Hawe 1984).
    """
    with transaction(rows.sessions) as session:
        assert fairness(session, rows.now, rows.mall).index is None
        for at, code in enumerate(("D01", "D02")):
            rows.stay(session, code, date(2026, 6, 1), date(2026, 8, 30), at=48 * at)
        values = {"asked_on": TODAY, "not_before": FIRST, "weeks": 3}
        for state in ("waiting", "partly", "granted"):
            lay_request(session, rows.mall, rows.dealers["D02"], state=state, **values)
        fair = fairness(session, rows.now, rows.mall)
    assert [(row.code, row.rent_cents, row.had, row.due, row.waiting, row.percent) for row in fair.rows] == [
        ("D01", 300_00, 312, 4_680, 0, 7),
        ("D02", 100_00, 312, 1_560, 2, 20),
    ]
    assert (fair.since, fair.through) == (date(2025, 11, 3), date(2026, 11, 2))
    assert (fair.index, fair.least_percent, fair.most_percent) == (Decimal("0.8000"), 7, 20)


def test_nothing_is_due_where_there_are_no_bays(rows: Rows) -> None:
    """Though D01 had floor in a bay that is no more; what is to be done first is told instead."""
    with transaction(rows.sessions) as session:
        rows.stay(session, "D01", date(2026, 9, 1), date(2026, 9, 14))
        session.get_one(BayRow, rows.bay.id).ended_on = TODAY
        session.flush()
        fair = fairness(session, rows.now, rows.mall)
    assert [(row.code, row.had, row.due, row.percent) for row in fair.rows] == [("D01", 48, 0, 0), ("D02", 0, 0, 0)]
    assert (fair.has_bays, fair.index) == (False, None)
    assert evenness_said(fair) == (
        "There are no bays here now, so no floor is due to anybody: bays come once the manager has drawn the plan with its "
        "aisles and set the house rules."
    )
