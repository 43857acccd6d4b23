"""Spaces side by side: a shared edge counts, a corner, an aisle and a gap do not. Hand-drawn, in feet."""

from __future__ import annotations

import pytest

from coop.core.geometry import IN16_PER_FOOT as FOOT
from coop.floor.domain.neighbours import neighbours_of
from coop.floor.domain.plan import Outline


def box(x: int, y: int, width: int, depth: int) -> Outline:
    return tuple((a * FOOT, b * FOOT) for a, b in ((x, y), (x + width, y), (x + width, y + depth), (x, y + depth)))


OWN = box(10, 10, 10, 10)


@pytest.mark.parametrize(
    ("other", "beside"),
    [
        (box(20, 10, 10, 10), True),
        (box(20, 19, 5, 10), True),
        (box(12, 20, 2, 4), True),
        (box(20, 20, 10, 10), False),
        (box(26, 10, 10, 10), False),
        ((), False),
    ],
    ids=["right of it", "along one foot", "behind it", "at a corner", "across an aisle", "not drawn"],
)
def test_who_is_beside(other: Outline, beside: bool) -> None:
    assert neighbours_of(OWN, {7: other}) == ({7} if beside else set())
    if other:
        assert neighbours_of(other, {1: OWN}) == ({1} if beside else set())


def test_edges_a_sixteenth_apart_are_one_and_two_sixteenths_are_not() -> None:
    """Outlines that are turned are rounded to whole sixteenths."""
    moved = {gap: tuple((x + gap, y) for x, y in box(20, 10, 10, 10)) for gap in (1, 2)}
    assert neighbours_of(OWN, moved) == {1}


def test_an_undrawn_space_has_no_neighbours() -> None:
    assert neighbours_of((), {1: OWN}) == set()
