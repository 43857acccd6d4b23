"""The tasks of a reset, from its numbered moves and its smalls: what each takes, whose hands, and after what.

The usual minutes are common practice, no source; each is a setting, and the dealer's logged times correct them (`logged.py`).
"""

from __future__ import annotations

import math
from collections import defaultdict
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import Literal, get_args

from coop.core.errors import Refusal
from coop.resets.domain.hours.estimate import Minutes
from coop.resets.domain.piece import Piece

TaskKind = Literal["take down", "pack", "boxes", "move", "load", "unload", "clean", "set", "tag", "finish"]
TASK_KINDS: tuple[TaskKind, ...] = get_args(TaskKind)
COUNTED: Mapping[TaskKind, str] = {
    "take down": "thing hung or on top",
    "pack": "box",
    "boxes": "box",
    "move": "piece",
    "load": "piece",
    "unload": "piece",
    "clean": "booth",
    "set": "box",
    "tag": "tag",
    "finish": "reset",
}
"""What the minutes of a kind are for one of."""
CARRIED: frozenset[TaskKind] = frozenset({"move", "load", "unload"})
"""Who works on it carries together: two people do not do it in half the time."""

MoveKind = Literal["out", "staging", "back", "in", "within"]
MOVE_KINDS: tuple[MoveKind, ...] = get_args(MoveKind)
"""Home with the van; to where pieces wait; from there to its place; from the van to its place; from one place to another."""
_ENTERS = ("back", "in", "within")


@dataclass(frozen=True)
class MoveWork:
    """One numbered move, as the order gives it."""

    number: int
    key: str
    """Of the piece."""
    name: str
    kind: MoveKind
    hands: int = 1
    weight_oz: int | None = None
    on_stack: bool = False
    """It is lifted from, or on to, the top of another piece."""
    with_mover: bool = False
    """Too heavy for the hands there are: a mover's are not counted."""


Going = Literal["leaving", "staying", "coming"]
"""Home; packed, and set again; new from home."""


@dataclass(frozen=True)
class SmallsWork:
    """The smalls of a grouping, as work: what goes home, what is packed and comes back out, what is new; and tags to write."""

    grouping: str
    leaving: int = 0
    staying: int = 0
    coming: int = 0
    tags: int = 0
    boxes: Mapping[Going, int] = field(default_factory=dict)
    """How many boxes those of each kind fill, where what to bring has counted them; else it goes by the smalls of a box."""


_USUAL: Mapping[TaskKind, Minutes] = {
    "take down": Minutes(1, 3, 8),
    "pack": Minutes(6, 10, 20),
    "boxes": Minutes(1, 2, 5),
    "move": Minutes(3, 5, 12),
    "load": Minutes(2, 4, 10),
    "unload": Minutes(2, 3, 8),
    "clean": Minutes(15, 25, 45),
    "set": Minutes(8, 15, 30),
    "tag": Minutes(1, 1, 3),
    "finish": Minutes(10, 15, 30),
}
_HEAVY_MORE, _STACK_MORE = Minutes(1, 3, 8), Minutes(1, 2, 5)


@dataclass(frozen=True)
class HoursSettings:
    """Minutes of one of each kind, and what goes with them."""

    minutes: Mapping[TaskKind, Minutes] = field(default_factory=lambda: dict(_USUAL))
    heavy_more: Minutes = _HEAVY_MORE
    """What a heavy piece, or one nobody weighed, takes more."""
    heavy_oz: int = 50 * 16
    stack_more: Minutes = _STACK_MORE
    smalls_a_box: int = 20
    boxes_a_task: int = 3
    """Packing and setting is cut so that several people may share it."""
    tags_a_task: int = 30
    unloaded_ahead: int = 2
    """So many pieces may wait between van and booth."""
    inside_at_most: int = 4
    """So many people can work in the booth at once."""


def read_minutes(value: Mapping[str, Sequence[int]]) -> dict[TaskKind, Minutes]:
    """The minutes of the kinds a dealer has set, as stored: `{"pack": [6, 10, 20]}`. Refuses a kind or a row that is none."""
    found: dict[TaskKind, Minutes] = {}
    for kind, row in value.items():
        if kind not in TASK_KINDS:
            raise Refusal(f"{kind!r} is no kind of task: write one of {', '.join(TASK_KINDS)}.")
        try:
            found[kind] = Minutes(*row)
        except (TypeError, ValueError):
            raise Refusal(
                f"The minutes of {kind} are the least, the likely and the most, in that order: mend {list(row)}."
            ) from None
        if found[kind].most > 24 * 60:
            raise Refusal(f"The minutes of {kind} go to {found[kind].most}: a task is at most a day. Write fewer.")
    return found


def with_minutes(settings: HoursSettings, minutes: Mapping[TaskKind, Minutes]) -> HoursSettings:
    return replace(settings, minutes={**settings.minutes, **minutes})


@dataclass(frozen=True)
class Task:
    """Some work in one go by `hands` people, after the tasks of these keys have ended."""

    key: str
    kind: TaskKind
    words: str
    minutes: Minutes
    hands: int = 1
    after: tuple[str, ...] = ()
    number: int | None = None
    """Of the move it belongs to."""
    grouping: str = ""
    dock: bool = False
    inside: bool = False
    """Somebody works in the booth at it."""
    count: int = 1


def tasks_of(
    moves: Sequence[MoveWork],
    pieces: Mapping[str, Piece],
    smalls: Iterable[SmallsWork] = (),
    settings: HoursSettings | None = None,
) -> tuple[Task, ...]:
    """Every task, each after what it waits for.

    Moves go one after the other, in their order: it was proven for one at a time. What hangs or stands on top is taken down
    first; a grouping's smalls are packed before its pieces move, and those of groupings without a moving piece before all moves.
    The booth is cleaned when the first pieces have left, before the first that enters. A grouping is set when its pieces stand.
    """
    return _Tasks(moves, pieces, [one for one in smalls if _any(one)], settings or HoursSettings()).all()


def _any(smalls: SmallsWork) -> bool:
    return bool(smalls.leaving or smalls.staying or smalls.coming or smalls.tags or any(smalls.boxes.values()))


class _Tasks:
    def __init__(
        self, moves: Sequence[MoveWork], pieces: Mapping[str, Piece], smalls: Sequence[SmallsWork], settings: HoursSettings
    ) -> None:
        self.moves, self.pieces, self.smalls, self.settings = moves, pieces, smalls, settings
        self.found: list[Task] = []
        self.of_grouping: dict[str, list[str]] = defaultdict(list)
        """Keys of the moves of its pieces."""
        for move in moves:
            if move.key in pieces:
                self.of_grouping[pieces[move.key].grouping].append(_move_key(move))
        self.packed: dict[str, list[str]] = defaultdict(list)
        self.ready: dict[str, list[str]] = defaultdict(list)
        """What a grouping's setting waits for."""
        self.stowed: list[str] = []
        """Keys of the carrying of packed boxes off the floor: it is cleaned after that, and pieces come in after that."""

    def all(self) -> tuple[Task, ...]:
        self._take_down()
        for one in self.smalls:
            self._pack(one)
            self._tag(one)
        self._move()
        for one in self.smalls:
            self._set(one)
        if self.found:
            self._add(Task("finish", "finish", "A last look: lights, aisle, floor", self._minutes("finish"), inside=True))
            # It waits for all that nothing else waits for.
            waited = {key for task in self.found for key in task.after}
            last = tuple(task.key for task in self.found[:-1] if task.key not in waited)
            self.found[-1] = replace(self.found[-1], after=last)
        return tuple(self.found)

    def _add(self, task: Task) -> str:
        self.found.append(task)
        return task.key

    def _minutes(self, kind: TaskKind, count: int = 1) -> Minutes:
        return self.settings.minutes[kind].times(count)

    def _take_down(self) -> None:
        high = {
            move.key
            for move in self.moves
            if move.kind not in ("in", "back")
            and (move.on_stack or (move.key in self.pieces and self.pieces[move.key].stands == "wall"))
        }
        if high:
            what = f"Take down what hangs or stands on top: {len(high)} {'thing' if len(high) == 1 else 'things'}"
            self._add(Task("take down", "take down", what, self._minutes("take down", len(high)), inside=True, count=len(high)))

    def _pack(self, one: SmallsWork) -> None:
        boxes = self._boxes(one, "leaving") + self._boxes(one, "staying")
        for number, some in _cut(boxes, self.settings.boxes_a_task):
            words = f"Pack {_named(one.grouping)}: {_boxes_words(some)}"
            task = Task(
                f"pack {one.grouping} {number}",
                "pack",
                words,
                self._minutes("pack", some),
                grouping=one.grouping,
                inside=True,
                count=some,
            )
            self.packed[one.grouping].append(self._add(task))
        packed = tuple(self.packed[one.grouping])
        self.stowed += self._carry(one, "home", self._boxes(one, "leaving"), packed, dock=True)
        aside = self._carry(one, "aside", self._boxes(one, "staying"), packed)
        self.stowed += aside
        self.ready[one.grouping] += aside

    def _carry(
        self, one: SmallsWork, where: Literal["home", "aside", "in"], boxes: int, after: Iterable[str], dock: bool = False
    ) -> list[str]:
        if not boxes:
            return []
        said = {"home": "to the van", "aside": "out of the way", "in": "into the booth"}[where]
        words = f"Carry {_boxes_words(boxes)} of {_named(one.grouping)} {said}"
        key, minutes = f"boxes {one.grouping} {where}", self._minutes("boxes", boxes)
        return [self._add(Task(key, "boxes", words, minutes, 1, tuple(after), grouping=one.grouping, dock=dock, count=boxes))]

    def _tag(self, one: SmallsWork) -> None:
        for number, some in _cut(one.tags, self.settings.tags_a_task):
            key, words = (
                f"tag {one.grouping} {number}",
                f"Write {some} {'tag' if some == 1 else 'tags'} of {_named(one.grouping)}",
            )
            after = tuple(self.packed[one.grouping])
            task = Task(key, "tag", words, self._minutes("tag", some), 1, after, grouping=one.grouping, count=some)
            self.ready[one.grouping].append(self._add(task))

    def _move(self) -> None:
        down = ["take down"] if self.found and self.found[0].key == "take down" else []
        loose = [key for one in self.smalls if not self.of_grouping[one.grouping] for key in self.packed[one.grouping]]
        before = down + loose
        enters = next((n for n, move in enumerate(self.moves) if move.kind in _ENTERS), len(self.moves))
        from_van: list[int] = []
        """Numbers of the pieces that come with the van, so far."""
        loaded: list[str] = []
        """The load before: a van is filled from its front wall back, so the next goes in after it."""
        for place, move in enumerate(self.moves):
            if place == enters:
                before = [self._clean(before)]
            after = [*before, *(self.packed[self.pieces[move.key].grouping] if move.key in self.pieces else ())]
            if move.kind == "in":
                after.append(self._handle(move, "unload", self._unloaded_after(before, from_van)))
                from_van.append(move.number)
            key = self._handle(move, "move", after)
            if move.kind == "out":
                loaded = [self._handle(move, "load", [key, *loaded])]
            before = [key]
        if enters == len(self.moves):
            self._clean(before)

    def _unloaded_after(self, before: list[str], from_van: list[int]) -> list[str]:
        """The next piece comes off the van after the one before it, and when not too many wait; the first while others clean."""
        if not from_van:
            cleans = next((task for task in self.found if task.key == "clean" and before == ["clean"]), None)
            return list(cleans.after) if cleans else before
        waits = [f"unload {from_van[-1]}"]
        if len(from_van) >= self.settings.unloaded_ahead:
            waits.append(f"move {from_van[-self.settings.unloaded_ahead]}")
        return waits

    def _clean(self, after: Iterable[str]) -> str:
        return self._add(
            Task("clean", "clean", "Clean the floor and walls", self._minutes("clean"), 1, (*after, *self.stowed), inside=True)
        )

    def _handle(self, move: MoveWork, kind: Literal["move", "load", "unload"], after: Iterable[str]) -> str:
        minutes, settings = self._minutes(kind), self.settings
        if move.weight_oz is None or move.weight_oz >= settings.heavy_oz:
            minutes += settings.heavy_more
        if move.on_stack and kind == "move":
            minutes += settings.stack_more
        said = {"move": _MOVED[move.kind], "load": "into the van", "unload": "off the van"}[kind]
        words = f"{'Move ' if kind == 'move' else ''}{move.number}: {move.name} {said}"
        words += ", not weighed" if move.weight_oz is None else ", with a mover" if move.with_mover else ""
        grouping = self.pieces[move.key].grouping if move.key in self.pieces else ""
        key = f"{kind} {move.number}"
        after = tuple(dict.fromkeys(after))
        return self._add(
            Task(key, kind, words, minutes, move.hands, after, move.number, grouping, kind != "move", kind == "move")
        )

    def _set(self, one: SmallsWork) -> None:
        boxes = self._boxes(one, "staying") + self._boxes(one, "coming")
        placed = self.of_grouping[one.grouping] or [_move_key(move) for move in self.moves]
        after = ["clean", *placed[-1:], *self.ready[one.grouping]]
        after += self._carry(one, "in", boxes, after, dock=bool(self._boxes(one, "coming")))
        for number, some in _cut(boxes, self.settings.boxes_a_task):
            words = f"Set {_named(one.grouping)}: {_boxes_words(some)}"
            key, minutes = f"set {one.grouping} {number}", self._minutes("set", some)
            waits = tuple(dict.fromkeys(after))
            self._add(Task(key, "set", words, minutes, 1, waits, grouping=one.grouping, inside=True, count=some))

    def _boxes(self, one: SmallsWork, going: Going) -> int:
        counts: Mapping[Going, int] = {"leaving": one.leaving, "staying": one.staying, "coming": one.coming}
        return one.boxes.get(going, math.ceil(counts[going] / self.settings.smalls_a_box))


_MOVED: Mapping[MoveKind, str] = {
    "out": "out, home",
    "staging": "out, to wait",
    "back": "back to its place",
    "in": "in to its place",
    "within": "to its new place",
}


def _move_key(move: MoveWork) -> str:
    return f"move {move.number}"


def _cut(count: int, each: int) -> list[tuple[int, int]]:
    """Shares as even as may be of no more than `each`: numbered from 1."""
    shares = math.ceil(count / each)
    return [(n + 1, count // shares + (n < count % shares)) for n in range(shares)]


def _named(grouping: str) -> str:
    return grouping or "smalls of no grouping"


def _boxes_words(count: int) -> str:
    return f"{count} {'box' if count == 1 else 'boxes'}"
