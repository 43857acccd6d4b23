"""The solver against the published optima, against every rota of small problems, and against the checker it knows nothing of.

All of it with one worker and the solver's own count of work, so that a busy machine changes nothing.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from itertools import islice, product
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from coop.shifts.solving.checking import Roster, check, person_faults
from coop.shifts.solving.conflicts import without
from coop.shifts.solving.instances import read_instance
from coop.shifts.solving.outcome import Outcome, Progress, Stop, TierResult
from coop.shifts.solving.problem import (
    Apart,
    Beside,
    Cover,
    Forbidden,
    Kind,
    Limits,
    Minimum,
    Person,
    Problem,
    Together,
    Turn,
)
from coop.shifts.solving.solve import ImpossibleProblem, solve
from tests.unit.shifts.making import instance_text, mall_problem, small_problem

ROSTER = Path(__file__).parents[2] / "reference" / "roster"
ENOUGH = Stop.repeatable(60)


def honest(problem: Problem, outcome: Outcome) -> None:
    """What the outcome says is what the checker counts, and no hard rule is broken but by what was left out."""
    for conflict in outcome.conflicts:
        problem = without(problem, conflict)
    report = check(problem, outcome.turns)
    assert report.broken == ()
    assert report.tiers == tuple(tier.value for tier in outcome.tiers)
    assert all(tier.bound <= tier.value for tier in outcome.tiers)


@pytest.mark.parametrize(("number", "optimum"), [(1, 607), (2, 828), (3, 1001)])
def test_published_instances_are_solved_to_their_optimum_and_proven(number, optimum):
    """Curtois and Qu (2014), published optima."""
    problem = read_instance((ROSTER / f"Instance{number}.txt").read_text(encoding="utf-8"))
    outcome = solve(problem, ENOUGH)
    honest(problem, outcome)
    assert (outcome.objective, outcome.bound, outcome.proven) == (optimum, optimum, True)
    assert check(problem, outcome.turns).cost == optimum


@pytest.mark.parametrize("number", [4, 7])
def test_larger_published_instances_are_read_and_bettered_within_what_is_given(number):
    """Too large for a proof in a test: each rota told is better than the one before, and the last keeps every rule."""
    problem = read_instance((ROSTER / f"Instance{number}.txt").read_text(encoding="utf-8"))
    told: list[Progress] = []
    outcome = solve(problem, Stop.repeatable(8), progress=told.append)
    honest(problem, outcome)
    values = [progress.value for progress in told]
    assert values == sorted(set(values), reverse=True)
    assert len(values) > 1
    assert outcome.objective == values[-1]


# --- against every rota -------------------------------------------------------------------------------------------------


def rotas(problem: Problem) -> Iterator[frozenset[Turn]]:
    """Every rota that breaks no hard rule, by trying all of them."""
    cells = [()]
    for kind in problem.kinds:
        cells += [(*cell, kind.id) for cell in cells]
    own = []
    for person in problem.people:
        kept = []
        for days in product(cells, repeat=problem.days):
            turns = frozenset(Turn(person.id, day, kind) for day, cell in enumerate(days) for kind in cell)
            if not person_faults(Roster(problem, turns), person):
                kept.append(turns)
        own.append(kept)
    for parts in product(*own):
        turns = frozenset().union(*parts)
        if not check(problem, turns).broken:
            yield turns


def best(problem: Problem) -> tuple[int, ...] | None:
    return min((check(problem, turns).tiers for turns in rotas(problem)), default=None)


@pytest.mark.parametrize(("seed", "people", "days"), [*((seed, 2, 4) for seed in range(40)), (50, 3, 4), (51, 3, 4), (52, 3, 3)])
def test_no_rota_is_better_than_the_solvers_in_any_tier(seed, people, days):
    problem = small_problem(seed, people=people, days=days)
    outcome = solve(problem, ENOUGH)
    honest(problem, outcome)
    assert outcome.proven
    assert best(problem) is None or not outcome.conflicts
    for conflict in outcome.conflicts:
        problem = without(problem, conflict)
    assert tuple(tier.value for tier in outcome.tiers) == best(problem)


def test_what_contradicts_itself_is_named_and_none_of_it_is_needless():
    problems = (small_problem(seed, people=2, days=4) for seed in range(200))
    several = 0
    for problem in islice((problem for problem in problems if problem.locks and best(problem) is None), 12):
        first = solve(problem, ENOUGH).conflicts[0]
        named = [*first.locks, *first.minima]
        several += len(named) > 1
        assert best(demanding(problem, named)) is None
        for needed in named:
            assert best(demanding(problem, [demand for demand in named if demand != needed])) is not None
    assert several


def demanding(problem: Problem, demands: list[Turn | Minimum]) -> Problem:
    """The problem with these locks and minima only."""

    def least(person: Person) -> Limits:
        limits = person.limits
        return replace(
            limits,
            least_minutes=limits.least_minutes if Minimum(person.id, "minutes") in demands else 0,
            least_turns=limits.least_turns if Minimum(person.id, "turns") in demands else 0,
        )

    people = tuple(replace(person, limits=least(person)) for person in problem.people)
    return replace(problem, people=people, locks=frozenset(demand for demand in demands if isinstance(demand, Turn)))


@settings(max_examples=40)
@given(st.integers(1000, 10**6), st.integers(1, 4), st.integers(1, 6))
def test_no_draft_breaks_a_hard_rule(seed, people, days):
    problem = small_problem(seed, people=max(people, 2), days=max(days, 4))
    outcome = solve(problem, ENOUGH)
    assert outcome.found
    honest(problem, outcome)


# --- how it goes --------------------------------------------------------------------------------------------------------


def test_the_same_seed_gives_the_same_draft_and_says_where_it_got_to():
    problem = mall_problem(12, days=10)
    stop = Stop.repeatable(1, seed=5)
    first, again = solve(problem, stop), solve(problem, stop)
    assert first.turns == again.turns
    assert [(tier.value, tier.bound) for tier in first.tiers] == [(tier.value, tier.bound) for tier in again.tiers]
    honest(problem, first)


def test_a_small_change_moves_few_people():
    """From the last draft, with a price for each turn that changes: one member falls out, whose turns alone move."""
    problem = replace(mall_problem(12, days=10), change_weight=1000, change_tier=2)
    before = solve(problem, Stop.repeatable(3)).turns
    gone = sorted(before)[0].person
    shut = tuple(rule for rule in problem.forbidden if rule.person != gone)
    away = replace(problem, forbidden=shut + tuple(replace(problem.forbidden[0], person=gone, day=day) for day in range(10)))
    after = solve(replace(away, last_draft=before), Stop.repeatable(3))
    moved = {turn for turn in before - after.turns if turn.person != gone}
    fresh = solve(away, Stop.repeatable(3))
    elsewhere = {turn for turn in before - fresh.turns if turn.person != gone}
    assert 4 * len(moved) <= len(elsewhere)
    honest(replace(away, last_draft=before), after)


def test_locks_are_kept_and_those_that_contradict_each_other_named_and_left_out():
    people = (Person("A", Limits(longest_run_days=2)), Person("B"), Person("C"))
    covers = tuple(Cover(day, frozenset({"D"}), 1, 10, 1) for day in range(5))
    locks = frozenset({Turn("A", 0, "D"), Turn("A", 1, "D"), Turn("A", 2, "D"), Turn("B", 4, "D"), Turn("A", 4, "D")})
    outcome = solve(Problem(days=5, people=people, kinds=(Kind("D", 60),), covers=covers, locks=locks), ENOUGH)
    assert [conflict.locks for conflict in outcome.conflicts] == [{Turn("A", 0, "D"), Turn("A", 1, "D"), Turn("A", 2, "D")}]
    assert {Turn("B", 4, "D"), Turn("A", 4, "D")} <= outcome.turns
    assert {turn.day for turn in outcome.turns} == set(range(5))


def test_a_turn_elsewhere_is_no_company_and_still_fills_the_week():
    """B is locked elsewhere on both days: no guide to the trainee, nobody to be apart from, and with no room left in the week."""
    people = (
        Person("A", skills=frozenset({"new"})),
        Person("B", Limits(turns_a_day=None, turns_a_week=2), frozenset({"old"})),
        Person("C", skills=frozenset({"old"})),
    )
    kinds = (Kind("D", 60, 600), Kind("other mall", 60, 600, elsewhere=True), Kind("late", 60, 900))
    problem = Problem(
        days=2,
        people=people,
        kinds=kinds,
        covers=tuple(Cover(day, frozenset({kind}), 1, 10, 1) for day in (0, 1) for kind in ("D", "late")),
        forbidden=tuple(Forbidden(person, day, frozenset({"other mall"})) for person in "AC" for day in (0, 1)),
        locks=frozenset({Turn("B", 0, "other mall"), Turn("B", 1, "other mall"), Turn("A", 0, "D")}),
        apart=(Apart("A", "B"),),
        beside=(Beside("new", "old"),),
        together=(Together("B", "A", 5), Together("A", "B", 1)),
        weeks=((0, 1),),
    )
    outcome = solve(problem, ENOUGH)
    honest(problem, outcome)
    assert Turn("C", 0, "D") in outcome.turns
    assert {turn.kind for turn in outcome.turns if turn.person == "B"} == {"other mall"}


def test_numbers_the_solver_cannot_count_with_are_refused():
    vast = Cover(0, frozenset({"D"}), 1, 2**62)
    with pytest.raises(ValueError, match="cannot count"):
        solve(Problem(days=1, people=(Person("A"),), kinds=(Kind("D", 60),), covers=(vast, vast, vast)), ENOUGH)


def test_a_lock_against_a_day_off_is_a_conflict_by_itself():
    problem = small_problem(0)
    forbidden = problem.forbidden[0]
    lock = Turn(forbidden.person, forbidden.day, next(iter(forbidden.kinds or {"E"})))
    outcome = solve(replace(demanding(problem, []), locks=frozenset({lock})), ENOUGH)
    assert [conflict.locks for conflict in outcome.conflicts] == [{lock}]


def test_turns_before_and_after_that_no_rota_can_mend_are_refused():
    people = (Person("A", Limits(shortest_break_days=3)),)
    shut = Problem(
        days=1, people=people, kinds=(Kind("D", 60, days=frozenset()),), known=frozenset({Turn("A", -1, "D"), Turn("A", 1, "D")})
    )
    with pytest.raises(ImpossibleProblem, match="Mend them first"):
        solve(shut, ENOUGH)


def test_a_search_that_is_stopped_keeps_what_it_has():
    problem = read_instance(instance_text(4, staff=18))
    asked: list[int] = []

    def enough_of_it() -> bool:
        asked.append(1)
        return True

    outcome = solve(problem, Stop.repeatable(600), cancelled=enough_of_it)
    assert asked
    assert outcome.stopped
    assert not outcome.proven
    if outcome.found:
        honest(problem, outcome)


@pytest.mark.parametrize(
    ("make", "said"),
    [
        (lambda: Stop(), "seconds or a deterministic limit"),
        (lambda: Stop(seconds=0), "the seconds of a search"),
        (lambda: Stop(seconds=1, workers=0), "the workers of a search"),
        (lambda: Stop(seconds=1, seed=-1), "the seed"),
    ],
)
def test_a_stop_that_never_comes_is_refused(make, said):
    with pytest.raises(ValueError, match=said):
        make()


@pytest.mark.parametrize(
    ("value", "bound", "gap", "percent"), [(100, 100, 0, 0), (100, 40, 60, 60), (1000, 999, 1, 1), (5, 0, 5, 100)]
)
def test_the_gap_of_a_tier(value, bound, gap, percent):
    tier = TierResult("cover", value, bound, 0)
    assert (tier.gap, tier.gap_percent, tier.proven) == (gap, percent, gap == 0)
