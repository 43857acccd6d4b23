"""The dealer's own logged times correct the usual minutes of a kind of task: more, the more were logged."""

from __future__ import annotations

import math
from collections import defaultdict
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, replace
from fractions import Fraction

from coop.core.money import round_half_up
from coop.resets.domain.hours.estimate import Minutes
from coop.resets.domain.hours.tasks import CARRIED, HoursSettings, Task, TaskKind

PRIOR_LOGS = 4
"""The usual minutes weigh as much as so many logged times (common practice, no source)."""
ONE_AT_LEAST, ONE_AT_MOST = Fraction(1, 4), Fraction(4)
"""Beyond these a logged time counts as this much: a clock nobody stopped."""
AT_LEAST, AT_MOST = Fraction(1, 2), Fraction(3)
"""No correction goes beyond these."""


@dataclass(frozen=True)
class Logged:
    """How many minutes so many people took for so many of a kind (`COUNTED` says of what)."""

    kind: TaskKind
    minutes: int
    people: int = 1
    count: int = 1


@dataclass(frozen=True)
class Correction:
    """`ratio` is what was logged over what was expected; `factor` is what the minutes are multiplied by from now on."""

    kind: TaskKind
    logs: int
    ratio: Fraction
    factor: Fraction
    held: int = 0
    """Logged times that counted as less or more than they said."""

    @property
    def words(self) -> str:
        times = "1 time" if self.logs == 1 else f"{self.logs} times"
        said = f"{self.kind.capitalize()}: logged {times}, {_shown(self.ratio)} times as long as expected"
        if self.held:
            said += f" ({self.held} far off, counted in part)"
        return f"{said}; planned at {_shown(self.factor)} times the usual."


def _shown(value: Fraction) -> str:
    return f"{round_half_up(value * 100) / 100:.2f}"


def corrections_of(logged: Iterable[Logged], settings: HoursSettings | None = None) -> dict[TaskKind, Correction]:
    """A correction for each kind that was logged.

    Of n logged times of a kind, r is the sum of their minutes over the sum of the expected ones (PERT's mean, times how many were
    done); each is held within a quarter and four times what was expected of it. The factor is (k + n r) / (k + n) with k =
    PRIOR_LOGS: the mean of the usual, weighing as k logs, and of what was logged; held within a half and three. Where people work
    side by side their minutes are added up; who carries together counts as one. Kinds expected to take no time are left out.
    """
    usual = (settings or HoursSettings()).minutes
    rows: dict[TaskKind, list[tuple[Fraction, Fraction]]] = defaultdict(list)
    for one in logged:
        expected = usual[one.kind].expected * one.count
        if expected > 0:
            rows[one.kind].append((Fraction(one.minutes * (1 if one.kind in CARRIED else one.people)), expected))
    found: dict[TaskKind, Correction] = {}
    for kind, each in rows.items():
        held = [min(max(took, expected * ONE_AT_LEAST), expected * ONE_AT_MOST) for took, expected in each]
        ratio = sum(held, Fraction(0)) / sum((expected for _, expected in each), Fraction(0))
        factor = (PRIOR_LOGS + len(each) * ratio) / (PRIOR_LOGS + len(each))
        off = sum(kept != took for kept, (took, _) in zip(held, each, strict=True))
        found[kind] = Correction(kind, len(each), ratio, min(max(factor, AT_LEAST), AT_MOST), off)
    return found


def correct_tasks(tasks: Iterable[Task], corrections: Mapping[TaskKind, Correction]) -> tuple[Task, ...]:
    """Tasks with their minutes times their kind's factor: the least rounded down, the likely to the nearest, the most up."""
    return tuple(
        replace(task, minutes=times(task.minutes, corrections[task.kind].factor)) if task.kind in corrections else task
        for task in tasks
    )


def times(minutes: Minutes, factor: Fraction) -> Minutes:
    return Minutes(math.floor(minutes.least * factor), round_half_up(minutes.likely * factor), math.ceil(minutes.most * factor))
