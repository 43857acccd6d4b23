"""The judge of an arrangement: each break planted into a right one is seen, and nothing else is."""

from __future__ import annotations

from dataclasses import replace

import pytest

from coop.overflow.domain.checking import broken
from coop.overflow.domain.counting import costs
from coop.overflow.domain.problem import TIERS, Fixed, Place, Placed, Problem, Room, Share, Unit

PROBLEM = Problem(
    weeks=6,
    rooms=(Room("A1", 100), Room("A2", 60)),
    units=(
        Unit("desk", "Ann", 2, (0, 1, 2, 5), (Place("A1", 40, feet=9, tone=50), Place("A2", 30, turned=True, feet=20))),
        Unit("hutch", "Ann", 3, (0, 1), (Place("A1", 50, feet=30, starts=(0,)),), pieces=2, waited_days=10, cents=700),
        Unit("bench", "Bo", 4, (0,), (Place("A2", 60, feet=5, tone=7), Place("A1", 60)), is_standing=True),
    ),
    fixed=(Fixed("trunk", "Bo", "A2", 0, 20, 3, 9), Fixed("old trunk", "Bo", "A2", 10, 30, 4, 4)),
    shares=(Share("Ann", ((6, 100), (4, 10))), Share("Bo", ((100, 1),))),
    most_in16=90,
    most_pieces=3,
    weeks_left={("Ann", "A1"): 4, ("Bo", "A2"): 0},
)
DESK, HUTCH = Placed("desk", "A1", 0, 40, 1), Placed("hutch", "A1", 40, 90, 0)
RIGHT = (DESK, HUTCH)


def test_a_right_arrangement_has_nothing_wrong():
    assert broken(PROBLEM, RIGHT) == []
    assert broken(PROBLEM, ()) == []
    assert broken(PROBLEM, [Placed("desk", "A2", 0, 30, 1, turned=True)]) == []


@pytest.mark.parametrize(
    ("placed", "said"),
    [
        (
            (DESK, DESK),
            ["desk is placed 2 times", *(f"desk and desk are in the same place of A1 in week {week}" for week in (1, 2))],
        ),
        ((Placed("chair", "A1", 0, 40, 1),), ["chair is no unit of the problem"]),
        ((replace(DESK, bay="A9"),), ["desk is in A9, which is no bay of the problem", "desk has no place in A9"]),
        ((replace(HUTCH, bay="A2", from_in16=0, to_in16=50),), ["hutch has no place in A2"]),
        ((replace(DESK, from_in16=61, to_in16=101),), ["desk is beyond the end of A1"]),
        ((replace(DESK, from_in16=-1, to_in16=39),), ["desk is beyond the end of A1"]),
        ((replace(DESK, to_in16=41),), ["desk is not as long in A1 as its place"]),
        ((replace(DESK, turned=True),), ["desk is not turned in A1 as its place says"]),
        ((Placed("desk", "A2", 0, 30, 1),), ["desk is not turned in A2 as its place says"]),
        ((replace(DESK, start=3),), ["desk may not begin in week 3"]),
        ((replace(DESK, start=5),), ["desk is not within the period"]),
        ((replace(HUTCH, start=1),), ["hutch may not begin in A1 in week 1"]),
        (
            (DESK, replace(HUTCH, from_in16=39, to_in16=89)),
            [f"desk and hutch are in the same place of A1 in week {n}" for n in (1, 2)],
        ),
        ((Placed("desk", "A2", 19, 49, 2, turned=True),), ["trunk and desk are in the same place of A2 in week 3"]),
    ],
)
def test_each_break_is_seen(placed, said):
    assert broken(PROBLEM, placed) == said


@pytest.mark.parametrize(
    ("limits", "said"),
    [
        ({"most_in16": 89}, ["Ann has more length than may be in week 1", "Ann has more length than may be in week 2"]),
        ({"most_pieces": 2}, ["Ann has more pieces than may be in week 1", "Ann has more pieces than may be in week 2"]),
        ({"weeks_left": {("Ann", "A1"): 2}}, ["Ann is in A1 for more weeks than are left"]),
        ({"weeks_left": {("Ann", "A1"): 3}}, []),
        ({"most_in16": 90, "most_pieces": 3}, []),
    ],
)
def test_a_dealers_limits_hold_week_by_week(limits, said):
    assert broken(replace(PROBLEM, **limits), RIGHT) == said


def test_what_is_fixed_counts_and_its_own_breaks_are_nobodys_fault():
    """Two fixed trunks overlap, and stand where no week is left to their dealer; one more week there is a break."""
    bench = Unit("stool", "Bo", 1, (2, 3), (Place("A2", 20),))
    problem = replace(PROBLEM, units=(bench,), most_in16=30, most_pieces=1)
    assert broken(problem, []) == []
    assert broken(problem, [Placed("stool", "A2", 30, 50, 2)]) == ["Bo is in A2 for more weeks than are left"]
    assert broken(problem, [Placed("stool", "A2", 30, 50, 3)]) == [
        "Bo has more length than may be in week 3",
        "Bo has more pieces than may be in week 3",
    ]


def test_neighbours_may_touch_and_follow_each_other():
    units = tuple(Unit(key, key, 2, (0, 2), (Place("A1", 50),)) for key in ("a", "b", "c"))
    placed = [Placed("a", "A1", 0, 50, 0), Placed("b", "A1", 50, 100, 0), Placed("c", "A1", 25, 75, 2)]
    assert broken(Problem(4, (Room("A1", 100),), units), placed) == []


def test_costs_are_counted_by_hand():
    """Nobody placed but the desk, a week after its wish: 2 in. at the least for 2 weeks, so 4 inch-weeks of the dealer's 16."""
    assert TIERS == ("standing", "fairness", "waiting", "distance", "tones", "money")
    fairness = (6 * 100 + 4 * 10) - 4 * 100 + 4 * 4
    assert costs(PROBLEM, [DESK]) == (16, fairness, 7 + (10 + 42) + 42, 9 + 30 + 5, 50 + 0 + 7, 700)
    assert costs(PROBLEM, []) == (16, 640 + 16, 42 + 52 + 42, 20 + 30 + 5, 50 + 7, 700)
    assert costs(PROBLEM, RIGHT) == (16, 16, 7 + 42, 39 + 5, 57, 0)


def test_floor_beyond_the_last_step_and_dealers_without_a_share_cost_nothing():
    problem = replace(PROBLEM, shares=(Share("Ann", ((1, 5),)),))
    assert [costs(problem, placed)[1] for placed in ((), (DESK,), RIGHT)] == [5, 0, 0]
