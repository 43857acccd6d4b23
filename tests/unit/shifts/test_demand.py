"""Seats of days worked by hand: anchored to opening and closing, kept within short days, over the change of the clocks."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, date, datetime

import pytest

from coop.shifts.domain.demand import Need, moment, need_words, seats_in, seats_on, span_on, thin_spans
from coop.shifts.domain.hours import EVERY_DAY, DayHours

CHICAGO = "America/Chicago"
USUAL = DayHours(600, 1080)
SHORT = DayHours(600, 840, "Christmas Eve", "Christmas Eve")
SHUT = DayHours(None, None, why="closed on Sundays")
MONDAY = date(2026, 11, 2)
DESK = Need(1, 1, "Desk", "desk", date(2026, 1, 1), None, EVERY_DAY, "open", 0, "close", 0, people=1)


def need(**changes: object) -> Need:
    return replace(DESK, **changes)  # type: ignore[arg-type]


@pytest.mark.parametrize(
    ("changes", "usual", "short"),
    [
        # From opening to closing: it is as long as the day.
        ({}, (600, 1080), (600, 840)),
        # By the clock: kept within the hours; none is left of what lies after closing.
        ({"from_what": "clock", "from_min": 660, "to_what": "clock", "to_min": 900}, (660, 900), (660, 840)),
        ({"from_what": "clock", "from_min": 840, "to_what": "close", "to_min": 0}, (840, 1080), None),
        ({"from_what": "clock", "from_min": 540, "to_what": "clock", "to_min": 660}, (600, 660), (600, 660)),
        # Half an hour before opening for an hour, and the hour after the last half hour: they follow the day's ends.
        ({"from_min": -30, "to_what": "open", "to_min": 30}, (570, 630), (570, 630)),
        ({"from_what": "close", "from_min": -30, "to_min": 30}, (1050, 1110), (810, 870)),
        # Five hours from opening are over by closing; five before closing do not begin before opening.
        ({"to_what": "open", "to_min": 300}, (600, 900), (600, 840)),
        ({"from_what": "close", "from_min": -300}, (780, 1080), (600, 840)),
        # The second half of the day, from four hours after opening: a short day has none.
        ({"from_min": 240}, (840, 1080), None),
    ],
)
def test_a_need_follows_the_days_hours(
    changes: dict[str, object], usual: tuple[int, int] | None, short: tuple[int, int] | None
) -> None:
    assert span_on(need(**changes), USUAL) == usual
    assert span_on(need(**changes), SHORT) == short
    assert span_on(need(**changes), SHUT) is None


def test_each_person_is_a_seat_and_the_first_of_them_hold_the_keys() -> None:
    seats = seats_on(MONDAY, USUAL, [need(people=3, key_holders=2)], CHICAGO)
    assert [(seat.seat, seat.needs_keys) for seat in seats] == [(1, True), (2, True), (3, False)]
    # 10 am in Chicago is 16:00 UTC in winter.
    assert {seat.starts_at for seat in seats} == {datetime(2026, 11, 2, 16, tzinfo=UTC)}
    assert {seat.ends_at for seat in seats} == {datetime(2026, 11, 3, 0, tzinfo=UTC)}
    assert {seat.on_date for seat in seats} == {MONDAY}
    assert all(seat.opens and seat.closes for seat in seats)


def test_two_needs_of_a_post_that_begin_together_number_their_seats_on() -> None:
    long, short = need(id=1, people=2), need(id=2, to_what="clock", to_min=720)
    seats = seats_on(MONDAY, USUAL, [long, short], CHICAGO)
    assert [(seat.seat, seat.to_min) for seat in seats] == [(1, 720), (2, 1080), (3, 1080)]


def test_who_opens_and_who_closes() -> None:
    spans = {
        "before": {"from_min": -30, "to_what": "open", "to_min": 0},
        "morning": {"to_what": "clock", "to_min": 840},
        "noon": {"from_what": "clock", "from_min": 720, "to_what": "clock", "to_min": 900},
        "late": {"from_what": "clock", "from_min": 840, "to_min": 30},
        "after": {"from_what": "close", "from_min": 0, "to_min": 30},
    }
    # Whoever goes as the doors open has not opened; whoever stays past closing has closed, who comes at it has not.
    expected = {
        "before": (False, False),
        "morning": (True, False),
        "noon": (False, False),
        "late": (False, True),
        "after": (False, False),
    }
    for name, changes in spans.items():
        (seat,) = seats_on(MONDAY, USUAL, [need(**changes)], CHICAGO)
        assert (seat.opens, seat.closes) == expected[name], name


def test_needs_hold_on_their_dates_and_weekdays() -> None:
    saturdays = need(weekdays=0b0100000, starts_on=date(2026, 11, 14), ends_on=date(2026, 11, 21))
    calendar = {date(2026, 11, day): USUAL for day in range(1, 31)}
    assert [seat.on_date.day for seat in seats_in(calendar, [saturdays], CHICAGO)] == [14, 21]


def test_a_seat_of_a_holiday_says_so() -> None:
    (seat,) = seats_on(date(2026, 12, 24), SHORT, [DESK], CHICAGO)
    assert (seat.holiday, seat.words) == ("Christmas Eve", "Desk, 10 am to 2 pm")


# --- the change of the clocks. United States, 2026: March 8 and November 1 at 2 am (15 U.S.C. 260a) --------------------------


@pytest.mark.parametrize(
    ("day", "starts", "hours"),
    [
        (date(2026, 3, 7), datetime(2026, 3, 7, 16, tzinfo=UTC), 8),
        (date(2026, 3, 8), datetime(2026, 3, 8, 15, tzinfo=UTC), 8),
        (date(2026, 10, 31), datetime(2026, 10, 31, 15, tzinfo=UTC), 8),
        (date(2026, 11, 1), datetime(2026, 11, 1, 16, tzinfo=UTC), 8),
    ],
)
def test_the_mall_opens_by_its_own_clock(day: date, starts: datetime, hours: int) -> None:
    (seat,) = seats_on(day, USUAL, [DESK], CHICAGO)
    assert seat.starts_at == starts
    assert (seat.ends_at - seat.starts_at).total_seconds() == hours * 3600


def test_a_night_is_an_hour_shorter_or_longer() -> None:
    night = DayHours(60, 300)
    lengths = [
        (seat.ends_at - seat.starts_at).total_seconds() / 3600
        for day in (date(2026, 3, 7), date(2026, 3, 8), date(2026, 11, 1))
        for seat in seats_on(day, night, [DESK], CHICAGO)
    ]
    assert lengths == [4, 3, 5]


def test_a_seat_within_the_hour_that_is_jumped_over_is_none() -> None:
    jumped = DayHours(150, 180)
    assert seats_on(date(2026, 3, 8), jumped, [DESK], CHICAGO) == []
    assert len(seats_on(date(2026, 3, 9), jumped, [DESK], CHICAGO)) == 1


def test_minutes_before_and_after_the_day_are_of_its_neighbours() -> None:
    assert moment(MONDAY, -30, CHICAGO) == datetime(2026, 11, 2, 5, 30, tzinfo=UTC)
    assert moment(MONDAY, 1470, CHICAGO) == datetime(2026, 11, 3, 6, 30, tzinfo=UTC)


# --- thin stretches, words ------------------------------------------------------------------------------------------------


def test_where_fewer_stand_than_the_rules_want_is_found() -> None:
    halves = [need(id=1), need(id=2, post_id=2, post="Floor", from_what="clock", from_min=720, to_what="clock", to_min=960)]
    seats = seats_on(MONDAY, USUAL, halves, CHICAGO)
    assert thin_spans(USUAL, seats, 2) == [(600, 720, 1), (960, 1080, 1)]
    assert thin_spans(USUAL, seats, 1) == []
    assert thin_spans(USUAL, [], 2) == [(600, 1080, 0)]
    assert thin_spans(SHUT, [], 2) == []


def test_a_need_is_said() -> None:
    said = need_words(need(weekdays=0b0011111, from_min=-30, to_what="clock", to_min=840, people=2, key_holders=1))
    assert said == "Monday to Friday, from 30 minutes before opening to 2 pm: 2 people, 1 with a key"
    assert need_words(need(key_holders=1)) == "Every day, from opening to closing: 1 person with a key"
    assert need_words(need(people=2, key_holders=2)) == "Every day, from opening to closing: 2 people, all with a key"
    assert need_words(need(to_min=90)) == "Every day, from opening to 1 hour and 30 minutes after closing: 1 person"
    assert (
        need_words(need(from_min=-1, to_min=120)) == "Every day, from 1 minute before opening to 2 hours after closing: 1 person"
    )
