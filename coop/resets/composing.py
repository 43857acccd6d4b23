"""A reset's plan put together from plain facts: its order, hands, way, kit, tags and hours, as the JSON that is frozen.

Nothing here reads the database or the clock; it may take seconds, so a job does it.
"""

from __future__ import annotations

import math
from collections import defaultdict
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import date, timedelta
from typing import Any

from coop.core.errors import Refusal
from coop.core.money import format_cents
from coop.core.periods import shown_day
from coop.core.words import joined
from coop.resets.domain import kit as kits
from coop.resets.domain.booth import Booth
from coop.resets.domain.fit import judge
from coop.resets.domain.hours.day import Day, Presence, Solve
from coop.resets.domain.hours.days import DayPlan, split_days
from coop.resets.domain.hours.estimate import PERT_CAUTION, chance_words
from coop.resets.domain.hours.schedule import find_schedule
from coop.resets.domain.hours.tasks import Going, HoursSettings, MoveKind, MoveWork, SmallsWork, Task, tasks_of
from coop.resets.domain.lift import Hands, Lifted, hands_for
from coop.resets.domain.loads import Loads, Van, box_columns, loads
from coop.resets.domain.logged import Logged, correct_tasks, corrections_of
from coop.resets.domain.order.ground import Ground, StagingArea, ground_before
from coop.resets.domain.order.moves import Knot, Move, Order, Staged
from coop.resets.domain.order.plan import ASIDE, BOOTH, OUTSIDE, STANDS, plan_order, safe_stops
from coop.resets.domain.piece import Arrangement, Piece
from coop.resets.domain.tip import checks
from coop.resets.domain.way import Stopped, Way, passes
from coop.resets.domain.weight import format_weight
from coop.resets.plain import booth_value, piece_value, placed_value

FOR_BUYERS = "the floor for sold pieces"
"""Where sold, held and layaway pieces wait for their buyers: the mall's, nobody's staging."""
BOX_IN16 = kits.KitRules().box_in16
DAYS_TRIED = 3
"""A reset that its day does not hold is tried on so many in a row on which the mall is open, at the same hours."""
DAYS_LOOKED_AT = 60
CORD_IN16 = 72 * 16
"""A lamp's own cord where nobody measured it (common practice, no source)."""
_TICKS = (
    " If it does not stand so, a tick is missing or one too many: tick every move that was done, take back what was not, and "
    "have it worked out again."
)
_APART_IN16 = 10_000 * 192
"""Staging floor elsewhere is drawn so far off that no floor of a booth is there."""


@dataclass(frozen=True)
class SmallsFact:
    """Smalls of a grouping: where they are (booth, home, store) and the piece they go on."""

    grouping: str
    count: int
    each_cuin: int | None
    boxes: int | None
    fragile: bool
    place: str
    goes_on: str | None


@dataclass(frozen=True)
class Facts:
    """All that a plan is worked out from."""

    booth: Booth
    before: Arrangement
    """What stands in the booth now."""
    after: Arrangement
    on_date: date
    begins_minute: int
    ends_minute: int
    people: int
    helpers: tuple[tuple[int, int, int], ...] = ()
    """From minute, to minute, how many more."""
    staging: tuple[tuple[str, int, int], ...] = ()
    """Name, width, depth."""
    waiting: tuple[Staged, ...] = ()
    """What waits on staging floor from the moves that were done."""
    apart: Mapping[str, Piece] = field(default_factory=dict)
    """By key, pieces that wait and are in neither set."""
    first_number: int = 1
    way: Way | None = None
    van: Van | None = None
    smalls: tuple[SmallsFact, ...] = ()
    prices: Mapping[str, tuple[int | None, int | None]] | None = None
    """By key of the pieces of the next set: their price now and then."""
    feet: Mapping[str, int] | None = None
    powered: frozenset[str] = frozenset()
    settings: HoursSettings | None = None
    logged: tuple[Logged, ...] = ()
    gone: tuple[str, ...] = ()
    """Names of pieces in the next set that the dealer has no more."""
    closed: frozenset[date] = frozenset()
    """Days from its own on, for `DAYS_LOOKED_AT`, on which the mall is closed."""

    @property
    def most_people(self) -> int:
        """Who is there at once at most."""
        ends = [begin for begin, _, _ in self.helpers] or [self.begins_minute]
        return self.people + max(sum(n for begin, end, n in self.helpers if begin <= at < end) for at in ends)

    @property
    def pieces(self) -> dict[str, Piece]:
        return {**self.apart, **{one.key: one.piece for one in (*self.before.placed, *self.after.placed)}}


def compose(facts: Facts, solve: Solve = find_schedule) -> dict[str, Any]:
    """The plan as JSON. What cannot be is said in `stopped`, with no moves: a knot, or sets that cannot stand."""
    base: dict[str, Any] = {
        "booth": booth_value(facts.booth),
        "pieces": {key: piece_value(piece) for key, piece in facts.pieces.items()},
        "before": [placed_value(one) for one in facts.before.placed],
        "after": [placed_value(one) for one in facts.after.placed],
        "waiting": [staged_value(one) for one in facts.waiting],
        "first": facts.first_number,
        "moves": [],
        "stopped": "",
        "knot": [],
    }
    if facts.gone:
        it = "it" if len(facts.gone) == 1 else "them"
        said = f"{joined(list(facts.gone))} {'is' if it == 'it' else 'are'} in the next set, and you have {it} no more"
        return {**base, "stopped": f"{said}: take {it} out of that set, or take back that you let {it} go."}
    try:
        order = plan_order(ground_of(facts), facts.before, facts.after, waiting=facts.waiting, first_number=facts.first_number)
    except Refusal as refusal:
        return {**base, "stopped": f"{refusal}{_TICKS if facts.first_number > 1 and STANDS in str(refusal) else ''}"}
    if isinstance(order, Knot):
        return {**base, "stopped": order.sentence, "knot": list(order.pieces)}
    moves = [_move_value(facts, move) for move in order.moves]
    safe = set(safe_stops(order))
    for value in moves:
        value["safe"] = value["number"] in safe
    return {
        **base,
        "moves": moves,
        "staged": order.staged,
        "bound": order.bound,
        "proven": order.proven,
        "notes": [
            *_closed_notes(facts),
            *_against_notes(facts),
            *order.notes,
            *_mover_notes(moves),
            *_hands_notes(facts, moves),
            *_waiting_notes(facts),
        ],
        "way_stops": [{"key": one.key, "sentence": one.sentence} for one in _stopped(facts, order)],
        "tips": [{"sentence": one.sentence, "pieces": list(one.pieces), "source": one.source} for one in checks(facts.after)],
        "kit": _kit_value(facts),
        "tags": _tags_value(facts),
        "home": [{"key": key, "name": name} for key, name in _home(order)],
        "loads": [] if facts.van is None else list(_loads_values(facts, facts.van, order)),
        "hours": _hours_value(facts, order, moves, safe, solve),
    }


def ground_of(facts: Facts) -> Ground:
    """The booth, the aisle before it, staging floor that lies elsewhere, and the floor where buyers' pieces wait."""
    areas, left = [], _APART_IN16
    for name, width, depth in facts.staging:
        areas.append(StagingArea(name, ((left, left), (left + width, left), (left + width, left + depth), (left, left + depth))))
        left += width + _APART_IN16
    if any(one.piece.bound for one in facts.before.placed):
        areas.append(StagingArea(FOR_BUYERS, hold=True))
    return ground_before(facts.booth, staging=areas)


# --- moves --------------------------------------------------------------------------------------------------------------------


def staged_value(one: Staged) -> dict[str, Any]:
    return {"key": one.key, "area": one.area, "x_in16": one.x_in16, "y_in16": one.y_in16, "turn_deg": one.turn_deg}


def _move_value(facts: Facts, move: Move) -> dict[str, Any]:
    piece = facts.pieces[move.key]
    hands = hands_of(facts, move)
    passage = passes(piece, facts.way) if facts.way and OUTSIDE in (move.from_, move.to) else None
    return {
        "number": move.number,
        "key": move.key,
        "name": piece.name,
        "kind": move.kind,
        "how": move.how,
        "path": [[pose.x_in16, pose.y_in16, pose.turn_deg, pose.how] for pose in move.path],
        "from": move.from_,
        "to": move.to,
        "after": list(move.after),
        "sentence": move.sentence,
        "placed": placed_value(move.placed) if move.placed else None,
        "staged": staged_value(move.staged) if move.staged else None,
        "hands": {"people": hands.people, "short": hands.short, "why": hands.why},
        "weight": "not weighed" if piece.weight_oz is None else format_weight(piece.weight_oz),
        "care": list(_care(piece)),
        "way": "" if passage is None else passage.sentence,
        "way_notes": [] if passage is None or isinstance(passage, Stopped) else list(passage.notes),
    }


def hands_of(facts: Facts, move: Move) -> Hands:
    """By the heights its bottom has before and after: the floor, unless it stands on another or hangs."""
    piece = facts.pieces[move.key]
    start = facts.before.bottom_in16(move.key) if move.from_ == BOOTH and move.key in facts.before else 0
    end = facts.after.bottom_in16(move.key) if move.placed and move.key in facts.after else 0
    return hands_for(piece, Lifted(start, end, held="sides" if piece.stands == "wall" else "under"))


def _mover_notes(moves: Sequence[Mapping[str, Any]]) -> Iterator[str]:
    """What the hours do not count: the hands of movers, and those nobody can say."""
    for verdict, said in (
        ("ask a mover", "too heavy for the hands of a reset: a mover's hands are not counted in the hours"),
        ("weigh it", "not weighed: the hours count two people"),
        ("not by hand so", "not to be lifted as the next set asks: the hands say why"),
    ):
        names = sorted({move["name"] for move in moves if move["hands"]["short"] == verdict})
        if names:
            yield f"{joined(names)} {'is' if len(names) == 1 else 'are'} {said}."


def _hands_notes(facts: Facts, moves: Sequence[Mapping[str, Any]]) -> Iterator[str]:
    """Pieces that take more people than are ever there: the clock is made with those there are."""
    most = facts.most_people
    short = {move["name"]: move["hands"]["people"] for move in moves if (move["hands"]["people"] or 0) > most}
    for name, people in sorted(short.items()):
        yield f"{name} takes {people} people and {most} at most {'is' if most == 1 else 'are'} there: ask more, or leave it."


def _against_notes(facts: Facts) -> Iterator[str]:
    """A set that fit finds something against can be moved to all the same; whoever does should know."""
    against = [one.sentence for one in judge(facts.booth, facts.after) if one.stops]
    if against:
        count = "One thing is" if len(against) == 1 else f"{len(against)} things are"
        yield f"{count} found against the next set as it is laid out: {against[0]}"


def _closed_notes(facts: Facts) -> Iterator[str]:
    if facts.on_date in facts.closed:
        yield f"The mall is closed on {shown_day(facts.on_date)}: choose another day for the reset, or ask to be let in."


def _waiting_notes(facts: Facts) -> Iterator[str]:
    """What waits on staging floor from moves that were done, and is wanted no more: no move brings it back."""
    for one in facts.waiting:
        if one.key not in facts.after:
            piece = facts.pieces[one.key]
            where = "is set aside" if one.area == ASIDE else f"waits on the staging floor {one.area}"
            mend = f"it is {piece.bound}, so bring it to {FOR_BUYERS}" if piece.bound else "take it home"
            yield f"{piece.name} {where} and is not in the next set: {mend}."


def _care(piece: Piece) -> Iterator[str]:
    if piece.glass:
        yield "glass: carry it upright, padded"
    elif piece.fragile:
        yield "fragile"
    if piece.bound:
        yield {"sold": "sold: it waits for its buyer", "held": "held for a buyer", "layaway": "on layaway"}[piece.bound]


def _stopped(facts: Facts, order: Order) -> Iterator[Stopped]:
    if facts.way is None:
        return
    for key in dict.fromkeys(move.key for move in order.moves if OUTSIDE in (move.from_, move.to)):
        passage = passes(facts.pieces[key], facts.way)
        if isinstance(passage, Stopped):
            yield passage


def _home(order: Order) -> Iterator[tuple[str, str]]:
    names = order.piece_names()
    for move in order.moves:
        if move.kind == "out" and move.to == OUTSIDE:
            yield move.key, names[move.key]


def _loads_values(facts: Facts, van: Van, order: Order) -> Iterator[dict[str, Any]]:
    """Trips out, in the order of the moves, then trips in; the boxes of smalls that go or come after the pieces."""
    boxes = [one.boxes for one in _smalls_by_grouping(facts, facts.settings or HoursSettings())]
    for direction in ("out", "in"):
        ends = [move.key for move in order.moves if (move.to if direction == "out" else move.from_) == OUTSIDE]
        pieces = [facts.pieces[key] for key in dict.fromkeys(ends)]
        going: Going = "leaving" if direction == "out" else "coming"
        if van.height_in16 >= BOX_IN16[2]:
            pieces += box_columns(sum(one.get(going, 0) for one in boxes), BOX_IN16, van)
        if pieces:
            planned = loads(pieces, van, direction="out" if direction == "out" else "in")
            yield {"direction": direction, **_trips_value(planned)}


def _trips_value(planned: Loads) -> dict[str, Any]:
    return {
        "sentence": planned.sentence,
        "least": planned.least,
        "proven": planned.proven,
        "left": [one.sentence for one in planned.left],
        "trips": [
            {
                "number": trip.number,
                "pieces": [f"{spot.name}" + ("" if spot.how == "upright" else f", {spot.how}") for spot in trip.spots],
                "keys": list(trip.keys),
                "weight": format_weight(trip.weight_oz),
                "notes": list(trip.notes),
            }
            for trip in planned.trips
        ],
    }


# --- what to bring, and tags ----------------------------------------------------------------------------------------------------


def _kit_value(facts: Facts) -> dict[str, Any]:
    """Smalls in the booth whose piece is not in the next set go home in boxes; what is in store stays there."""
    smalls = [
        kits.Smalls(one.grouping, one.count, one.goes_on if there else "", one.each_cuin, one.boxes, one.fragile)
        for one in facts.smalls
        for there in [one.goes_on in facts.after]
        if one.goes_on is not None and one.place != "store" and (there or one.place == "booth") and (one.count or one.boxes)
    ]
    lost = [one.grouping for one in facts.smalls if one.goes_on is None and one.place != "store" and (one.count or one.boxes)]
    brought = kits.kit(
        facts.after,
        smalls,
        outlets=facts.booth.outlets,
        cords_in16={key: CORD_IN16 for key in facts.powered if key in facts.after},
        feet=facts.feet or {},
        anchored={
            key for one in checks(facts.after) if one.kind == "may tip" for key in one.pieces if facts.after[key].on is None
        },
        leaving=Arrangement(tuple(one for one in facts.before.placed if one.key not in facts.after)),
    )
    questions = list(brought.questions)
    if lost:
        questions.append(f"Say which piece the smalls of {joined(sorted(set(lost)))} go on: their boxes have no label yet.")
    return {
        "items": [{"what": item.what, "count": item.count, "why": item.why} for item in brought.items],
        "boxes": [list(box.label) for box in brought.boxes],
        "questions": questions,
    }


def _tags_value(facts: Facts) -> dict[str, Any]:
    names = {key: piece for key, piece in facts.pieces.items() if key in facts.after}
    prices = facts.prices or {}
    old = [kits.Tagged(key, one.name, one.grouping, prices.get(key, (None, None))[0]) for key, one in names.items()]
    new = [kits.Tagged(key, one.name, one.grouping, prices.get(key, (None, None))[1]) for key, one in names.items()]
    tags = kits.retags(old, new)
    rows = [
        {
            "name": row.name,
            "old": "" if row.old_cents is None else format_cents(row.old_cents),
            "new": "" if row.new_cents is None else format_cents(row.new_cents),
        }
        for row in (*tags.new, *tags.repriced, *tags.off)
    ]
    return {"sentence": tags.sentence, "rows": rows}


# --- hours ----------------------------------------------------------------------------------------------------------------------


_KINDS: Mapping[str, Callable[[str], MoveKind]] = {
    "out": lambda _from: "out",
    "stage": lambda _from: "staging",
    "shift": lambda _from: "within",
    "in": lambda from_: "in" if from_ == OUTSIDE else "back",
}


def _hours_value(facts: Facts, order: Order, moves: Sequence[Mapping[str, Any]], safe: set[int], solve: Solve) -> dict[str, Any]:
    """The clock of the day, or why no day can hold it."""
    settings = facts.settings or HoursSettings()
    tasks = _tasks(facts, order, moves, settings)
    corrections = corrections_of(facts.logged, settings)
    tasks = correct_tasks(tasks, corrections)
    try:
        split = split_days(tasks, _days(facts), safe, settings, solve)
    except Refusal as refusal:
        return {"stopped": str(refusal), "days": [], "sentence": "", "caution": PERT_CAUTION, "corrected": []}
    return {
        "stopped": "",
        "sentence": split.sentence,
        "holds": len(split.days) == 1 and split.holds,
        "days": [_day_value(day) for day in split.days],
        "caution": PERT_CAUTION,
        "corrected": [one.words for one in corrections.values()],
    }


def _tasks(facts: Facts, order: Order, moves: Sequence[Mapping[str, Any]], settings: HoursSettings) -> tuple[Task, ...]:
    works = []
    for move, value in zip(order.moves, moves, strict=True):
        piece = facts.pieces[move.key]
        people = min(value["hands"]["people"] or 2, facts.most_people)
        works.append(
            MoveWork(
                move.number,
                move.key,
                piece.name,
                _KINDS[move.kind](move.from_),
                people,
                piece.weight_oz,
                on_stack=_on_stack(facts, move),
                with_mover=value["hands"]["short"] == "ask a mover",
            )
        )
    return tasks_of(works, facts.pieces, _smalls_by_grouping(facts, settings), settings)


def _on_stack(facts: Facts, move: Move) -> bool:
    here, there = facts.before.get(move.key), facts.after.get(move.key)
    return any(one is not None and one.on is not None for one in (here, there))


def _smalls_by_grouping(facts: Facts, settings: HoursSettings) -> list[SmallsWork]:
    """Smalls in the booth stay where their piece is in the next set, and leave where it is not; those at home come with it."""
    counts: dict[str, dict[Going, int]] = defaultdict(lambda: {"leaving": 0, "staying": 0, "coming": 0})
    boxes: dict[str, dict[Going, int]] = defaultdict(lambda: {"leaving": 0, "staying": 0, "coming": 0})
    for one in facts.smalls:
        there = one.goes_on is not None and one.goes_on in facts.after
        going: Going = "coming" if one.place == "home" else "staying" if there or one.goes_on is None else "leaving"
        if one.place == "booth" or (one.place == "home" and there):
            packed = kits.boxes_for(kits.Smalls(one.grouping, one.count, "", one.each_cuin, one.boxes, one.fragile))
            counts[one.grouping][going] += one.count
            boxes[one.grouping][going] += math.ceil(one.count / settings.smalls_a_box) if packed is None else len(packed)
    tags: dict[str, int] = defaultdict(int)
    for key, (old, new) in (facts.prices or {}).items():
        if key in facts.after and new is not None and old != new:
            tags[facts.after[key].piece.grouping] += 1
    names = sorted({*counts, *tags})
    return [SmallsWork(name, **counts[name], tags=tags[name], boxes=boxes[name]) for name in names]


def _days(facts: Facts) -> list[Day]:
    there = (Presence("person", facts.begins_minute, facts.ends_minute, facts.people),)
    more = tuple(Presence("helper", begin, end, people) for begin, end, people in facts.helpers)
    later = (facts.on_date + timedelta(days=n) for n in range(1, DAYS_LOOKED_AT))
    days = [facts.on_date, *(day for day in later if day not in facts.closed)][:DAYS_TRIED]
    return [Day(day, facts.begins_minute, facts.ends_minute, there + (more if day == facts.on_date else ())) for day in days]


def _day_value(plan: DayPlan) -> dict[str, Any]:
    who: dict[str, list[str]] = defaultdict(list)
    for turn in plan.turns:
        if turn.who not in who[turn.task]:
            who[turn.task].append(turn.who)
    rows = [
        {
            "key": task.key,
            "kind": task.kind,
            "words": task.words,
            "from": plan.schedule.starts[task.key],
            "to": plan.schedule.starts[task.key] + task.minutes.planned,
            "hands": task.hands,
            "who": who[task.key],
            "move": task.number,
        }
        for task in plan.tasks
    ]
    return {
        "on": plan.day.on.isoformat(),
        "sentence": plan.sentence,
        "chance": chance_words(plan.chance),
        "stop_after": plan.stop_after,
        "tasks": sorted(rows, key=lambda row: (row["from"], row["to"], row["key"])),
    }
