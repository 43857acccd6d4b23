"""What is no problem is refused with the thing named; costs by squares; which kinds stand side by side."""

from __future__ import annotations

from dataclasses import replace

import pytest

from coop.shifts.solving.problem import (
    Apart,
    Cover,
    Forbidden,
    Group,
    Kind,
    Limits,
    Person,
    Problem,
    Request,
    Target,
    Together,
    Turn,
    squared_costs,
)

PLAIN = Problem(days=3, people=(Person("A"), Person("B")), kinds=(Kind("D", 60), Kind("E", 60)))


@pytest.mark.parametrize(
    ("change", "said"),
    [
        ({"days": 0}, "at least one day"),
        ({"people": (Person("A"), Person("A"))}, "person is there twice"),
        ({"kinds": (Kind("D", 60), Kind("D", 60))}, "kind is there twice"),
        ({"kinds": (Kind("D", 60, bars_next_day=frozenset({"X"})),)}, "kind D: there is no kind X"),
        ({"people": (Person("A", Limits(most_by_kind=(("X", 1),))),)}, "limits of A: there is no kind X"),
        ({"covers": (Cover(3, frozenset({"D"}), 1, 1),)}, "day 3 is not one of 0 to 2"),
        ({"covers": (Cover(0, frozenset({"X"}), 1, 1),)}, "cover of day 0: there is no kind X"),
        ({"covers": (Cover(0, frozenset({"D"}), 1, 1, tier=1),)}, "there is no tier 1"),
        ({"requests": (Request("X", 0, None, True, 1),)}, "there is nobody X"),
        ({"requests": (Request("A", 0, None, True, 1, tier=-1),)}, "there is no tier -1"),
        ({"forbidden": (Forbidden("A", -1),)}, "day -1"),
        ({"locks": frozenset({Turn("A", 5, "D")})}, "day 5"),
        ({"locks": frozenset({Turn("X", 0, "D")})}, "nobody X"),
        ({"last_draft": frozenset({Turn("A", 0, "X")})}, "there is no kind X"),
        ({"known": frozenset({Turn("A", 2, "D")})}, "lock it instead"),
        ({"apart": (Apart("A", "X"),)}, "apart: there is nobody X"),
        ({"together": (Together("A", "X", 1),)}, "together: there is nobody X"),
        ({"groups": (Group("g", kinds=frozenset({"X"})),)}, "group g: there is no kind X"),
        ({"targets": (Target("A", "g", (0, 1)),)}, "there is no group g"),
        ({"weeks": ((0, 0),)}, "a week or weekend"),
        ({"weekends": ((),)}, "a week or weekend"),
        ({"tiers": ()}, "the tiers want names"),
        ({"tiers": ("a", "a")}, "the tiers want names"),
        ({"efforts": (1, 2)}, "each tier wants an effort"),
        ({"efforts": (0,)}, "each tier wants an effort"),
        ({"change_tier": 1}, "changes: there is no tier 1"),
        ({"change_weight": -1}, "changes: a number is below zero"),
    ],
)
def test_a_problem_that_does_not_hold_together_is_refused(change, said):
    with pytest.raises(ValueError, match=said):
        replace(PLAIN, **change)


@pytest.mark.parametrize(
    ("make", "said"),
    [
        (lambda: Kind("D", 0), "kind D is not between"),
        (lambda: Kind("D", 1441), "kind D is not between"),
        (lambda: Kind("D", 60, 1440), "kind D starts outside"),
        (lambda: Kind("D", 60, credit=-1), "kind D: a number"),
        (lambda: Limits(most_turns=-1), "below zero"),
        (lambda: Limits(shortest_run_days=0), "at least one day"),
        (lambda: Limits(shortest_run_days=3, longest_run_days=2), "longer than the longest"),
        (lambda: Limits(rest_minutes=2881), "at most two days"),
        (lambda: Cover(0, frozenset(), 1, 1), "names no kind"),
        (lambda: Cover(0, frozenset({"D"}), -1, 1), "below zero"),
        (lambda: Request("A", 0, None, True, -1), "request of A"),
        (lambda: Apart("A", "A"), "apart from the same"),
        (lambda: Together("A", "A", 1), "ask for the same"),
        (lambda: Target("A", "g", (0,)), "at least two costs"),
        (lambda: Target("A", "g", (0, -1, 3)), "below zero"),
        (lambda: Target("A", "g", (0, 2, 3)), "not convex"),
        (lambda: Target("A", "g", (3, 1, 0)), "downhill"),
    ],
)
def test_a_part_that_makes_no_sense_is_refused(make, said):
    with pytest.raises(ValueError, match=said):
        make()


@pytest.mark.parametrize(
    ("given", "costs"),
    [
        ({"start": 0, "aim": 20, "unit": 10, "steps": 4}, (400, 100, 0, 100, 400)),
        ({"start": 5, "aim": 20, "unit": 10, "steps": 3}, (200, 0, 0, 200)),  # 225, 25, 25, 225 less the least
        ({"start": 30, "aim": 10, "unit": 10, "steps": 1}, (0, 500)),  # 400, 900: the surplus is not this month's to mend
        ({"start": -20, "aim": 10, "unit": 10, "steps": 1, "weight": 2}, (1800, 800, 200, 0, 200)),
    ],
)
def test_costs_by_squares_are_a_target(given, costs):
    made = squared_costs(**given)
    assert made == costs
    assert Target("A", "g", made).cost(len(costs)) == 2 * costs[-1] - costs[-2]


def test_kinds_side_by_side_through_each_stretch():
    """9 to 13, 11 to 15, 13 to 17, and one of another post from 10 to 12."""
    kinds = (Kind("E", 240, 540, "d"), Kind("M", 240, 660, "d"), Kind("L", 240, 780, "d"), Kind("F", 120, 600, "f"))
    plain = replace(PLAIN, kinds=kinds)
    early = plain.kind["E"]
    assert plain.side_by_side(0, early) == [frozenset("E"), frozenset("EF"), frozenset("EMF"), frozenset("EM")]
    assert plain.side_by_side(0, early, same_post=True) == [frozenset("E"), frozenset("EM")]
    assert PLAIN.side_by_side(0, PLAIN.kind["D"]) == [frozenset("D")]
