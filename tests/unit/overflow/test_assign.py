"""Periods drafted: against every arrangement of small ones, as the judge counts, repeated, stopped, and at their edges."""

from __future__ import annotations

from dataclasses import replace

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from coop.overflow.domain.checking import broken
from coop.overflow.domain.counting import costs
from coop.overflow.domain.problem import TIERS, Fixed, Place, Placed, Problem, Room, Share, Unit
from coop.overflow.solving import assign
from coop.overflow.solving.assign import solve
from coop.overflow.solving.outcome import Outcome
from coop.shifts.solving.outcome import Progress, Stop
from tests.benchmarks.overflow import period
from tests.unit.overflow.small_periods import INCH, least_costs, small_period

ENOUGH = Stop.repeatable(20)


def honest(problem: Problem, outcome: Outcome) -> None:
    """Every rule is kept, what it says it costs is what it costs, and no bound is above."""
    assert broken(problem, outcome.placed) == []
    assert [tier.name for tier in outcome.tiers] == list(TIERS)
    assert tuple(tier.value for tier in outcome.tiers) == costs(problem, outcome.placed)
    assert all(tier.bound <= tier.value for tier in outcome.tiers)


@pytest.mark.parametrize(
    ("seed", "bays", "units", "weeks"),
    [
        *((seed, 2, 3, 3) for seed in range(60)),
        *((seed, 2, 4, 4) for seed in range(60, 66)),
        *((seed, 3, 3, 4) for seed in range(70, 76)),
    ],
)
def test_no_arrangement_is_better_in_any_tier(seed, bays, units, weeks):
    problem = small_period(seed, bays=bays, units=units, weeks=weeks)
    outcome = solve(problem, ENOUGH)
    honest(problem, outcome)
    assert outcome.proven
    assert costs(problem, outcome.placed) == least_costs(problem)


@pytest.mark.parametrize(
    ("seed", "stop"), [*((seed, ENOUGH) for seed in range(8)), *((seed, Stop(seconds=60)) for seed in range(8, 14))]
)
def test_floor_by_the_sum_and_part_by_part_come_to_the_same(seed, stop, monkeypatch):
    """As a large problem is solved, one after the other or at a time: bays become exact only where a row cannot be laid."""
    monkeypatch.setattr(assign, "MOST_EXACT", 0)
    problem = small_period(seed, bays=2, units=4, weeks=3)
    outcome = solve(problem, stop)
    honest(problem, outcome)
    assert outcome.proven
    assert costs(problem, outcome.placed) == least_costs(problem)


@settings(max_examples=25)
@given(st.integers(1000, 10**6), st.integers(1, 4), st.integers(1, 9), st.integers(1, 6), st.booleans())
def test_no_draft_breaks_a_rule(seed, bays, units, weeks, two):
    problem = small_period(seed, bays=bays, units=units, weeks=weeks)
    honest(problem, solve(problem, Stop(seconds=1, workers=2) if two else Stop.repeatable(1)))


# --- rows that a sum of lengths allows ----------------------------------------------------------------------------------


def stays(key: str, length: int, first: int, weeks: int) -> Unit:
    return Unit(key, key, weeks, (first,), (Place("B", length),), is_standing=True)


# Found by trying arrangements at random: in no week is more than 5 asked, and yet there is no row.
CROWDED = (
    ("a", 3, 0, 1),
    ("b", 1, 0, 3),
    ("c", 2, 1, 1),
    ("d", 2, 1, 3),
    ("e", 1, 2, 3),
    ("f", 2, 3, 1),
    ("g", 3, 4, 1),
    ("h", 1, 4, 1),
)


def test_whole_weeks_of_floor_are_not_a_row(monkeypatch):
    problem = Problem(5, (Room("B", 5),), tuple(stays(*one) for one in CROWDED))
    for week in range(5):
        assert sum(length for _, length, first, weeks in CROWDED if first <= week < first + weeks) <= 5
    outcome = solve(problem, ENOUGH)
    honest(problem, outcome)
    monkeypatch.setattr(assign, "MOST_EXACT", 0)
    again = solve(problem, ENOUGH)
    honest(problem, again)
    assert outcome.tiers[0].value == outcome.tiers[0].bound == again.tiers[0].value == again.tiers[0].bound > 0


# --- how it goes --------------------------------------------------------------------------------------------------------


def test_the_same_seed_gives_the_same_draft_and_says_where_it_got_to():
    problem = period(3, bays=6, requests=14, weeks=6, dealers=6)
    told: list[Progress] = []
    first = solve(problem, Stop.repeatable(1, seed=5), progress=told.append)
    again = solve(problem, Stop.repeatable(1, seed=5))
    honest(problem, first)
    assert first.placed == again.placed
    assert [(tier.value, tier.bound) for tier in first.tiers] == [(tier.value, tier.bound) for tier in again.tiers]
    assert told
    assert all(one.bound <= one.value and one.tier == TIERS[one.number - 1] and one.of == len(TIERS) for one in told)
    for tier in TIERS:
        values = [one.value for one in told if one.tier == tier]
        assert values == sorted(values, reverse=True)


def test_a_large_period_in_no_time_still_keeps_every_rule():
    problem = period(1)
    outcome = solve(problem, Stop(seconds=1))
    honest(problem, outcome)
    assert outcome.placed
    assert not outcome.proven
    assert not outcome.stopped


def test_a_search_that_is_stopped_keeps_what_it_has():
    problem = period(2, bays=20, requests=60)
    asked: list[int] = []

    def enough_of_it() -> bool:
        asked.append(1)
        return len(asked) == 2

    outcome = solve(problem, Stop.repeatable(600), cancelled=enough_of_it)
    honest(problem, outcome)
    assert asked == [1, 1]
    assert outcome.stopped
    assert outcome.placed


def test_one_stopped_before_it_begins_has_what_was_laid_at_once():
    problem = period(2, bays=20, requests=60)
    outcome = solve(problem, Stop.repeatable(600), cancelled=lambda: True)
    honest(problem, outcome)
    assert outcome.stopped
    assert outcome.placed
    assert not outcome.proven


def test_what_asking_raises_ends_the_search_and_is_told():
    """Else nobody would count its seconds any more, and it would never end."""

    def no_answer() -> bool:
        raise ConnectionError("the database is gone")

    with pytest.raises(ConnectionError, match="the database is gone"):
        solve(period(2, bays=20, requests=60), Stop(seconds=600), cancelled=no_answer)


# --- the tiers ----------------------------------------------------------------------------------------------------------


def test_what_stood_before_comes_first_whoever_else_waits():
    units = (
        Unit("old", "Ann", 2, (0,), (Place("B", 60),), is_standing=True),
        Unit("new", "Bo", 2, (0,), (Place("B", 60),), waited_days=400, cents=90_000),
    )
    problem = Problem(2, (Room("B", 100),), units, shares=(Share("Bo", ((100, 5000),)),))
    assert [one.unit for one in solve(problem, ENOUGH).placed] == ["old"]


def test_floor_goes_to_whom_the_next_foot_week_is_worth_more_than_to_who_has_some():
    """One dealer asks for all of the floor in thirds, another for one third: each third more is worth less."""
    units = (
        *(Unit(f"a{n}", "Ann", 3, (0,), (Place("B", 2 * INCH),)) for n in range(3)),
        Unit("b", "Bo", 3, (0,), (Place("B", 2 * INCH),)),
    )
    shares = (Share("Ann", ((6, 40), (6, 20), (6, 10))), Share("Bo", ((6, 15),)))
    outcome = solve(Problem(3, (Room("B", 6 * INCH),), units, shares=shares), ENOUGH)
    assert sorted(one.unit[0] for one in outcome.placed) == ["a", "a", "b"]
    assert outcome.tiers[1].value == 60


def test_what_is_worth_the_same_goes_to_who_waited_longest_then_near_then_to_the_colours_then_by_price():
    places = (Place("far", 10, feet=80, tone=5), Place("near", 10, feet=20, tone=90), Place("odd", 10, feet=20, tone=10))
    units = tuple(
        Unit(key, key, 1, (0,), places, waited_days=days, cents=cents)
        for key, days, cents in (("a", 9, 1), ("b", 3, 2), ("c", 3, 1))
    )
    rooms = tuple(Room(place.bay, 10) for place in places)
    assert {one.unit for one in solve(Problem(1, rooms[:1], units), ENOUGH).placed} == {"a"}
    assert {one.bay for one in solve(Problem(1, rooms, units[:2]), ENOUGH).placed} == {"near", "odd"}
    assert {one.bay for one in solve(Problem(1, rooms, units[:1]), ENOUGH).placed} == {"odd"}
    assert {one.unit for one in solve(Problem(1, rooms[:1], units[1:]), ENOUGH).placed} == {"b"}


def test_a_piece_turned_the_long_way_gives_its_dealer_nothing_more():
    """It stands near and short rather than far and long; and where it must stand long, it counts as no more than it needs."""
    places = (Place("long", 5 * INCH, turned=True, feet=90), Place("short", 2 * INCH, feet=10))
    unit, share = Unit("a", "Ann", 3, (0,), places), Share("Ann", ((6, 40), (9, 20)))
    rooms = (Room("long", 5 * INCH), Room("short", 2 * INCH))
    assert unit.floor == 6
    assert [one.bay for one in solve(Problem(3, rooms, (unit,), shares=(share,)), ENOUGH).placed] == ["short"]
    assert costs(Problem(3, rooms, (unit,), shares=(share,)), [Placed("a", "long", 0, 5 * INCH, 0, True)])[1] == 0


def test_it_begins_as_early_as_there_is_floor():
    unit = Unit("a", "Ann", 2, (1, 2, 3, 4), (Place("B", 10),))
    problem = Problem(6, (Room("B", 10),), (unit,), (Fixed("f", "Bo", "B", 4, 6, 0, 2),))
    assert solve(problem, ENOUGH).placed == (Placed("a", "B", 0, 10, 3),)


def test_things_lie_from_the_beginning_of_a_bay_without_gaps():
    units = tuple(Unit(f"{n}", "Ann", 2, (0, 1), (Place("B", 10 + n),)) for n in range(4))
    problem = Problem(3, (Room("B", 100),), units, (Fixed("f", "Bo", "B", 0, 5, 0, 3),))
    placed = sorted(solve(problem, ENOUGH).placed, key=lambda one: one.from_in16)
    assert [one.from_in16 for one in placed] == [5, *(one.to_in16 for one in placed[:-1])]


# --- edges --------------------------------------------------------------------------------------------------------------

DESK = Unit("desk", "Ann", 1, (0,), (Place("B", 10),))


@pytest.mark.parametrize(
    ("problem", "placed"),
    [
        (Problem(1, (), ()), 0),
        (Problem(1, (Room("B", 10),), ()), 0),
        (Problem(1, (), (DESK,)), 0),
        (Problem(1, (Room("B", 10),), (DESK,)), 1),
        (Problem(1, (Room("B", 9),), (DESK,)), 0),
        (Problem(1, (Room("B", 10),), (replace(DESK, places=()),)), 0),
        (Problem(1, (Room("B", 10),), (replace(DESK, starts=()),)), 0),
        (Problem(1, (Room("B", 10),), (replace(DESK, weeks=2),)), 0),
        (Problem(52, (Room("B", 10),), (replace(DESK, weeks=52),)), 1),
        (Problem(52, (Room("B", 10),), tuple(replace(DESK, key=f"{n}", weeks=9, starts=tuple(range(44))) for n in range(7))), 5),
        (Problem(1, (Room("B", 10),), (DESK,), most_in16=0), 0),
        (Problem(1, (Room("B", 10),), (DESK,), most_pieces=0), 0),
        (Problem(1, (Room("B", 10),), (DESK,), weeks_left={("Ann", "B"): 0}), 0),
        (Problem(1, (Room("B", 10),), (DESK,), (Fixed("f", "Bo", "B", 9, 10, 0, 0),)), 0),
        (Problem(1, (Room("B", 10),), (DESK,), (Fixed("f", "Bo", "B", 10, 99, 0, 9), Fixed("g", "Bo", "B", 0, 9, 1, 3))), 1),
    ],
)
def test_edges(problem, placed):
    outcome = solve(problem, ENOUGH)
    honest(problem, outcome)
    assert outcome.proven
    assert len(outcome.placed) == placed


def test_numbers_the_solver_cannot_count_with_are_refused():
    units = tuple(replace(DESK, key=f"{n}", cents=2**61) for n in range(5))
    with pytest.raises(ValueError, match="cannot count"):
        solve(Problem(1, (Room("B", 10),), units), ENOUGH)
