"""What a day from opening to closing holds of a reset, and what is left for the next: it stops only where that is safe."""

from __future__ import annotations

from collections.abc import Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass
from itertools import groupby

from coop.core.errors import Refusal
from coop.core.words import joined
from coop.resets.domain.hours.day import (
    HANDS,
    Day,
    Solve,
    Turn,
    chance_by_close,
    fill,
    project_of,
    try_schedule,
    turns_of,
)
from coop.resets.domain.hours.project import ImpossibleWork, Project, Schedule, WorkInCircle
from coop.resets.domain.hours.schedule import find_schedule, lower_bound
from coop.resets.domain.hours.tasks import CARRIED, HoursSettings, Task
from coop.shifts.domain.hours import clock


@dataclass(frozen=True)
class DayPlan:
    """A day's tasks on the clock. `left` is what it leaves, in order; nothing of a reset that it ends."""

    day: Day
    tasks: tuple[Task, ...]
    schedule: Schedule
    turns: tuple[Turn, ...]
    left: tuple[Task, ...]
    stop_after: int | None
    """Number of the last move of the day, where it leaves others; None: it leaves none, or makes none."""
    safe: bool
    """Aisle and stacks are safe when it stops. Not so only where moves had been made before and no safe stop is in reach."""
    could: bool
    """Some plan might hold all of it: none was found, and none was ruled out."""
    chance: float
    """That its tasks are done by closing (see PERT_CAUTION)."""
    sentence: str

    @property
    def rows(self) -> tuple[DayRow, ...]:
        """The day's list: its tasks as they begin."""
        who: dict[str, dict[str, None]] = {}
        for turn in self.turns:
            who.setdefault(turn.task, {})[turn.who] = None
        starts = self.schedule.starts
        rows = [
            DayRow(starts[task.key], starts[task.key] + task.minutes.planned, task, tuple(who.get(task.key, ())))
            for task in self.tasks
        ]
        return tuple(sorted(rows, key=lambda row: (row.from_minute, row.to_minute)))


@dataclass(frozen=True)
class DayRow:
    """A task on the clock. `who` has more names than hands where somebody takes over."""

    from_minute: int
    to_minute: int
    task: Task
    who: tuple[str, ...]


@dataclass(frozen=True)
class Split:
    """The days, in order, up to the one that ends the reset; what even the last of them leaves."""

    days: tuple[DayPlan, ...]
    left: tuple[Task, ...]
    sentence: str

    @property
    def holds(self) -> bool:
        return not self.left


def split_days(
    tasks: Sequence[Task],
    days: Sequence[Day],
    safe_after: Collection[int],
    settings: HoursSettings | None = None,
    solve: Solve = find_schedule,
) -> Split:
    """Put a reset's tasks on one day after the other, each with as many moves as it holds.

    `safe_after` are numbers of moves after which aisle and stacks are safe for the night; before move 1 and after the last they
    always are. A piece out of the booth is in the van the same day, and one off the van in the booth. To plan anew in the middle,
    leave out the tasks that are done and let the first day open at the minute it is now. Refuses a task that
    no day could ever hold, and tasks that wait for each other, by name with the mend.
    """
    settings = settings or HoursSettings()
    if not days:
        raise Refusal("No day is set for the reset: write the day, its hours and who is there.")
    _require_possible(tasks, days, settings)
    left, plans = tuple(tasks), []
    for number, day in enumerate(days):
        plan = _plan_day(left, day, safe_after, settings, solve, is_last=number == len(days) - 1)
        plans.append(plan)
        left = plan.left
        if not left:
            break
    return Split(tuple(plans), left, _split_words(plans, left))


def _require_possible(tasks: Sequence[Task], days: Sequence[Day], settings: HoursSettings) -> None:
    try:
        _ = project_of(tasks, days[0], settings).in_order
    except WorkInCircle as circle:
        names = [task.words for key in circle.keys for task in tasks if task.key == key]
        raise Refusal(
            f"These tasks wait for each other and none can begin: {joined(names)}. Take one of the waits out."
        ) from None
    short: dict[str, list[int | None]] = {}
    for day in days:
        for task in tasks:
            try:
                _ = project_of([task], day, settings).heads
            except ImpossibleWork as impossible:
                short.setdefault(task.key, []).append(impossible.short)
    for task in tasks:
        why = short.get(task.key, [])
        if len(why) < len(days):
            continue
        most = max(_most_at_once(day) for day in days)
        if task.hands > most:
            more = task.hands - most
            raise Refusal(
                f"{task.words}: it takes {_people(task.hands)}, and never more than {_people(most)} "
                f"{'is' if most == 1 else 'are'} there at once. Ask {more} more, or leave the piece where it is."
            )
        who = f"{_people(task.hands)}{' with the dock' if task.dock else ''} {'is' if task.hands == 1 else 'are'}"
        raise Refusal(
            f"{task.words}: it takes {task.minutes.planned} minutes in one go, and {who} never there for so long. "
            "Have them come for longer, or cut the task in two."
        )


def _most_at_once(day: Day) -> int:
    return max((stretch.has[HANDS] for stretch in project_of([], day, HoursSettings()).stretches), default=0)


def _people(count: int) -> str:
    return "1 person" if count == 1 else f"{count} people"


def _plan_day(
    tasks: tuple[Task, ...], day: Day, safe_after: Collection[int], settings: HoursSettings, solve: Solve, *, is_last: bool
) -> DayPlan:
    whole = project_of(tasks, day, settings)
    schedule, stop_after = try_schedule(whole, solve), None
    could = schedule is not None
    if schedule is None:
        could = _might_hold(whole)
        allowed, schedule, stop_after = _up_to_safe_move(tasks, day, safe_after, settings, solve)
        schedule = fill(project_of(allowed, day, settings), schedule)
    done = tuple(task for task in tasks if task.key in schedule.starts)
    left = tuple(task for task in tasks if task.key not in schedule.starts)
    project = project_of(done, day, settings)
    made = min((task.number for task in left if task.kind == "move" and task.number is not None), default=1) - 1
    safe = made == 0 or made in safe_after
    return DayPlan(
        day,
        done,
        schedule,
        turns_of(project, schedule, day.present),
        left,
        stop_after,
        safe,
        could,
        chance_by_close(done, project, schedule, day.closes_minute),
        _day_words(day, schedule, done, left, stop_after, could, made if not safe else 0, is_last=is_last),
    )


def _might_hold(project: Project) -> bool:
    """Whether no bound rules out that it all fits."""
    try:
        return lower_bound(project) <= project.horizon
    except ImpossibleWork:
        return False


def _up_to_safe_move(
    tasks: Sequence[Task], day: Day, safe_after: Collection[int], settings: HoursSettings, solve: Solve
) -> tuple[list[Task], Schedule, int | None]:
    """The tasks a day may hold, a schedule of those it must, and after which move it stops: the last safe one it has room for.

    What must be done by a later stop holds what must by an earlier one, so that the stops that fit are a first part of all.
    """
    numbers = sorted({task.number for task in tasks if task.number is not None})
    stops = [0, *(number for number in numbers if number in safe_after or number == numbers[-1])]
    best: tuple[int, Schedule] = (0, Schedule({}, 0, 0))
    low, high = 0, len(stops) - 1
    while low <= high:
        middle = (low + high) // 2
        needed = _needed(tasks, stops[middle])
        found = try_schedule(project_of(needed, day, settings), solve)
        if found is None:
            high = middle - 1
        else:
            best, low = (stops[middle], found), middle + 1
    stop, schedule = best
    return _allowed(tasks, stop), schedule, stop if 0 < stop < stops[-1] else None


def _needed(tasks: Sequence[Task], stop: int) -> list[Task]:
    """The moves up to one, what is carried with them, and all they wait for."""
    by_key = {task.key: task for task in tasks}
    stack = [task.key for task in tasks if task.number is not None and not _comes_after(task, stop, by_key)]
    found: set[str] = set()
    while stack:
        key = stack.pop()
        if key in by_key and key not in found:
            found.add(key)
            stack += by_key[key].after
    return [task for task in tasks if task.key in found]


def _allowed(tasks: Sequence[Task], stop: int) -> list[Task]:
    """All but the moves after one, and what waits for them."""
    by_key = {task.key: task for task in tasks}
    barred: set[str] = set()
    rest = [task for task in tasks if _comes_after(task, stop, by_key)]
    while rest:
        barred |= {task.key for task in rest}
        rest = [task for task in tasks if task.key not in barred and not barred.isdisjoint(task.after)]
    return [task for task in tasks if task.key not in barred]


def _comes_after(task: Task, stop: int, by_key: Mapping[str, Task]) -> bool:
    """Whether it is of a move after one; to load what has been moved out already is not, whatever its number."""
    if task.number is None or task.number <= stop:
        return False
    return task.kind != "load" or any(key in by_key for key in task.after)


# --- in words ---------------------------------------------------------------------------------------------------------------


def _day_words(
    day: Day,
    schedule: Schedule,
    done: Sequence[Task],
    left: Sequence[Task],
    stop_after: int | None,
    could: bool,
    unsafe_after: int,
    *,
    is_last: bool,
) -> str:
    if not left:
        if not done:
            return f"Nothing is left to do on {day.words}."
        spare = day.closes_minute - schedule.finish
        ends = "just at its end" if spare == 0 else f"{_long(spare)} before its end"
        return f"{day.words} holds it all: done at {clock(schedule.finish)}, {ends}."
    found, hold = ("no plan was found by which it", "holds") if could else ("it", "cannot hold")
    if stop_after:
        stop = f"Stop after move {stop_after}, where aisle and stacks are safe for the night"
    elif unsafe_after:
        stop = f"It is not safe to stop for the night after move {unsafe_after}, and no safe stop is in reach: get help or hours"
    elif any(task.kind in CARRIED for task in left):
        stop = "Make no move yet: the first stop that is safe for the night comes too late in the day"
    else:
        stop = "All moves are made"
    then = "Left" if is_last else "Left for the next day"
    return f"{day.words}: {found} {hold} all of it by {clock(day.closes_minute)}. {stop}. {then}: {tasks_words(left)}."


def _long(minutes: int) -> str:
    """`45 minutes`, `2 hours`, `6 hours 38 minutes`."""
    hours, rest = divmod(minutes, 60)
    said = [f"{n} {word}{'' if n == 1 else 's'}" for n, word in ((hours, "hour"), (rest, "minute")) if n]
    return " ".join(said)


def _split_words(plans: Sequence[DayPlan], left: Sequence[Task]) -> str:
    if left:
        count = "1 day" if len(plans) == 1 else f"{len(plans)} days"
        return f"After {count} this is still to be done: {tasks_words(left)}. Add a day, hours or hands."
    last = plans[-1]
    if len(plans) == 1:
        return last.sentence
    return f"It takes {len(plans)} days and ends on {last.day.words} at {clock(last.schedule.finish)}."


def tasks_words(tasks: Iterable[Task]) -> str:
    """Tasks in short: `moves 5 to 9 and 11, cleaning, setting Kitchen (4 boxes) and the last look`."""
    rows = list(tasks)
    numbers = sorted({task.number for task in rows if task.kind == "move" and task.number is not None})
    said = [f"{'move' if len(numbers) == 1 else 'moves'} {runs_words(numbers)}"] if numbers else []
    if any(task.kind == "take down" for task in rows):
        said.append("taking down")
    for kind, verb in (("pack", "packing"), ("boxes", "carrying boxes of")):
        names = list(dict.fromkeys(task.grouping or "smalls" for task in rows if task.kind == kind))
        if names:
            said.append(f"{verb} {joined(names)}")
    if any(task.kind == "clean" for task in rows):
        said.append("cleaning")
    names = list(dict.fromkeys(task.grouping or "smalls" for task in rows if task.kind == "set"))
    if names:
        said.append(f"setting {joined(names)}")
    tags = sum(task.count for task in rows if task.kind == "tag")
    if tags:
        said.append("1 tag" if tags == 1 else f"{tags} tags")
    if any(task.kind == "finish" for task in rows):
        said.append("the last look")
    return "; ".join(said) if any(" and " in one for one in said) else joined(said)


def runs_words(numbers: Sequence[int]) -> str:
    """Whole numbers in order, runs as spans: `5 to 9 and 11`."""
    runs = [[n for _, n in run] for _, run in groupby(enumerate(numbers), key=lambda pair: pair[1] - pair[0])]
    return joined([f"{run[0]} to {run[-1]}" if len(run) > 2 else joined([str(n) for n in run]) for run in runs])
