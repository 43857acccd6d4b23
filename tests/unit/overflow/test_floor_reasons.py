"""Whatever is asked and however it is placed: each reason is true, each remedy would have helped, by the checker and by hand.

The claims are recomputed from the problem, the placed and the facts by other means than they were found.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from fractions import Fraction

from hypothesis import given, settings
from hypothesis import strategies as st

from coop.overflow.domain.answers import answers
from coop.overflow.domain.checking import broken
from coop.overflow.domain.facts import PeriodFacts
from coop.overflow.domain.fairness import due_of
from coop.overflow.domain.posing import Posed, pose, stays_of
from coop.overflow.domain.problem import Place, Placed, Problem, Unit
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
    WEEKS,
    Held,
)
from coop.overflow.solving.assign import solve
from coop.shifts.solving.outcome import Stop
from tests.unit.overflow.periods import any_facts, inches

FAULTS = {LENGTH: "more length than may be", PIECES: "more pieces than may be", ROTATION: "for more weeks than are left"}


def placings(problem: Problem, placed: list[Placed], unit: Unit, place: Place, start: int) -> Iterator[Placed]:
    """A unit at the beginning of a bay, and beside everything in it."""
    ends = [one.to_in16 for one in (*problem.fixed, *placed) if one.bay == place.bay]
    for begin in sorted({0, *ends}):
        yield Placed(unit.key, place.bay, begin, begin + place.length_in16, start, place.turned)


def roomy(problem: Problem, placed: list[Placed], unit: Unit, place: Place, start: int) -> bool:
    """Whether it could be added so that no rule of the problem is broken."""
    return any(not broken(problem, [*placed, one]) for one in placings(problem, placed, unit, place, start))


def whens(unit: Unit) -> list[tuple[Place, int]]:
    return [(place, start) for place in unit.places for start in place.starts or unit.starts]


def unlimited(problem: Problem) -> Problem:
    return replace(problem, most_in16=None, most_pieces=None, weeks_left={})


def check_reason(posed: Posed, placed: list[Placed], key: str) -> str:
    """What kind the reason of a unit that is not placed is, once its claim is found true."""
    facts, problem = posed.facts, posed.problem
    free, units = unlimited(problem), {unit.key: unit for unit in problem.units}
    held = Held(posed, placed)
    reason = held.why_not(key)
    if reason.kind == UNFIT:
        assert key not in units
        return UNFIT
    unit = units[key]
    with_room = [(place, start) for place, start in whens(unit) if roomy(free, placed, unit, place, start)]
    if reason.kind in (FREE, LENGTH, PIECES, ROTATION):
        at = reason.choice.place, reason.choice.start
        assert roomy(problem, placed, unit, *at) is (reason.kind == FREE)
        if reason.kind in FAULTS:
            one = next(placings(problem, placed, unit, *at))
            assert any(FAULTS[reason.kind] in fault for fault in broken(problem, [*placed, one]))
            assert at in with_room or not with_room
        return reason.kind
    assert not with_room

    def without(gone) -> bool:
        """Whether it would have room if what somebody has by this draft were not there, the limits kept as they are."""
        rest = [one for one in placed if not gone(units[one.unit])]
        return any(roomy(free, rest, unit, *at) for at in allowed)

    allowed = [at for at in whens(unit) if not limits_hit(problem, placed, unit, *at)]
    assert allowed
    assert without(lambda _: True) is (reason.kind not in (CLOSED, UNFETCHED, KEPT))
    if reason.kind in (CLOSED, UNFETCHED, KEPT, OWN, MOVED):
        closed = replace(free, fixed=tuple(one for one in free.fixed if one.key.startswith("closed")))
        assert any(roomy(closed, [], unit, *at) for at in allowed) is (reason.kind != CLOSED)
        fetched = replace(free, fixed=tuple(one for one in free.fixed if not one.key.startswith("sold")))
        if reason.kind in (UNFETCHED, KEPT):
            assert any(roomy(fetched, [], unit, *at) for at in allowed) is (reason.kind == UNFETCHED)
        if reason.kind == UNFETCHED:
            assert reason.stay.was_due
            assert reason.stay.bay in {place.bay for place, _ in allowed}
        if reason.kind in (OWN, MOVED):
            assert without(lambda other: other.dealer == unit.dealer or other.is_standing)
        if reason.kind == OWN:
            assert without(lambda other: other.dealer == unit.dealer)
        return reason.kind
    stays_only = [at for at in allowed if roomy(free, [], unit, *at)]
    before = [
        units[one.unit]
        for one in placed
        if any(
            one.bay == place.bay and one.start < start + unit.weeks and start < one.start + units[one.unit].weeks
            for place, start in stays_only
        )
        and units[one.unit].dealer != unit.dealer
        and not units[one.unit].is_standing
    ]
    assert before
    mine = part_had(facts, unit.dealer)
    less = all(part_had(facts, other.dealer) < mine for other in before)
    longer = all(other.waited_days > unit.waited_days for other in before)
    assert reason.kind == (LESS if less else LONGER if longer else TAKEN)
    return reason.kind


def limits_hit(problem: Problem, placed: list[Placed], unit: Unit, place: Place, start: int) -> bool:
    one = next(placings(problem, placed, unit, place, start))
    return any(words in fault for words in FAULTS.values() for fault in broken(problem, [*placed, one]))


def part_had(facts: PeriodFacts, dealer: str) -> Fraction:
    floor_in = sum(room.bay.length_in16 for room in facts.rooms) // inches(1)
    due = due_of({one.code: one.rent_cents for one in facts.dealers}, floor_in)
    return Fraction(facts.dealer[dealer].had_inch_weeks, due[dealer])


def check_remedy(posed: Posed, placed: list[Placed], key: str) -> str:
    """The kind of a remedy, once it is found to help; or nothing."""
    facts, problem = posed.facts, posed.problem
    remedy = Held(posed, placed).remedy(key)
    if remedy is None:
        return ""
    unit = next(unit for unit in problem.units if unit.key == key)
    if remedy.kind == TURNED:
        request = posed.units[key].request
        (piece,) = posed.units[key].pieces
        other = replace(piece, width_in16=piece.depth_in16, depth_in16=piece.width_in16)
        pieces = tuple(other if one == piece else one for one in request.pieces)
        asked = tuple(replace(request, pieces=pieces) if one == request else one for one in facts.asked)
        problem = pose(replace(facts, asked=asked)).problem
        changed = next(unit for unit in problem.units if unit.key == key)
        place = next(place for place in changed.places if place.bay == remedy.bay)
        assert remedy.start in (place.starts or changed.starts)
    else:
        place = next(place for place in unit.places if place.bay == remedy.bay)
        if remedy.kind == SHORTER:
            place = replace(place, length_in16=remedy.length_in16)
        else:
            deepest = max(one.stand.depth_in16 for one in posed.units[key].laid[remedy.bay])
            weeks = range(remedy.start, remedy.start + remedy.weeks)
            assert all(facts.bays[remedy.bay].depth_by_week[week] >= deepest for week in weeks)
            place = replace(place, starts=None)
        assert (remedy.weeks < unit.weeks) is (remedy.kind == WEEKS)
        changed = replace(unit, places=(place,), weeks=remedy.weeks, starts=(remedy.start,))
    problem = replace(problem, units=tuple(changed if one.key == key else one for one in problem.units))
    assert roomy(problem, placed, changed, place, remedy.start)
    return remedy.kind


def check_narrowed(posed: Posed, placed: list[Placed], key: str, kind: str) -> str:
    """`width` where a width is told as a cause, once it is found to be one; it is told wherever it is, beside other causes."""
    with_room = kind not in (UNFIT, CLOSED)
    narrowed = Held(posed, placed).narrowed(key, with_room=with_room)
    rooms = tuple(
        replace(
            room,
            depth_by_week=tuple(
                room.bay.depth_in16 if why else depth for depth, why in zip(room.depth_by_week, room.widened, strict=True)
            ),
            closed=tuple(each for each in room.closed if each.because is None),
        )
        for room in posed.facts.rooms
    )
    as_cut = pose(replace(posed.facts, rooms=rooms))
    unit = next((unit for unit in as_cut.problem.units if unit.key == key), None)
    others = tuple(one for one in posed.problem.units if one.key != key)
    problem = replace(posed.problem, fixed=as_cut.problem.fixed, units=(*others, *([unit] if unit else [])))
    with_rooms = (
        [(place.bay, start) for place, start in whens(unit) if roomy(problem, placed, unit, place, start)] if unit else []
    )
    if narrowed is None:
        assert not with_rooms
        return ""
    assert (narrowed.bay, narrowed.start) in with_rooms if with_room else unit is not None
    room = posed.facts.bays[narrowed.bay]
    assert narrowed.because in (*room.widened, *(each.because for each in room.closed))
    deepest = max(one.stand.depth_in16 for one in as_cut.units[key].laid[narrowed.bay])
    weeks = range(narrowed.start, narrowed.start + unit.weeks)
    since = posed.facts.week_of(narrowed.because.since)

    def is_whole(week: int) -> bool:
        shut = any(each.because and each.first <= week <= each.last for each in room.closed)
        return room.depth_by_week[week] >= deepest and not shut

    assert all(is_whole(week) for week in weeks if week < since)
    assert not all(map(is_whole, weeks))
    return "width"


def check_here(posed: Posed, placed: list[Placed], key: str) -> str:
    """What kind of place a unit has, once it is found true."""
    facts, problem = posed.facts, posed.problem
    unit = next(unit for unit in problem.units if unit.key == key)
    own = next(one for one in placed if one.unit == key)
    rest = [one for one in placed if one.unit != key]
    here = Held(posed, placed).here(key)
    spaces = facts.dealer[unit.dealer].spaces

    def feet(bay: str) -> int:
        return min((far for code, far in facts.bays[bay].feet_to.items() if code in spaces), default=9_999)

    there = [place for place in unit.places if place.starts is None or own.start in place.starts]
    left = [place for place in there if place.bay == own.bay or roomy(problem, rest, unit, place, own.start)]
    assert (here.would_do, here.left) == (len(there), len(left))
    others = [place for place in (there if here.among_all else left) if place.bay != own.bay]
    mine = feet(own.bay)
    if here.kind == ONLY:
        assert others == []
    elif here.kind == NEARER:
        assert here.nearer in {place.bay for place in left}
        assert feet(here.nearer) == min(feet(place.bay) for place in left) < mine
    elif here.kind in (NEAREST, NEAR):
        assert all(feet(place.bay) > mine if here.kind == NEAREST else feet(place.bay) >= mine for place in others)
        as_near = [place.tone for place in others if feet(place.bay) == mine]
    else:
        assert mine == 9_999
        as_near = [place.tone for place in others]
    if here.suits or here.kind == SUITS:
        assert facts.bays[own.bay].palette
        assert all(next(place.tone for place in there if place.bay == own.bay) < tone for tone in as_near)
    return here.kind


def check_all(facts: PeriodFacts, *, leave_out: int = 0) -> Iterator[str]:
    """Every kind of reason and remedy that is met, of a draft of which the last few are taken out again."""
    posed = pose(facts)
    placed = list(solve(posed.problem, Stop.repeatable(1)).placed)
    placed = placed[: len(placed) - leave_out] if leave_out else placed
    assert broken(posed.problem, placed) == []
    there = {one.unit for one in placed}
    for key, unit in posed.units.items():
        if key in there:
            yield check_here(posed, placed, key)
        elif unit.request:
            kind = check_reason(posed, placed, key)
            yield kind
            if kind not in (FREE, LENGTH, PIECES, ROTATION):
                yield check_narrowed(posed, placed, key, kind)
            if kind not in (UNFIT, FREE):
                yield check_remedy(posed, placed, key)


@settings(max_examples=60)
@given(any_facts(most_asked=8), st.integers(0, 1))
def test_each_reason_is_true_and_each_remedy_would_have_helped(facts, leave_out):
    list(check_all(facts, leave_out=leave_out))


@settings(max_examples=25)
@given(any_facts(most_asked=8))
def test_stays_never_overlap_and_are_of_the_piece_and_its_bay(facts):
    posed = pose(facts)
    stays = stays_of(posed, solve(posed.problem, Stop.repeatable(1)).placed)
    kept = [stay for stay in facts.standing if not stay.must_move]
    for number, stay in enumerate(stays):
        room = facts.bays[stay.bay]
        piece = next(piece for unit in posed.units.values() for piece in unit.pieces if piece.key == stay.piece)
        sides = (piece.depth_in16, piece.width_in16) if stay.turned else (piece.width_in16, piece.depth_in16)
        assert (stay.to_in16 - stay.from_in16, stay.depth_in16) == sides
        assert 0 <= stay.from_in16 < stay.to_in16 <= room.bay.length_in16
        assert facts.first_day <= stay.starts_on <= stay.ends_on <= facts.last_day
        for day in (stay.starts_on, stay.ends_on):
            assert stay.depth_in16 <= room.depth_by_week[facts.week_of(day)]
        weeks = range(facts.week_of(stay.starts_on), facts.week_of(stay.ends_on) + 1)
        for shut in room.closed:
            in_it = stay.from_in16 < shut.to_in16 and shut.from_in16 < stay.to_in16
            assert not in_it or shut.last < weeks.start or weeks.stop <= shut.first
        for other in (*stays[:number], *kept):
            same_days = stay.starts_on <= other.ends_on and other.starts_on <= stay.ends_on
            gap = facts.rules.gap_in16
            beside = stay.to_in16 + gap <= other.from_in16 or other.to_in16 + gap <= stay.from_in16
            assert stay.bay != other.bay or not same_days or beside


@settings(max_examples=25)
@given(any_facts(most_asked=8))
def test_every_asker_of_the_period_is_told_and_no_dealer_is_named(facts):
    posed = pose(facts)
    told = answers(posed, solve(posed.problem, Stop.repeatable(1)).placed)
    assert told.keys() == {one.key for one in facts.asked} - set(posed.later)
    for answer in told.values():
        assert answer.sentence.endswith(".")
        assert not any(dealer.code in answer.sentence for dealer in facts.dealers)
