"""Days of a reset: what one holds and leaves, where it stops, who does what, and what no day can hold; by hand."""

from __future__ import annotations

from datetime import date

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from coop.core.errors import Refusal
from coop.resets.domain.hours.day import Day, Presence, Turn, chain_before, chance_by_close, drawn_chance, project_of, turns_of
from coop.resets.domain.hours.days import runs_words, split_days, tasks_words
from coop.resets.domain.hours.estimate import Minutes
from coop.resets.domain.hours.project import Schedule, Span, faults
from coop.resets.domain.hours.schedule import find_schedule
from coop.resets.domain.hours.tasks import HoursSettings, MoveWork, SmallsWork, Task, tasks_of

FRI, SAT = date(2026, 11, 6), date(2026, 11, 7)
OPENS, CLOSES = 600, 1080
USUAL = HoursSettings()


def fixed(minutes: int) -> Minutes:
    return Minutes(minutes, minutes, minutes)


def task(
    key: str, minutes: int, *after: str, kind: str = "pack", hands: int = 1, number: int | None = None, **more: object
) -> Task:
    return Task(key, kind, key.title(), fixed(minutes), hands, after, number, **more)


def move(number: int, minutes: int, hands: int = 1, *also: str) -> Task:
    after = (f"move {number - 1}",) if number > 1 else ()
    return task(f"move {number}", minutes, *after, *also, kind="move", hands=hands, number=number, inside=True)


def day(on: date = FRI, *people: Presence, opens: int = OPENS, closes: int = CLOSES, dock: tuple[Span, ...] | None = None) -> Day:
    return Day(on, opens, closes, people or (Presence("Ada", opens, closes),), dock)


# --- what a day holds -------------------------------------------------------------------------------------------------------


def test_a_day_that_holds_it_all_says_when_it_is_done():
    # 4 x 100 minutes by one person from 10 am: 4:40 pm.
    split = split_days([move(n, 100) for n in (1, 2, 3, 4)], [day()], ())
    assert split.holds
    assert split.sentence == "Fri, Nov 6, 2026 holds it all: done at 4:40 pm, 1 hour 20 minutes before its end."
    assert [split.days[0].schedule.starts[f"move {n}"] for n in (1, 2, 3, 4)] == [600, 700, 800, 900]
    assert split.days[0].stop_after is None


def test_a_day_stops_at_the_last_safe_move_it_has_room_for_and_fills_its_rest():
    # 480 minutes hold four moves of 100, and 3 is the last safe one of them: 180 are left, for the tags and not for the cleaning.
    tasks = [
        *(move(n, 100) for n in range(1, 7)),
        task("tags", 90, kind="tag", grouping="Toys", count=40),
        task("clean", 200, kind="clean"),
        # It waits for a move that is not made that day.
        task("set toys", 10, "move 6", kind="set", grouping="Toys"),
    ]
    split = split_days(tasks, [day(), day(SAT)], {2, 3})
    first, second = split.days
    assert first.stop_after == 3
    assert {done.key for done in first.tasks} == {"move 1", "move 2", "move 3", "tags"}
    assert first.sentence == (
        "Fri, Nov 6, 2026: it cannot hold all of it by 6 pm. Stop after move 3, where aisle and stacks are safe for the night. "
        "Left for the next day: moves 4 to 6, cleaning and setting Toys."
    )
    assert not first.could
    # 300 and 200 are 500 minutes: the cleaning is left.
    assert [one.key for one in second.left] == ["clean"]
    assert second.sentence == ("Sat, Nov 7, 2026: it cannot hold all of it by 6 pm. All moves are made. Left: cleaning.")
    assert split.sentence == "After 2 days this is still to be done: cleaning. Add a day, hours or hands."


def test_without_a_safe_stop_in_reach_no_move_is_made():
    split = split_days([*(move(n, 100) for n in range(1, 7)), task("tags", 90, kind="tag", count=3)], [day(), day(SAT)], {5})
    assert [[one.key for one in plan.tasks] for plan in split.days] == [["tags"], []]
    assert "Make no move yet: the first stop that is safe for the night comes too late in the day." in split.days[0].sentence
    assert not split.holds


def test_what_leaves_the_booth_is_in_the_van_and_what_leaves_the_van_is_in_the_booth_by_night():
    moves = [MoveWork(n, f"p{n}", f"P{n}", "out" if n < 20 else "in", 1, 160) for n in range(1, 40)]
    split = split_days(tasks_of(moves, {}), [day(closes=720), day(SAT, closes=840), day(date(2026, 11, 8))], set(range(1, 40)))
    assert split.holds
    assert len(split.days) == 3
    for plan in split.days:
        done = {one.key for one in plan.tasks}
        for one in plan.tasks:
            if one.kind == "move" and one.number < 20:
                assert f"load {one.number}" in done
            if one.kind == "unload":
                assert f"move {one.number}" in done


def test_several_days_say_when_the_last_ends():
    split = split_days([move(n, 100) for n in range(1, 7)], [day(), day(SAT)], {4})
    assert split.sentence == "It takes 2 days and ends on Sat, Nov 7, 2026 at 1:20 pm."
    assert split.days[1].sentence == "Sat, Nov 7, 2026 holds it all: done at 1:20 pm, 4 hours 40 minutes before its end."


def test_days_that_are_not_needed_are_not_planned():
    assert len(split_days([move(1, 10)], [day(), day(SAT)], ()).days) == 1


def test_nothing_to_do_is_said_so():
    assert split_days([], [day()], ()).sentence == "Nothing is left to do on Fri, Nov 6, 2026."


def test_only_what_was_proven_is_said_not_to_fit():
    # Three times 300 by two takes 600 of 480 minutes; the bound counts 450, and a search that finds nothing proves nothing.
    tasks = [task("a", 300), task("b", 300), task("c", 300)]
    people = (Presence("Ada", OPENS, CLOSES), Presence("Ben", OPENS, CLOSES))
    assert split_days(tasks, [day(FRI, *people)], ()).days[0].could
    split = split_days(tasks, [day(FRI, *people)], ())
    assert split.days[0].sentence.startswith("Fri, Nov 6, 2026: no plan was found by which it holds all of it by 6 pm.")


def test_helpers_who_come_and_go_and_a_dock_booked_by_others_are_counted():
    # Two are there from noon to 2 pm; the dock is free from 1 pm.
    people = (Presence("Ada", OPENS, CLOSES), Presence("Ben", 720, 840))
    tasks = [move(1, 20, 2), task("load 1", 30, "move 1", kind="load", hands=2, number=1, dock=True)]
    plan = split_days(tasks, [day(FRI, *people, dock=(Span(780, 900),))], ()).days[0]
    assert plan.schedule.starts == {"move 1": 720, "load 1": 780}


def test_the_booth_holds_only_so_many_at_once():
    five = (Presence("Ada", OPENS, CLOSES, 5),)
    tasks = [task(f"pack {n}", 60, inside=True) for n in range(5)]
    assert split_days(tasks, [day(FRI, *five)], ()).days[0].schedule.finish == OPENS + 120
    roomy = HoursSettings(inside_at_most=5)
    assert split_days(tasks, [day(FRI, *five)], (), roomy).days[0].schedule.finish == OPENS + 60


def test_in_the_middle_what_is_out_is_loaded_and_a_stop_that_is_not_safe_is_said():
    # Moves 1 to 3 are made, the third is not in the van yet; 40 minutes are left, and after 3 it is not safe.
    tasks = [task("load 3", 30, "move 3", kind="load", number=3, dock=True), move(4, 30), move(5, 30)]
    first = split_days(tasks, [day(closes=640), day(SAT)], {5}).days[0]
    assert [one.key for one in first.tasks] == ["load 3"]
    assert not first.safe
    assert first.sentence == (
        "Fri, Nov 6, 2026: it cannot hold all of it by 10:40 am. It is not safe to stop for the night after move 3, and "
        "no safe stop is in reach: get help or hours. Left for the next day: moves 4 and 5."
    )
    # Were it safe after 4, the day would have to hold 60 minutes; of 60 it does.
    assert split_days(tasks, [day(closes=660), day(SAT)], {4}).days[0].stop_after == 4
    assert split_days(tasks, [day(closes=640), day(SAT)], {3}).days[0].safe


@given(st.lists(st.integers(10, 200), min_size=1, max_size=9), st.sets(st.integers(1, 9)))
def test_one_person_makes_the_most_moves_up_to_a_safe_stop_that_the_hours_hold(minutes, safe_after):
    tasks = [move(number + 1, long) for number, long in enumerate(minutes)]
    plan = split_days(tasks, [day(), day(SAT)], safe_after).days[0]
    held = [n for n in range(len(minutes) + 1) if sum(minutes[:n]) <= CLOSES - OPENS and n in {0, len(minutes), *safe_after}]
    assert len(plan.tasks) == max(held)
    assert plan.safe


# --- what no day holds ------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("tasks", "people", "said"),
    [
        (
            [move(1, 5, 3)],
            (Presence("Ada", OPENS, CLOSES),),
            "Move 1: it takes 3 people, and never more than 1 person is there at once. "
            "Ask 2 more, or leave the piece where it is.",
        ),
        (
            [move(1, 90, 2)],
            (Presence("Ada", OPENS, CLOSES), Presence("Ben", 700, 760)),
            "Move 1: it takes 90 minutes in one go, and 2 people are never there for so long. "
            "Have them come for longer, or cut the task in two.",
        ),
        (
            [task("a", 5, "b"), task("b", 5, "a")],
            (),
            "These tasks wait for each other and none can begin: B and A. Take one of the waits out.",
        ),
    ],
)
def test_what_no_day_can_hold_is_refused_by_name(tasks, people, said):
    with pytest.raises(Refusal) as caught:
        split_days(tasks, [day(FRI, *people)], ())
    assert str(caught.value) == said


def test_a_task_that_one_of_the_days_can_hold_is_not_refused():
    both = (Presence("Ada", OPENS, CLOSES), Presence("Ben", OPENS, CLOSES))
    split = split_days([move(1, 30, 2)], [day(), day(SAT, *both)], ())
    assert [len(plan.tasks) for plan in split.days] == [0, 1]


def test_a_reset_without_a_day_is_refused():
    with pytest.raises(Refusal, match="No day is set for the reset"):
        split_days([move(1, 30)], [], ())


def test_a_day_on_which_nobody_comes_holds_nothing():
    split = split_days([move(1, 30)], [Day(FRI, OPENS, CLOSES, ()), day(SAT)], ())
    assert [len(plan.tasks) for plan in split.days] == [0, 1]


# --- who does what, and the chain -------------------------------------------------------------------------------------------


def test_whoever_stays_to_the_end_takes_it_the_first_to_go_home_first():
    people = (Presence("Ada", 0, 100), Presence("Ben", 0, 50), Presence("Cy", 40, 100))
    where = Day(FRI, 0, 100, people)
    tasks = [task("short", 40), task("long", 60), task("next", 40, "short")]
    project = project_of(tasks, where, USUAL)
    schedule = Schedule({"short": 0, "long": 0, "next": 40}, 80, 80)
    assert turns_of(project, schedule, where.present) == (
        Turn("long", "Ada", 0, 60),
        Turn("short", "Ben", 0, 40),
        # Ben leaves at 50, so that Cy has it.
        Turn("next", "Cy", 40, 80),
    )


def test_one_takes_over_from_another_who_must_leave():
    people = (Presence("Ada", 0, 30), Presence("Ben", 30, 100))
    where = Day(FRI, 0, 100, people)
    project = project_of([task("long", 60)], where, USUAL)
    assert turns_of(project, Schedule({"long": 0}, 60, 60), where.present) == (
        Turn("long", "Ada", 0, 30),
        Turn("long", "Ben", 30, 60),
    )


def test_people_of_one_name_are_numbered_and_kept_within_the_opening_hours():
    where = Day(FRI, 600, 1080, (Presence("friend", 500, 700, 2), Presence("Ada", 1100, 1200)))
    assert where.present == (Presence("friend 1", 600, 700), Presence("friend 2", 600, 700))


@settings(max_examples=40, deadline=None)
@given(st.data())
def test_every_task_has_its_hands_at_every_minute_and_nobody_is_twice_at_work(data):
    people = [
        Presence(f"P{n}", begin, begin + length)
        for n, (begin, length) in enumerate(
            data.draw(st.lists(st.tuples(st.integers(0, 60), st.integers(10, 90)), min_size=1, max_size=4))
        )
    ]
    tasks = [
        task(f"t{n}", data.draw(st.integers(1, 25)), hands=data.draw(st.integers(1, 2)), inside=data.draw(st.booleans()))
        for n in range(data.draw(st.integers(1, 6)))
    ]
    where = Day(FRI, 0, 150, tuple(people))
    try:
        plan = split_days(tasks, [where], ()).days[0]
    except Refusal:
        return
    project = project_of(plan.tasks, where, USUAL)
    assert faults(project, plan.schedule.starts) == []
    for minute in range(150):
        at_work = [turn for turn in plan.turns if turn.from_minute <= minute < turn.to_minute]
        assert len({turn.who for turn in at_work}) == len(at_work)
        assert all(one.from_minute <= minute < one.to_minute for turn in at_work for one in where.present if one.who == turn.who)
        for one in plan.tasks:
            on = plan.schedule.starts[one.key] <= minute < plan.schedule.starts[one.key] + one.minutes.planned
            assert sum(turn.task == one.key for turn in at_work) == (one.hands if on else 0)


def test_the_chain_goes_by_what_was_waited_for_and_by_hands_taken_over():
    # One person: a, then b beside nothing, then c which waits for a only: c took over b's hands.
    tasks = [task("a", 10), task("b", 30), task("c", 20, "a")]
    where = day()
    project = project_of(tasks, where, USUAL)
    schedule = Schedule({"a": 600, "b": 610, "c": 640}, 660, 660)
    assert chain_before(project, schedule) == ("a", "b", "c")
    assert chance_by_close(tasks, project, schedule, 659) == 0
    assert chance_by_close(tasks, project, schedule, 660) == 1


def test_the_chance_of_a_day_is_that_of_the_worked_example():
    # PERT, worked example: .963 within 28 minutes.
    rows = [(5, 8, 17), (3, 5, 7), (4, 6, 8), (3, 4, 5)]
    tasks = [Task(str(n), "pack", "", Minutes(*row), 1, (str(n - 1),) if n else ()) for n, row in enumerate(rows)]
    where = day(FRI, Presence("Ada", 600, 628), closes=628)
    project = project_of(tasks, where, USUAL)
    schedule = find_schedule(project)
    assert schedule.finish == 624
    assert round(chance_by_close(tasks, project, schedule, 628), 3) == 0.963


def test_drawn_days_agree_with_the_worked_example_on_one_chain():
    # PERT, worked example: .963 by the normal curve; drawn from beta curves a little off.
    rows = [(5, 8, 17), (3, 5, 7), (4, 6, 8), (3, 4, 5)]
    tasks = [Task(str(n), "pack", "", Minutes(*row), 1, (str(n - 1),) if n else ()) for n, row in enumerate(rows)]
    project = project_of(tasks, day(), USUAL)
    assert drawn_chance(tasks, project, find_schedule(project), 628, draws=2000) == pytest.approx(0.963, abs=0.02)


def test_drawn_days_count_chains_side_by_side_which_one_chain_does_not():
    # Each is done in time on half the days: both on a quarter, four on a sixteenth.
    tasks = [Task(str(n), "pack", "", Minutes(0, 60, 120)) for n in range(4)]
    where = day(FRI, Presence("Ada", OPENS, CLOSES, 4))
    project = project_of(tasks, where, USUAL)
    schedule = find_schedule(project)
    assert chance_by_close(tasks, project, schedule, OPENS + 60) == 0.5
    assert drawn_chance(tasks, project, schedule, OPENS + 60, draws=2000) == pytest.approx(1 / 16, abs=0.02)
    two = project_of(tasks[:2], where, USUAL)
    assert drawn_chance(tasks, two, find_schedule(two), OPENS + 60, draws=2000) == pytest.approx(1 / 4, abs=0.03)


def test_what_cannot_vary_is_drawn_as_it_is():
    tasks = [move(1, 100)]
    project = project_of(tasks, day(), USUAL)
    schedule = find_schedule(project)
    assert [drawn_chance(tasks, project, schedule, OPENS + minutes, draws=5) for minutes in (99, 100)] == [0, 1]
    # Longer than anybody is there: never.
    assert drawn_chance([Task("move 1", "move", "", fixed(500))], project, schedule, CLOSES, draws=5) == 0


def test_the_list_of_a_day_is_in_the_order_of_the_clock_with_who_does_it():
    people = (Presence("Ada", OPENS, CLOSES), Presence("Ben", 630, 700))
    tasks = [move(1, 20, 2), task("tags", 30, kind="tag"), move(2, 90)]
    rows = split_days(tasks, [day(FRI, *people)], ()).days[0].rows
    assert [(row.from_minute, row.to_minute, row.task.key, row.who) for row in rows] == [
        (600, 630, "tags", ("Ada",)),
        (630, 650, "move 1", ("Ada", "Ben")),
        (650, 740, "move 2", ("Ada",)),
    ]


# --- words ------------------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("numbers", "said"),
    [([1], "1"), ([1, 2], "1 and 2"), ([1, 2, 3], "1 to 3"), ([1, 3, 4, 5, 9], "1, 3 to 5 and 9"), ([], "")],
)
def test_numbers_in_runs(numbers, said):
    assert runs_words(numbers) == said


def test_tasks_in_short():
    tasks = tasks_of([MoveWork(7, "x", "X", "in", 1, 16)], {}, [SmallsWork("Toys", 5, 5, 5, 61), SmallsWork("", staying=3)])
    assert tasks_words(tasks) == (
        "move 7; packing Toys and smalls; carrying boxes of Toys and smalls; cleaning; setting Toys and smalls; 61 tags; "
        "the last look"
    )
    assert tasks_words(tasks[-1:]) == "the last look"
