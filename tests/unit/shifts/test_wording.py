"""Turns in words: hours as people write them, the day, the post."""

from __future__ import annotations

from datetime import UTC, date, datetime
from decimal import Decimal

import pytest

from coop.shifts.wording import balance_shown, clock, clock_span, hours_of, turn_said, turns_shown


@pytest.mark.parametrize(
    ("minutes", "words"),
    [(0, "midnight"), (5, "12:05 am"), (600, "10 am"), (719, "11:59 am"), (720, "noon"), (725, "12:05 pm"), (1050, "5:30 pm")],
)
def test_a_clock_is_written_as_people_do(minutes: int, words: str) -> None:
    assert clock(minutes) == words


@pytest.mark.parametrize(
    ("from_min", "to_min", "words"),
    [
        (600, 870, "10 am to 2:30 pm"),
        (840, 1080, "2 to 6 pm"),
        (570, 600, "9:30 to 10 am"),
        (600, 720, "10 am to noon"),
        (720, 1020, "noon to 5 pm"),
        (1080, 1440, "6 pm to midnight"),
    ],
)
def test_hours_say_once_what_both_ends_share(from_min: int, to_min: int, words: str) -> None:
    assert clock_span(from_min, to_min) == words


def test_hours_are_those_of_the_malls_clock() -> None:
    """Chicago is six hours behind in December and five in July."""
    december = datetime(2026, 12, 5, 16, tzinfo=UTC), datetime(2026, 12, 5, 20, 30, tzinfo=UTC)
    july = datetime(2026, 7, 4, 15, tzinfo=UTC), datetime(2026, 7, 4, 19, 30, tzinfo=UTC)
    assert hours_of(*december, "America/Chicago") == hours_of(*july, "America/Chicago") == "10 am to 2:30 pm"
    assert turn_said("Desk", date(2026, 12, 5), *december, "America/Chicago") == "Desk on Sat, Dec 5, 10 am to 2:30 pm"


@pytest.mark.parametrize(
    ("turns", "shown", "balance"),
    [("2", "2", "+2"), ("2.50", "2.5", "+2.5"), ("0.00", "0", "0"), ("-0.93", "−0.93", "−0.93"), ("10", "10", "+10")],
)
def test_turns_are_shown_without_idle_zeros_and_with_a_true_minus(turns: str, shown: str, balance: str) -> None:
    assert turns_shown(Decimal(turns)) == shown
    assert balance_shown(Decimal(turns)) == balance
