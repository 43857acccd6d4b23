"""The longest piece round a corner, against published figures and against a piece turned step by step."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from coop.floor.domain.corner import longest_ladder, longest_piece, longest_piece_in16, longest_turning, passes_corner


@pytest.mark.parametrize(
    ("a", "b", "longest"),
    [
        # MathWorld, "Moving Ladder Problem": (a^(2/3) + b^(2/3))^(3/2); 2 sqrt 2, by hand; (4 + 9)^(3/2) = 13 sqrt 13.
        (1, 1, 2.8284271),
        (2, 4, 8.3238764),
        (8, 27, 46.8721666),
        (27, 8, 46.8721666),
    ],
)
def test_the_longest_ladder(a, b, longest):
    assert longest_ladder(a, b) == pytest.approx(longest, abs=1e-6)
    assert longest_turning(a, b, 0) == longest_ladder(a, b)


@pytest.mark.parametrize(
    ("a", "b", "width", "turning", "longest"),
    [
        # Halls of 36: at 45 degrees (36 sqrt 2 - 18) / (1/2) = 72 sqrt 2 - 36 (derived).
        (36, 36, 18, 65.8233765, 65.8233765),
        # 72 sqrt 2 - 2w is shorter than wide from w = 33.94 on: no such piece turns, and one of 36 goes without turning.
        (36, 36, 33.9, 34.0233765, 36),
        (36, 36, 34, 0, 36),
        (36, 36, 36, 0, 36),
        (36, 36, 36.01, 0, 0),
        (36, 48, 36, 44.1552995, 48),
        # Wider than the narrower hall: it cannot even come there.
        (30, 60, 31, 0, 0),
        (30, 60, 20, 82.8377287, 82.8377287),
    ],
)
def test_a_piece_of_a_width(a, b, width, turning, longest):
    assert longest_turning(a, b, width) == pytest.approx(turning, abs=1e-6)
    assert longest_turning(b, a, width) == pytest.approx(turning, abs=1e-6)
    assert longest_piece(a, b, width) == pytest.approx(longest, abs=1e-6)


@given(st.floats(10, 100), st.floats(10, 100), st.floats(0.01, 1))
def test_the_least_over_all_angles_is_found(a, b, share):
    width = share * min(a, b)
    angles = np.linspace(1e-4, np.pi / 2 - 1e-4, 20001)
    least = ((a * np.cos(angles) + b * np.sin(angles) - width) / (np.sin(angles) * np.cos(angles))).min()
    told = longest_turning(a, b, width)
    if least > width * 1.001:
        assert told <= least * (1 + 1e-9)
        assert told == pytest.approx(least, rel=2e-3)
    elif least < width * 0.999:
        assert told == 0


@given(st.floats(10, 100), st.floats(10, 100), st.floats(0, 100), st.floats(0, 5))
def test_a_wider_piece_is_never_longer(a, b, width, more):
    assert longest_piece(a, b, width) >= longest_piece(a, b, width + more) - 1e-9


@pytest.mark.parametrize(
    ("width", "length", "passes"),
    [(18, 65.8, True), (65.8, 18, True), (18, 65.9, False), (36, 36, True), (36, 36.1, False), (10, 12, True), (37, 37, False)],
)
def test_whether_a_piece_passes_whichever_side_is_its_length(width, length, passes):
    assert passes_corner(36, 36, width, length) is passes


def test_people_are_told_the_sixteenth_below():
    # 65.823 in. are 1053.17 sixteenths.
    assert longest_piece_in16(36 * 16, 36 * 16, 18 * 16) == 1053
    assert longest_piece_in16(36 * 16, 36 * 16, 36 * 16) == 36 * 16


@pytest.mark.parametrize("halls", [(0, 36), (36, 0), (-1, 36)])
def test_a_hall_has_a_width(halls):
    with pytest.raises(ValueError, match="wider than zero"):
        longest_ladder(*halls)
    with pytest.raises(ValueError, match="wider than zero"):
        longest_piece(*halls, 1)


def test_a_width_is_not_below_zero():
    with pytest.raises(ValueError, match="zero or more"):
        longest_turning(36, 36, -1)
