"""What a reset's plan needs of the mall on its day: the dock, staging floor and the aisle, each from when to when."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from coop.floor.models import Space
from coop.resets.booking import DOCK, Wanted
from coop.resets.reset_models import Reset

STEP_MINUTES = 15
"""Times are rounded outwards to these."""
JOINED_MINUTES = 30
"""The dock is kept over a gap no longer than this (common practice, no source)."""
_AT_DOCK = ("load", "unload")

Span = tuple[int, int]


def propose_places(row: Reset, space: Space, value: Mapping[str, Any] | None) -> list[Wanted]:
    """What a plan takes of the mall on its first day, by time. Without a plan that holds: the aisle for all of the reset.

    The dock while the van is loaded and unloaded, a staging floor from the first piece that waits there to the last that leaves
    it, the aisle before the booth from the first move to the last.
    """
    tasks = _tasks(value)
    moved = {task["move"]: (task["from"], task["to"]) for task in tasks if task["kind"] == "move"}
    if value is None or not moved:
        return [Wanted("aisle", space.code, row.begins_minute, row.ends_minute)]
    found = [Wanted("dock", DOCK, *span) for span in _joined([(task["from"], task["to"]) for task in tasks if _at_dock(task)])]
    for name, span in _waiting(row, value, moved).items():
        found.append(Wanted("staging", name, *span))
    found.append(Wanted("aisle", space.code, min(a for a, _ in moved.values()), max(b for _, b in moved.values())))
    rounded = [Wanted(one.kind, one.place, *_rounded((one.from_minute, one.to_minute), row)) for one in found]
    return sorted(rounded, key=lambda one: (one.from_minute, one.to_minute, one.kind, one.place))


def not_booked(row: Reset, space: Space, value: Mapping[str, Any] | None, booked: Sequence[Wanted]) -> list[Wanted]:
    """What a plan takes of the mall that lies in no time booked of that place; nothing without a plan that holds."""
    if not _tasks(value):
        return []
    has: dict[tuple[str, str], list[Span]] = {}
    for one in booked:
        has.setdefault(_place(one), []).append((one.from_minute, one.to_minute))
    spans = {place: _joined(found, gap=0) for place, found in has.items()}
    return [
        one
        for one in propose_places(row, space, value)
        if not any(begin <= one.from_minute and one.to_minute <= end for begin, end in spans.get(_place(one), ()))
    ]


def _place(one: Wanted) -> tuple[str, str]:
    """A mall has one dock, however it was called when it was booked."""
    return one.kind, "" if one.kind == "dock" else one.place


def _tasks(value: Mapping[str, Any] | None) -> Sequence[Mapping[str, Any]]:
    days = [] if value is None or value["stopped"] else value["hours"]["days"]
    return days[0]["tasks"] if days else []


def _at_dock(task: Mapping[str, Any]) -> bool:
    return task["kind"] in _AT_DOCK or (task["kind"] == "boxes" and task["key"].endswith(" home"))


def _waiting(row: Reset, value: Mapping[str, Any], moved: Mapping[int, Span]) -> dict[str, Span]:
    """Of each staging floor asked for: from when to when something waits there. The rest waits to the day's end."""
    asked = {one["name"] for one in row.staging}
    found: dict[str, Span] = {}
    since = {one["key"]: (one["area"], row.begins_minute) for one in value["waiting"]}

    def keep(area: str, begin: int, end: int) -> None:
        if area in asked:
            was = found.get(area, (begin, end))
            found[area] = (min(was[0], begin), max(was[1], end))

    for move in value["moves"]:
        if move["number"] not in moved:
            continue
        begin, end = moved[move["number"]]
        if move["key"] in since:
            area, at = since.pop(move["key"])
            keep(area, at, end)
        if move["staged"]:
            since[move["key"]] = (move["staged"]["area"], begin)
    for area, at in since.values():
        keep(area, at, row.ends_minute)
    return found


def _joined(spans: Sequence[Span], gap: int = JOINED_MINUTES) -> list[Span]:
    """Spans by time, those with no more than the gap between them as one."""
    made: list[Span] = []
    for begin, end in sorted(spans):
        if made and begin - made[-1][1] <= gap:
            made[-1] = (made[-1][0], max(made[-1][1], end))
        else:
            made.append((begin, end))
    return made


def _rounded(span: Span, row: Reset) -> Span:
    """Outwards to the quarter of an hour, and never beyond the reset's own hours."""
    begin = span[0] // STEP_MINUTES * STEP_MINUTES
    end = -(-span[1] // STEP_MINUTES) * STEP_MINUTES
    return max(begin, min(row.begins_minute, span[0])), min(end, max(row.ends_minute, span[1]))
