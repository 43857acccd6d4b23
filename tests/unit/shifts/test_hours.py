"""Hours by precedence, public holidays against the statute, times of day written and read."""

from __future__ import annotations

from datetime import date

import pytest

from coop.shifts.domain.hours import (
    CLOSED,
    Dated,
    DayHours,
    HolidayHours,
    Hours,
    clock,
    clock_span,
    day_hours,
    holidays_between,
    hours_words,
    public_holidays,
    read_time,
    weekday_words,
)

USUAL = Hours(600, 1080)
WINTER = Hours(660, 1020)
SHORT = Hours(600, 840)
WEEKLY = {n: [Dated(date(2026, 1, 1), USUAL), Dated(date(2026, 12, 1), WINTER)] for n in range(6)} | {
    6: [Dated(date(2026, 1, 1), CLOSED)]
}
THANKSGIVING = date(2026, 11, 26)

FEDERAL_2026 = {
    date(2026, 1, 1): "New Year's Day",
    date(2026, 1, 19): "Martin Luther King Jr. Day",
    date(2026, 2, 16): "Washington's Birthday",
    date(2026, 5, 25): "Memorial Day",
    date(2026, 6, 19): "Juneteenth National Independence Day",
    date(2026, 7, 3): "Independence Day",
    date(2026, 7, 4): "Independence Day",
    date(2026, 9, 7): "Labor Day",
    date(2026, 10, 12): "Columbus Day",
    date(2026, 11, 11): "Veterans Day",
    date(2026, 11, 26): "Thanksgiving Day",
    date(2026, 12, 25): "Christmas Day",
}
"""By hand from 5 U.S.C. 6103(a): January 1, the third Monday of January and of February, the last of May, June 19, July 4, the
first Monday of September, the second of October, November 11, the fourth Thursday of November, December 25. July 4, 2026 is a
Saturday, so 6103(b) observes it on the Friday before."""


def test_the_federal_holidays_of_2026_are_those_of_the_statute() -> None:
    assert public_holidays("US", 2026) == FEDERAL_2026


def test_a_holiday_of_the_next_year_is_observed_in_this_one() -> None:
    # January 1, 2028 is a Saturday: 5 U.S.C. 6103(b) observes it on Friday, December 31, 2027.
    assert public_holidays("US", 2027)[date(2027, 12, 31)] == "New Year's Day"


def test_holidays_between_two_days_cross_the_year() -> None:
    assert holidays_between("US", date(2026, 12, 25), date(2027, 1, 1)) == {
        date(2026, 12, 25): "Christmas Day",
        date(2027, 1, 1): "New Year's Day",
    }


def test_a_part_of_a_country_has_holidays_of_its_own() -> None:
    # Texas Government Code 662.003(b): March 2 is Texas Independence Day.
    assert public_holidays("US-TX", 2026)[date(2026, 3, 2)] == "Texas Independence Day"
    assert date(2026, 3, 2) not in public_holidays("US", 2026)


def test_no_code_has_no_holidays() -> None:
    assert public_holidays("", 2026) == {}


@pytest.mark.parametrize("code", ["QQ", "US-QQ", "Ohio"])
def test_an_unknown_code_is_refused_with_how_to_write_it(code: str) -> None:
    with pytest.raises(ValueError, match=f"No public holidays are known for '{code}': write a country such as US"):
        public_holidays(code, 2026)


@pytest.mark.parametrize(
    ("day", "holiday", "choices", "exceptions", "expected"),
    [
        # Monday, November 2: the weekday's.
        (date(2026, 11, 2), "", {}, {}, DayHours(600, 1080)),
        # Monday, December 7: the weekday's of December.
        (date(2026, 12, 7), "", {}, {}, DayHours(660, 1020)),
        # Sunday: closed by the week.
        (date(2026, 11, 1), "", {}, {}, DayHours(None, None, why="closed on Sundays")),
        # Before any hours were set.
        (date(2025, 12, 31), "", {}, {}, DayHours(None, None, why="no hours are set for Wednesdays yet")),
        # A holiday without a choice: open as the weekday is, and a holiday.
        (THANKSGIVING, "Thanksgiving Day", {}, {}, DayHours(600, 1080, "Thanksgiving Day")),
        (
            THANKSGIVING,
            "Thanksgiving Day",
            {"Thanksgiving Day": [Dated(date(2026, 1, 1), HolidayHours("open"))]},
            {},
            DayHours(600, 1080, "Thanksgiving Day"),
        ),
        (
            THANKSGIVING,
            "Thanksgiving Day",
            {"Thanksgiving Day": [Dated(date(2026, 1, 1), HolidayHours("closed"))]},
            {},
            DayHours(None, None, "Thanksgiving Day", "Thanksgiving Day"),
        ),
        # Short goes before the weekday, another holiday's choice does not.
        (
            THANKSGIVING,
            "Thanksgiving Day",
            {
                "Thanksgiving Day": [Dated(date(2026, 1, 1), HolidayHours("short", SHORT))],
                "Christmas Day": [Dated(date(2026, 1, 1), HolidayHours("closed"))],
            },
            {},
            DayHours(600, 840, "Thanksgiving Day", "Thanksgiving Day"),
        ),
        # The choice of the day it begins, not the one to come.
        (
            THANKSGIVING,
            "Thanksgiving Day",
            {
                "Thanksgiving Day": [
                    Dated(date(2026, 1, 1), HolidayHours("closed")),
                    Dated(date(2026, 11, 26), HolidayHours("short", SHORT)),
                    Dated(date(2026, 11, 27), HolidayHours("open")),
                ]
            },
            {},
            DayHours(600, 840, "Thanksgiving Day", "Thanksgiving Day"),
        ),
        # A date of its own goes before the holiday, which it stays.
        (
            THANKSGIVING,
            "Thanksgiving Day",
            {"Thanksgiving Day": [Dated(date(2026, 1, 1), HolidayHours("closed"))]},
            {THANKSGIVING: (SHORT, "Parade")},
            DayHours(600, 840, "Thanksgiving Day", "Parade"),
        ),
        # A snow day, on a weekday; and opened on a Sunday.
        (date(2026, 11, 2), "", {}, {date(2026, 11, 2): (CLOSED, "Snow")}, DayHours(None, None, why="Snow")),
        (
            date(2026, 11, 1),
            "",
            {},
            {date(2026, 11, 1): (SHORT, "")},
            DayHours(600, 840, why="this date has hours of its own"),
        ),
    ],
)
def test_a_date_goes_before_a_holiday_and_that_before_the_weekday(
    day: date,
    holiday: str,
    choices: dict[str, list[Dated[HolidayHours]]],
    exceptions: dict[date, tuple[Hours, str]],
    expected: DayHours,
) -> None:
    assert day_hours(day, WEEKLY, holiday, choices, exceptions) == expected


@pytest.mark.parametrize(
    ("minutes", "said"),
    [(600, "10 am"), (630, "10:30 am"), (720, "noon"), (725, "12:05 pm"), (1050, "5:30 pm"), (1440, "midnight"), (5, "12:05 am")],
)
def test_a_time_of_day_is_written(minutes: int, said: str) -> None:
    assert clock(minutes) == said


def test_a_span_says_once_what_both_ends_share() -> None:
    assert clock_span(840, 1080) == "2 to 6 pm"
    assert clock_span(600, 870) == "10 am to 2:30 pm"
    assert clock_span(600, 720) == "10 am to noon"
    assert hours_words(CLOSED) == "closed"


@pytest.mark.parametrize(
    ("typed", "minutes"),
    [
        ("10", 600),
        ("10:30", 630),
        ("5 pm", 1020),
        ("5:30PM", 1050),
        ("5:30 p.m.", 1050),
        ("17.30", 1050),
        ("12 am", 0),
        ("12 pm", 720),
        ("noon", 720),
        ("Midnight", 1440),
        ("24:00", 1440),
        (" 09:05 ", 545),
    ],
)
def test_a_time_of_day_is_read(typed: str, minutes: int) -> None:
    assert read_time(typed) == minutes


@pytest.mark.parametrize("typed", ["", "ten", "25", "10:75", "13 pm", "0 am", "24:01", "10-30", "-3"])
def test_what_is_no_time_of_day_is_refused(typed: str) -> None:
    with pytest.raises(ValueError, match="not a time of day"):
        read_time(typed)


@pytest.mark.parametrize(
    ("weekdays", "said"),
    [
        (0b1111111, "every day"),
        (0b0011111, "Monday to Friday"),
        (0b1100000, "Saturday and Sunday"),
        (0b0010101, "Monday, Wednesday and Friday"),
        (0b0000001, "Monday"),
        (0, "no day"),
    ],
)
def test_weekdays_are_said(weekdays: int, said: str) -> None:
    assert weekday_words(weekdays) == said
