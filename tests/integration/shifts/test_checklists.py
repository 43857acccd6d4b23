"""A mall's own lists at opening and closing: set, ticked once and kept with who, and what was left undone."""

from __future__ import annotations

from datetime import date, timedelta

import pytest
from sqlalchemy import select

from coop.core.db import transaction
from coop.core.errors import Refusal
from coop.core.periods import Month
from coop.shifts.checklists import lines_on, set_list, tick, unticked
from coop.shifts.models import Turn
from coop.shifts.turn_models import ChecklistItem, ChecklistTick
from tests.factories.hall import Hall
from tests.factories.house import add_person
from tests.factories.turns import lay_mall, lay_published, lay_rota

TUESDAY = date(2026, 11, 3)
"""Of `now`, 9 am at the hall."""
DAY = timedelta(days=1)


@pytest.fixture
def hall(sessions, now):
    with transaction(sessions) as session:
        yield Hall(session, now)


def words(hall, on=TUESDAY, kind="opening"):
    return [line.item.words for line in lines_on(hall.session, hall.mall.id, on).get(kind, [])]


def test_a_list_is_kept_in_its_order_and_lines_begin_and_end_by_the_day(hall):
    session, now, mall = hall.session, hall.now, hall.mall
    set_list(session, now, mall, "opening", ["Lights  on", "", "Count the float"])
    set_list(session, now, mall, "closing", ["Lock the back door"])
    assert list(lines_on(session, mall.id, TUESDAY)) == ["opening", "closing"]
    assert words(hall) == ["Lights on", "Count the float"]
    # The next day another order, one line less and one more: the day before keeps what it had.
    set_list(session, now + DAY, mall, "opening", ["Heating up", "Lights on"])
    assert words(hall, TUESDAY + DAY) == ["Heating up", "Lights on"]
    assert set(words(hall)) == {"Lights on", "Count the float"}
    # Taken off and put on again on one day: one row, and nothing of what was never ticked.
    set_list(session, now + DAY, mall, "opening", ["Lights on"])
    set_list(session, now + DAY, mall, "opening", ["Lights on", "Heating up"])
    assert words(hall, TUESDAY + DAY) == ["Lights on", "Heating up"]
    assert session.scalars(select(ChecklistItem.words).where(ChecklistItem.starts_on > TUESDAY)).all() == ["Heating up"]


def test_what_cannot_be_on_a_list_is_refused(hall):
    session, now, mall = hall.session, hall.now, hall.mall
    for kind, lines, said in (
        ("noon", ["Lights on"], "choose one of opening, closing"),
        ("opening", ["Lights on", "lights  on"], "'lights on' is on the list twice"),
        ("opening", ["x" * 201], "A line has 201 letters: 200 is the most"),
        ("opening", [str(n) for n in range(61)], "The list has 61 lines: 60 is the most"),
    ):
        with pytest.raises(Refusal, match=said):
            set_list(session, now, mall, kind, lines)


def test_a_line_is_ticked_once_and_kept_with_who(hall):
    session, now, mall = hall.session, hall.now, hall.mall
    desk = add_person(session, now, "desk@example.org", ("desk",))
    lights, floats = set_list(session, now, mall, "opening", ["Lights on", "Count the float"])
    assert tick(session, now, mall, [lights.id], user_id=desk, member_id=hall.ida.member_id) == 1
    assert tick(session, now, mall, [lights.id, floats.id], user_id=desk) == 1
    first, second = lines_on(session, mall.id, TUESDAY)["opening"]
    assert (first.ticked_by, first.tick.ticked_at) == ("Ida Fenwick", now)
    assert second.ticked_by == "desk@example.org"
    # A line that was ticked today is on the list until tonight, though it is taken off.
    set_list(session, now, mall, "opening", ["Count the float"])
    assert "Lights on" in words(hall)
    assert words(hall, TUESDAY + DAY) == ["Count the float"]
    # Put back the same day it goes on.
    set_list(session, now, mall, "opening", ["Lights on", "Count the float"])
    assert words(hall, TUESDAY + DAY) == ["Lights on", "Count the float"]
    assert len(session.scalars(select(ChecklistTick)).all()) == 2


def test_a_line_of_another_mall_or_of_yesterday_is_refused(hall):
    session, now, mall = hall.session, hall.now, hall.mall
    desk = add_person(session, now, "desk@example.org", ("desk",))
    (lights,) = set_list(session, now, mall, "opening", ["Lights on"])
    set_list(session, now + DAY, mall, "opening", ["Heating up"])
    with pytest.raises(Refusal, match="not on it any more on Nov 4, 2026: look at the list again"):
        tick(session, now + DAY, mall, [lights.id], user_id=desk)


def test_what_was_left_undone_is_told_of_days_with_turns_before_today(hall):
    session, now, mall = hall.session, hall.now, hall.mall
    desk = add_person(session, now, "desk@example.org", ("desk",))
    lay_mall(session, mall)
    rota = lay_rota(session, mall, Month(2026, 11))
    lay_published(session, rota, now)
    lights, floats = set_list(session, now, mall, "opening", ["Lights on", "Count the float"])
    set_list(session, now, mall, "closing", ["Lock the back door"])
    tick(session, now, mall, [lights.id, floats.id], user_id=desk)
    tick(session, now + DAY, mall, [floats.id], user_id=desk)
    # On the 5th it snowed, and the 2nd is from before there was a list.
    for turn in session.scalars(select(Turn).where(Turn.on_date == TUESDAY + 2 * DAY)):
        turn.state = "closed"
    session.flush()
    found = [(one.on.day, one.kind, one.words) for one in unticked(session, mall, Month(2026, 11), TUESDAY + 3 * DAY)]
    assert found == [
        (4, "opening", ("Lights on",)),
        (4, "closing", ("Lock the back door",)),
        (3, "closing", ("Lock the back door",)),
    ]
