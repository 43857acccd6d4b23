"""Whether a piece may stand at a place over some days: size and rules, other pieces, its dealer's limits, and clear width.

Limits may be let pass by who gives floor by hand, and that is said in the log. Clear width is never let pass: the whole mall is
checked again with everything that stands on the same days in it.
"""

from __future__ import annotations

from collections.abc import Collection, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import date, timedelta

from sqlalchemy.orm import Session

from coop.core.errors import Refusal
from coop.core.geometry import format_length
from coop.core.periods import shown_day, shown_days
from coop.dealers.models import Dealer
from coop.floor.domain.findings import newly_spoiled
from coop.floor.domain.plan import Outline, Plan
from coop.floor.models import Mall
from coop.floor.queries import plan_of, widths_of
from coop.overflow.asking import held_codes, leased_until
from coop.overflow.domain.bay import Bay
from coop.overflow.domain.clear import spoiled
from coop.overflow.domain.fitting import Stand, may_stand
from coop.overflow.domain.taking import YEAR, Taken, days_in, first_again, first_free, fullest, most_at_once, most_in_year
from coop.overflow.models import BayRow, OverflowPiece
from coop.overflow.reading import Standing, bay_of, bays_on, piece_of, standing_in, there_between
from coop.overflow.rules import OverflowRules, rules_on

_DAY = timedelta(days=1)
_ROUNDED_IN16 = 1
"""By so much a place that is reckoned anew in another bay may be off: what stood side by side still does."""


@dataclass(frozen=True)
class Place:
    """Where along a bay a piece begins to stand, and its first and last day there."""

    bay: BayRow
    from_in16: int
    starts_on: date
    ends_on: date
    turned: bool = False

    @property
    def days(self) -> tuple[date, date]:
        return self.starts_on, self.ends_on


class LimitRefused(Refusal):
    """A limit of the house that whoever gives floor by hand may let pass."""


@dataclass(frozen=True)
class Judged:
    """How it stands there, and which limits were let pass, each in a sentence."""

    stand: Stand
    passed: tuple[str, ...] = ()


def judge_place(
    session: Session,
    mall: Mall,
    piece: OverflowPiece,
    place: Place,
    *,
    today: date,
    kind: str,
    but: Collection[int] = (),
    anyway: bool = False,
    to_dealer: bool = False,
    is_clear: bool = False,
) -> Judged:
    """Raises Refusal for what may not stand there, LimitRefused for what may with `anyway`.

    `but` are ids of stays left out of account. `to_dealer`: it is a dealer who is refused, and no other's piece is named.
    A sold piece that was to be fetched before today and was not bars its floor on all days: it stands there still.
    `is_clear`: what is left clear was judged (`leave_clear`). The mall is held by the caller.
    """
    dealer = session.get_one(Dealer, piece.dealer_id)
    rules = rules_on(session, mall.id, place.starts_on)
    _require_bay(mall, place, to_dealer=to_dealer)
    if kind == "asked":
        _require_lease(session, mall, dealer, place)
    bay = bay_of(place.bay)
    stand = _require_fit(session, mall, piece, place, bay, rules)
    since = there_between(session, mall.id, place.starts_on - YEAR, date.max, today)
    known = [one for one in since if one.stay.id not in but]
    now = [one for one in known if _is_there(one, piece, place)]
    _require_once(piece, now)
    own = Taken(0, place.from_in16, place.from_in16 + stand.length_in16 + rules.gap_in16, *place.days)
    _require_free(now, place, own, rules, names_all=not to_dealer)
    passed = tuple(_limits_broken([one for one in known if one.dealer.id == dealer.id], dealer, place, own, rules))
    if passed and not anyway:
        raise LimitRefused(" ".join(passed))
    if not is_clear:
        _require_clear(session, mall, piece, place, stand, now)
    return Judged(stand, passed)


def _is_there(one: Standing, piece: OverflowPiece, place: Place) -> bool:
    """On any of a place's days; what waits to be fetched bars all but itself."""
    if one.stay.ends_on >= place.starts_on:
        return one.stay.starts_on <= place.ends_on
    return one.is_unfetched and one.piece.id != piece.id


def leave_clear(session: Session, mall: Mall, pieces: Sequence[tuple[OverflowPiece, Place]], today: date) -> bool:
    """Whether the mall is clear with all of some pieces in it on all days of any: then it is with each on its own days.

    False says nothing of any one of them.
    """
    own = {f"own {n}": _outline(place, stand_of(piece, turned=place.turned)) for n, (piece, place) in enumerate(pieces)}
    days = min(place.starts_on for _, place in pieces), max(place.ends_on for _, place in pieces)
    return not any(_spoiled_days(session, mall, own, days, there_between(session, mall.id, *days, today)))


def free_place(session: Session, bay: BayRow, length_in16: int, today: date, ends_on: date) -> int | None:
    """The leftmost place of a bay that is free from today to a last day for so much and the gap beside it; None where none is."""
    rules = rules_on(session, bay.mall_id, today)
    there = there_between(session, bay.mall_id, today, ends_on, today)
    return first_free(taken_along(there, bay, rules), length_in16 + rules.gap_in16, bay.length_in16)


def stand_of(piece: OverflowPiece, *, turned: bool) -> Stand:
    """How much of a piece is along the bay, and how much into the aisle."""
    if turned:
        return Stand(piece.depth_in16, piece.width_in16, turned=True)
    return Stand(piece.width_in16, piece.depth_in16, turned=False)


def taken_of(one: Standing, rules: OverflowRules) -> Taken:
    stay = one.stay
    return Taken(stay.id, stay.from_in16, stay.to_in16 + rules.gap_in16, stay.starts_on, stay.ends_on)


def taken_along(there: Iterable[Standing], bay: BayRow, rules: OverflowRules) -> list[Taken]:
    """What is taken of a bay, also by what stands partly in it since it was cut anew."""
    return [taken for _, taken in _takers(there, bay, rules)]


def _takers(there: Iterable[Standing], row: BayRow, rules: OverflowRules) -> Iterator[tuple[Standing, Taken]]:
    bay = bay_of(row)
    for one in there:
        taken = taken_of(one, rules)
        if one.bay.id == row.id:
            yield one, taken
        elif one.bay.ended_on is not None and (place := standing_in(bay, one)) is not None:
            yield one, replace(taken, from_in16=place[0] + _ROUNDED_IN16, to_in16=place[1] + rules.gap_in16 - _ROUNDED_IN16)


# --- place and piece ------------------------------------------------------------------------------------------------------


def _require_bay(mall: Mall, place: Place, *, to_dealer: bool) -> None:
    bay = place.bay
    if bay.mall_id != mall.id:
        raise Refusal(f"Bay {bay.code} is not in {mall.name}: choose one of that mall.")
    if place.ends_on < place.starts_on:
        raise Refusal(
            f"The last day, {shown_day(place.ends_on)}, is before the first, {shown_day(place.starts_on)}: write a later one."
        )
    if not bay.is_lent:
        mend = "ask the manager for floor" if to_dealer else "choose another bay, or let it be lent again first"
        raise Refusal(f"Bay {bay.code} is kept free: {mend}.")
    if place.starts_on < bay.starts_on or (bay.ended_on is not None and place.ends_on >= bay.ended_on):
        mend = "ask the manager for floor" if to_dealer else "choose another bay, or other days"
        raise Refusal(f"There is no bay {bay.code} on all of {shown_days(*place.days)}: {mend}.")


def _require_lease(session: Session, mall: Mall, dealer: Dealer, place: Place) -> None:
    until = leased_until(session, dealer.id, mall.id, place.starts_on)
    if until is None:
        raise Refusal(
            f"{dealer.code} has no lease at {mall.name} on {shown_day(place.starts_on)}: choose a day within the lease."
        )
    if until < place.ends_on:
        raise Refusal(f"The lease of {dealer.code} at {mall.name} ends on {shown_day(until)}: choose no later last day.")


def _require_fit(session: Session, mall: Mall, piece: OverflowPiece, place: Place, bay: Bay, rules: OverflowRules) -> Stand:
    if place.turned and not piece.may_turn:
        raise Refusal(f"{piece.name} may not be turned: let its front look on the aisle, or change that of the piece first.")
    stand = stand_of(piece, turned=place.turned)
    as_it_stands = replace(piece_of(piece), width_in16=stand.length_in16, depth_in16=stand.depth_in16, may_turn=False)
    holds_before = bool(bay.before) and bay.before in held_codes(session, piece.dealer_id, mall.id, place.starts_on)
    judged = may_stand(as_it_stands, bay, rules.pieces, holds_before=holds_before)
    if isinstance(judged, str):
        raise Refusal(f"{piece.name} may not stand in bay {bay.code}: it {judged}")
    room = bay.length_in16 - stand.length_in16 - rules.gap_in16
    if not 0 <= place.from_in16 <= room:
        raise Refusal(
            f"{piece.name} would reach beyond the end of bay {bay.code}: let it begin between 0 and {format_length(room)}."
        )
    return stand


def _require_once(piece: OverflowPiece, now: Sequence[Standing]) -> None:
    other = next((one for one in now if one.piece.id == piece.id), None)
    if other is not None:
        days = shown_days(other.stay.starts_on, other.stay.ends_on)
        raise Refusal(f"{piece.name} stands in bay {other.bay.code} already, {days}: move it there, or choose other days.")


def _require_free(now: Sequence[Standing], place: Place, own: Taken, rules: OverflowRules, *, names_all: bool) -> None:
    takers = list(_takers(now, place.bay, rules))
    taken = [stretch for _, stretch in takers]
    for one, stretch in takers:
        if stretch.from_in16 < own.to_in16 and stretch.to_in16 > own.from_in16:
            if one.is_late_on(place.starts_on):
                raise Refusal(_may_stand_still(one, names_it=names_all))
            free = first_free(taken, own.length_in16, place.bay.length_in16)
            mend = (
                "no other place of the bay is free then: choose another bay, or other days"
                if free is None
                else f"the first place free for it is at {format_length(free)}"
            )
            by = f", by {one.piece.name} of {one.dealer.code}" if names_all else ""
            begin, end = standing_in(bay_of(place.bay), one) or (stretch.from_in16, stretch.to_in16)
            raise Refusal(
                f"{format_length(begin)} to {format_length(end)} of bay {place.bay.code} is taken "
                f"{shown_days(one.stay.starts_on, one.stay.ends_on)}{by}; {mend}."
            )


def _may_stand_still(one: Standing, *, names_it: bool) -> str:
    which = f"{one.piece.name} of {one.dealer.code}" if names_it else "What stood there last"
    mend = "say that it was fetched, or choose another place" if names_it else "ask the manager whether it was fetched"
    return f"{which} is sold, was to be fetched by {shown_day(one.stay.ends_on)}, and may stand there still: {mend}."


# --- limits ---------------------------------------------------------------------------------------------------------------


def _limits_broken(known: Sequence[Standing], dealer: Dealer, place: Place, own: Taken, rules: OverflowRules) -> Iterator[str]:
    """Limits of a dealer that a place would break, by all that dealer's stays of the year before and of days to come."""
    taken = [taken_of(one, rules) for one in known]
    length, pieces = most_at_once([own, *(one for one in taken if one.meets(*place.days))], *place.days)
    if rules.most_in16 is not None and length > rules.most_in16:
        yield (
            f"{dealer.code} would have {format_length(length)} of floor at a time, the gaps beside pieces counted: "
            f"{format_length(rules.most_in16)} is the most."
        )
    if rules.most_pieces is not None and pieces > rules.most_pieces:
        yield f"{dealer.code} would have {pieces} pieces in the aisles at a time: {rules.most_pieces} are the most."
    same_bay = [one for one, row in zip(taken, known, strict=True) if row.bay.code == place.bay.code]
    there, added, most = days_in(same_bay), days_in([own]), 7 * rules.rotation_weeks
    days = most_in_year(there, added)
    if days > most:
        again = first_again(there, len(added), most, place.starts_on)
        mend = f"from {shown_day(again)} on it may be there for as many" if again else f"choose {most} days at most"
        yield (
            f"{dealer.code} would be in bay {place.bay.code} on {days} days of 52 weeks: {rules.rotation_weeks} weeks "
            f"({most} days) are the most, so that everybody has a turn in it; {mend}."
        )


# --- clear width ----------------------------------------------------------------------------------------------------------


def _require_clear(
    session: Session, mall: Mall, piece: OverflowPiece, place: Place, stand: Stand, now: Sequence[Standing]
) -> None:
    """Refuse what makes the mall less clear than it is without this piece, on any of its days."""
    own = {"": _outline(place, stand)}
    for bays, days in _spoiled_days(session, mall, own, place.days, now):
        for day, plan, others in days:
            found = spoiled(plan, others | own, bays)
            # What stands may spoil something by itself, since a width is another: that is not this piece's fault.
            if found and (found := spoiled(plan, own, bays) or newly_spoiled(spoiled(plan, others, bays), found)):
                raise Refusal(f"{piece.name} may not stand there, from {shown_day(day)} on: {found[0].sentence}")


def _outline(place: Place, stand: Stand) -> Outline:
    return bay_of(place.bay).stretch(place.from_in16, place.from_in16 + stand.length_in16, stand.depth_in16)


_Days = list[tuple[date, Plan, dict[str, Outline]]]
"""Days, each with its plan and what stands on it."""


def _spoiled_days(
    session: Session, mall: Mall, own: Mapping[str, Outline], over: tuple[date, date], now: Sequence[Standing]
) -> Iterator[tuple[Sequence[Bay], _Days]]:
    """The runs of days of one width in which pieces spoil something together with all that stands on any day of the run.

    Each with the bays that may be taken for full, and its days of which every other has no more on it.
    """
    outlines = {one.stay.id: one.outline for one in now}
    taken = [
        Taken(one.stay.id, 0, 0, one.stay.starts_on, max(one.stay.ends_on, over[1] if one.is_unfetched else date.min))
        for one in now
    ]
    rows = [bay_of(row) for row in bays_on(session, mall.id, over[0])]
    for first, last in _of_one_width(session, mall, *over):
        # A bay is as deep as the width of its first days lets it be: only then may it be taken for full.
        bays = rows if first == over[0] else ()
        days = [
            (day, plan, {str(one.key): outlines[one.key] for one in there})
            for day, there in fullest(taken, first, last)
            if (plan := plan_of(session, mall, day))
        ]
        # Where all that stands on any of these days spoils nothing together, what stands on one of them spoils nothing.
        together = dict(own)
        for _, _, there in days:
            together |= there
        if any(spoiled(plan, together, bays) for plan in {plan for _, plan, _ in days}):
            yield bays, days


def _of_one_width(session: Session, mall: Mall, first: date, last: date) -> Iterator[tuple[date, date]]:
    """Some days in runs over which every aisle keeps one required width."""
    changes = sorted({row.starts_on for row in widths_of(session, mall.id) if first < row.starts_on <= last})
    yield from zip([first, *changes], [*(day - _DAY for day in changes), last], strict=True)
