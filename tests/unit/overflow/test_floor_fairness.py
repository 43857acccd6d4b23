"""What is due, what the next floor is worth, how evenly it was shared: hand-worked, and the properties that sharing rests on."""

from __future__ import annotations

from decimal import Decimal
from fractions import Fraction
from itertools import pairwise

import pytest
from hypothesis import given
from hypothesis import strategies as st

from coop.overflow.domain.fairness import LEAST_DUE, SharedOut, due_of, shared_out, steps_of, worth_of


def test_floor_is_due_by_rent_paid_and_a_foot_week_at_least():
    # 100 in. of bays are 5,200 inch-weeks a year: three quarters and a quarter of them.
    assert due_of({"A": 30_000, "B": 10_000, "C": 0}, 100) == {"A": 3900, "B": 1300, "C": LEAST_DUE}
    assert due_of({"A": 0, "B": 0}, 100) == {"A": LEAST_DUE, "B": LEAST_DUE}


@pytest.mark.parametrize(
    ("due", "had", "worth"),
    [(100, 0, 4000), (100, 75, 1000), (100, 100, 800), (300, 225, 1000), (12, 997, 12)],
)
def test_the_next_floor_is_worth_what_is_due_by_what_was_had(due, had, worth):
    """1000 x 100 / (75 + 25) = 1000: the same for whoever had the same part of what is due."""
    assert worth_of(due, had) == worth


def test_steps_worked_by_hand():
    # Due 240, had 0: 60 counts as had. Steps of a quarter: 15, 19 (of 75), 23 (of 94; 23.5 is rounded up to 24), the rest.
    # Their middles: 240000/(60 + 7.5) = 3555.6, 240000/(75 + 9.5) = 2840.2, 240000/(94 + 12) = 2264.2, 240000/(118 + 1) = 2016.8.
    assert steps_of(240, 0, 60) == ((15, 3556), (19, 2840), (24, 2264), (2, 2017))
    assert steps_of(240, 0, 0) == ()


def test_nothing_due_is_refused():
    with pytest.raises(ValueError, match="at least an inch-week"):
        steps_of(0, 10, 10)


floor = st.integers(0, 60_000)


@given(st.integers(1, 60_000), floor, st.integers(0, 5_000))
def test_steps_cover_what_is_asked_and_fall(due, had, asked):
    steps = steps_of(due, had, asked)
    assert sum(width for width, _ in steps) == asked
    assert all(one[1] > other[1] >= 1 for one, other in pairwise(steps))
    assert all(width >= LEAST_DUE for width, _ in steps[:-1])


@given(st.integers(12, 20_000), floor, floor)
def test_of_two_to_whom_the_same_is_due_the_one_who_had_less_is_never_worth_less(due, had, more):
    assert steps_of(due, had, 500)[0][1] >= steps_of(due, had + more, 500)[0][1]


@given(st.integers(12, 5_000), st.integers(0, 5_000), st.integers(2, 6))
def test_who_pays_so_many_times_the_rent_and_had_so_many_times_the_floor_stands_the_same(due, had, times):
    assert worth_of(due * times, had * times) == worth_of(due, had)


def test_how_evenly_floor_was_shared():
    # Parts 1/2, 1/4 and 0: (3/4)^2 / (3 x 5/16) = 0.6.
    assert shared_out({"A": 50, "B": 50}, {"A": 100, "B": 200, "C": 12}) == SharedOut(Decimal("0.6"), Fraction(0), Fraction(1, 2))
    assert shared_out({}, {"A": 100}) == SharedOut(None, Fraction(0), Fraction(0))
