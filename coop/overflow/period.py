"""A period of overflow read from the database, and made the facts that a draft goes by.

`read_period` reads rows, in one transaction; `facts_of` works out from them, without one, how deep each bay may be used in each
week, what must move then, and how far it is to walk. A draft is published while what was read has the same hash.
"""

from __future__ import annotations

import hashlib
from collections import defaultdict
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import date, timedelta
from fractions import Fraction
from itertools import takewhile
from math import ceil, floor

import shapely
from shapely.geometry import LineString, Polygon
from sqlalchemy import func, select
from sqlalchemy.orm import Session, joinedload

from coop.books.queries import dealer_balances_before, last_closed
from coop.core.geometry import IN16_PER_INCH
from coop.core.money import round_half_up
from coop.dealers.models import Dealer
from coop.floor.domain.plan import Outline, Plan
from coop.floor.models import AisleWidth, Mall, Space
from coop.floor.queries import plan_of, widths_of
from coop.leases.models import Charge, Lease
from coop.overflow.asking import given_pieces, leased_until
from coop.overflow.domain import clear
from coop.overflow.domain.across import edge_between
from coop.overflow.domain.bay import Bay
from coop.overflow.domain.bays import work_out
from coop.overflow.domain.facts import AskedFor, BayFacts, Closed, DealerFacts, PeriodFacts, StandingStay, Widened
from coop.overflow.domain.fees import expected_fee
from coop.overflow.domain.keepouts import Opening
from coop.overflow.domain.kept_clear import PlanSpan
from coop.overflow.domain.lanes import required_clear
from coop.overflow.domain.lent import BayRules
from coop.overflow.domain.walked import feet_from_bays
from coop.overflow.models import BayRow, OverflowPiece, OverflowRequest
from coop.overflow.openings import openings_of
from coop.overflow.queries import WAITING, overdue_sold
from coop.overflow.reading import Standing, bay_of, piece_of, pieces_of, spaces_held, standing_between
from coop.overflow.rules import OverflowRules, rules_on
from coop.overflow.survey_asking import survey_row

YEAR = timedelta(days=365)
ROTATION_WEEKS = 52
RENT_KINDS = ("rent", "case", "shelf", "wall")
"""Kinds of charge that are rent of a dealer's own spaces."""
_AT_IN16 = IN16_PER_INCH // 2
"""So far from its back a bay worked out anew is at the same back: corners are rounded."""
_DAY = timedelta(days=1)


@dataclass(frozen=True)
class PlanFrom:
    """The plan with the widths that hold from a day of the period on."""

    day: date
    plan: Plan
    as_surveyed: bool
    """The bays' rows were worked out from the same."""
    widened: tuple[Widened, ...] = ()
    """Aisles that must keep more clear than when the bays were worked out, where widths are all that is another since."""


@dataclass(frozen=True)
class PeriodRead:
    """What the rows say of a period. In `facts` bays are as deep as their rows and nothing is known of walking."""

    facts: PeriodFacts
    plans: tuple[PlanFrom, ...]
    """By their days, the first of them the period's first; none while no plan is drawn."""
    openings: tuple[Opening, ...]
    bay_rules: BayRules
    without_lease: tuple[tuple[str, str], ...]
    """Key and dealer of requests of who has no lease when they could begin: they get no floor."""
    lease_ends: Mapping[str, date]
    """By the key of a request, the day its dealer's lease ends on, where it is asked for longer."""


def hash_of(read: PeriodRead) -> str:
    """SHA-256 over all that was read: another one means that something has changed."""
    return hashlib.sha256(repr(read).encode()).hexdigest()


# --- reading --------------------------------------------------------------------------------------------------------------


def read_period(session: Session, mall: Mall, first_day: date, weeks: int, today: date) -> PeriodRead:
    """All that a draft of so many weeks from a day on goes by. `today` is the day the bays' rows were worked out for."""
    last_day = first_day + timedelta(weeks=weeks) - _DAY
    rules = rules_on(session, mall.id, first_day)
    standing = standing_between(session, mall.id, first_day, last_day)
    asked, without_lease, lease_ends = _asked(session, mall, first_day, last_day, rules)
    rows = _bay_rows(session, mall, first_day, last_day)
    facts = PeriodFacts(
        first_day=first_day,
        weeks=weeks,
        rooms=tuple(_room(row, first_day, weeks) for row in rows),
        asked=asked,
        dealers=tuple(_dealers(session, mall, first_day, last_day)),
        standing=(
            *_standing(session, mall, standing, {row.id for row in rows}),
            *_unfetched(session, mall, rows, last_day, today),
        ),
        rules=rules.pieces,
        most_in16=rules.most_in16,
        most_pieces=rules.most_pieces,
        rotation_weeks=rules.rotation_weeks,
    )
    plans = tuple(_plans(session, mall, first_day, last_day, today, rules))
    return PeriodRead(facts, plans, openings_of(session, mall.id), rules.bays, without_lease, lease_ends)


def _bay_rows(session: Session, mall: Mall, first_day: date, last_day: date) -> Sequence[BayRow]:
    """Of each code the row that is not ended: what stands in one that is has no bay any more."""
    rows = select(BayRow).where(BayRow.mall_id == mall.id, BayRow.starts_on <= last_day)
    # Sorted here: databases order letters each in its way, and the same facts are to be drafted the same on any.
    return sorted(session.scalars(rows.where(BayRow.ended_on.is_(None))), key=lambda row: row.code)


def _room(row: BayRow, first_day: date, weeks: int) -> BayFacts:
    begins = (first_day + timedelta(weeks=week) for week in range(weeks))
    depths = (row.depth_in16 if row.is_lent and row.starts_on <= begin else 0 for begin in begins)
    return BayFacts(bay_of(row), tuple(depths), tuple(row.palette))


def _plans(
    session: Session, mall: Mall, first_day: date, last_day: date, today: date, rules: OverflowRules
) -> Iterator[PlanFrom]:
    now, by_then = plan_of(session, mall, today), rules_on(session, mall.id, today).bays
    widths = widths_of(session, mall.id)
    for day in sorted({first_day, *(row.starts_on for row in widths if first_day < row.starts_on <= last_day)}):
        plan = plan_of(session, mall, day)
        if plan is not None:
            is_same = now is not None and rules.bays == by_then and _bare(plan) == _bare(now)
            widened = tuple(_widened(now, plan, widths, day)) if now is not None and is_same else ()
            yield PlanFrom(day, plan, (plan, rules.bays) == (now, by_then), widened)


def _bare(plan: Plan) -> Plan:
    """Without what is to be kept clear."""
    aisles = tuple(replace(aisle, required_clear_in16=None) for aisle in plan.aisles)
    return replace(plan, aisles=aisles, required_clear_in16=0)


def _widened(before: Plan, plan: Plan, widths: Sequence[AisleWidth], day: date) -> Iterator[Widened]:
    """Aisles that must keep more clear on a day than before, and since when; `widths` are the newest first."""
    for aisle, was in zip(plan.aisles, before.aisles, strict=True):
        required = required_clear(plan, aisle)
        rows = [row for row in widths if row.aisle in ("", aisle.code) and row.starts_on <= day]
        if rows and required > required_clear(before, was):
            yield Widened(aisle.code, required, _as_wide_since(rows))


def _as_wide_since(rows: Sequence[AisleWidth]) -> date:
    """Since when an aisle is as wide as on the day of the first of its and of every aisle's widths, the newest first."""

    def kept_on(day: date) -> int:
        return max({row.aisle: row.required_clear_in16 for row in reversed(rows) if row.starts_on <= day}.values())

    return list(takewhile(lambda day: kept_on(day) == kept_on(rows[0].starts_on), (row.starts_on for row in rows)))[-1]


def _standing(session: Session, mall: Mall, standing: Iterable[Standing], bay_ids: set[int]) -> Iterator[StandingStay]:
    moving = survey_row(session, mall.id).value.get("must_move", {})
    for one in sorted(standing, key=lambda one: one.stay.id):
        stay = one.stay
        yield StandingStay(
            key=str(stay.id),
            dealer=one.dealer.code,
            bay=one.bay.code,
            from_in16=stay.from_in16,
            to_in16=stay.to_in16,
            depth_in16=stay.depth_in16,
            starts_on=stay.starts_on,
            ends_on=stay.ends_on,
            piece=piece_of(one.piece),
            kind=stay.kind,
            must_move=str(stay.id) in moving or one.bay.id not in bay_ids,
        )


def _unfetched(session: Session, mall: Mall, rows: Sequence[BayRow], last_day: date, today: date) -> Iterator[StandingStay]:
    """What was sold and should have been fetched by today, where it stands in bays there are: so it bars floor of the period."""
    for one in sorted(overdue_sold(session, mall.id, today), key=lambda one: one.stay.id):
        for row in rows:
            stretch = (one.stay.from_in16, one.stay.to_in16) if row.id == one.bay.id else _covered(bay_of(row), one.outline)
            if stretch is not None:
                yield StandingStay(
                    key=str(one.stay.id),
                    dealer=one.dealer.code,
                    bay=row.code,
                    from_in16=stretch[0],
                    to_in16=stretch[1],
                    depth_in16=one.stay.depth_in16,
                    starts_on=one.stay.starts_on,
                    ends_on=last_day,
                    piece=piece_of(one.piece),
                    kind=one.stay.kind,
                    was_due=one.stay.ends_on,
                )


def _covered(bay: Bay, outline: Outline) -> tuple[int, int] | None:
    """What of a bay's length an outline covers that stands within it; None for nothing, and for a corner's rounding."""
    shape = Polygon(bay.corners).buffer(-_AT_IN16, join_style="mitre").intersection(Polygon(outline))
    if shape.is_empty:
        return None
    along, _, end, _ = edge_between(bay.corners[0], bay.corners[1], bay.corners[3]).seen(shape).bounds
    return max(0, floor(along)), min(bay.length_in16, ceil(end))


# --- what is asked --------------------------------------------------------------------------------------------------------


def _asked(
    session: Session, mall: Mall, first_day: date, last_day: date, rules: OverflowRules
) -> tuple[tuple[AskedFor, ...], tuple[tuple[str, str], ...], dict[str, date]]:
    """Requests that wait, cut where a dealer's lease ends; those without a lease; and when the leases end of those cut."""
    rows = session.execute(
        select(OverflowRequest, Dealer.code)
        .join(Dealer, Dealer.id == OverflowRequest.dealer_id)
        .where(OverflowRequest.mall_id == mall.id, OverflowRequest.state.in_(WAITING))
        .order_by(OverflowRequest.id)
    ).all()
    pieces = pieces_of(session, [request for request, _ in rows])
    given = given_pieces(session, [piece.id for each in pieces.values() for piece in each])
    asked, without, ends = [], [], {}
    for request, code in rows:
        waiting = [piece for piece in pieces[request.id] if piece.id not in given]
        if not waiting:
            continue
        one = _asked_for(request, code, waiting, rules)
        begins = max(request.not_before, first_day)
        until = leased_until(session, request.dealer_id, mall.id, begins) if begins <= last_day else date.max
        within = None if until is None else _within(one, begins, until, first_day)
        if within is None:
            without.append((one.key, one.dealer))
            continue
        if until is not None and within.weeks < one.weeks:
            ends[one.key] = until
        asked.append(within)
    return tuple(asked), tuple(without), ends


def _within(one: AskedFor, begins: date, until: date, first_day: date) -> AskedFor | None:
    """What of it lies within a lease; None for not a week. It begins with a week of the period, then or after."""
    if until == date.max:
        return one
    left = (until - first_day + _DAY).days // 7 - -(-(begins - first_day).days // 7)
    weeks = min(one.weeks, left)
    return replace(one, weeks=weeks, flexible_weeks=min(one.flexible_weeks, left - weeks)) if left > 0 else None


def _asked_for(request: OverflowRequest, code: str, waiting: Sequence[OverflowPiece], rules: OverflowRules) -> AskedFor:
    return AskedFor(
        key=str(request.id),
        dealer=code,
        pieces=tuple(piece_of(piece) for piece in waiting),
        asked_on=request.asked_on,
        not_before=request.not_before,
        weeks=request.weeks,
        flexible_weeks=request.flexible_weeks,
        together=request.together,
        wished_bay=request.bay_code,
        cents={str(piece.id): _brings(piece, request.weeks, rules) for piece in waiting},
    )


def _brings(piece: OverflowPiece, weeks: int, rules: OverflowRules) -> int:
    return expected_fee(rules.fee, piece.width_in16, weeks) if rules.last_by == "fee" else piece.price_cents or 0


# --- dealers --------------------------------------------------------------------------------------------------------------


def _dealers(session: Session, mall: Mall, first_day: date, last_day: date) -> Iterator[DealerFacts]:
    """Who has a lease on a day of the period, by code."""
    rents = rents_of(session, mall, first_day)
    had = standing_between(session, mall.id, first_day - YEAR, first_day - _DAY)
    inch_weeks, weeks_had = floor_had(had, first_day), _weeks_had(had, first_day)
    held = spaces_held(session, mall.id, first_day)
    spaces = {space.id: space for space in session.scalars(select(Space).where(Space.mall_id == mall.id))}
    for dealer in tenants(session, mall, first_day, last_day):
        yield DealerFacts(
            code=dealer.code,
            spaces={spaces[one].code: spaces[one].kind for one in sorted(held.get(dealer.id, ()))},
            rent_cents=rents.get(dealer.id, 0),
            had_inch_weeks=inch_weeks.get(dealer.id, 0),
            weeks_had=weeks_had.get(dealer.id, {}),
        )


def tenants(session: Session, mall: Mall, first: date, last: date) -> Sequence[Dealer]:
    """Dealers with a lease at a mall on any of some days, by code."""
    over = Lease.starts_on <= last, Lease.ends_on.is_(None) | (Lease.ends_on >= first)
    ids = select(Lease.dealer_id).where(Lease.mall_id == mall.id, *over)
    rows = select(Dealer).where(Dealer.id.in_(ids)).options(joinedload(Dealer.member))
    return sorted(session.scalars(rows), key=lambda dealer: dealer.code)


def rents_of(session: Session, mall: Mall, before: date) -> dict[int, int]:
    """Cents of rent paid for months that begin in the year before a day, by the dealer's id.

    What was charged, less what a dealer's account was below zero when the last closed month ended. Money that comes in between
    counts from the next close on: else each payment would make a draft that waits out of date.
    """
    rows = session.execute(
        select(Charge.dealer_id, func.sum(Charge.amount_cents))
        .where(Charge.mall_id == mall.id, Charge.kind.in_(RENT_KINDS))
        .where(Charge.first_day >= before - YEAR, Charge.first_day < before)
        .group_by(Charge.dealer_id)
    )
    closed = last_closed(session, mall.id)
    owed = dealer_balances_before(session, mall.id, closed.next.first_day) if closed else {}
    return {dealer_id: max(0, int(cents) + min(0, owed.get(dealer_id, 0))) for dealer_id, cents in rows}


def floor_had(standing: Iterable[Standing], before: date) -> dict[int, int]:
    """Inch-weeks had in the year before a day, counted by days and rounded, by the dealer's id."""
    in16_days: dict[int, int] = defaultdict(int)
    for one in standing:
        days = (min(one.stay.ends_on, before - _DAY) - max(one.stay.starts_on, before - YEAR)).days + 1
        in16_days[one.dealer.id] += (one.stay.to_in16 - one.stay.from_in16) * max(0, days)
    return {dealer: round_half_up(Fraction(each, 7 * IN16_PER_INCH)) for dealer, each in in16_days.items()}


def _weeks_had(standing: Iterable[Standing], before: date) -> dict[int, dict[str, int]]:
    """By dealer's id and bay, in how many of the 52 weeks before a day anything of the dealer's stood there."""
    weeks: dict[int, dict[str, set[int]]] = defaultdict(lambda: defaultdict(set))
    for one in standing:
        latest = (before - _DAY - min(one.stay.ends_on, before - _DAY)).days // 7
        earliest = (before - _DAY - one.stay.starts_on).days // 7
        weeks[one.dealer.id][one.bay.code].update(range(latest, min(earliest, ROTATION_WEEKS - 1) + 1))
    return {dealer: {bay: len(each) for bay, each in sorted(bays.items()) if each} for dealer, bays in sorted(weeks.items())}


# --- worked out -----------------------------------------------------------------------------------------------------------


def facts_of(read: PeriodRead) -> PeriodFacts:
    """The facts of a period: bays as deep as the widths of each week let them be, with their tones, and feet to walk."""
    facts = read.facts
    bays = tuple(room.bay for room in facts.rooms)
    depths = {room.bay.code: list(room.depth_by_week) for room in facts.rooms}
    closed: dict[str, list[Closed]] = defaultdict(list)
    widened: dict[str, list[Widened | None]] = {room.bay.code: [None] * facts.weeks for room in facts.rooms}
    moves_from: dict[str, tuple[date, Widened | None]] = {}
    should_be_gone = {stay.key for stay in facts.standing if stay.was_due}
    for one, last in _spans(read):
        if one.as_surveyed:
            continue
        standing = [
            clear.Standing(stay.key, f"{stay.dealer} {stay.piece.name}", _outline(facts, stay), stay.starts_on.toordinal())
            for stay in facts.standing
            if not stay.must_move and stay.starts_on <= last and stay.ends_on >= one.day
        ]
        found = work_out(one.plan, read.openings, read.bay_rules, bays, standing=[stay.outline for stay in standing])
        may = {bay.code: bay for bay in found.bays}
        first, final = facts.week_of(one.day), facts.week_of(last)
        for room in facts.rooms:
            bay = room.bay
            begins, ends, depth = _lent(bay, may.get(bay.code))
            why = _because(bay, one.widened)
            for week in range(first, final + 1):
                if depth < depths[bay.code][week]:
                    depths[bay.code][week], widened[bay.code][week] = depth, why
            gone = [(0, begins), (ends, bay.length_in16)] if depth else []
            closed[bay.code] += [Closed(at, to, first, final, why) for at, to in gone if at < to]
        for moving in clear.must_move(one.plan, read.openings, read.bay_rules, standing, found.bays):
            if moving.key not in should_be_gone:
                because = next((each for each in one.widened if each.aisle == moving.aisle), None)
                moves_from.setdefault(moving.key, (one.day, because))
    standing_then = tuple(part for stay in facts.standing for part in _parts(stay, moves_from.get(stay.key)))
    feet = feet_from_bays(read.plans[0].plan, bays) if read.plans and bays else {}
    rooms = tuple(
        replace(
            room,
            depth_by_week=tuple(depths[room.bay.code]),
            palette=(*room.palette, *_colours(room.bay.code, standing_then)),
            feet_to=feet.get(room.bay.code, {}),
            closed=tuple(closed[room.bay.code]),
            widened=tuple(widened[room.bay.code]),
        )
        for room in facts.rooms
    )
    return replace(facts, rooms=rooms, standing=standing_then)


def _spans(read: PeriodRead) -> Iterator[tuple[PlanFrom, date]]:
    """Each plan with the last day it holds on."""
    for number, one in enumerate(read.plans, 1):
        yield one, read.plans[number].day - _DAY if number < len(read.plans) else read.facts.last_day


def plan_spans(read: PeriodRead) -> list[PlanSpan]:
    return [(one.day, last, one.plan) for one, last in _spans(read)]


def _because(bay: Bay, widened: Sequence[Widened]) -> Widened | None:
    """The width that a bay was cut back for: its own aisle's, or that of the only aisle there is; else it is not known."""
    return next((one for one in widened if one.aisle == bay.aisle), widened[0] if len(widened) == 1 else None)


def _lent(bay: Bay, may: Bay | None) -> tuple[int, int, int]:
    """What may be lent of a bay, from one place along it to another and how deep, by what it is worked out anew; (0, 0, 0) for
    nothing.
    """
    if may is None:
        return 0, 0, 0
    edge = edge_between(bay.corners[0], bay.corners[1], bay.corners[3])
    places = shapely.get_coordinates(edge.seen(LineString(may.corners)))
    (begins, back), (ends, front) = places.min(axis=0).tolist(), places.max(axis=0).tolist()
    begins, ends = max(0, ceil(begins)), min(bay.length_in16, floor(ends))
    return (begins, ends, min(bay.depth_in16, floor(front))) if back <= _AT_IN16 and begins < ends else (0, 0, 0)


def _outline(facts: PeriodFacts, stay: StandingStay) -> Outline:
    return facts.bays[stay.bay].bay.stretch(stay.from_in16, stay.to_in16, stay.depth_in16)


def _parts(stay: StandingStay, moves_from: tuple[date, Widened | None] | None) -> Iterator[StandingStay]:
    """A stay that must move from a day on stands where it is before, and looks for another place after."""
    if stay.must_move or moves_from is None:
        yield stay
        return
    day, because = moves_from
    if stay.starts_on < day:
        yield replace(stay, ends_on=day - _DAY)
    yield replace(stay, starts_on=max(stay.starts_on, day), must_move=True, because=because)


def _colours(bay: str, standing: Iterable[StandingStay]) -> list[str]:
    stays = (stay for stay in standing if stay.bay == bay and not stay.must_move and not stay.was_due)
    colours = (stay.piece.colour for stay in stays if stay.piece.colour)
    return list(dict.fromkeys(colours))
