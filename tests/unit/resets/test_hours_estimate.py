"""Three-point estimates: the worked example of PERT, by hand, and what the words dare to say."""

from __future__ import annotations

from fractions import Fraction
from statistics import NormalDist

import pytest
from hypothesis import given
from hypothesis import strategies as st

from coop.resets.domain.hours.estimate import Minutes, chain_of, chance_words


def test_the_worked_example_of_pert():
    # PERT, worked example: 24 expected, variance 5, .963 by 28.
    chain = chain_of([Minutes(5, 8, 17), Minutes(3, 5, 7), Minutes(4, 6, 8), Minutes(3, 4, 5)])
    assert (chain.expected, chain.variance) == (24, 5)
    assert round(chain.chance_by(28), 3) == 0.963


@pytest.mark.parametrize(
    ("minutes", "expected", "variance", "planned"),
    [
        ((5, 8, 17), 9, 4, 9),
        ((3, 5, 7), 5, Fraction(4, 9), 5),
        ((1, 1, 2), Fraction(7, 6), Fraction(1, 36), 2),
        ((0, 0, 0), 0, 0, 0),
    ],
)
def test_by_hand(minutes, expected, variance, planned):
    one = Minutes(*minutes)
    assert (one.expected, one.variance, one.planned) == (expected, variance, planned)


@pytest.mark.parametrize("minutes", [(2, 1, 3), (1, 4, 3), (-1, 0, 1)])
def test_estimates_out_of_order_are_refused(minutes):
    with pytest.raises(ValueError, match="write the least, the likely and the most minutes, in order"):
        Minutes(*minutes)


def test_minutes_add_up_and_repeat():
    assert Minutes(1, 2, 3) + Minutes(10, 20, 30) == Minutes(11, 22, 33)
    assert Minutes(1, 3, 8).times(5) == Minutes(5, 15, 40)
    assert Minutes(1, 3, 8).times(Fraction(1, 2)) == Minutes(1, 2, 4)


def test_what_cannot_vary_is_done_or_is_not():
    chain = chain_of([Minutes(5, 5, 5)])
    assert [chain.chance_by(minute) for minute in (4, 5, 6)] == [0, 1, 1]


@given(st.lists(st.tuples(*[st.integers(0, 200)] * 3).map(sorted), min_size=1, max_size=9), st.integers(0, 2000))
def test_the_chance_is_the_normal_curve(rows, due):
    # The normal distribution of the standard library.
    chain = chain_of(Minutes(*row) for row in rows)
    if chain.variance:
        z = float(due - chain.expected) / float(chain.variance) ** 0.5
        assert chain.chance_by(due) == pytest.approx(NormalDist().cdf(z), abs=1e-12)


@pytest.mark.parametrize(
    ("chance", "said"),
    [
        (0.963, "about 96 in 100"),
        (0.999, "more than 99 in 100"),
        (1.0, "more than 99 in 100"),
        (0.004, "less than 1 in 100"),
        (0.0, "less than 1 in 100"),
        (0.5, "about 50 in 100"),
    ],
)
def test_a_chance_in_words_is_never_certain(chance, said):
    assert chance_words(chance) == said
