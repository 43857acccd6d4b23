"""What each asker is told of a draft: what pieces got, or the reason why not and what would help. No other dealer is named."""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass
from datetime import date, timedelta
from textwrap import shorten

from coop.core.geometry import format_length
from coop.core.periods import shown_day, shown_days
from coop.core.words import joined
from coop.overflow.domain.facts import PeriodFacts
from coop.overflow.domain.fairness import foot_weeks
from coop.overflow.domain.fitting import may_stand, nowhere
from coop.overflow.domain.posing import Posed, PosedUnit, days_of, depth_over, due_in, nearest, shallower
from coop.overflow.domain.problem import Placed
from coop.overflow.domain.reasons import (
    CLOSED,
    FREE,
    KEPT,
    LENGTH,
    LESS,
    LONGER,
    MOVED,
    NEAR,
    NEARER,
    NEAREST,
    ONLY,
    OWN,
    PIECES,
    ROTATION,
    SHORTER,
    SUITS,
    TAKEN,
    TURNED,
    UNFETCHED,
    UNFIT,
    WHEN,
    Held,
    Narrowed,
    Reason,
)
from coop.overflow.domain.walked import UNREACHABLE_FEET

GRANTED, PARTLY, REFUSED = "granted", "partly", "refused"
LONGEST = 600
"""Letters of an answer at most: of many pieces the last are counted only."""

_WAITS = "the request goes on waiting, and counts as having waited longer"
_DAY = timedelta(days=1)
_NAMED = 3
"""Of pieces that stand side by side, the others are counted."""
_FIRST = {
    CLOSED: "aisles and openings must be wider then",
    KEPT: "what stands in the aisles stays",
    OWN: "your other pieces have the floor",
    MOVED: "pieces that had to move came first",
    LESS: "dealers who have had less floor for their rent came first",
    LONGER: "dealers who have waited longer came first",
    TAKEN: "other dealers' pieces have the floor",
}


@dataclass(frozen=True)
class Answer:
    outcome: str
    sentence: str
    by_unit: Mapping[str, str]
    """What is said of each unit of the request, by its key."""


def answers(posed: Posed, placed: Collection[Placed]) -> dict[str, Answer]:
    """What each asker of the period is told, by request. Those whose request is of a later one are told nothing."""
    told: dict[str, dict[str, str]] = {}
    whole: dict[str, bool] = {}
    at = {one.unit: one for one in placed}
    held = Held(posed, placed)
    for key, unit in posed.units.items():
        if unit.request:
            one = at.get(key)
            said = told_refused(held, unit) if one is None else _told_granted(held, unit, one)
            told.setdefault(unit.request.key, {})[key] = said
            whole[unit.request.key] = unit.weeks == unit.request.weeks
    return {
        key: Answer(_outcome([unit in at for unit in by_unit], whole=whole[key]), _short(by_unit), by_unit)
        for key, by_unit in told.items()
    }


def moves(posed: Posed, placed: Collection[Placed]) -> dict[str, str]:
    """By the key of a stay that must move, what its dealer is told."""
    held = Held(posed, placed)
    return {unit.stay.key: _told_moved(held, unit) for unit in posed.units.values() if unit.stay}


def _outcome(granted: Sequence[bool], *, whole: bool) -> str:
    """In part, too, where all stand for fewer weeks than were asked for."""
    return GRANTED if whole and all(granted) else PARTLY if any(granted) else REFUSED


def _short(by_unit: Mapping[str, str]) -> str:
    said = list(by_unit.values())
    for shown in range(len(said), 0, -1):
        left = len(said) - shown
        text = " ".join([*said[:shown], *([f"Your list says what came of {left} more."] if left else [])])
        if len(text) <= LONGEST:
            return text
    return shorten(said[0], LONGEST, placeholder=" ...")


# --- granted --------------------------------------------------------------------------------------------------------------


def _told_granted(held: Held, unit: PosedUnit, one: Placed) -> str:
    facts = held.facts
    stand = "stand side by side" if len(unit.pieces) > 1 else "stands"
    said = f"{_names(unit)} {stand} in {_where(facts, unit, one)}"
    return _sentence(said, _cut(facts, unit), _wish(held, unit, one), _here(held, unit, one), _why(held, unit))


def _sentence(said: str, *notes: str) -> str:
    """One sentence with its notes; where it would be too long, the last are left out."""
    kept = [note for note in notes if note]
    while kept and len("; ".join([said, *kept])) >= LONGEST:
        kept.pop()
    return "; ".join([said, *kept]) + "."


def _here(held: Held, unit: PosedUnit, one: Placed) -> str:
    """Why it is in this bay, of those in which it could have had the same weeks."""
    if unit.request and unit.request.wished_bay == one.bay:
        return "it is the bay you wished for"
    here = held.here(unit.key)
    if here.kind == ONLY:
        return f"it is the only {'bay' if here.among_all else f'one left of {here.would_do} bays'} that would do"
    if here.kind == NEARER:
        return f"bay {here.nearer} is nearer to your spaces and is left too, so ask the manager to change it"
    among = f"{here.would_do} bays that would do"
    if here.left < here.would_do and not here.among_all:
        among = f"the {here.left} left of {among}"
    if here.kind == NEAREST:
        return f"it is the nearest to your spaces of {among}"
    if here.kind == NEAR:
        return f"none of {among} is nearer to your spaces{', and its colors suit best' if here.suits else ''}"
    return f"of {among} it is the one whose colors suit best" if here.kind == SUITS else f"it is one of {among}"


def _why(held: Held, unit: PosedUnit) -> str:
    """Why it was given floor: nothing that fits was left out, or what its dealer has had of what is due."""
    if held.placed.keys() >= held.units.keys():
        return "there was room for all that fits"
    had, due = held.facts.dealer[unit.dealer].had_inch_weeks, due_in(held.facts)[unit.dealer]
    return (
        f"not all that was asked had room, and you have had {foot_weeks(had)} of the {foot_weeks(due)} foot-weeks that are due "
        "for your rent in a year"
    )


def _told_moved(held: Held, unit: PosedUnit) -> str:
    facts, one = held.facts, held.placed.get(unit.key)
    because = unit.stay.because if unit.stay else None
    wider = because and (
        f"as aisle {because.aisle} must keep {format_length(because.required_in16)} clear from {shown_day(because.since)} on, "
    )
    cannot = f"{_names(unit)} cannot stay where it stands, {wider or ''}"
    if one is None:
        return f"{cannot}and no bay has floor for it: take it home, or ask the manager."
    had = unit.stay.ends_on if unit.stay else facts.last_day
    longer = f"it had floor until {shown_day(had)}, and keeps it so long if that place is free" if had > facts.last_day else ""
    said = f"{cannot}and moves to {_where(facts, unit, one)}"
    return _sentence(said, longer, _here(held, unit, one))


def _names(unit: PosedUnit) -> str:
    text = _listed([piece.name for piece in unit.pieces])
    return text[:1].upper() + text[1:]


def _listed(names: Sequence[str]) -> str:
    """`Oak chest, Pine table, Cane chair and 3 more`"""
    left = len(names) - _NAMED
    return joined([*names[:_NAMED], f"{left} more"] if left > 1 else names)


def _where(facts: PeriodFacts, unit: PosedUnit, one: Placed) -> str:
    """`bay A1-3, 12 ft from booth 14, from Mon, Jan 4 to Mar 28, 2027`."""
    laid = (unit.laid or {})[one.bay]
    turned = [piece.name for piece, each in zip(unit.pieces, laid, strict=True) if each.stand.turned]
    side = f", {_listed(turned) + ' ' if len(laid) > 1 else ''}with the side to the aisle" if turned else ""
    near = nearest(facts.bays[one.bay], facts.dealer[unit.dealer])
    far = ""
    if near and near[0] < UNREACHABLE_FEET:
        far = f", {f'{near[0]} ft from' if near[0] else 'at'} {facts.dealer[unit.dealer].spaces[near[1]]} {near[1]}"
    return f"bay {one.bay}{side}{far}, from {_days(*days_of(facts, unit, one.start))}"


def _days(begins: date, ends: date) -> str:
    """`Mon, Jan 4 to Mar 28, 2027`."""
    return f"{begins:%a}, {shown_days(begins, ends)}"


def _cut(facts: PeriodFacts, unit: PosedUnit) -> str:
    asked = unit.request.weeks if unit.request else unit.weeks
    if unit.weeks == asked:
        return ""
    if unit.weeks == facts.rotation_weeks:
        why = "nobody is in one bay for more of any 52"
    else:
        why = f"floor beyond {shown_day(facts.last_day)} is not given yet, ask again for the rest"
    return f"that is {unit.weeks} of the {_weeks(asked)} asked for: {why}"


def _wish(held: Held, unit: PosedUnit, one: Placed) -> str:
    """Why it is not in the bay that was wished, where one was and it is not."""
    wished = unit.request.wished_bay if unit.request else ""
    if wished in ("", one.bay):
        return ""
    reason = held.why_not(unit.key, bay=wished, start=one.start)
    said = f"not in bay {wished}, which you wished for"
    if reason.kind in (UNFIT, CLOSED):
        narrowed = held.narrowed(unit.key, with_room=False, bay=wished, start=one.start)
        if narrowed:
            return f"{said}: {_wider(narrowed)}"
    if reason.kind == UNFIT:
        return f"{said}: {_unfit_there(held.facts, unit, wished, one.start)}"
    if reason.kind == FREE:
        return f"{said}: it is free then too, so ask the manager to change it"
    if reason.kind in (LENGTH, PIECES, ROTATION):
        return f"{said}: {_limit(held, unit, reason)}"
    return f"{said}: it has no room then, as {_first(unit, reason)}"


def _first(unit: PosedUnit, reason: Reason) -> str:
    """What has the floor: `dealers who have waited longer came first`."""
    if reason.kind != UNFETCHED or reason.stay is None or reason.stay.was_due is None:
        return _FIRST[reason.kind]
    stay, due = reason.stay, shown_day(reason.stay.was_due)
    what = f"your {stay.piece.name}, sold and" if stay.dealer == unit.dealer else "a sold piece that was"
    return f"{what} to be fetched by {due}{',' if stay.dealer == unit.dealer else ''} still stands in bay {stay.bay}"


def _unfit_there(facts: PeriodFacts, unit: PosedUnit, bay: str, start: int) -> str:
    room = facts.bays.get(bay)
    depth = depth_over(room, start, unit.weeks) if room else 0
    if room is None or not depth:
        return "it is not lent then"
    holds = room.bay.before in facts.dealer[unit.dealer].spaces
    for piece in unit.pieces:
        why = may_stand(piece, room.bay, facts.rules, holds_before=holds, depth_in16=depth)
        if isinstance(why, str):
            return f"{piece.name} {why.rstrip('.')}"
    return "it does not take these pieces side by side"


# --- refused --------------------------------------------------------------------------------------------------------------


def told_refused(held: Held, unit: PosedUnit) -> str:
    """Why a unit of a request that is not placed has no floor, and what would help."""
    reason = held.why_not(unit.key)
    by_width = reason.kind in (UNFIT, CLOSED)
    narrowed = None if reason.choice else held.narrowed(unit.key, with_room=not by_width)
    if reason.kind == UNFIT and narrowed is None:
        return _unfit(held.facts, unit)
    asked = _no_floor(held.facts, unit)
    if reason.choice and reason.kind == FREE:
        there = f"bay {reason.choice.place.bay} has room from {shown_day(held.facts.day_of(reason.choice.start))}"
        return f"{asked}, though {there}: the draft was ended before that was found, so ask the manager."
    until = _until(held.facts, narrowed) if narrowed else ""
    if by_width and until:
        why, until = until, ""
    else:
        why = _limit(held, unit, reason) if reason.choice else f"{_no_room(held, unit)}, as {_first(unit, reason)}"
    helps = [note for note in (until, _remedy(held, unit)) if note]
    return _sentence("; ".join([f"{asked}: {why}", *helps, _WAITS]))


def _until(facts: PeriodFacts, narrowed: Narrowed) -> str:
    """`bay A2-3 would do until Dec 6, 2026, but from Dec 7, 2026 on aisle A2 must keep 4' 0" clear`"""
    since = narrowed.because.since
    until = f" until {shown_day(since - _DAY)}" if since > facts.day_of(narrowed.start) else ""
    return f"bay {narrowed.bay} would do{until}, but {_wider(narrowed)}"


def _wider(narrowed: Narrowed) -> str:
    because = narrowed.because
    return f"from {shown_day(because.since)} on aisle {because.aisle} must keep {format_length(because.required_in16)} clear"


def _no_floor(facts: PeriodFacts, unit: PosedUnit) -> str:
    first, last = (facts.day_of(start) for start in (unit.starts[0], unit.starts[-1]))
    get = "get" if len(unit.pieces) > 1 else "gets"
    begins = f"from {shown_day(first)}" if first == last else f"beginning between {shown_day(first)} and {shown_day(last)}"
    return f"{_names(unit)} {get} no floor for {_weeks(unit.weeks)} {begins}"


def _weeks(number: int) -> str:
    return f"{number} week{'s' if number != 1 else ''}"


def _no_room(held: Held, unit: PosedUnit) -> str:
    lengths = {place.length_in16 for place in held.units[unit.key].places}
    room = f"{format_length(min(lengths))} free in a row" if len(lengths) == 1 else "room"
    return f"no bay that would do has {room} for so long"


def _limit(held: Held, unit: PosedUnit, reason: Reason) -> str:
    """The limit of its dealer's that is in the way, in the bay and weeks of the reason."""
    choice, problem = reason.choice, held.problem
    assert choice is not None
    taken = held.taken(problem, but=unit.key)
    if reason.kind == LENGTH:
        length = max(taken.in16[unit.dealer, week] for week in choice.weeks) + choice.place.length_in16
        had = f"with this you would have {format_length(length)}, what is kept free beside each piece included"
        return f"a dealer has at most {format_length(problem.most_in16 or 0)} of floor at a time, and {had}"
    if reason.kind == PIECES:
        pieces = max(taken.pieces[unit.dealer, week] for week in choice.weeks) + len(unit.pieces)
        most = f"{problem.most_pieces} piece{'s' if problem.most_pieces != 1 else ''}"
        return f"a dealer has at most {most} in the aisles at a time, and with this you would have {pieces}"
    bay = choice.place.bay
    weeks = held.facts.dealer[unit.dealer].weeks_had.get(bay, 0) + len(taken.weeks[unit.dealer, bay].union(choice.weeks))
    most = f"{held.facts.rotation_weeks} weeks of a period and the 52 before it"
    return f"nobody is in one bay for more than {most}, and with this you would be in bay {bay} for {weeks}"


def _remedy(held: Held, unit: PosedUnit) -> str:
    help_with = held.remedy(unit.key)
    if help_with is None:
        return ""
    begins = shown_day(held.facts.day_of(help_with.start))
    there = f"there would be room in bay {help_with.bay} from {begins}"
    if help_with.kind == WHEN:
        return f"{there}, if you ask to begin then"
    if help_with.kind == TURNED:
        return f"with its side to the aisle {there}: say that it may be turned"
    if help_with.kind == SHORTER:
        most = format_length(help_with.length_in16 - held.facts.rules.gap_in16)
        return f"for a piece of at most {most} along the bay {there}"
    return f"for {_weeks(help_with.weeks)} {there}"


def _unfit(facts: PeriodFacts, unit: PosedUnit) -> str:
    """Why no bay takes it, whoever else asks."""
    depths = [(room, max(depth_over(room, start, unit.weeks) for start in unit.starts)) for room in facts.rooms]
    bays = [shallower(room, depth) for room, depth in depths if depth]
    if facts.rooms and not bays:
        return f"{_no_floor(facts, unit)}: no bay is lent then."
    for piece in unit.pieces:
        why = nowhere(piece, bays, facts.rules, facts.dealer[unit.dealer].spaces)
        if why:
            return f"{piece.name[:1].upper() + piece.name[1:]} {why}"
    if len(unit.pieces) > 1:
        return f"No bay takes {_listed([piece.name for piece in unit.pieces])} side by side: ask for them one by one."
    return f"{_names(unit)} fits no bay as deep as it may be used then; ask the manager for floor elsewhere."
