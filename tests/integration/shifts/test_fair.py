"""How turns were shared out over the twelve months that end with one, and since joining, at every mall together."""

from __future__ import annotations

from datetime import date, datetime
from decimal import Decimal

import pytest
from sqlalchemy import select
from sqlalchemy.orm import Session

from coop.core.db import Sessions, transaction
from coop.core.periods import Month
from coop.dealers.models import Dealer
from coop.floor.models import Mall
from coop.shifts.fair import FairRow, fairness
from coop.shifts.month_end import post_turns
from coop.shifts.month_facts import carried_to, waiting_months
from coop.shifts.turn_models import Attendance, TurnAccount
from tests.factories.leases import make_lease, make_rate, make_space
from tests.factories.people import make_mall
from tests.factories.rotas import DECEMBER, Drafted
from tests.factories.turns import lay_mall, lay_published, lay_rota, turns_of

JANUARY, YEAR_BEFORE = Month(2026, 1), Month(2025, 12)


@pytest.fixture
def hall(sessions: Sessions, now: datetime) -> Drafted:
    """Turns of the desk: D01's on January 3 (a Saturday) and December 1, and on December 25; D02's afternoon of December 5, a
    Saturday; D01's of December 2025, which is a year ago; and D02's of December 10 at another mall.
    """
    made = Drafted(sessions, now, owed_base=Decimal(2))
    with transaction(sessions) as session:
        mall = session.get_one(Mall, made.mall_id)
        for month, day in ((JANUARY, 3), (YEAR_BEFORE, 1)):
            seat(session, made, mall, month, day, "D01", now)
        for day, opens, code in ((1, True, "D01"), (25, True, "D01"), (5, False, "D02")):
            made.turn(session, day, opens=opens).member_id = made.members[code]
        lay_published(session, made.rota(session), now)
        annex = make_mall(session, now, "ANNEX")
        lay_mall(session, annex)
        seat(session, made, annex, DECEMBER, 10, "D02", now)
    return made


def seat(session: Session, hall: Drafted, mall: Mall, month: Month, day: int, code: str, now: datetime) -> None:
    """A published rota in which a dealer opens on one day."""
    rota = lay_rota(session, mall, month)
    next(turn for turn in turns_of(session, rota) if turn.on_date.day == day and turn.opens).member_id = hall.members[code]
    lay_published(session, rota, now)


def rows(hall: Drafted, through: Month | None = None) -> dict[str, FairRow]:
    with transaction(hall.sessions) as session:
        fair = fairness(session, hall.now, session.get_one(Mall, hall.mall_id), through)
        return {row.code: row for row in fair.rows}


def test_a_year_is_twelve_months_with_the_one_it_ends_with(hall: Drafted) -> None:
    """What was worked a year ago counts since joining alone; what was worked at another mall counts."""
    found = rows(hall)
    one, other = found["D01"], found["D02"]
    assert (one.turns, one.weekend, one.holiday, one.opening, one.closing, one.turns_since) == (3, 1, 1, 3, 0, 4)
    assert (other.turns, other.weekend, other.holiday, other.opening, other.closing, other.turns_since) == (2, 1, 0, 1, 1, 2)
    assert rows(hall, Month(2026, 11))["D01"].turns == 2


def test_what_is_owed_goes_by_published_rotas_and_month_ends(hall: Drafted) -> None:
    """January and December by the rules, two each, until a month-end has written what a month came to."""
    assert rows(hall)["D01"].owed == 4
    assert rows(hall)["D01"].per_owed(3) == Decimal("0.75")
    with transaction(hall.sessions) as session:
        session.add(
            TurnAccount(
                mall_id=hall.mall_id,
                member_id=hall.members["D01"],
                first_day=DECEMBER.first_day,
                kind="owed",
                key="owed:2026-12",
                turns=Decimal(-3),
                working="3",
                at=hall.now,
            )
        )
    one = rows(hall)["D01"]
    assert (one.owed, one.owed_since, one.balance) == (2 + 3, 3, -3)


def test_what_is_owed_at_another_mall_counts_as_what_is_worked_there_does(hall: Drafted) -> None:
    """Whichever mall’s page it is: D02 holds a lease at both, and no month-end has counted anything at either."""
    with transaction(hall.sessions) as session:
        annex = session.scalars(select(Mall).where(Mall.code == "ANNEX")).one()
        dealer = session.scalars(select(Dealer).where(Dealer.member_id == hall.members["D02"])).one()
        make_rate(session, annex)
        make_lease(session, hall.now, annex, dealer, [make_space(session, hall.now, annex, "X1")])
    with transaction(hall.sessions) as session:
        annex = session.scalars(select(Mall).where(Mall.code == "ANNEX")).one()
        here, there = (fairness(session, hall.now, session.get_one(Mall, one)).rows for one in (hall.mall_id, annex.id))
    one, other = ({row.code: row for row in rows}["D02"] for rows in (here, there))
    assert (one.owed, one.turns) == (other.owed, other.turns)


def carried(hall: Drafted) -> list[Decimal]:
    """What the members begin January 2027 with, of months since this January was over."""
    with transaction(hall.sessions) as session:
        waiting = waiting_months(session, date(2026, 2, 1), DECEMBER.next)
        found = carried_to(session, session.get_one(Mall, hall.mall_id), DECEMBER.next, waiting)
        return [found.get(member, Decimal(0)) for member in hall.members.values()]


def test_a_draft_begins_with_what_the_month_before_will_have_come_to(hall: Drafted) -> None:
    """December is published and not over: of two owed each D01 has two turns and D02 one, at this mall. It is counted once."""
    assert carried(hall) == [0, -1, -2, -2]
    with transaction(hall.sessions) as session:
        missed, given = hall.turn(session, 1), hall.turn(session, 5, opens=False)
        session.add(Attendance(turn_id=missed.id, missed_at=missed.starts_at, late=False, decision="owed", note=""))
        given.for_member_id = hall.members["D03"]
    assert carried(hall) == [-1, -2, -1, -2]
    with transaction(hall.sessions) as session:
        for came in (hall.turn(session, 25), hall.turn(session, 5, opens=False)):
            session.add(Attendance(turn_id=came.id, signed_in_at=came.starts_at, late=False, decision="", note=""))
        session.flush()
        post_turns(session, hall.now, session.get_one(Mall, hall.mall_id), DECEMBER)
        lines = session.scalars(select(TurnAccount).where(TurnAccount.mall_id == hall.mall_id)).all()
        by_member = {member: sum(one.turns for one in lines if one.member_id == member) for member in hall.members.values()}
    assert carried(hall) == list(by_member.values()) == [-1, -2, -1, -2]


def test_weekends_have_an_index_and_holidays_a_spread(hall: Drafted) -> None:
    """One weekend turn each for D01 and D02 of four who owe as much: Jain's index is (1+1)^2 / (4 * (1+1)) = a half."""
    with transaction(hall.sessions) as session:
        fair = fairness(session, hall.now, session.get_one(Mall, hall.mall_id))
    assert fair.through == DECEMBER
    assert fair.weekend_jain == Decimal("0.5")
    assert fair.holiday_spread == 1


def test_before_anything_is_published_nothing_is_shared(sessions: Sessions, now: datetime) -> None:
    made = Drafted(sessions, now)
    with transaction(sessions) as session:
        fair = fairness(session, now, session.get_one(Mall, made.mall_id))
    assert (fair.weekend_jain, fair.holiday_spread) == (None, None)
    assert {(row.turns, row.owed) for row in fair.rows} == {(0, 0)}
    assert fair.through == Month.of(date(now.year, now.month, 1))
