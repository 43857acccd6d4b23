"""A mall's month as a problem: fair shares by hand, who sits where, and what stands in the way of whom."""

from __future__ import annotations

from dataclasses import replace
from datetime import date

import pytest

from coop.shifts.domain.posing import (
    ELSEWHERE,
    KEY,
    LEFT,
    NEVER,
    SILENT,
    TRAINED,
    TRAINEE,
    Elsewhere,
    House,
    MonthFacts,
    Seat,
    Someone,
    arranged,
    groups_of,
    held,
    pose,
    seat_members,
    shares,
    why_each,
)
from coop.shifts.solving.checking import added, check
from coop.shifts.solving.problem import Turn

TEN, TWO, SIX = 600, 840, 1080
AUGUST = date(2026, 8, 1)
"""A Saturday: days 0, 1, 7, 8 are the first of its weekends."""


def seats(*days: int, post: int = 1, per_day: int = 1, begins: int = TEN, ends: int = TWO, first_id: int = 1) -> tuple[Seat, ...]:
    return tuple(
        Seat(first_id + n * per_day + place, day, post, begins, ends, place + 1)
        for n, day in enumerate(days)
        for place in range(per_day)
    )


def month(some: tuple[Seat, ...], *people: Someone, house: House | None = None, **more: object) -> MonthFacts:
    return replace(MonthFacts(AUGUST, 31, some, people, house or House()), **more)  # type: ignore[arg-type]


def test_shares_of_the_year_are_by_turns_owed_and_count_this_month() -> None:
    """Weekends before: 6 + 2 + 1 = 9; this month's 6 make 15. Owed 12, 12 and 6 turns: 6, 6 and 3 weekends are due."""
    facts = month(
        seats(0, 1, 7, 8, 14, 15),
        Someone(1, "Ada", owed_year=1200, had={"weekend": 6}),
        Someone(2, "Ben", owed_year=1200, had={"weekend": 2}),
        Someone(3, "Cy", owed_year=600, had={"weekend": 1}),
    )
    assert shares(facts)["weekend"] == {1: 600, 2: 600, 3: 300}


def test_a_share_is_rounded_to_the_hundredth_and_is_nothing_where_nobody_owes() -> None:
    two = month(seats(0), Someone(1, "Ada", owed_year=100), Someone(2, "Ben", owed_year=200))
    assert shares(two)["weekend"] == {1: 33, 2: 67}
    none = month(seats(0), Someone(1, "Ada"), Someone(2, "Ben"))
    assert shares(none)["weekend"] == {1: 0, 2: 0}


def test_targets_cost_the_squared_distance_from_what_is_due() -> None:
    """Ada owes 1.5: no turn is 1.5 off, one and two are 0.5, three 1.5. Squared hundredths ten times, less the least of them."""
    target = next(t for t in pose(month(seats(2), Someone(1, "Ada", owed=150))).targets if t.group == "all")
    assert [target.cost(n) for n in range(4)] == [200_000, 0, 0, 200_000]


def test_a_second_holiday_costs_more_than_anybodys_first() -> None:
    facts = month(
        tuple(replace(seat, holiday=True) for seat in seats(2)),
        Someone(1, "Ada", owed_year=1200, had={"holiday": 1}),
        Someone(2, "Ben", owed_year=100),
    )
    ada, ben = (t for t in pose(facts).targets if t.group == "holiday")
    assert ada.cost(1) - ada.cost(0) == 3 * (ben.cost(1) - ben.cost(0))
    """From one to two is four less one squares; from none to one is one."""


@pytest.mark.parametrize(
    ("person", "day", "reason"),
    [
        (Someone(1, "Ada", away={3: LEFT}), 3, LEFT),
        (Someone(1, "Ada", says={(4, "1:600-840"): "never"}), 4, NEVER),
        (Someone(1, "Ada", silent=True), 4, SILENT),
    ],
    ids=["no lease that day", "never", "silence is no"],
)
def test_who_cannot_come_is_kept_from_the_turn_for_a_reason(person: Someone, day: int, reason: str) -> None:
    found = {(rule.day, rule.reason) for rule in pose(month(seats(3, 4), person)).forbidden}
    assert (day, reason) in found


def test_silence_is_no_but_for_what_is_liked() -> None:
    person = Someone(1, "Ada", silent=True, says={(4, "1:600-840"): "like"})
    assert {rule.day for rule in pose(month(seats(3, 4), person)).forbidden} == {3}


@pytest.mark.parametrize(
    ("elsewhere", "barred"),
    [
        (Elsewhere(1, 4, 780, 1020), True),
        (Elsewhere(1, 4, SIX, SIX + 120), True),
        (Elsewhere(1, 3, SIX, 1410), False),
        (Elsewhere(1, 3, SIX, 1435), True),
        (Elsewhere(2, 4, TEN, TWO), False),
    ],
    ids=[
        "at the same time",
        "the same day",
        "ten and a half hours before",
        "ten hours and five minutes before",
        "somebody else's",
    ],
)
def test_a_turn_at_another_mall_bars_what_it_leaves_no_room_for(elsewhere: Elsewhere, barred: bool) -> None:
    """Rest is ten hours and ten minutes here; the turn is on day 4 from 10 am, so a turn may end at 11:50 pm the day before."""
    facts = month(seats(4), Someone(1, "Ada"), Someone(2, "Ben"), house=House(rest_minutes=610), elsewhere=(elsewhere,))
    found = [rule for rule in pose(facts).forbidden if rule.person == "1"]
    assert [rule.reason for rule in found] == [ELSEWHERE] * barred


def test_turns_of_the_months_beside_are_known_and_bar_nothing_by_themselves() -> None:
    facts = month(seats(0), Someone(1, "Ada"), elsewhere=(Elsewhere(1, -1, TEN, TWO), Elsewhere(9, -1, TEN, TWO)))
    problem = pose(facts)
    assert problem.known == {Turn("1", -1, "out:600-840")}
    assert not problem.forbidden


def test_turns_at_another_mall_count_for_the_week_and_are_no_company_here() -> None:
    """Ada, not trained yet, has two turns at another mall in the week of day 2, a Monday: a third is too many, and hers alone."""
    facts = month(
        seats(4, per_day=2),
        Someone(1, "Ada", trained=False),
        Someone(2, "Ben"),
        Someone(3, "Cy"),
        house=House(most_week=2),
        elsewhere=(Elsewhere(1, 2, TEN, TWO), Elsewhere(1, 6, TEN, TWO)),
    )
    problem, had = pose(facts), arranged(facts)
    assert check(problem, had).broken == ()
    more = {who: {b.rule for b in added(problem, had, Turn(who, 4, "1:600-840"))} for who in ("1", "2")}
    assert more == {"1": {"turns a week", "beside"}, "2": set()}


def test_where_nobodys_training_is_written_down_nobody_is_a_trainee() -> None:
    untold = pose(month(seats(0), Someone(1, "Ada", trained=False), Someone(2, "Ben", trained=False)))
    assert [person.skills & {TRAINED, TRAINEE} for person in untold.people] == [{TRAINED}, {TRAINED}]
    told = pose(month(seats(0), Someone(1, "Ada", trained=False), Someone(2, "Ben", trained=True)))
    assert [person.skills & {TRAINED, TRAINEE} for person in told.people] == [{TRAINEE}, {TRAINED}]


def test_training_and_keys_hold_from_their_day_on() -> None:
    """Ada is trained from day 2 on and holds a key until then; Ben is trained until day 1, when nobody is yet or any more."""
    ada = Someone(1, "Ada", keys=True, untrained_on=frozenset({0, 1}), keyless_on=frozenset(range(2, 31)))
    ben = Someone(2, "Ben", untrained_on=frozenset(range(1, 31)))
    facts = month(seats(0, 1, 2), ada, ben)
    found = {person.id: [person.skills_on(day) - {f"member {person.id}"} for day in (0, 1, 2)] for person in pose(facts).people}
    assert found == {"1": [{KEY, TRAINEE}, {KEY, TRAINED}, {TRAINED}], "2": [{TRAINED}, {TRAINED}, {TRAINEE}]}
    alone = {day: {b.rule for b in check(pose(facts), [Turn("1", day, "1:600-840")]).broken} for day in (0, 1, 2)}
    assert alone == {0: {"beside"}, 1: set(), 2: set()}
    # Whoever is trained by then is company for the other, and the other no more.
    both = {day: check(pose(facts), [Turn(who, day, "1:600-840") for who in ("1", "2")]).broken for day in (0, 1, 2)}
    assert both == {0: (), 1: (), 2: ()}


def test_who_holds_a_key_that_day_sits_where_keys_are_needed() -> None:
    some = tuple(replace(seat, needs_keys=seat.number == 1) for seat in seats(0, 1, per_day=2))
    facts = month(some, Someone(1, "Ada"), Someone(2, "Ben", keys=True, keyless_on=frozenset({1})))
    turns = [Turn(person, day, "1:600-840") for person in ("1", "2") for day in (0, 1)]
    assert seat_members(facts, turns) == {1: 2, 2: 1, 3: 1, 4: 2}


def test_the_least_people_are_wanted_while_the_mall_is_open_and_not_before() -> None:
    """The desk opens at 9:30 for a mall that opens at 10: of its four stretches the one before opening is not counted."""
    desk, floor = seats(0, begins=570, ends=TWO), seats(0, post=2, begins=TEN, ends=720, first_id=2)
    facts = month((*desk, *floor), Someone(1, "Ada"), house=House(least_people=2, least_open={0: (TEN, TWO)}))
    least = [cover for cover in pose(facts).covers if cover.name == "least people"]
    assert [sorted(cover.kinds) for cover in least] == [["1:570-840", "2:600-720"], ["1:570-840"]]


def test_a_seat_locked_empty_asks_for_nobody() -> None:
    one, two = seats(0, per_day=2)
    covers = pose(month((one, replace(two, locked=True)), Someone(1, "Ada"))).covers
    assert [cover.required for cover in covers if cover.name == "seat"] == [1]


def test_a_lock_of_a_member_who_takes_no_part_is_not_asked_of_the_solver() -> None:
    one, two = seats(0, per_day=2)
    facts = month((replace(one, member_id=7, locked=True), replace(two, member_id=1, locked=True)), Someone(1, "Ada"))
    assert pose(facts).locks == {Turn("1", 0, "1:600-840")}
    assert held(facts) == {Turn("1", 0, "1:600-840")}


def test_each_stays_in_the_seat_they_had_and_key_holders_sit_where_keys_are_needed() -> None:
    some = seats(0, per_day=3)
    some = (replace(some[0], needs_keys=True), replace(some[1], member_id=2), some[2])
    facts = month(some, Someone(1, "Ada"), Someone(2, "Ben"), Someone(3, "Cy", keys=True))
    turns = [Turn(person, 0, "1:600-840") for person in ("1", "2", "3")]
    assert seat_members(facts, turns) == {1: 3, 2: 2, 3: 1}
    assert seat_members(facts, turns[:1]) == {1: 1, 2: None, 3: None}


def test_the_same_hours_are_another_kind_where_they_open_the_mall() -> None:
    plain, opening = seats(0)[0], replace(seats(1)[0], opens=True)
    facts = month((plain, opening), Someone(1, "Ada"))
    assert {group.id: group.kinds for group in pose(facts).groups}["opening"] == {"1:600-840 opens"}
    assert groups_of(opening, facts) == {"weekend", "opening"}


def test_why_says_what_is_due_and_the_share_of_what_the_turn_is() -> None:
    facts = month(
        seats(0, 1),
        Someone(1, "Ada", owed=150, owed_year=600, had={"weekend": 3}),
        Someone(2, "Ben", owed=50, owed_year=200, says={(1, "1:600-840"): "rather not"}),
    )
    assert why_each(facts, {1: 1, 2: 2}) == {
        1: "1.5 due this month with what was carried, 1 given; weekend turns of the year 4, a fair share is 3.75.",
        2: "0.5 due this month with what was carried, 1 given; weekend turns of the year 1, a fair share is 1.25; "
        "would rather not, and is asked all the same.",
    }
