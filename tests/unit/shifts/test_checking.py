"""The checker rule by rule, each on a rota small enough to see what it breaks; and what a rota costs, worked by hand."""

from __future__ import annotations

from dataclasses import replace

import pytest

from coop.shifts.solving.checking import Broken, Part, Short, added, check
from coop.shifts.solving.problem import (
    Apart,
    Beside,
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
)

EARLY = Kind("E", 240, 9 * 60, "desk", bars_next_day=frozenset({"N"}))
LATE = Kind("L", 240, 13 * 60, "desk", credit=2)
MIDDLE = Kind("M", 240, 11 * 60, "floor")
NIGHT = Kind("N", 600, 20 * 60, "desk", days=frozenset({0, 1, 2, 3, 4, 5}), needs=frozenset({"key"}))
KINDS = (EARLY, LATE, MIDDLE, NIGHT)
EACH_DAY = {day: (day,) for day in range(7)}


def rota(text: str) -> set[Turn]:
    """`A: E - EL` is A on E on day 0 and on E and L on day 2; people apart by `;`."""
    turns = set()
    for row in filter(None, (row.strip() for row in text.split(";"))):
        person, _, days = row.partition(":")
        turns |= {Turn(person, day, kind) for day, cell in enumerate(days.split()) for kind in cell if kind != "-"}
    return turns


def problem(limits: Limits | None = None, **more) -> Problem:
    """Seven days; A has the limits and a key, B is a trainee, C trained; A and B have none of their own."""
    free = Limits(turns_a_day=None)
    people = (
        Person("A", limits or free, frozenset({"key"})),
        Person("B", free, frozenset({"trainee"})),
        Person("C", free, frozenset({"trained"})),
    )
    return Problem(days=7, people=people, kinds=KINDS, **more)


def known(*turns: tuple[int, str]) -> frozenset[Turn]:
    return frozenset(Turn("A", day, kind) for day, kind in turns)


@pytest.mark.parametrize(
    ("limits", "more", "turns", "broken"),
    [
        # what one turn breaks by itself
        (None, {}, "A: - - - - - - N", [Broken("not worked that day", "A", (6,), "N")]),
        (None, {}, "C: N", [Broken("skill", "C", (0,), "key")]),
        (None, {"forbidden": (Forbidden("A", 1, None, "never"),)}, "A: E E", [Broken("forbidden", "A", (1,), "never")]),
        (None, {"forbidden": (Forbidden("A", 1, frozenset({"L"}), "away"),)}, "A: - E", []),
        (None, {"forbidden": (Forbidden("A", 1, frozenset({"L"}), "away"),)}, "A: - L", [Broken("forbidden", "A", (1,), "away")]),
        (None, {"locks": frozenset({Turn("A", 2, "E")})}, "A: E", [Broken("lock", "A", (2,), "E")]),
        (None, {"locks": frozenset({Turn("A", 2, "E")})}, "A: - - E", []),
        # a day: E ends at 13:00 when L begins; M lies across both
        (None, {}, "A: EL", []),
        (None, {}, "A: EM", [Broken("at the same time", "A", (0,), "E, M")]),
        (None, {}, "A: ML", [Broken("at the same time", "A", (0,), "M, L")]),
        (Limits(), {}, "A: EL", [Broken("turns a day", "A", (0,))]),
        (Limits(turns_a_day=2), {}, "A: EL", []),
        # the next day: N ends at 6:00, E begins at 9:00; L ends at 17:00, sixteen hours before E
        (Limits(rest_minutes=180), {}, "A: N E", []),
        (Limits(rest_minutes=181), {}, "A: N E", [Broken("rest", "A", (0, 1), "N, E", 1)]),
        (Limits(rest_minutes=16 * 60), {}, "A: L E", []),
        (Limits(rest_minutes=16 * 60 + 5), {}, "A: L E", [Broken("rest", "A", (0, 1), "L, E", 5)]),
        (Limits(rest_minutes=2880), {}, "A: E - E", [Broken("rest", "A", (0, 2), "E, E", 240)]),
        (Limits(rest_minutes=600), {"known": known((-1, "N"))}, "A: E", [Broken("rest", "A", (-1, 0), "N, E", 420)]),
        (Limits(rest_minutes=600), {"known": known((7, "E"))}, "A: - - - - - - L", []),
        (None, {}, "A: E N", [Broken("succession", "A", (0, 1), "E, N")]),
        (None, {}, "A: E - N", []),
        (None, {"known": known((-1, "E"))}, "A: N", [Broken("succession", "A", (-1, 0), "E, N")]),
        # amounts
        (Limits(most_by_kind=(("E", 1),)), {}, "A: E L E", [Broken("most of a kind", "A", (), "E")]),
        (Limits(most_turns=2), {}, "A: E E", []),
        (Limits(most_turns=2), {}, "A: E E E E", [Broken("most turns", "A", by=2)]),
        (Limits(least_turns=2), {}, "A: E", [Broken("least turns", "A")]),
        (Limits(most_minutes=479), {}, "A: E E", [Broken("most minutes", "A", by=1)]),
        (Limits(least_minutes=480), {}, "A: E E", []),
        (Limits(least_minutes=481), {}, "A: E E", [Broken("least minutes", "A", by=1)]),
        (Limits(turns_a_week=1), {"weeks": ((0, 1), (2, 3))}, "A: E - E", []),
        (Limits(turns_a_week=1), {"weeks": ((0, 1), (2, 3))}, "A: E E", [Broken("turns a week", "A", (0, 1))]),
        (
            Limits(turns_a_week=1),
            {"weeks": ((-1, 0),), "known": known((-1, "L"))},
            "A: E",
            [Broken("turns a week", "A", (-1, 0))],
        ),
        (Limits(turns_a_week=0), {"weeks": ((-1, 0),), "known": known((-1, "L"))}, "A: - E", []),
        # runs and breaks; those at the border are taken to go on outside
        (Limits(longest_run_days=2), {}, "A: E E - E E", []),
        (Limits(longest_run_days=2), {}, "A: E E E", [Broken("longest run", "A", (0, 2))]),
        (Limits(longest_run_days=2), {"known": known((-2, "E"), (-1, "E"))}, "A: E", [Broken("longest run", "A", (-2, 0))]),
        (Limits(longest_run_days=2), {"known": known((7, "L"))}, "A: - - - - - L L", [Broken("longest run", "A", (5, 7))]),
        (Limits(longest_run_days=1), {"known": known((-3, "E"), (-2, "E"))}, "A: E", []),
        (Limits(shortest_run_days=2), {}, "A: E - - - - - E", []),
        (Limits(shortest_run_days=2), {}, "A: - E", [Broken("shortest run", "A", (1, 1))]),
        (Limits(shortest_run_days=3), {}, "A: - E E", [Broken("shortest run", "A", (1, 2))]),
        (Limits(shortest_run_days=3), {}, "A: - - - - - E E", []),
        (Limits(shortest_break_days=2), {}, "A: - E - - E -", []),
        (Limits(shortest_break_days=2), {}, "A: E - E", [Broken("shortest break", "A", (1, 1))]),
        (Limits(shortest_break_days=3), {}, "A: E - - E", [Broken("shortest break", "A", (1, 2))]),
        (Limits(shortest_break_days=2), {"known": known((-1, "E"))}, "A: - E", [Broken("shortest break", "A", (0, 0))]),
        (Limits(shortest_break_days=3), {"known": known((-2, "E"))}, "A: - E", [Broken("shortest break", "A", (-1, 0))]),
        (Limits(most_weekends=1), {"weekends": ((0, 1), (5, 6))}, "A: E E", []),
        (Limits(most_weekends=1), {"weekends": ((0, 1), (5, 6))}, "A: E - - - - - E", [Broken("weekends", "A", (0, 1, 5, 6))]),
        (Limits(most_weekends=0), {"weekends": ((-1, 0),), "known": known((-1, "E"))}, "A: E", []),
        (
            Limits(most_weekends=1),
            {"weekends": ((-1, 0), (5, 6)), "known": known((-1, "E"))},
            "A: - - - - - E",
            [Broken("weekends", "A", (5, 6))],
        ),
        # company
        (None, {"apart": (Apart("A", "C"),)}, "A: E; C: L", []),
        (None, {"apart": (Apart("A", "C"),)}, "A: E; C: - E", []),
        (None, {"apart": (Apart("A", "C"),)}, "A: E; C: M", [Broken("apart", "A", (0,), "C")]),
        (None, {"apart": (Apart("A", "C", frozenset({1})),)}, "A: E E; C: M M", [Broken("apart", "A", (1,), "C")]),
        (None, {"beside": (Beside("trainee", "trained"),)}, "B: E; C: E", []),
        (None, {"beside": (Beside("trainee", "trained"),)}, "B: E", [Broken("beside", "B", (0,), "E, trained", 240)]),
        (None, {"beside": (Beside("trainee", "trained"),)}, "B: M; C: E", [Broken("beside", "B", (0,), "M, trained", 120)]),
        (None, {"beside": (Beside("trainee", "trained"),)}, "B: M; C: EL", []),
        (
            None,
            {"beside": (Beside("trainee", "trained", same_post=True),)},
            "B: M; C: EL",
            [Broken("beside", "B", (0,), "M, trained", 240)],
        ),
        (None, {"beside": (Beside("key", "key"),)}, "A: E", [Broken("beside", "A", (0,), "E, key", 240)]),
    ],
)
def test_a_rule(limits, more, turns, broken):
    assert list(check(problem(limits, **more), rota(turns)).broken) == broken


def test_known_turns_that_break_a_rule_among_themselves_are_nobodys_fault():
    tight = problem(Limits(rest_minutes=900, longest_run_days=1), known=known((-2, "L"), (-1, "E"), (8, "L"), (9, "E")))
    assert check(tight, rota("A: - - E")).broken == ()


def test_a_turn_without_times_is_at_the_same_time_only_as_its_own_kind():
    day, late = Kind("D", 480), Kind("V", 480)
    two = Problem(
        days=1,
        people=(
            Person("A", Limits(turns_a_day=2)),
            Person("B", skills=frozenset({"new"})),
            Person("C", skills=frozenset({"old"})),
        ),
        kinds=(day, late),
        apart=(Apart("A", "B"),),
        beside=(Beside("new", "old"),),
    )
    assert check(two, rota("A: DV; C: D; B: V")).broken == (
        Broken("apart", "A", (0,), "B"),
        Broken("beside", "B", (0,), "V, old", 480),
    )


@pytest.mark.parametrize("turn", [Turn("X", 0, "E"), Turn("A", 7, "E"), Turn("A", -1, "E"), Turn("A", 0, "X")])
def test_a_turn_of_somebody_or_something_unknown_is_refused(turn):
    with pytest.raises(ValueError, match="does not have"):
        check(problem(), [turn])


def test_the_costs_of_a_rota_part_by_part():
    judged = problem(
        covers=(
            Cover(0, frozenset({"E", "M"}), 2, 10, 3),
            Cover(0, frozenset({"E"}), 1, 7, skill="key"),
            Cover(1, frozenset({"L"}), 1, 10, 3),
            Cover(2, frozenset({"E"}), 0, 10, 3),
        ),
        requests=(
            Request("A", 0, None, False, 5, tier=1),
            Request("A", 1, frozenset({"E"}), True, 2, tier=1),
            Request("C", 1, frozenset({"L", "E"}), True, 4, tier=1),
            Request("C", 2, frozenset({"E"}), False, 4, tier=1),
        ),
        together=(Together("C", "A", 6, tier=1), Together("A", "C", 1, tier=1)),
        groups=(Group("early", days=frozenset({0, 1, 2}), kinds=frozenset({"E"})), Group("all", by_credit=True)),
        targets=(
            Target("C", "early", (9, 4, 1, 1), tier=1),
            Target("C", "all", (4, 1, 0, 1, 4), tier=1),
            Target("A", "early", (0, 1), tier=0),
        ),
        last_draft=frozenset(rota("A: E E; C: - L")),
        change_weight=8,
        change_tier=1,
        tiers=("cover", "rest"),
    )
    report = check(judged, rota("A: M; C: M LE E"))
    # Day 0 has the two it wants, none with a key on E. Day 1 is right. Day 2 has one on E and wants none.
    assert report.short == (Short(1, 1), Short(3, -1))
    # A works on day 0 (5) and not on E on day 1 (2); C's wish is kept, C is on E on day 2 against it (4). C is without A on three
    # turns of four. C has two of `early` (1) and five credits (4, and 3 for one beyond the table); A has none of `early` (0).
    # Of the last draft A's two are gone.
    assert report.parts == (
        Part(0, "cover", 7 + 3),
        Part(1, "all", 7),
        Part(1, "changes", 16),
        Part(1, "early", 1),
        Part(1, "requests", 11),
        Part(1, "together", 18),
    )
    assert report.tiers == (10, 53)
    assert report.cost == 63


def test_what_one_more_turn_would_break_leaves_out_what_is_broken_already():
    judged = replace(problem(Limits(turns_a_day=2, most_turns=2)), apart=(Apart("A", "C"),))
    turns = rota("A: EM; C: - L")
    assert check(judged, turns).broken == (Broken("at the same time", "A", (0,), "E, M"),)
    assert added(judged, turns, Turn("A", 1, "L")) == (Broken("apart", "A", (1,), "C"), Broken("most turns", "A"))
    assert added(judged, turns, Turn("C", 3, "L")) == ()
    assert added(judged, turns, Turn("C", 1, "L")) == ()
