"""What pages, papers and mails ask of lent floor: requests, stays, answers, walks, and what waits for somebody."""

from __future__ import annotations

from collections.abc import Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import UTC, date, datetime, time, timedelta

from sqlalchemy import ColumnElement, and_, func, or_, select
from sqlalchemy.orm import Session

from coop.dealers.models import Dealer
from coop.floor.models import Mall
from coop.leases.models import Lease
from coop.overflow.looking import looked_for, should_be_gone
from coop.overflow.models import (
    BayRow,
    BaySurvey,
    OverflowAnswer,
    OverflowPiece,
    OverflowRequest,
    Stay,
    Walk,
    WalkMark,
)
from coop.overflow.reading import Standing, is_overdue, is_past, pieces_of, standings, there_between

WAITING = ("waiting", "partly")
"""States of a request that asks for floor."""
STAY = "overflow stay"
"""What the log calls one."""


# --- requests -------------------------------------------------------------------------------------------------------------


@dataclass(frozen=True)
class RequestRow:
    """A request with its pieces, where these have floor or had it last, and the last answer it had."""

    request: OverflowRequest
    dealer: Dealer
    mall: Mall
    pieces: tuple[OverflowPiece, ...]
    stays: dict[int, Standing]
    """By the id of the piece; none where it waits."""
    answer: OverflowAnswer | None
    since: dict[int, date]
    """By the id of the piece, the first day it had floor on."""

    @property
    def has_fewer_weeks(self) -> bool:
        """All its pieces have floor, and one was given it for fewer weeks than were asked for: nothing of it waits."""
        days = (self.stays[piece].stay.granted_until - first for piece, first in self.since.items())
        return self.request.state == "granted" and any(each < timedelta(weeks=self.request.weeks, days=-1) for each in days)

    @property
    def waiting(self) -> tuple[OverflowPiece, ...]:
        """Its pieces that have not had floor yet."""
        return tuple(piece for piece in self.pieces if piece.id not in self.stays)

    def days_waited(self, today: date) -> int:
        return (today - self.request.asked_on).days


def requests_waiting(session: Session, mall_id: int) -> list[RequestRow]:
    """What waits at a mall, the longest waiting first."""
    return _requests(session, OverflowRequest.mall_id == mall_id, OverflowRequest.state.in_(WAITING))


def own_requests(session: Session, dealer_ids: Collection[int]) -> list[RequestRow]:
    """Everything that dealers have asked for, what waits first, then the newest."""
    rows = _requests(session, OverflowRequest.dealer_id.in_(dealer_ids))
    rows.reverse()
    return sorted(rows, key=lambda row: row.request.state not in WAITING)


def request_row(session: Session, request_id: int) -> RequestRow | None:
    return next(iter(_requests(session, OverflowRequest.id == request_id)), None)


def _requests(session: Session, *which: ColumnElement[bool]) -> list[RequestRow]:
    rows = session.execute(
        select(OverflowRequest, Dealer, Mall)
        .join(Dealer, Dealer.id == OverflowRequest.dealer_id)
        .join(Mall, Mall.id == OverflowRequest.mall_id)
        .where(*which)
        .order_by(OverflowRequest.asked_on, OverflowRequest.id)
    ).all()
    pieces = pieces_of(session, [row[0] for row in rows])
    asked = Stay.piece_id.in_([piece.id for found in pieces.values() for piece in found])
    stands = _standing(session, asked, Stay.state == "stands")
    last, since = ({one.piece.id: one for one in each} for each in (stands, reversed(stands)))
    told = {answer.request_id: answer for answer in _answers(session, pieces)}
    return [
        RequestRow(
            request,
            dealer,
            mall,
            tuple(pieces[request.id]),
            {piece.id: last[piece.id] for piece in pieces[request.id] if piece.id in last},
            told.get(request.id),
            {piece.id: since[piece.id].stay.starts_on for piece in pieces[request.id] if piece.id in since},
        )
        for request, dealer, mall in rows
    ]


def is_waiting(session: Session, piece: OverflowPiece) -> bool:
    """Whether a piece's request asks for floor: not where it was withdrawn, nor of a piece that is sold."""
    if piece.request_id is None:
        return False
    return session.get_one(OverflowRequest, piece.request_id).state in WAITING


def answers_of(session: Session, request: OverflowRequest) -> Sequence[OverflowAnswer]:
    """What its asker was told, the first first."""
    return _answers(session, [request.id])


def _answers(session: Session, request_ids: Iterable[int]) -> Sequence[OverflowAnswer]:
    rows = select(OverflowAnswer).where(OverflowAnswer.request_id.in_(request_ids))
    return session.scalars(rows.order_by(OverflowAnswer.at, OverflowAnswer.id)).all()


# --- stays ----------------------------------------------------------------------------------------------------------------


def standing_now(session: Session, mall_id: int, day: date) -> list[Standing]:
    """What stands on a day, by bay and place: what has floor, and sold pieces that were to be fetched before and were not."""
    return there_between(session, mall_id, day, day, day)


def own_stays(session: Session, dealer_ids: Collection[int], today: date) -> list[Standing]:
    """What dealers have floor for today or on a day to come, the first to begin first."""
    return _standing(session, OverflowPiece.dealer_id.in_(dealer_ids), Stay.state == "stands", Stay.ends_on >= today)


def past_stays(session: Session, dealer_ids: Collection[int], today: date) -> list[Standing]:
    """What dealers had floor for, the last first."""
    which = OverflowPiece.dealer_id.in_(dealer_ids), Stay.state == "stands", Stay.ends_on < today
    return sorted(_standing(session, *which), key=lambda one: (one.stay.ends_on, one.stay.id), reverse=True)


def stay_of(session: Session, stay_id: int) -> Standing | None:
    """A stay with its piece, bay and dealer, one that was cancelled too."""
    return next(iter(_standing(session, Stay.id == stay_id)), None)


def recalled(session: Session, mall_id: int, today: date) -> list[Standing]:
    """What was asked back and has not gone yet."""
    which = BayRow.mall_id == mall_id, Stay.state == "stands", Stay.recalled_at.is_not(None), Stay.ends_on >= today
    return _standing(session, *which)


def must_move(session: Session, mall_id: int, today: date) -> list[tuple[Standing, str]]:
    """What stands where it may not any more as the bays were worked out last, and why; what was asked back since is left out."""
    return [(one, why) for one, why in in_the_way(session, mall_id, today) if one.stay.recalled_at is None]


def in_the_way(session: Session, mall_id: int, today: date) -> list[tuple[Standing, str]]:
    """The same with what was asked back, as long as it may stand there and nobody has said that it is gone."""
    value = session.scalar(select(BaySurvey.value).where(BaySurvey.mall_id == mall_id)) or {}
    why = {int(stay): sentence for stay, sentence in value.get("must_move", {}).items()}
    there = _standing(session, Stay.id.in_(why), Stay.state == "stands", Stay.ends_on >= today)
    return [(one, why[one.stay.id]) for one in there if one.stay.recalled_at is None or not one.stay.is_gone(today)]


def beyond_lease(session: Session, mall_id: int, today: date) -> list[Standing]:
    """What has floor on days to come on which its dealer has no lease at the mall: ended or given notice since it was given."""
    return beyond_leases(session, {mall_id: today}).get(mall_id, [])


def beyond_leases(session: Session, days: Mapping[int, date]) -> dict[int, list[Standing]]:
    """The same by mall, in one query; `days`: the day it is at each."""
    if not days:
        return {}
    to_come = or_(*(and_(BayRow.mall_id == mall_id, Stay.ends_on >= today) for mall_id, today in days.items()))
    leased = and_(Lease.mall_id == BayRow.mall_id, Lease.dealer_id == Dealer.id, Lease.settled_on.is_(None))
    rows = session.execute(
        standings()
        .add_columns(Lease.starts_on, Lease.ends_on)
        .outerjoin(Lease, leased)
        .where(Stay.state == "stands", Stay.kind == "asked", to_come)
        .order_by(Stay.starts_on, BayRow.code, Stay.from_in16, Stay.id, Lease.starts_on)
    )
    given: dict[int, Standing] = {}
    spans: dict[int, list[tuple[date, date | None]]] = {}
    for stay, piece, bay, dealer, starts_on, ends_on in rows:
        given[stay.id] = Standing(stay, piece, bay, dealer)
        spans.setdefault(stay.id, []).extend([] if starts_on is None else [(starts_on, ends_on)])
    found: dict[int, list[Standing]] = {}
    for one in given.values():
        mall_id = one.bay.mall_id
        if not _covers(spans[one.stay.id], max(one.stay.starts_on, days[mall_id]), one.stay.ends_on):
            found.setdefault(mall_id, []).append(one)
    return found


def _covers(spans: Iterable[tuple[date, date | None]], first: date, last: date) -> bool:
    """Whether spans of days, in the order of their first, leave out none of some days; one without an end goes on."""
    for starts_on, ends_on in spans:
        if starts_on > first or first > last:
            break
        first = date.max if ends_on is None or ends_on == date.max else max(first, ends_on + timedelta(days=1))
    return first > last


def overdue_sold(session: Session, mall_id: int, today: date) -> list[Standing]:
    """Sold pieces that nobody has fetched, as far as is known, the first to be fetched first."""
    found = _standing(session, BayRow.mall_id == mall_id, is_overdue(today))
    return _by_last_day(replace(one, is_unfetched=True) for one in found)


def is_unfetched(session: Session, stay: Stay, today: date) -> bool:
    """Whether a stay is one of these."""
    return session.scalar(select(Stay.id).where(Stay.id == stay.id, is_overdue(today))) is not None


def sold_since(session: Session, mall_id: int, first: date) -> list[Standing]:
    """Sold pieces that have or had floor on a day or later, or were said to be gone since, the first to be fetched first."""
    which = BayRow.mall_id == mall_id, Stay.kind == "sold", Stay.state == "stands"
    lately = or_(Stay.ends_on >= first, Stay.gone_said_at >= datetime.combine(first, time(), UTC))
    return _by_last_day(_standing(session, *which, lately))


def _by_last_day(found: Iterable[Standing]) -> list[Standing]:
    return sorted(found, key=lambda one: (one.stay.ends_on, one.bay.code, one.stay.from_in16))


def _standing(session: Session, *which: ColumnElement[bool]) -> list[Standing]:
    rows = session.execute(standings().where(*which).order_by(Stay.starts_on, BayRow.code, Stay.from_in16, Stay.id))
    return [Standing(*row) for row in rows]


# --- walks ----------------------------------------------------------------------------------------------------------------


def last_walk(session: Session, mall_id: int) -> Walk | None:
    return session.scalar(select(Walk).where(Walk.mall_id == mall_id).order_by(Walk.on_date.desc(), Walk.id.desc()).limit(1))


def walks_of(session: Session, mall_id: int, most: int = 20) -> list[tuple[Walk, dict[str, int]]]:
    """A mall's walks, the newest first, each with how many were found in place, out of place and not there."""
    walks = session.scalars(
        select(Walk).where(Walk.mall_id == mall_id).order_by(Walk.on_date.desc(), Walk.id.desc()).limit(most)
    ).all()
    counts: dict[int, dict[str, int]] = {walk.id: {} for walk in walks}
    rows = select(WalkMark.walk_id, WalkMark.mark, func.count()).where(WalkMark.walk_id.in_(counts))
    for walk_id, mark, count in session.execute(rows.group_by(WalkMark.walk_id, WalkMark.mark)):
        counts[walk_id][mark] = count
    return [(walk, counts[walk.id]) for walk in walks]


def marks_of(session: Session, walk: Walk) -> dict[int, WalkMark]:
    """How stays were found on a walk, by the stay's id."""
    return {one.stay_id: one for one in session.scalars(select(WalkMark).where(WalkMark.walk_id == walk.id))}


@dataclass(frozen=True)
class Found:
    """What a dealer's piece was found like on a walk."""

    walk: Walk
    mark: WalkMark
    standing: Standing

    @property
    def is_late(self) -> bool:
        """It was to be gone or fetched before the walk."""
        return self.standing.is_late_on(self.walk.on_date)


def found_on(session: Session, walk: Walk) -> list[Found]:
    """What a walk found out of place or not there, by bay and place; not what was to be gone and is, or what is said to be gone
    by the day of the walk.
    """
    return _wrong(_found(session, Walk.id == walk.id))


def last_found(session: Session, standing: Iterable[Standing], today: date) -> dict[int, Found]:
    """How pieces were found when somebody looked at them last, by the stay's id; of what was moved since or is gone, nothing."""
    found: dict[int, Found] = {}
    for one in _found(session, Stay.id.in_([one.stay.id for one in standing])):
        found.setdefault(one.standing.stay.id, one)
    return {stay_id: one for stay_id, one in found.items() if not _is_outdated(one, today)}


def _is_outdated(one: Found, today: date) -> bool:
    stay = one.standing.stay
    if one.mark.mark == "not there":
        brought = stay.moved_in_on is not None and stay.moved_in_on >= one.walk.on_date
        return brought or stay.is_gone(today)
    # What is found has moved in; what has not moved in any more was moved since, or said not to be there yet.
    moved = stay.moved_in_on is None and one.walk.on_date <= stay.ends_on
    return moved or stay.is_gone(today)


def _wrong(found: Iterable[Found]) -> list[Found]:
    def is_right(one: Found) -> bool:
        day = one.walk.on_date
        if should_be_gone(one.standing, day):
            return one.mark.mark == "not there"
        return one.mark.mark == "in place" or one.standing.stay.is_gone(day)

    return [one for one in found if not is_right(one)]


def _found(session: Session, *which: ColumnElement[bool]) -> list[Found]:
    rows = session.execute(
        standings()
        .add_columns(is_past(Walk.on_date), WalkMark, Walk)
        .join(WalkMark, WalkMark.stay_id == Stay.id)
        .join(Walk, Walk.id == WalkMark.walk_id)
        .where(*which)
        .order_by(Walk.on_date.desc(), Walk.id.desc(), BayRow.code, Stay.from_in16)
    )
    return [
        Found(walk, mark, Standing(stay, piece, bay, dealer, bool(late))) for stay, piece, bay, dealer, late, mark, walk in rows
    ]


# --- what waits for somebody ----------------------------------------------------------------------------------------------


@dataclass(frozen=True)
class Waiting:
    """Counts of a mall's lent floor for the day's list."""

    requests: int
    must_move: int
    overdue_sold: int
    unmarked: int
    """On the day's last walk: what is on its list and has no mark yet. 0 without a walk on the day."""


def waiting_counts(session: Session, mall_id: int, today: date) -> Waiting:
    requests = select(func.count()).where(OverflowRequest.mall_id == mall_id, OverflowRequest.state.in_(WAITING))
    walk = last_walk(session, mall_id)
    unmarked = 0
    if walk is not None and walk.on_date == today:
        marks = marks_of(session, walk)
        unmarked = sum(one.stay.id not in marks for one in looked_for(session, mall_id, today, walk.told_at))
    return Waiting(
        requests=session.scalar(requests) or 0,
        must_move=len(must_move(session, mall_id, today)),
        overdue_sold=len(overdue_sold(session, mall_id, today)),
        unmarked=unmarked,
    )
