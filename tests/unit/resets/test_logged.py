"""Logged times against the usual minutes: the weighted mean by hand, its bounds, and what is never made of one bad log."""

from __future__ import annotations

from fractions import Fraction

import pytest
from hypothesis import given
from hypothesis import strategies as st

from coop.resets.domain.hours.estimate import Minutes
from coop.resets.domain.hours.tasks import TASK_KINDS, HoursSettings, Task, with_minutes
from coop.resets.domain.logged import AT_LEAST, AT_MOST, Logged, correct_tasks, corrections_of, times

TEN = with_minutes(HoursSettings(), {kind: Minutes(10, 10, 10) for kind in TASK_KINDS})


@pytest.mark.parametrize(
    ("logged", "ratio", "factor", "held"),
    [
        # (4 + 1 x 2) / 5
        ([Logged("pack", 20)], 2, Fraction(6, 5), 0),
        # (4 + 4 x 2) / 8
        ([Logged("pack", 20)] * 4, 2, Fraction(3, 2), 0),
        # (4 + 16 x 2) / 20
        ([Logged("pack", 20)] * 16, 2, Fraction(9, 5), 0),
        # 30 + 10 over 20: 2; (4 + 2 x 2) / 6
        ([Logged("pack", 30), Logged("pack", 10)], 2, Fraction(4, 3), 0),
        # A long one weighs by its length: 50 + 10 over 50 + 10: 1.
        ([Logged("pack", 50, count=5), Logged("pack", 10)], 1, Fraction(1), 0),
        # Two pack for 15 minutes: 30 of packing. Two carry for 15 minutes: 15 of carrying.
        ([Logged("pack", 15, people=2)], 3, Fraction(7, 5), 0),
        ([Logged("move", 15, people=2)], Fraction(3, 2), Fraction(11, 10), 0),
        # A clock nobody stopped: as four times the expected, (4 + 4) / 5; one stopped at once as a quarter.
        ([Logged("pack", 600)], 4, Fraction(8, 5), 1),
        ([Logged("pack", 1)], Fraction(1, 4), Fraction(17, 20), 1),
        # However many: three times, or half, and no more.
        ([Logged("pack", 40)] * 100, 4, Fraction(3), 0),
        ([Logged("pack", 3)] * 100, Fraction(3, 10), Fraction(1, 2), 0),
    ],
)
def test_by_hand(logged, ratio, factor, held):
    one = corrections_of(logged, TEN)[logged[0].kind]
    assert (one.logs, one.ratio, one.factor, one.held) == (len(logged), ratio, factor, held)


def test_kinds_do_not_touch_each_other_and_what_was_not_logged_stays():
    found = corrections_of([Logged("pack", 20), Logged("tag", 5)], TEN)
    tasks = [Task(kind, kind, "", Minutes(10, 20, 31)) for kind in ("pack", "tag", "clean")]
    # 6/5 and 9/10.
    assert [task.minutes for task in correct_tasks(tasks, found)] == [
        Minutes(12, 24, 38),
        Minutes(9, 18, 28),
        Minutes(10, 20, 31),
    ]


def test_what_is_compared_is_the_mean_of_the_estimate_and_not_the_likely():
    # (5, 8, 17) is expected to take 9: who takes 9 each time is on the estimate.
    settings = with_minutes(HoursSettings(), {"pack": Minutes(5, 8, 17)})
    assert corrections_of([Logged("pack", 9)] * 9, settings)["pack"].factor == 1


def test_nothing_logged_corrects_nothing_and_what_takes_no_time_is_left_out():
    assert corrections_of([]) == {}
    assert corrections_of([Logged("tag", 5)], with_minutes(TEN, {"tag": Minutes(0, 0, 0)})) == {}


def test_minutes_are_rounded_outwards():
    assert times(Minutes(1, 3, 7), Fraction(3, 2)) == Minutes(1, 5, 11)


@given(st.tuples(*[st.integers(0, 500)] * 3).map(sorted), st.fractions(AT_LEAST, AT_MOST))
def test_minutes_stay_in_order(row, factor):
    one = times(Minutes(*row), factor)
    assert one.least <= one.likely <= one.most


@given(st.lists(st.builds(Logged, st.just("set"), st.integers(1, 2000), st.integers(1, 5), st.integers(1, 30)), min_size=1))
def test_no_log_leads_beyond_the_bounds(logged):
    assert AT_LEAST <= corrections_of(logged)["set"].factor <= AT_MOST


@pytest.mark.parametrize(
    ("logged", "said"),
    [
        ([Logged("pack", 20)], "Pack: logged 1 time, 2.00 times as long as expected; planned at 1.20 times the usual."),
        (
            [Logged("take down", 900), Logged("take down", 10)],
            "Take down: logged 2 times, 2.50 times as long as expected (1 far off, counted in part); "
            "planned at 1.50 times the usual.",
        ),
    ],
)
def test_in_words(logged, said):
    assert corrections_of(logged, TEN)[logged[0].kind].words == said
