"""Periods that are packings: published lists that fill a bay's length and weeks to the last, and no week or inch less."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from coop.overflow.domain.checking import broken
from coop.overflow.domain.problem import Fixed, Place, Problem, Room, Unit
from coop.overflow.solving.assign import solve
from coop.shifts.solving.outcome import Stop

REFERENCE = Path(__file__).parents[2] / "reference"
INCH = 16
ENOUGH = Stop.repeatable(30)


def packing(sizes: list[tuple[int, int]], length: int, weeks: int) -> Problem:
    """A bay so many inches long for so many weeks, and things so long that stay so long, whenever."""
    units = tuple(
        Unit(f"{n}", "Ann", high, tuple(range(weeks - high + 1)), (Place("B", long * INCH),), is_standing=True)
        for n, (long, high) in enumerate(sizes)
    )
    return Problem(weeks, (Room("B", length * INCH),), units)


def squares(n: int) -> list[tuple[int, int]]:
    return [(side, side) for side in range(1, n + 1)]


def published() -> list[tuple[int, int]]:
    """Burke, Kendall and Whitwell (2004), A new placement heuristic for the orthogonal stock-cutting problem: N1."""
    read = json.loads((REFERENCE / "packing-bkw1.json").read_text(encoding="utf-8"))
    return [(item["Length"], item["Height"]) for item in read["Items"] for _ in range(item["Demand"])]


def test_the_published_list_fills_forty_inches_for_forty_weeks():
    sizes = published()
    assert sum(long * high for long, high in sizes) == 40 * 40
    problem = packing(sizes, 40, 40)
    outcome = solve(problem, ENOUGH)
    assert broken(problem, outcome.placed) == []
    assert len(outcome.placed) == len(sizes) == 10


@pytest.mark.parametrize(("length", "weeks"), [(39, 40), (40, 39)])
def test_the_published_list_fits_nothing_smaller(length, weeks):
    problem = packing(published(), length, weeks)
    outcome = solve(problem, ENOUGH)
    assert broken(problem, outcome.placed) == []
    assert outcome.tiers[0].bound > 0


# Least area of a rectangle that holds the squares of sides 1 to n: OEIS A038666.
@pytest.mark.parametrize(
    ("n", "length", "weeks", "area"), [(6, 9, 11, 99), (7, 11, 14, 154), (8, 14, 15, 210), (9, 15, 20, 300), (10, 15, 27, 405)]
)
def test_squares_in_the_smallest_rectangle(n, length, weeks, area):
    assert length * weeks == area
    for long, high in {(length, weeks), (weeks, length)}:
        problem = packing(squares(n), long, high)
        outcome = solve(problem, ENOUGH)
        assert broken(problem, outcome.placed) == []
        assert len(outcome.placed) == n


@pytest.mark.parametrize(("n", "length", "weeks"), [(6, 9, 11), (7, 11, 14), (8, 14, 15)])
def test_squares_in_nothing_smaller(n, length, weeks):
    for long, high in ((length - 1, weeks), (length, weeks - 1)):
        problem = packing(squares(n), long, high)
        tier = solve(problem, ENOUGH).tiers[0]
        assert tier.proven
        assert tier.bound > 0


def test_a_bay_lent_by_the_week_holds_what_an_interval_partition_needs():
    """Stays of one length in a bay for so many: as many fit as there are at most at a time, whenever each begins and ends.

    Interval partitioning: Kleinberg, J. and Tardos, E. (2006), Algorithm Design, section 4.1: its ten lectures
    in three rooms (from memory).
    """
    lectures = [(0, 3), (0, 7), (0, 3), (4, 7), (4, 10), (8, 11), (8, 11), (10, 15), (12, 15), (12, 15)]
    for rows, all_fit in ((3, True), (2, False)):
        units = tuple(
            Unit(f"{n}", "Ann", end - begin, (begin,), (Place("B", INCH),), is_standing=True)
            for n, (begin, end) in enumerate(lectures)
        )
        outcome = solve(Problem(15, (Room("B", rows * INCH),), units), ENOUGH)
        assert (outcome.tiers[0].value == 0) == all_fit
        assert outcome.tiers[0].proven


@pytest.mark.parametrize(("length", "all_fit"), [(12, True), (11, False)])
def test_a_published_list_of_stays_fits_the_length_it_was_published_with_and_no_less(length, all_fit):
    """Each with its own first and last week: the example of five buffers in 12 that comes with the instances of

    Moffitt, M. D. (2023), MiniMalloc: a lightweight memory allocator for hardware-accelerated machine learning, ASPLOS.
    """
    stays = [(0, 3, 4), (3, 9, 4), (0, 9, 4), (9, 21, 4), (0, 21, 4)]
    units = tuple(
        Unit(f"{n}", "Ann", end - begin, (begin,), (Place("B", long * INCH),), is_standing=True)
        for n, (begin, end, long) in enumerate(stays)
    )
    problem = Problem(21, (Room("B", length * INCH),), units)
    outcome = solve(problem, ENOUGH)
    assert broken(problem, outcome.placed) == []
    assert (len(outcome.placed) == len(stays)) == all_fit
    assert outcome.tiers[0].proven


def test_things_lie_round_what_stays():
    """A bay of 7 by 7 with 3 by 3 fixed in its middle: four of 5 by 2 lie round it like a wheel, and nothing else fits in."""
    wheel = [(5, 2), (2, 5), (5, 2), (2, 5)]
    problem = packing(wheel, 7, 7)
    problem = Problem(7, problem.rooms, problem.units, (Fixed("f", "Bo", "B", 2 * INCH, 5 * INCH, 2, 4),))
    outcome = solve(problem, ENOUGH)
    assert broken(problem, outcome.placed) == []
    assert len(outcome.placed) == 4
    assert outcome.tiers[0].proven
