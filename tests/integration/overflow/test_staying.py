"""Stays changed on both databases: moved, lengthened, ended, given back, each undone where the floor is still free."""

from __future__ import annotations

from collections.abc import Callable
from datetime import date, datetime, timedelta
from typing import Any

import pytest
from sqlalchemy import func, select, update
from sqlalchemy.orm import Session

from coop.books.models import Period
from coop.books.service import ensure_period
from coop.core.errors import Refusal
from coop.core.jobs import Job
from coop.core.periods import Month
from coop.overflow.judging import LimitRefused
from coop.overflow.models import OverflowPiece, Stay
from coop.overflow.placing import place_piece, place_sold
from coop.overflow.queries import overdue_sold, own_requests
from coop.overflow.recalling import recall, take_back_recall
from coop.overflow.staying import (
    cancel_stay,
    end_stay,
    lengthen_stay,
    move_stay,
    said_moved_in,
    stand_again,
    take_back_end,
    take_back_lengthening,
)
from coop.overflow.survey_asking import KIND as SURVEY
from tests.factories.aisles import MONDAY, SUNDAY, TODAY, Aisles, piece, told

DAY = timedelta(days=1)
FIRST_WEEK = MONDAY + 6 * DAY


def put(session: Session, now: datetime, aisles: Aisles, row: OverflowPiece, *place: Any, **more: Any) -> Stay:
    return place_piece(session, now, aisles.mall(session), row, aisles.place(session, *place, **more), by=aisles.by)


def later(now: datetime, on: date) -> datetime:
    return now + (on - TODAY)


def rows(session: Session) -> list[tuple[int, int, date, date]]:
    """Bay, inches along it, and days of what stands."""
    stays = session.scalars(select(Stay).where(Stay.state == "stands").order_by(Stay.starts_on, Stay.id))
    return [(one.bay_id, one.from_in16 // 16, one.starts_on, one.ends_on) for one in stays]


# --- moved ----------------------------------------------------------------------------------------------------------------


def test_what_has_not_begun_is_moved_in_place_and_its_dealer_told(session: Session, now: datetime, aisles: Aisles) -> None:
    _, (chest,) = aisles.ask(session, now, piece("Chest", 60, 20, may_turn=True))
    stay = put(session, now, aisles, chest)
    other = aisles.bay(session, "A2-1")
    assert move_stay(session, now, stay, aisles.bay(session), 20 * 16, by=aisles.by) is stay
    with (
        pytest.raises(Refusal, match="Chest may not stand in bay A2-1: it is 5' 0\" deep and the bay 2' 6\""),
        session.begin_nested(),
    ):
        move_stay(session, now, stay, other, 0, by=aisles.by, turned=True)
    moved = move_stay(session, now, stay, other, 16, by=aisles.by)
    assert (moved.id, moved.from_in16, moved.to_in16) == (stay.id, 16, 61 * 16)
    assert rows(session) == [(other.id, 1, MONDAY, SUNDAY)]
    assert (
        aisles.logged(session, "overflow stay")[-1]
        == 'stay moved: from bay A1-1; D01, bay A2-1 from 1", 2026-11-09 to 2026-12-06'
    )
    assert session.scalars(select(Job).where(Job.kind == SURVEY)).all(), "what must move may be settled by it"
    letters = told(session, now)
    body = letters["d01@example.org: Chest is to stand in bay A2-1"]
    assert (
        'another place at Lantern Yard Antiques Hall: bay A2-1, 1" to 5\' 1" along it, Nov 9 to Dec 6, 2026. Before, it was'
        in body
    )
    assert "Move it on Nov 9, 2026." in body


def test_what_stands_is_moved_from_a_day_on_and_was_where_it_was(session: Session, now: datetime, aisles: Aisles) -> None:
    """Moved along its own bay onto floor that its own first stay takes until then."""
    _, (hutch, bench) = aisles.ask(session, now, piece(), piece("Pine bench"))
    bay = aisles.bay(session)
    stay = put(session, now, aisles, hutch)
    put(session, now, aisles, bench, "A1-1", 70)
    then = later(now, FIRST_WEEK)
    said_moved_in(session, then, stay, on=MONDAY, by=aisles.by)
    with pytest.raises(Refusal, match="is taken Nov 9 to Dec 6, 2026, by Pine bench of D01"), session.begin_nested():
        move_stay(session, then, stay, bay, 30 * 16, by=aisles.by)
    assert rows(session)[0] == (bay.id, 0, MONDAY, SUNDAY), "refused, nothing is half-done"
    moved = move_stay(session, then, stay, bay, 20 * 16, by=aisles.by)
    assert rows(session) == [
        (bay.id, 0, MONDAY, FIRST_WEEK - DAY),
        (bay.id, 70, MONDAY, SUNDAY),
        (bay.id, 20, FIRST_WEEK, SUNDAY),
    ]
    assert (moved.moved_in_on, moved.granted_until, moved.why, stay.granted_until) == (None, SUNDAY, stay.why, SUNDAY)
    with pytest.raises(Refusal, match="Oak hutch cannot be moved on Dec 7, 2026: choose a day of Nov 15 to Dec 6, 2026"):
        move_stay(session, then, moved, bay, 0, by=aisles.by, on=SUNDAY + DAY)
    recall(session, then, moved, why="The hall is painted.", by=aisles.by)
    again = move_stay(session, then, moved, aisles.bay(session, "A2-1"), 0, by=aisles.by, on=FIRST_WEEK + DAY)
    assert (again.recall_why, again.ends_on, again.granted_until) == ("The hall is painted.", FIRST_WEEK + 7 * DAY, SUNDAY)


# --- lengthened and ended -------------------------------------------------------------------------------------------------


def test_a_stay_is_lengthened_only_over_free_floor_and_within_the_limits(session: Session, now: datetime) -> None:
    """Four weeks in A1-1 and a rotation of five: a week more is let, another is not."""
    aisles = Aisles(session, now, rotation_weeks=5, longest_weeks=5)
    _, (hutch, bench) = aisles.ask(session, now, piece(), piece("Pine bench"))
    stay = put(session, now, aisles, hutch)
    free = SUNDAY + 7 * DAY
    lengthen_stay(session, now, stay, until=free, by=aisles.by)
    assert (stay.ends_on, stay.granted_until) == (free, free)
    with pytest.raises(Refusal, match="Oak hutch stands until Dec 13, 2026 already: choose a later day"):
        lengthen_stay(session, now, stay, until=free, by=aisles.by)
    with pytest.raises(LimitRefused, match="D01 would be in bay A1-1 on 42 days of 52 weeks: 5 weeks"):
        lengthen_stay(session, now, stay, until=free + 7 * DAY, by=aisles.by)
    lengthen_stay(session, now, stay, until=free + DAY, by=aisles.by, anyway=True)
    put(session, now, aisles, bench, "A2-1", 0)
    assert aisles.logged(session, "overflow stay")[1:3] == [
        "stay lengthened: until 2026-12-13",
        "stay lengthened: until 2026-12-14; let pass: D01 would be in bay A1-1 on 36 days of 52 weeks: 5 weeks (35 days) are the "
        "most, so that everybody has a turn in it; from Nov 8, 2027 on it may be there for as many.",
    ]


def test_a_stay_is_not_lengthened_onto_floor_that_is_taken(session: Session, now: datetime, aisles: Aisles) -> None:
    _, (hutch, bench) = aisles.ask(session, now, piece(), piece("Pine bench"))
    stay = put(session, now, aisles, hutch)
    put(session, now, aisles, bench, "A1-1", 20, SUNDAY + 3 * DAY, SUNDAY + 5 * DAY)
    with pytest.raises(Refusal, match="1' 8\" to 5' 0\" of bay A1-1 is taken Dec 9 to Dec 11, 2026, by Pine bench of D01"):
        lengthen_stay(session, now, stay, until=SUNDAY + 3 * DAY, by=aisles.by)
    lengthen_stay(session, now, stay, until=SUNDAY + 2 * DAY, by=aisles.by)
    recall(session, now, stay, why="Painting", by=aisles.by)
    with pytest.raises(Refusal, match="Oak hutch was asked back: take that back first"):
        lengthen_stay(session, now, stay, until=SUNDAY + 2 * DAY, by=aisles.by)


def test_a_lengthening_is_undone_until_its_last_day_before_is_past_and_the_dealer_told(
    session: Session, now: datetime, aisles: Aisles
) -> None:
    _, (hutch, bench) = aisles.ask(session, now, piece(), piece("Pine bench"))
    stay = put(session, now, aisles, hutch)
    until = SUNDAY + 7 * DAY
    with pytest.raises(Refusal, match="Oak hutch was not let stand longer: end its stay on a day instead"):
        take_back_lengthening(session, now, stay, by=aisles.by)
    lengthen_stay(session, now, stay, until=until, by=aisles.by)
    sunday = later(now, SUNDAY)
    recall(session, sunday, stay, why="Painting.", by=aisles.by, days=1, for_safety=True)
    with pytest.raises(Refusal, match="Oak hutch was asked back: take that back first"):
        take_back_lengthening(session, sunday, stay, by=aisles.by)
    take_back_recall(session, sunday, stay, by=aisles.by)
    end_stay(session, sunday, stay, on=SUNDAY, by=aisles.by)
    with pytest.raises(Refusal, match="Oak hutch is said to be gone by Dec 6, 2026: take that back first"):
        take_back_lengthening(session, sunday, stay, by=aisles.by)
    take_back_end(session, sunday, stay, by=aisles.by)
    assert stay.ends_on == until
    with pytest.raises(Refusal, match="Dec 6, 2026, its last day before, is past: end its stay on a day instead"):
        take_back_lengthening(session, later(now, SUNDAY + DAY), stay, by=aisles.by)
    take_back_lengthening(session, sunday, stay, by=aisles.by)
    assert (stay.ends_on, stay.granted_until, stay.lengthened_from) == (SUNDAY, SUNDAY, None)
    put(session, now, aisles, bench, "A1-1", 0, SUNDAY + DAY, until)
    body = told(session, sunday)["d01@example.org: Oak hutch has floor until Dec 6, 2026 only"]
    assert "taken back that Oak hutch may stand in bay A1-1 at Lantern Yard Antiques Hall until Dec 13, 2026: as before," in body
    assert "its last day is Dec 6, 2026." in body
    assert "Take it away by the end of that day." in body
    assert "lengthening taken back: until 2026-12-06" in aisles.logged(session, "overflow stay")


def test_a_lengthening_of_which_days_are_charged_or_a_part_is_moved_stays(
    session: Session, now: datetime, aisles: Aisles
) -> None:
    _, (hutch, bench) = aisles.ask(session, now, piece(), piece("Pine bench"))
    stay = put(session, now, aisles, hutch, "A1-1", 0, MONDAY, FIRST_WEEK)
    lengthen_stay(session, now, stay, until=SUNDAY, by=aisles.by)
    other = put(session, now, aisles, bench, "A1-1", 50, MONDAY, FIRST_WEEK)
    lengthen_stay(session, now, other, until=SUNDAY, by=aisles.by)
    lengthen_stay(session, now, other, until=SUNDAY + DAY, by=aisles.by)
    moved = move_stay(session, later(now, MONDAY + DAY), other, aisles.bay(session, "A2-1"), 0, by=aisles.by)
    for part in (other, moved):
        with pytest.raises(Refusal, match="Pine bench was not let stand longer"):
            take_back_lengthening(session, now, part, by=aisles.by)
    close_november(session, now, aisles)
    with pytest.raises(Refusal, match="Floor through Nov 30, 2026 is charged, and stays as it was: choose Nov 30, 2026 or later"):
        take_back_lengthening(session, now, stay, by=aisles.by)
    assert stay.ends_on == SUNDAY


def test_a_sold_piece_let_wait_longer_when_it_was_late_is_late_again(session: Session, now: datetime, aisles: Aisles) -> None:
    mall, amos = aisles.mall(session), aisles.dealer(session, "D02")
    stay = place_sold(session, now, mall, amos, piece("Table"), aisles.bay(session), by=aisles.by, until=TODAY + DAY)
    wednesday = TODAY + 4 * DAY
    with pytest.raises(Refusal, match="Nov 6, 2026 is past: choose Nov 7, 2026 or a later day"):
        lengthen_stay(session, later(now, wednesday), stay, until=wednesday - DAY, by=aisles.by)
    lengthen_stay(session, later(now, wednesday), stay, until=wednesday + DAY, by=aisles.by)
    assert overdue_sold(session, mall.id, wednesday) == []
    take_back_lengthening(session, later(now, wednesday), stay, by=aisles.by)
    assert [one.stay.id for one in overdue_sold(session, mall.id, wednesday)] == [stay.id]
    assert (
        "It is sold: have it fetched, or ask the manager for more days."
        in told(session, now)["d02@example.org: Table has floor until Nov 4, 2026 only"]
    )


def test_what_is_said_to_be_gone_is_not_once_it_is_moved_or_kept(session: Session, now: datetime, aisles: Aisles) -> None:
    _, (hutch,) = aisles.ask(session, now)
    stay, monday = put(session, now, aisles, hutch), later(now, MONDAY)
    undone: tuple[Callable[[], object], ...] = (
        lambda: take_back_end(session, monday, stay, by=aisles.by),
        lambda: move_stay(session, monday, stay, aisles.bay(session), 16, by=aisles.by),
    )
    for undo in undone:
        end_stay(session, monday, stay, on=MONDAY, by=aisles.ida)
        assert (stay.gone_said_at, stay.gone_said_by) == (monday, aisles.ida.user_id)
        undo()
        assert (stay.gone_said_at, stay.gone_said_by) == (None, None)
    take_back_end(session, monday, stay, by=aisles.by)
    assert stay.ends_on == MONDAY, "nobody said that it is gone"
    cancel_stay(session, monday, stay, by=aisles.ida)
    assert stay.cancelled_by == aisles.ida.user_id
    stand_again(session, monday, stay, by=aisles.by)
    assert stay.cancelled_by is None


def test_what_is_said_to_be_gone_is_let_stand_longer_once_that_is_taken_back_and_undone_has_its_days(
    session: Session, now: datetime, aisles: Aisles
) -> None:
    _, (hutch,) = aisles.ask(session, now)
    stay = put(session, now, aisles, hutch)
    end_stay(session, now, stay, on=FIRST_WEEK, by=aisles.ida)
    until = SUNDAY + 14 * DAY
    with pytest.raises(Refusal, match="Oak hutch is said to be gone by Nov 15, 2026: take that back first"):
        lengthen_stay(session, now, stay, until=until, by=aisles.by)
    assert (stay.ends_on, stay.granted_until, stay.gone_said_by) == (FIRST_WEEK, SUNDAY, aisles.ida.user_id)
    take_back_end(session, now, stay, by=aisles.by)
    lengthen_stay(session, now, stay, until=until, by=aisles.by)
    assert (stay.ends_on, stay.granted_until) == (until, until)
    take_back_lengthening(session, now, stay, by=aisles.by)
    assert (stay.ends_on, stay.granted_until, stay.lengthened_from) == (SUNDAY, SUNDAY, None)
    (row,) = own_requests(session, [hutch.dealer_id])
    assert not row.has_fewer_weeks, "it has all the weeks it asked for"


def test_what_is_not_gone_after_all_has_no_days_that_are_past(session: Session, now: datetime, aisles: Aisles) -> None:
    _, (hutch,) = aisles.ask(session, now)
    stay = put(session, now, aisles, hutch)
    end_stay(session, later(now, FIRST_WEEK), stay, on=FIRST_WEEK, by=aisles.by)
    with pytest.raises(Refusal, match="Oak hutch was to stand until Dec 6, 2026, and that is past: give it floor anew"):
        take_back_end(session, later(now, SUNDAY + DAY), stay, by=aisles.by)
    assert (stay.ends_on, stay.gone_said_by) == (FIRST_WEEK, aisles.by.user_id)
    take_back_end(session, later(now, SUNDAY), stay, by=aisles.by)
    assert stay.ends_on == SUNDAY, "today is a day to stand on"
    end_stay(session, later(now, SUNDAY), stay, on=SUNDAY, by=aisles.by)
    take_back_end(session, later(now, SUNDAY + DAY), stay, by=aisles.by)
    assert (stay.ends_on, stay.gone_said_at) == (SUNDAY, None), "it gets no day, and is there still"


def test_a_piece_taken_away_leaves_its_floor_to_others_and_may_come_back_if_that_is_free(
    session: Session, now: datetime, aisles: Aisles
) -> None:
    _, (hutch, bench) = aisles.ask(session, now, piece(), piece("Pine bench"))
    stay = put(session, now, aisles, hutch)
    with pytest.raises(Refusal, match="Oak hutch stands Nov 9 to Dec 6, 2026: choose its last day among these"):
        end_stay(session, now, stay, on=SUNDAY + DAY, by=aisles.by)
    with pytest.raises(Refusal, match="Nov 15, 2026 is to come: ask the floor back, or enter the day when the piece is gone"):
        end_stay(session, now, stay, on=FIRST_WEEK, by=aisles.by)
    end_stay(session, now, stay, on=FIRST_WEEK, by=aisles.ida)
    assert (stay.ends_on, stay.granted_until) == (FIRST_WEEK, SUNDAY)
    take_back_end(session, now, stay, by=aisles.by)
    assert stay.ends_on == SUNDAY
    end_stay(session, later(now, FIRST_WEEK), stay, on=FIRST_WEEK, by=aisles.by)
    put(session, now, aisles, bench, "A1-1", 0, FIRST_WEEK + 7 * DAY, SUNDAY)
    with pytest.raises(Refusal, match="is taken Nov 22 to Dec 6, 2026, by Pine bench of D01"):
        take_back_end(session, now, stay, by=aisles.by)
    assert aisles.logged(session, "overflow stay")[1:4] == [
        "piece taken away: last day 2026-11-15",
        "piece stays after all: until 2026-12-06",
        "piece taken away: last day 2026-11-15",
    ]


def test_a_day_whose_fees_are_posted_is_not_the_last(session: Session, now: datetime, aisles: Aisles) -> None:
    _, (hutch,) = aisles.ask(session, now)
    stay = put(session, now, aisles, hutch)
    close_november(session, now, aisles)
    then = later(now, date(2026, 12, 2))
    with pytest.raises(
        Refusal, match="Floor through Nov 30, 2026 is charged, and stays as it was: choose Nov 30, 2026 or later as the last day"
    ):
        end_stay(session, then, stay, on=FIRST_WEEK, by=aisles.by)
    end_stay(session, then, stay, on=date(2026, 11, 30), by=aisles.by)


def test_what_ended_in_a_month_that_is_charged_is_not_lengthened_over_it(session: Session, now: datetime, aisles: Aisles) -> None:
    _, (hutch,) = aisles.ask(session, now)
    stay = put(session, now, aisles, hutch)
    end_stay(session, later(now, FIRST_WEEK), stay, on=FIRST_WEEK, by=aisles.by)
    close_november(session, now, aisles)
    said = "Oak hutch had floor until .*, and floor of the days after it is charged by now: give it floor anew"
    with pytest.raises(Refusal, match=said):
        lengthen_stay(session, later(now, date(2026, 12, 2)), stay, until=date(2026, 12, 10), by=aisles.by)
    with pytest.raises(Refusal, match=said):
        take_back_end(session, later(now, date(2026, 12, 2)), stay, by=aisles.by)


def close_november(session: Session, now: datetime, aisles: Aisles) -> None:
    period = ensure_period(session, aisles.mall_id, Month(2026, 11))
    period.state = "closed"
    session.flush()
    assert session.get_one(Period, period.id).state == "closed"


# --- before it began ------------------------------------------------------------------------------------------------------


def test_floor_taken_back_before_it_began_waits_again_and_is_given_again_while_free(
    session: Session, now: datetime, aisles: Aisles
) -> None:
    request, (hutch,) = aisles.ask(session, now)
    _, (other,) = aisles.ask(session, now, code="D02")
    stay = put(session, now, aisles, hutch)
    cancel_stay(session, now, stay, by=aisles.by)
    cancel_stay(session, now, stay, by=aisles.by)
    assert (stay.state, request.state) == ("cancelled", "waiting")
    stand_again(session, now, stay, by=aisles.by)
    assert (stay.state, request.state) == ("stands", "granted")
    cancel_stay(session, now, stay, by=aisles.ida)
    put(session, now, aisles, other, "A1-1", 10)
    with pytest.raises(Refusal, match="of bay A1-1 is taken Nov 9 to Dec 6, 2026, by Oak hutch of D02"):
        stand_again(session, now, stay, by=aisles.by)
    with pytest.raises(Refusal, match="of bay A1-1 is taken Nov 9 to Dec 6, 2026; the first place"):
        stand_again(session, now, stay, by=aisles.ida)  # What is another's is not named to a dealer.
    for change in (
        lambda: end_stay(session, now, stay, on=MONDAY, by=aisles.by),
        lambda: lengthen_stay(session, now, stay, until=SUNDAY + DAY, by=aisles.by),
        lambda: move_stay(session, now, stay, aisles.bay(session), 0, by=aisles.by),
    ):
        with pytest.raises(Refusal, match="This floor was taken back: give it again first"):
            change()
    assert aisles.logged(session, "overflow stay")[1:3] == [
        "floor taken back: before 2026-11-09",
        'floor given again: D01, bay A1-1 from 0", 2026-11-09 to 2026-12-06',
    ]


def test_a_dealer_is_told_what_the_manager_does_and_not_what_she_did(session: Session, now: datetime, aisles: Aisles) -> None:
    _, (hutch,) = aisles.ask(session, now)
    stay = put(session, now, aisles, hutch)
    cancel_stay(session, now, stay, by=aisles.ida)
    stand_again(session, now, stay, by=aisles.ida)
    assert told(session, now) == {}
    cancel_stay(session, now, stay, by=aisles.by)
    letters = told(session, now)
    assert list(letters) == ["d01@example.org: Oak hutch does not move in on Nov 9, 2026"]
    (body,) = letters.values()
    assert "taken back the floor that Oak hutch was to have in bay A1-1 at Lantern Yard Antiques Hall from Nov 9, 2026 on" in body
    assert "Its request waits again, and has since it was made. Ask the manager why." in body
    stand_again(session, now + timedelta(minutes=1), stay, by=aisles.by)
    assert list(told(session, now))[1:] == ["d01@example.org: Oak hutch has floor until Dec 6, 2026"]
    lengthen_stay(session, now + timedelta(minutes=2), stay, until=SUNDAY + DAY, by=aisles.by)
    assert "d01@example.org: Oak hutch has floor until Dec 7, 2026" in told(session, now)


def test_what_another_ended_or_took_back_is_not_its_dealers_to_undo(session: Session, now: datetime, aisles: Aisles) -> None:
    _, (hutch,) = aisles.ask(session, now)
    stay, monday = put(session, now, aisles, hutch), later(now, MONDAY)
    said = "The manager has said this of Oak hutch: ask the manager to take it back"
    cancel_stay(session, now, stay, by=aisles.by)
    with pytest.raises(Refusal, match=said):
        stand_again(session, now, stay, by=aisles.ida)
    assert (stay.state, stay.cancelled_by) == ("cancelled", aisles.by.user_id)
    stand_again(session, now, stay, by=aisles.by)
    end_stay(session, monday, stay, on=MONDAY, by=aisles.by)
    with pytest.raises(Refusal, match=said):
        take_back_end(session, monday, stay, by=aisles.ida)
    assert (stay.ends_on, stay.gone_said_by) == (MONDAY, aisles.by.user_id)
    take_back_end(session, monday, stay, by=aisles.by)
    end_stay(session, monday, stay, on=MONDAY, by=aisles.ida)
    take_back_end(session, monday, stay, by=aisles.ida)
    assert stay.ends_on == SUNDAY


def test_what_has_moved_in_is_ended_on_a_day_instead(session: Session, now: datetime, aisles: Aisles) -> None:
    _, (hutch,) = aisles.ask(session, now)
    stay = put(session, now, aisles, hutch)
    with pytest.raises(Refusal, match="Oak hutch cannot have moved in on Nov 9, 2026: it has floor from Nov 9, 2026 on"):
        said_moved_in(session, now, stay, on=MONDAY, by=aisles.by)
    monday = later(now, MONDAY)
    said_moved_in(session, monday, stay, on=MONDAY, by=aisles.by)
    with pytest.raises(Refusal, match="Oak hutch stands there since Nov 9, 2026: end its stay on a day instead"):
        cancel_stay(session, monday, stay, by=aisles.by)
    said_moved_in(session, monday, stay, on=None, by=aisles.by)
    cancel_stay(session, monday, stay, by=aisles.by)
    stand_again(session, monday, stay, by=aisles.by)
    tuesday = later(now, MONDAY + DAY)
    with pytest.raises(Refusal, match="end its stay on a day instead"):
        cancel_stay(session, tuesday, stay, by=aisles.by)
    with pytest.raises(Refusal, match="cannot have moved in on Nov 11, 2026: choose a day of Nov 9 to Nov 10, 2026"):
        said_moved_in(session, tuesday, stay, on=MONDAY + 2 * DAY, by=aisles.by)


# --- what must move -------------------------------------------------------------------------------------------------------


def test_whoever_changes_who_stands_where_has_it_worked_out_what_must_move(
    session: Session, now: datetime, aisles: Aisles
) -> None:
    _, (hutch,) = aisles.ask(session, now)
    day, by = later(now, MONDAY), aisles.by
    stay = put(session, now, aisles, hutch)
    deeds: tuple[Callable[[], object], ...] = (
        lambda: cancel_stay(session, now, stay, by=by),
        lambda: stand_again(session, now, stay, by=by),
        lambda: lengthen_stay(session, day, stay, until=SUNDAY + DAY, by=by),
        lambda: take_back_lengthening(session, day, stay, by=by),
        lambda: recall(session, day, stay, why="Paint.", by=by),
        lambda: take_back_recall(session, day, stay, by=by),
        lambda: end_stay(session, day, stay, on=MONDAY, by=by),
        lambda: take_back_end(session, day, stay, by=by),
    )
    waits = select(func.count()).select_from(Job).where(Job.kind == SURVEY, Job.state == "queued")
    for number, deed in enumerate(deeds):
        assert session.scalar(waits) == 1, f"after deed {number}"
        session.execute(update(Job).where(Job.kind == SURVEY).values(state="done"))
        deed()
    assert session.scalar(waits) == 1
