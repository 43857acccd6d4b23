"""Whether what a member said covers or touches a stretch: weeks that alternate, ends of days, midnight."""

from __future__ import annotations

from dataclasses import replace
from datetime import date

import pytest

from coop.shifts.domain.hours import EVERY_DAY
from coop.shifts.domain.spans import Said, covers, falls_on, touches

NEVER = Said("never", date(2026, 11, 4), None, EVERY_DAY, 1, 0, 1440)
WEDNESDAY = date(2026, 11, 4)


@pytest.mark.parametrize(
    ("changes", "day", "expected"),
    [
        ({}, date(2026, 11, 3), False),
        ({}, WEDNESDAY, True),
        ({"ends_on": WEDNESDAY}, date(2026, 11, 5), False),
        ({"weekdays": 0b0000100}, date(2026, 11, 11), True),
        ({"weekdays": 0b0000100}, date(2026, 11, 12), False),
        # Every other week from the week of November 2: Monday the 16th is in it, Monday the 9th is not.
        ({"weekdays": 0b0000001, "every_weeks": 2}, date(2026, 11, 9), False),
        ({"weekdays": 0b0000001, "every_weeks": 2}, date(2026, 11, 16), True),
        # A first day on a Sunday: its week is the one that ends with it.
        ({"starts_on": date(2026, 11, 8), "weekdays": 0b0000001, "every_weeks": 2}, date(2026, 11, 9), False),
        ({"starts_on": date(2026, 11, 8), "weekdays": 0b0000001, "every_weeks": 2}, date(2026, 11, 16), True),
    ],
)
def test_days_it_is_said_of(changes: dict[str, object], day: date, expected: bool) -> None:
    assert falls_on(replace(NEVER, **changes), day) is expected  # type: ignore[arg-type]


@pytest.mark.parametrize(
    ("from_min", "to_min", "touched", "covered"),
    [
        (720, 1080, True, True),
        (600, 721, True, False),
        (600, 720, False, False),
        (700, 1100, True, False),
        (1080, 1140, False, False),
    ],
)
def test_an_afternoon_against_a_turn(from_min: int, to_min: int, touched: bool, covered: bool) -> None:
    afternoon = replace(NEVER, from_min=720, to_min=1080)
    assert touches(afternoon, WEDNESDAY, from_min, to_min) is touched
    assert covers(afternoon, WEDNESDAY, from_min, to_min) is covered


def test_a_turn_past_midnight_lies_in_two_days() -> None:
    thursday = replace(NEVER, weekdays=0b0001000)
    assert touches(thursday, WEDNESDAY, 1380, 1470)
    assert not covers(thursday, WEDNESDAY, 1380, 1470)
    assert not touches(thursday, WEDNESDAY, 1380, 1440)
    assert covers(replace(NEVER, weekdays=0b0001100), WEDNESDAY, 1380, 1470)
