"""The tasks of a reset: what each takes and after what, by hand."""

from __future__ import annotations

import pytest

from coop.core.errors import Refusal
from coop.resets.domain.hours.estimate import Minutes
from coop.resets.domain.hours.tasks import HoursSettings, MoveWork, SmallsWork, Task, read_minutes, tasks_of, with_minutes
from coop.resets.domain.piece import Piece


def piece(key: str, grouping: str = "", stands: str = "floor") -> Piece:
    return Piece(key, key.title(), 480, 320, 640, grouping=grouping, stands=stands)


def by_key(tasks: tuple[Task, ...]) -> dict[str, Task]:
    return {task.key: task for task in tasks}


PIECES = {
    p.key: p for p in (piece("hutch", "Kitchen"), piece("bench", "Tools"), piece("chair", "Kitchen"), piece("sign", "", "wall"))
}
MOVES = (
    MoveWork(1, "sign", "Sign", "out", 1, 80, False),
    MoveWork(2, "hutch", "Hutch", "out", 2, 130 * 16, False),
    MoveWork(3, "bench", "Bench", "staging", 1, 20 * 16, False),
    MoveWork(4, "bench", "Bench", "back", 1, 20 * 16, True),
    MoveWork(5, "chair", "Chair", "in", 1, None, False),
)


def test_every_task_with_what_it_waits_for():
    tasks = tasks_of(
        MOVES, PIECES, [SmallsWork("Kitchen", leaving=30, staying=10, coming=45, tags=31), SmallsWork("Linens", staying=5)]
    )
    waits = {task.key: task.after for task in tasks}
    assert waits == {
        "take down": (),
        "pack Kitchen 1": (),
        "boxes Kitchen home": ("pack Kitchen 1",),
        "boxes Kitchen aside": ("pack Kitchen 1",),
        "tag Kitchen 1": ("pack Kitchen 1",),
        "tag Kitchen 2": ("pack Kitchen 1",),
        "pack Linens 1": (),
        "boxes Linens aside": ("pack Linens 1",),
        # Linens have no moving piece: packed before all moves.
        "move 1": ("take down", "pack Linens 1"),
        "load 1": ("move 1",),
        "move 2": ("move 1", "pack Kitchen 1"),
        # A van is filled from its front wall: what goes in second waits for the first.
        "load 2": ("move 2", "load 1"),
        "move 3": ("move 2",),
        # Nobody cleans under boxes, or carries pieces in past them.
        "clean": ("move 3", "boxes Kitchen home", "boxes Kitchen aside", "boxes Linens aside"),
        "move 4": ("clean",),
        # The first off the van waits for the move before; were that the cleaning, it would go on beside.
        "unload 5": ("move 4",),
        "move 5": ("move 4", "pack Kitchen 1", "unload 5"),
        "boxes Kitchen in": ("clean", "move 5", "boxes Kitchen aside", "tag Kitchen 1", "tag Kitchen 2"),
        "set Kitchen 1": ("clean", "move 5", "boxes Kitchen aside", "tag Kitchen 1", "tag Kitchen 2", "boxes Kitchen in"),
        "set Kitchen 2": ("clean", "move 5", "boxes Kitchen aside", "tag Kitchen 1", "tag Kitchen 2", "boxes Kitchen in"),
        "boxes Linens in": ("clean", "move 5", "boxes Linens aside"),
        "set Linens 1": ("clean", "move 5", "boxes Linens aside", "boxes Linens in"),
        "finish": ("load 2", "set Kitchen 1", "set Kitchen 2", "set Linens 1"),
    }


def test_what_each_takes():
    tasks = by_key(
        tasks_of(
            MOVES, PIECES, [SmallsWork("Kitchen", leaving=30, staying=10, coming=45, tags=31), SmallsWork("Linens", staying=5)]
        )
    )
    assert {key: (task.minutes.likely, task.hands, task.dock, task.inside, task.count) for key, task in tasks.items()} == {
        # The sign alone hangs; the bench comes back on to something, which is no taking down.
        "take down": (3, 1, False, True, 1),
        # 30 leave in 2 boxes, 10 stay in 1.
        "pack Kitchen 1": (30, 1, False, True, 3),
        "boxes Kitchen home": (4, 1, True, False, 2),
        "boxes Kitchen aside": (2, 1, False, False, 1),
        "tag Kitchen 1": (16, 1, False, False, 16),
        "tag Kitchen 2": (15, 1, False, False, 15),
        "pack Linens 1": (10, 1, False, True, 1),
        "boxes Linens aside": (2, 1, False, False, 1),
        "move 1": (5, 1, False, True, 1),
        "load 1": (4, 1, True, False, 1),
        # 130 lb: three minutes more.
        "move 2": (8, 2, False, True, 1),
        "load 2": (7, 2, True, False, 1),
        "move 3": (5, 1, False, True, 1),
        "clean": (25, 1, False, True, 1),
        # On to the top of another: two more.
        "move 4": (7, 1, False, True, 1),
        # Nobody weighed it: as if heavy.
        "unload 5": (6, 1, True, False, 1),
        "move 5": (8, 1, False, True, 1),
        # 10 that stayed in 1 box, 45 new in 3.
        "boxes Kitchen in": (8, 1, True, False, 4),
        "set Kitchen 1": (30, 1, False, True, 2),
        "set Kitchen 2": (30, 1, False, True, 2),
        "boxes Linens in": (2, 1, False, False, 1),
        "set Linens 1": (15, 1, False, True, 1),
        "finish": (15, 1, False, True, 1),
    }


def test_the_words_say_what_is_not_weighed():
    tasks = by_key(tasks_of(MOVES, PIECES))
    assert tasks["move 5"].words == "Move 5: Chair in to its place, not weighed"
    assert tasks["load 2"].words == "2: Hutch into the van"


def test_the_words_say_where_a_mover_is_needed_whose_hands_are_not_counted():
    tasks = by_key(tasks_of([MoveWork(1, "hutch", "Hutch", "staging", 2, 300 * 16, with_mover=True)], PIECES))
    assert tasks["move 1"].words == "Move 1: Hutch out, to wait, with a mover"


def test_pieces_off_the_van_begin_while_others_clean_and_no_more_than_two_wait():
    moves = [MoveWork(1, "old", "Old", "out", 1, 16), *(MoveWork(n, f"p{n}", f"P{n}", "in", 1, 16) for n in range(2, 7))]
    waits = {task.key: task.after for task in tasks_of(moves, {})}
    assert waits["clean"] == ("move 1",)
    assert [waits[f"unload {n}"] for n in range(2, 7)] == [
        ("move 1",),
        ("unload 2",),
        ("unload 3", "move 2"),
        ("unload 4", "move 3"),
        ("unload 5", "move 4"),
    ]
    settings = HoursSettings(unloaded_ahead=5)
    waits = {task.key: task.after for task in tasks_of(moves, {}, settings=settings)}
    assert waits["unload 6"] == ("unload 5",)


def test_a_booth_that_is_only_emptied_is_cleaned_at_the_end_and_one_that_is_only_filled_at_the_beginning():
    emptied = {task.key: task.after for task in tasks_of(MOVES[:2], PIECES)}
    assert (emptied["clean"], emptied["finish"]) == (("move 2",), ("load 2", "clean"))
    filled = {task.key: task.after for task in tasks_of([MoveWork(1, "chair", "Chair", "in", 1, 16)], PIECES)}
    assert (filled["clean"], filled["unload 1"], filled["move 1"]) == ((), (), ("clean", "unload 1"))


def test_minutes_set_by_the_dealer_take_the_place_of_the_usual():
    settings = with_minutes(HoursSettings(), read_minutes({"move": [1, 2, 3]}))
    tasks = by_key(tasks_of(MOVES, PIECES, settings=settings))
    assert tasks["move 1"].minutes == Minutes(1, 2, 3)
    assert tasks["load 1"].minutes == HoursSettings().minutes["load"]


@pytest.mark.parametrize(
    ("value", "said"),
    [
        ({"juggle": [1, 2, 3]}, "'juggle' is no kind of task"),
        ({"pack": [3, 2, 1]}, r"The minutes of pack are the least, the likely and the most, in that order: mend \[3, 2, 1\]"),
        ({"pack": [1, 2]}, r"mend \[1, 2\]"),
        ({"set": [1, 2, 2000]}, "The minutes of set go to 2000"),
    ],
)
def test_minutes_that_cannot_be_meant_are_refused_by_kind(value, said):
    with pytest.raises(Refusal, match=said):
        read_minutes(value)
