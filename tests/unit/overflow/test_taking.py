"""Floor of a bay over days: free places, what stands at a time, days of a year, by hand and against every day looked at."""

from __future__ import annotations

from datetime import date, timedelta

from hypothesis import given
from hypothesis import strategies as st

from coop.overflow.domain.taking import Taken, days_in, first_again, first_free, fullest, most_at_once, most_in_year

FIRST = date(2026, 11, 2)


def day(n: int) -> date:
    return FIRST + timedelta(days=n)


def taken(key: int, begins: int, ends: int, along: tuple[int, int] = (0, 10)) -> Taken:
    return Taken(key, *along, day(begins), day(ends))


@st.composite
def stays(draw: st.DrawFn) -> list[Taken]:
    found = []
    for key in range(draw(st.integers(0, 6))):
        begins, length = draw(st.integers(0, 12)), draw(st.integers(0, 6))
        along, wide = draw(st.integers(0, 20)), draw(st.integers(1, 8))
        found.append(taken(key, begins, begins + length, (along, along + wide)))
    return found


def test_the_first_free_place_is_the_leftmost_that_is_wide_enough() -> None:
    there = [taken(1, 0, 0, (10, 20)), taken(2, 0, 0, (25, 40)), taken(3, 0, 0, (12, 18))]
    assert [first_free(there, length, 60) for length in (10, 5, 11, 20, 21)] == [0, 0, 40, 40, None]
    assert [first_free([], length, 60) for length in (60, 61)] == [0, None]


@given(stays(), st.integers(1, 12))
def test_a_free_place_is_free_and_none_is_further_left(there: list[Taken], length: int) -> None:
    def is_free(at: int) -> bool:
        return at + length <= 30 and all(one.to_in16 <= at or one.from_in16 >= at + length for one in there)

    assert first_free(there, length, 30) == next((at for at in range(30) if is_free(at)), None)


@given(stays(), st.integers(0, 12), st.integers(0, 6))
def test_the_fullest_days_hold_every_day_and_no_more_than_they_must(there: list[Taken], begins: int, length: int) -> None:
    first, last = day(begins), day(begins + length)
    sets = [{one.key for one in each} for _, each in fullest(there, first, last)]
    for n in range(begins, begins + length + 1):
        on = {one.key for one in there if one.on(day(n))}
        assert any(on <= each for each in sets)
    assert not any(a < b or (a == b and i != k) for i, a in enumerate(sets) for k, b in enumerate(sets))
    assert all({one.key for one in there if one.on(at)} == {one.key for one in each} for at, each in fullest(there, first, last))
    by_day = [[one for one in there if one.on(day(n))] for n in range(begins, begins + length + 1)]
    assert most_at_once(there, first, last) == (
        max(sum(one.length_in16 for one in each) for each in by_day),
        max(len(each) for each in by_day),
    )


def test_days_at_once_count_once_and_a_year_is_52_weeks_that_end_on_a_day() -> None:
    """Ten days from November 2: with the 364th day from there 52 weeks hold all ten, with the next one nine of them."""
    assert len(days_in([taken(1, 0, 4), taken(2, 3, 9)])) == 10
    had = {day(n) for n in range(10)}
    assert most_in_year(had, {day(363)}) == 11
    assert most_in_year(had, {day(364)}) == 10
    assert most_in_year(had, {day(n) for n in range(363, 367)}) == 11
    assert most_in_year({day(n) for n in range(20)}, {day(500)}) == 1, "a year without an added day is not judged"
    assert most_in_year(had, {day(-300)}) == 11, "and one before them is"


@given(st.sets(st.integers(0, 30)), st.integers(1, 6), st.integers(1, 8), st.integers(330, 400))
def test_it_may_be_there_again_on_the_first_day_on_which_no_year_has_too_many(
    had: set[int], count: int, most: int, after: int
) -> None:
    """Against every year of 364 days that has an added day in it, looked at one by one."""

    def is_well(begins: int) -> bool:
        added = set(range(begins, begins + count))
        ends = range(begins, begins + count + 363)
        return all(len((had | added) & set(range(end - 363, end + 1))) <= most for end in ends)

    again = first_again({day(n) for n in had}, count, most, day(after))
    if count > most:
        assert again is None
    else:
        assert again == day(next(n for n in range(after + 1, after + 500) if is_well(n)))
