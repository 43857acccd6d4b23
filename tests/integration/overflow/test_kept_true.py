"""What is said of a stay and taken back keeps its rows true, on both databases: sizes, first and last days, requests, charges."""

from __future__ import annotations

from datetime import date, datetime, timedelta

import pytest
from sqlalchemy import select
from sqlalchemy.orm import Session

from coop.core.errors import Refusal
from coop.core.geometry import IN16_PER_INCH
from coop.core.periods import Month
from coop.leases.models import Lease
from coop.overflow.asking import ask_again, withdraw
from coop.overflow.charging import charged_otherwise, post_overflow
from coop.overflow.models import BayRow, OverflowPiece, Stay
from coop.overflow.placing import place_piece
from coop.overflow.queries import beyond_lease, beyond_leases
from coop.overflow.recalling import recall, take_back_recall
from coop.overflow.staying import (
    cancel_stay,
    end_stay,
    lengthen_stay,
    move_stay,
    said_moved_in,
    stand_again,
    take_back_end,
)
from tests.factories.aisles import MONDAY, SUNDAY, TODAY, Aisles, piece, told
from tests.factories.leases import make_lease

DAY = timedelta(days=1)
FIFTEENTH, END = date(2026, 11, 15), date(2026, 11, 30)


@pytest.fixture
def aisles(session: Session, now: datetime) -> Aisles:
    return Aisles(session, now, fee_kind="piece-week", fee_cents=7_00)


def at(now: datetime, on: date) -> datetime:
    return now + (on - TODAY)


def put(session: Session, now: datetime, aisles: Aisles, row: OverflowPiece, *place: object) -> Stay:
    return place_piece(session, now, aisles.mall(session), row, aisles.place(session, *place), by=aisles.by)  # type: ignore[arg-type]


# --- given again ----------------------------------------------------------------------------------------------------------


def test_floor_given_again_is_as_large_as_the_piece_is_by_now(session: Session, now: datetime, aisles: Aisles) -> None:
    _, (hutch, bench) = aisles.ask(session, now, piece(), piece("Pine bench"))
    stay = put(session, now, aisles, hutch, "A1-1", 0)
    cancel_stay(session, now, stay, by=aisles.by)
    hutch.width_in16, hutch.depth_in16 = 60 * IN16_PER_INCH, 22 * IN16_PER_INCH
    stand_again(session, now, stay, by=aisles.by)
    assert (stay.from_in16, stay.to_in16, stay.depth_in16) == (0, 60 * IN16_PER_INCH, 22 * IN16_PER_INCH)
    with pytest.raises(Refusal, match='0" to 5\' 0" of bay A1-1 is taken'), session.begin_nested():
        put(session, now, aisles, bench, "A1-1", 40)
    cancel_stay(session, now, stay, by=aisles.by)
    hutch.depth_in16 = 30 * IN16_PER_INCH
    with pytest.raises(Refusal, match="Oak hutch may not stand in bay A1-1: it is 2' 6\" deep and the bay 2' 0\""):
        stand_again(session, now, stay, by=aisles.by)
    assert stay.state == "cancelled"


def test_floor_of_a_withdrawn_request_is_not_given_again_and_nobody_is_told_that_it_waits(
    session: Session, now: datetime, aisles: Aisles
) -> None:
    request, (hutch, _) = aisles.ask(session, now, piece(), piece("Pine bench"))
    stay = put(session, now, aisles, hutch, "A1-1", 0)
    withdraw(session, now, request, by=aisles.ida)
    cancel_stay(session, now, stay, by=aisles.by)
    (body,) = [text for subject, text in told(session, now).items() if "does not move in" in subject]
    assert "waits again" not in body
    assert "Ask the manager why." in body
    for who in (aisles.by, aisles.ida):
        stay.cancelled_by = who.user_id
        with pytest.raises(Refusal, match="The request for Oak hutch is withdrawn: ask for it again first"):
            stand_again(session, now, stay, by=who)
    ask_again(session, now, request, by=aisles.ida)
    stand_again(session, now, stay, by=aisles.by)
    assert (stay.state, request.state) == ("stands", "partly")


# --- first and last days --------------------------------------------------------------------------------------------------


def test_nothing_came_after_its_last_day(session: Session, now: datetime, aisles: Aisles) -> None:
    _, (hutch,) = aisles.ask(session, now)
    stay, then = put(session, now, aisles, hutch, "A1-1", 0), at(now, FIFTEENTH)
    said_moved_in(session, then, stay, on=FIFTEENTH, by=aisles.by)
    with pytest.raises(Refusal, match="Oak hutch came on Nov 15, 2026, as was said: choose that day or a later one"):
        end_stay(session, then, stay, on=FIFTEENTH - DAY, by=aisles.by)
    move_stay(session, then, stay, aisles.bay(session, "A2-1"), 0, by=aisles.by)
    assert (stay.ends_on, stay.moved_in_on) == (FIFTEENTH - DAY, None)


def test_what_was_asked_back_and_said_to_be_gone_stands_until_it_is_to_go_if_it_is_not(
    session: Session, now: datetime, aisles: Aisles
) -> None:
    _, (hutch,) = aisles.ask(session, now)
    stay, then = put(session, now, aisles, hutch, "A1-1", 0), at(now, FIFTEENTH)
    recall(session, then, stay, why="Painting.", by=aisles.by)
    to_go = stay.ends_on
    assert to_go == FIFTEENTH + 7 * DAY
    for who in (aisles.ida, aisles.by):
        end_stay(session, then, stay, on=FIFTEENTH, by=who)
        assert stay.ends_on == FIFTEENTH
        take_back_end(session, then, stay, by=who)
        assert (stay.ends_on, stay.gone_said_at, stay.recall_why, stay.lengthened_from) == (to_go, None, "Painting.", None)
    for _ in range(2):
        end_stay(session, then, stay, on=FIFTEENTH, by=aisles.ida)
    take_back_end(session, then, stay, by=aisles.ida)
    assert stay.ends_on == to_go, "said twice, it is said once"
    end_stay(session, then, stay, on=FIFTEENTH, by=aisles.ida)
    take_back_recall(session, then, stay, by=aisles.by)
    assert (stay.ends_on, stay.gone_said_at, stay.lengthened_from) == (SUNDAY, None, None)
    end_stay(session, then, stay, on=END, by=aisles.ida)
    recall(session, then, stay, why="Painting.", by=aisles.by)
    assert (stay.ends_on, stay.gone_said_at) == (to_go, None), "it may be there until then"


def test_what_is_not_gone_stands_as_long_as_its_bay_is_one(session: Session, now: datetime, aisles: Aisles) -> None:
    _, (hutch,) = aisles.ask(session, now)
    stay, then = put(session, now, aisles, hutch, "A1-1", 0), at(now, FIFTEENTH)
    end_stay(session, then, stay, on=FIFTEENTH, by=aisles.ida)
    bay = session.get_one(BayRow, stay.bay_id)
    bay.ended_on = END
    take_back_end(session, then, stay, by=aisles.ida)
    assert (stay.ends_on, stay.gone_said_at) == (END - DAY, None)
    end_stay(session, then, stay, on=FIFTEENTH, by=aisles.ida)
    bay.ended_on = FIFTEENTH
    take_back_end(session, then, stay, by=aisles.ida)
    assert (stay.ends_on, stay.gone_said_at) == (FIFTEENTH, None)


# --- charged ----------------------------------------------------------------------------------------------------------------


def test_floor_that_is_charged_is_neither_ended_lengthened_nor_restored_though_its_month_is_open(
    session: Session, now: datetime, aisles: Aisles
) -> None:
    mall, then, november = aisles.mall(session), at(now, END), Month(2026, 11)
    _, (hutch, bench) = aisles.ask(session, now, piece(), piece("Pine bench"))
    stay = put(session, now, aisles, hutch, "A1-1", 0)
    other = put(session, now, aisles, bench, "A1-1", 60)
    end_stay(session, at(now, FIFTEENTH), other, on=FIFTEENTH, by=aisles.by)
    assert post_overflow(session, then, mall, november) == 2
    through = "Floor through Nov 30, 2026 is charged, and stays as it was: choose Nov 30, 2026 or later as the last day"
    with pytest.raises(Refusal, match=through):
        end_stay(session, then, stay, on=FIFTEENTH, by=aisles.by)
    charged = "Pine bench had floor until Nov 15, 2026, and floor of the days after it is charged by now: give it floor anew"
    with pytest.raises(Refusal, match=charged):
        take_back_end(session, then, other, by=aisles.by)
    with pytest.raises(Refusal, match=charged):
        lengthen_stay(session, then, other, until=SUNDAY, by=aisles.by)
    assert charged_otherwise(session, mall, november) == []
    end_stay(session, at(now, END - DAY), stay, on=END, by=aisles.by)
    assert stay.ends_on == END, "what is charged is had, come or not"
    take_back_end(session, then, stay, by=aisles.by)
    assert stay.ends_on == SUNDAY, "December is not charged"


# --- without a lease ------------------------------------------------------------------------------------------------------


def test_days_between_two_leases_are_days_without_one(session: Session, now: datetime, aisles: Aisles) -> None:
    mall, ida = aisles.mall(session), aisles.dealer(session)
    _, (hutch,) = aisles.ask(session, now)
    stay = put(session, now, aisles, hutch, "A1-1", 0)
    lease = session.scalars(select(Lease).where(Lease.dealer_id == ida.id)).one()
    lease.ends_on = date(2026, 11, 20)
    make_lease(session, now, mall, ida, starts_on=date(2026, 12, 1))
    assert [one.stay.id for one in beyond_lease(session, mall.id, TODAY)] == [stay.id]
    assert beyond_leases(session, {mall.id: date(2026, 12, 1)}) == {}, "the days without one are past"
    lease.ends_on = END
    assert beyond_lease(session, mall.id, TODAY) == [], "one follows the other at once"
    stay.starts_on = MONDAY - 400 * DAY
    lease.starts_on = TODAY
    assert beyond_lease(session, mall.id, TODAY) == [], "what was before today is not asked"
