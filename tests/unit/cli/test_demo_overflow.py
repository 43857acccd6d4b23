"""The demo's overflow: its periods follow each other, and who asks may have what is asked for."""

from __future__ import annotations

from collections import Counter
from datetime import date, timedelta

import pytest

from coop.cli.demo_coop import MALLS
from coop.cli.demo_leases import LEAVING, LEFT, NEWCOMER
from coop.cli.demo_overflow import WISHES, begins_on, periods


@pytest.mark.parametrize(
    ("today", "earliest", "begins", "found"),
    [
        # A year: seventeen weeks back, and two periods of eight weeks before the next.
        (
            date(2026, 11, 30),
            date(2025, 11, 1),
            date(2026, 8, 3),
            [(0, date(2026, 9, 7), 8), (1, date(2026, 11, 2), 8), (2, date(2026, 12, 28), 8)],
        ),
        # Three short months, on a Sunday: the first period has what weeks are left of them.
        (
            date(2026, 3, 1),
            date(2025, 12, 1),
            date(2025, 12, 1),
            [(0, date(2025, 12, 15), 6), (1, date(2026, 1, 26), 8), (2, date(2026, 3, 23), 8)],
        ),
        # Two months: no time for a first.
        (date(2026, 4, 3), date(2026, 2, 1), date(2026, 2, 1), [(1, date(2026, 3, 2), 8), (2, date(2026, 4, 27), 8)]),
        # One: nobody had time to ask.
        (date(2026, 4, 20), date(2026, 3, 1), date(2026, 3, 1), []),
    ],
    ids=["a year", "three months", "two", "one"],
)
def test_periods_follow_each_other_as_far_as_the_demo_goes_back(
    today: date, earliest: date, begins: date, found: list[tuple[int, date, int]]
) -> None:
    assert begins_on(today, earliest) == begins
    assert [(one.number, one.first_day, one.weeks) for one in periods(today, begins)] == found


def test_whatever_the_day_one_period_runs_and_the_next_is_to_come() -> None:
    for days in range(370):
        today = date(2026, 1, 1) + timedelta(days=days)
        for back in (59, 89, 365):
            found = periods(today, begins_on(today, today - timedelta(days=back)))
            assert all(one.first_day.weekday() == 0 for one in found)
            ends = [one.first_day + timedelta(weeks=one.weeks) for one in found]
            assert ends[:-1] == [one.first_day for one in found[1:]]
            assert found[-2].first_day <= today - timedelta(weeks=4) < today < found[-1].given_out_on


def test_who_asks_rents_in_the_town_and_asks_once_for_each_piece() -> None:
    here = set(MALLS[0].dealers) - {LEFT, LEAVING, NEWCOMER}
    assert {wish.dealer for wish in WISHES} <= here
    pieces = Counter(piece for wish in WISHES for piece in wish.pieces)
    assert max(pieces.values()) == 1
    assert len({wish.dealer for wish in WISHES}) >= 12
