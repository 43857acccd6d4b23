"""The hours of a large reset put on its days: 40 moves and five groupings of smalls, the dealer with helpers who come and go."""

from __future__ import annotations

import time
from collections.abc import Callable
from datetime import date, timedelta
from functools import partial

from coop.resets.domain.hours.day import Day, Presence, Solve, drawn_chance, project_of
from coop.resets.domain.hours.days import split_days
from coop.resets.domain.hours.project import faults
from coop.resets.domain.hours.schedule import find_schedule
from coop.resets.domain.hours.tasks import HoursSettings, MoveKind, MoveWork, SmallsWork, Task, tasks_of
from coop.resets.domain.piece import Piece
from coop.resets.solving.schedule import solve_schedule

GROUPINGS = ("Kitchen", "Linens", "Tools", "Toys", "Glass")


def large_reset(moves: int) -> tuple[Task, ...]:
    """A third of the moves go home, some wait in staging and come back, the others come with the van."""
    pieces = {f"p{n}": Piece(f"p{n}", f"Piece {n}", 300, 200, 500, grouping=GROUPINGS[n % 5]) for n in range(moves)}

    def kind(n: int) -> MoveKind:
        return "out" if n < moves // 3 else "staging" if n < moves // 2 else "in" if n % 2 else "back"

    works = [
        MoveWork(n + 1, f"p{n}", f"Piece {n}", kind(n), 1 + (n % 3 == 0), (n % 9 + 1) * 200, n % 4 == 0) for n in range(moves)
    ]
    return tasks_of(works, pieces, [SmallsWork(name, 60, 80, 40, 50) for name in GROUPINGS])


def bench_hours(row: Callable[[str, str, str], None], *, smoke: bool = False) -> None:
    """Rows of the table: `row(what, figure, note)`. Every schedule is checked apart from what made it."""
    moves = 8 if smoke else 40
    tasks, settings = large_reset(moves), HoursSettings()
    people = (Presence("Ada", 600, 1080), Presence("Ben", 660, 900), Presence("friend", 720, 1000, 2))
    days = [Day(date(2026, 11, 6) + timedelta(days=n), 600, 1080, people) for n in range(4)]
    begun = time.process_time()
    split = split_days(tasks, days, {moves // 3, moves // 2, moves * 3 // 4}, settings)
    took = time.process_time() - begun
    broken = sum(len(faults(project_of(p.tasks, p.day, settings), p.schedule.starts)) for p in split.days)
    row(f"hours: {moves} moves, {len(tasks)} tasks, put on days", f"{took:.2f} s", f"{split.sentence}{_broken(broken)}")

    long_day = Day(date(2026, 11, 6), 420, 1320, (Presence("all", 420, 1320, 4),))
    project = project_of(tasks, long_day, settings)
    seconds = 1 if smoke else 10
    ways: tuple[tuple[str, Solve], ...] = (
        ("by lists", find_schedule),
        (f"by CP-SAT, {seconds} s at most", partial(solve_schedule, seconds=seconds)),
    )
    for name, solve in ways:
        begun = time.perf_counter()
        found = solve(project)
        took = time.perf_counter() - begun
        if found is None:
            row(f"hours: one long day by four, {name}", f"{took:.2f} s", "no schedule")
            continue
        gap = "proven" if found.proven else f"at most {found.finish - found.bound} minutes above the least"
        note = f"{found.finish - 420} minutes, {gap}{_broken(len(faults(project, found.starts)))}"
        row(f"hours: one long day by four, {name}", f"{took:.2f} s", note)
    schedule = find_schedule(project)
    if schedule is not None:
        begun = time.process_time()
        chance = drawn_chance(tasks, project, schedule, 1080, draws=10 if smoke else 200)
        took = time.process_time() - begun
        row("hours: the chance of that day, drawn", f"{took:.2f} s", f"{chance:.2f} to be done by 6 pm")


def _broken(count: int) -> str:
    return f"; {count} RULES BROKEN" if count else ""
