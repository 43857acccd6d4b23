"""Which hours stay uncovered and the smallest reason; contradictory locks said in a sentence."""

from __future__ import annotations

from dataclasses import replace

import pytest

from coop.shifts.solving.outcome import Conflict, Stop
from coop.shifts.solving.problem import Cover, Forbidden, Kind, Limits, Minimum, Person, Problem, Turn
from coop.shifts.solving.solve import solve
from coop.shifts.solving.uncovered import NO_SUCH_TURN, NOBODY_HAS_SKILL, Obstacle, conflict_sentence, reasons

OPENING = Kind("opening", 60, 9 * 60, "opening")
DESK = Kind("desk", 480, 9 * 60 + 30, "desk", days=frozenset({0, 1, 2}))
PLAIN = Problem(
    days=4,
    people=(
        Person("Ann", Limits(turns_a_week=2), frozenset({"key"})),
        Person("Bob", Limits(turns_a_week=2)),
        Person("Cy", Limits(turns_a_week=2)),
    ),
    kinds=(OPENING, DESK),
    weeks=((0, 1, 2, 3),),
)


def drafted(problem: Problem) -> list[tuple[int, str | None, int, list[tuple[tuple[str, ...], tuple[str, ...]]]]]:
    """Day, skill, missing and obstacles of what a proven draft leaves uncovered."""
    outcome = solve(problem, Stop.repeatable(20))
    assert outcome.proven
    return [
        (gap.cover.day, gap.cover.skill, gap.missing, [(obstacle.rules, obstacle.people) for obstacle in gap.obstacles])
        for gap in reasons(problem, outcome.turns)
    ]


def opening(day: int, skill: str | None = None, under: int = 10) -> Cover:
    return Cover(day, frozenset({"opening"}), 1, under, skill=skill)


def test_nothing_is_said_of_what_is_covered():
    assert drafted(replace(PLAIN, covers=(opening(0), opening(1)))) == []


def test_the_only_key_holder_has_the_turns_of_the_week():
    covers = (opening(0, "key", 30), opening(1, "key", 30), opening(2, "key", 20))
    assert drafted(replace(PLAIN, covers=covers)) == [(2, "key", 1, [(("turns a week",), ("Ann",))])]


def test_the_only_key_holder_is_never_there_that_day():
    away = (Forbidden("Ann", 0, None, "never"),)
    assert drafted(replace(PLAIN, covers=(opening(0, "key"),), forbidden=away)) == [
        (0, "key", 1, [(("forbidden: never",), ("Ann",))])
    ]


def test_nobody_has_the_skill():
    assert drafted(replace(PLAIN, covers=(opening(0, "ladder"),))) == [(0, "ladder", 1, [((NOBODY_HAS_SKILL,), ())])]


def test_no_turn_of_the_kind_is_worked_that_day():
    covers = (Cover(3, frozenset({"desk"}), 1, 10),)
    assert drafted(replace(PLAIN, covers=covers)) == [(3, None, 1, [((NO_SUCH_TURN,), ())])]


def test_who_is_nearest_comes_first_and_who_is_there_already_is_not_named():
    """Three are wanted on day 0; Ann is there. Bob is away; Cy is away and locked to the desk at the time."""
    problem = replace(
        PLAIN,
        people=(PLAIN.people[0], PLAIN.people[1], Person("Cy", Limits(turns_a_day=None))),
        covers=(Cover(0, frozenset({"opening"}), 3, 10),),
        forbidden=(Forbidden("Bob", 0, frozenset({"opening"}), "away"), Forbidden("Cy", 0, frozenset({"opening"}), "away")),
        locks=frozenset({Turn("Cy", 0, "desk")}),
    )
    assert drafted(problem) == [
        (0, None, 2, [(("forbidden: away",), ("Bob",)), (("at the same time", "forbidden: away"), ("Cy",))]),
    ]


def test_who_could_stand_there_at_the_price_of_another_cover_breaks_no_rule():
    """Reasons read any draft, not only the best: of an empty one everybody could."""
    (gap,) = reasons(replace(PLAIN, covers=(opening(1),)), [])
    assert gap.obstacles == (Obstacle((), ("Ann", "Bob", "Cy")),)


@pytest.mark.parametrize(
    ("conflict", "said"),
    [
        (
            Conflict(frozenset({Turn("Ann", 0, "desk"), Turn("Ann", 0, "opening")})),
            "Ann on desk on day 0 and Ann on opening on day 0 cannot both be (at the same time, turns a day)",
        ),
        (
            Conflict(frozenset({Turn("Bob", day, "desk") for day in range(3)})),
            "Bob on desk on day 0 and Bob on desk on day 1 and Bob on desk on day 2 cannot all be (turns a week)",
        ),
        (Conflict(frozenset(), frozenset({Minimum("Cy", "turns")})), "the least turns of Cy cannot be"),
    ],
)
def test_a_conflict_in_a_sentence(conflict, said):
    assert conflict_sentence(PLAIN, conflict) == said
