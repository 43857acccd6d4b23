"""A draft of lent floor as its page shows it: who gets what and why, who nothing, a week on the plan, bays week by week."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import date, timedelta
from typing import Any

from sqlalchemy import select
from sqlalchemy.orm import Session

from coop.core.geometry import format_size
from coop.core.jobs import Job
from coop.core.listing import Column, Listing, OneOf, Words
from coop.core.periods import shown_days
from coop.core.words import natural
from coop.dealers.models import Dealer
from coop.floor.models import AisleWidth, Mall
from coop.floor.queries import draft_of as plan_draft_of
from coop.floor.queries import widths_of
from coop.office.overflow_floor import stay_page
from coop.overflow import drafting
from coop.overflow.bay_drawing import Span, WeeksDrawing, bay_weeks
from coop.overflow.domain.answers import GRANTED
from coop.overflow.drawing import MapDrawing, map_of
from coop.overflow.drawn import state_of
from coop.overflow.models import BayRow, OverflowDraft, OverflowPiece, OverflowRequest, Stay
from coop.overflow.period import hash_of, read_period
from coop.overflow.reading import Standing, bay_of, bays_on, pieces_of, standing_between, standing_in

_DAY = timedelta(days=1)


# --- who gets what ----------------------------------------------------------------------------------------------------------


@dataclass(frozen=True)
class GivenLine:
    """A piece that gets floor by a draft. Its stay is none yet, and never in the database."""

    standing: Standing
    request_id: int | None
    why: str
    moved: bool
    """It has floor already, and gets another place."""

    @property
    def days(self) -> str:
        return shown_days(self.standing.stay.starts_on, self.standing.stay.ends_on)

    @property
    def place(self) -> str:
        return self.standing.along


GIVEN: Listing[GivenLine] = Listing(
    columns=(
        Column("piece", "Piece", lambda line: line.standing.piece.name, by=lambda line: line.standing.piece.name.lower()),
        Column("size", "Size", lambda line: format_size(line.standing.piece)),
        Column(
            "dealer",
            "Dealer",
            lambda line: line.standing.dealer.code,
            by=lambda line: (natural(line.standing.dealer.code), line.standing.stay.starts_on),
        ),
        Column("bay", "Bay", lambda line: line.standing.bay.code, by=lambda line: _by_place(line.standing)),
        Column("place", "Along it", lambda line: line.place),
        Column(
            "from",
            "From",
            lambda line: line.standing.stay.starts_on.isoformat(),
            by=lambda line: (line.standing.stay.starts_on, *_by_place(line.standing)),
        ),
        Column(
            "until",
            "Until",
            lambda line: line.standing.stay.ends_on.isoformat(),
            by=lambda line: (line.standing.stay.ends_on, *_by_place(line.standing)),
        ),
        Column("why", "Why", lambda line: line.why),
    ),
    usual="bay",
    filters=(
        Words(
            "find",
            "Piece, dealer or bay",
            of=lambda line: (line.standing.piece.name, line.standing.dealer.code, line.standing.bay.code),
        ),
        OneOf(
            "which",
            "Which",
            (("new", "new ones"), ("moved", "moved from elsewhere")),
            of=lambda line: "moved" if line.moved else "new",
        ),
    ),
)


def _by_place(one: Standing) -> Any:
    return natural(one.bay.code), one.stay.from_in16, one.stay.starts_on


@dataclass(frozen=True)
class NotGiven:
    """A request that gets nothing, or not all it asks for, and why."""

    request: OverflowRequest
    dealer: Dealer
    pieces: Sequence[OverflowPiece]
    answer: str
    sentence: str


@dataclass(frozen=True)
class Moves:
    """What stands and must move: to another place, or away."""

    standing: Standing
    placed: bool
    on: date
    sentence: str


@dataclass(frozen=True)
class Outcome:
    """What came of a draft."""

    row: OverflowDraft
    said: Sequence[str]
    """What is granted; then what else is to be known of it."""
    aims: Sequence[tuple[str, str]]
    """How good it is, aim by aim in their order: its name, and how near it is to the best."""
    given: Sequence[GivenLine]
    not_given: Sequence[NotGiven]
    moves: Sequence[Moves]
    staying: Sequence[Standing]
    """What has floor on days of the period without the draft, as long as it keeps it."""

    @property
    def standing(self) -> list[Standing]:
        """All that would have floor on days of the period."""
        return [*self.staying, *(line.standing for line in self.given)]


def outcome_of(session: Session, mall: Mall, row: OverflowDraft) -> Outcome | None:
    """None before it is worked out. In a number of queries that does not grow with it."""
    told = row.outcome
    if told is None:
        return None
    sentences = drafting.said_outcome(told)
    aims = len(told["tiers"])
    moved_said = len(told["moves"])
    there = standing_between(session, mall.id, row.first_day, drafting.last_day_of(row))
    return Outcome(
        row,
        [sentences[0], *sentences[1 + moved_said + aims :]],
        [(name, words) for name, _, words in (one.partition(": ") for one in sentences[1 + moved_said : 1 + moved_said + aims])],
        _given(session, mall, row, told["placements"]),
        _not_given(session, told["answers"]),
        _moves(told, there),
        _staying(row, told, there),
    )


def _given(session: Session, mall: Mall, row: OverflowDraft, placements: Sequence[Mapping[str, Any]]) -> list[GivenLine]:
    ids = {one["piece"] for one in placements}
    pieces = session.execute(
        select(OverflowPiece, Dealer).join(Dealer, Dealer.id == OverflowPiece.dealer_id).where(OverflowPiece.id.in_(ids))
    )
    known = {piece.id: (piece, dealer) for piece, dealer in pieces}
    codes = {one["bay"] for one in placements}
    rows = select(BayRow).where(BayRow.mall_id == mall.id, BayRow.code.in_(codes)).order_by(BayRow.id)
    # The last of a code: as it would be published.
    bays = {bay.code: bay for bay in session.scalars(rows)}
    lines = []
    for number, one in enumerate(placements, 1):
        if one["piece"] not in known or one["bay"] not in bays:
            continue  # its request was changed since
        piece, dealer = known[one["piece"]]
        stay = Stay(
            id=-number,
            piece_id=piece.id,
            bay_id=bays[one["bay"]].id,
            kind="asked",
            from_in16=one["from_in16"],
            to_in16=one["to_in16"],
            depth_in16=one["depth_in16"],
            turned=one["turned"],
            starts_on=date.fromisoformat(one["starts_on"]),
            ends_on=date.fromisoformat(one["ends_on"]),
        )
        standing = Standing(stay, piece, bays[one["bay"]], dealer)
        lines.append(GivenLine(standing, one["request"], one["why"], one["stay"] is not None))
    return lines


def _not_given(session: Session, said: Iterable[Mapping[str, Any]]) -> list[NotGiven]:
    wanted = {one["request"]: one for one in said if one["answer"] != GRANTED}
    rows = session.execute(
        select(OverflowRequest, Dealer)
        .join(Dealer, Dealer.id == OverflowRequest.dealer_id)
        .where(OverflowRequest.id.in_(wanted))
        .order_by(OverflowRequest.asked_on, OverflowRequest.id)
    ).all()
    pieces = pieces_of(session, [request for request, _ in rows])
    return [
        NotGiven(request, dealer, pieces[request.id], wanted[request.id]["answer"], wanted[request.id]["sentence"])
        for request, dealer in rows
    ]


def _moves(told: Mapping[str, Any], there: Sequence[Standing]) -> list[Moves]:
    by_id = {one.stay.id: one for one in there}
    return [
        Moves(by_id[one["stay"]], one["placed"], day, one["sentence"])
        for one, day in _moved_on(told).values()
        if one["stay"] in by_id
    ]


def _moved_on(told: Mapping[str, Any]) -> dict[int, tuple[Mapping[str, Any], date]]:
    """What must move, by its stay, with the first day on which it is not there any more."""
    begins = {one["stay"]: one["starts_on"] for one in told["placements"] if one["stay"] is not None}
    return {one["stay"]: (one, date.fromisoformat(begins.get(one["stay"], one["from"]))) for one in told["moves"]}


def _staying(row: OverflowDraft, told: Mapping[str, Any], there: Sequence[Standing]) -> list[Standing]:
    """Of a published draft what it gave is left out: that is drawn from what it said."""
    gone = {stay_id: day for stay_id, (_, day) in _moved_on(told).items()}
    given = {(one["piece"], one["starts_on"]) for one in told["placements"]}
    kept = []
    for one in there:
        if (one.stay.piece_id, one.stay.starts_on.isoformat()) in given:
            continue
        day = gone.get(one.stay.id)
        if day is None or one.stay.ends_on < day:
            kept.append(one)
        elif one.stay.starts_on < day:
            kept.append(Standing(_until(one.stay, day - _DAY), one.piece, one.bay, one.dealer))
    return kept


def _until(stay: Stay, day: date) -> Stay:
    """A stay as it would be with another last day; not in the database."""
    names = ("id", "piece_id", "bay_id", "kind", "from_in16", "to_in16", "depth_in16", "turned", "starts_on", "moved_in_on")
    return Stay(**{name: getattr(stay, name) for name in names}, ends_on=day)


# --- pictures ---------------------------------------------------------------------------------------------------------------


def week_map(session: Session, mall: Mall, it: Outcome, week: int, today: date) -> MapDrawing | None:
    """The plan on a week of the period, from 0, with all that would stand there; None where no plan is drawn then."""
    first = it.row.first_day + timedelta(weeks=week)
    plan = plan_draft_of(session, mall, first)
    if plan is None:
        return None
    last = first + timedelta(days=6)
    there = [one for one in it.standing if one.stay.starts_on <= last and one.stay.ends_on >= first]
    by_place = sorted(there, key=_by_place)
    return map_of(
        plan,
        _bays_of(session, mall, there, first),
        by_place,
        day=first,
        today=today,
        title=f"{mall.name}, {shown_days(first, last)}",
    )


def _bays_of(session: Session, mall: Mall, there: Sequence[Standing], first: date) -> Sequence[BayRow]:
    """The bays of a day, or those there were when the last of what stands there was given its place."""
    return bays_on(session, mall.id, max(first, max((one.bay.starts_on for one in there), default=first)))


def weeks_by_bay(session: Session, mall: Mall, it: Outcome) -> list[tuple[str, WeeksDrawing]]:
    """Each bay in which something stands in the period, by its code."""
    first, there = it.row.first_day, it.standing
    rows = {one.bay.code: one.bay for one in there}
    rows |= {row.code: row for row in _bays_of(session, mall, there, first) if row.code in rows}
    drawn = []
    for code in sorted(rows, key=natural):
        bay = bay_of(rows[code])
        places = [(one, standing_in(bay, one)) for one in there if one.bay.code == code]
        spans = [_span(mall, one, place, first) for one, place in places if place is not None]
        drawn.append((code, bay_weeks(bay, spans, first, it.row.weeks)))
    return drawn


def _span(mall: Mall, one: Standing, place: tuple[int, int], day: date) -> Span:
    is_new = one.stay.id < 0
    return Span(
        *place,
        one.stay.starts_on,
        one.stay.ends_on,
        f"{one.dealer.code} {one.piece.name}",
        f"{one.piece.name}, {one.dealer.code}{', by this draft' if is_new else ''}",
        "comes" if is_new else state_of(one.stay, day),
        "" if is_new else stay_page(mall, one.stay.id),
        one.along if one.was_until else "",
    )


# --- the draft there is -----------------------------------------------------------------------------------------------------


@dataclass(frozen=True)
class DraftUnderWay:
    """The draft of a mall that waits to be published, and how far it is."""

    row: OverflowDraft
    job: Job | None
    is_going: bool

    @property
    def days(self) -> str:
        return shown_days(self.row.first_day, drafting.last_day_of(self.row))

    @property
    def failed(self) -> str:
        return self.job.error or "" if self.job is not None and self.job.state == "failed" else ""

    @property
    def line(self) -> str:
        """How far it is, in a sentence."""
        if self.is_going and self.job is not None:
            if self.row.stop_asked_at is not None:
                return "It is being stopped: the best that is found so far is kept."
            done, total = self.job.progress_done, self.job.progress_total
            if self.job.state == "queued":
                return "The draft waits for its turn, or for bays that are being worked out."
            return f"The draft is going on: {done} of {total} seconds." if total else "The draft is going on."
        if self.failed:
            return "The draft was not made."
        return "The draft is made." if self.row.outcome is not None else ""


def under_way(session: Session, mall: Mall) -> DraftUnderWay | None:
    row = drafting.draft_of(session, mall.id)
    if row is None:
        return None
    job = None if row.job_id is None else session.get(Job, row.job_id)
    return DraftUnderWay(row, job, job is not None and job.state in ("queued", "running"))


def is_out_of_date(session: Session, mall: Mall, row: OverflowDraft, today: date) -> bool:
    """Whether anything that it goes by has changed since it was worked out."""
    return hash_of(read_period(session, mall, row.first_day, row.weeks, today)) != row.made_of


def widths_within(session: Session, mall: Mall, row: OverflowDraft) -> list[AisleWidth]:
    """What aisles must keep clear from a day of the period on, the first day first: bays are cut to it then."""
    within = [one for one in widths_of(session, mall.id) if row.first_day < one.starts_on <= drafting.last_day_of(row)]
    return sorted(within, key=lambda one: (one.starts_on, one.aisle))


def published(session: Session, mall: Mall, most: int = 20) -> list[tuple[OverflowDraft, str]]:
    """Drafts that were published, the newest first, each with what came of it."""
    rows = select(OverflowDraft).where(OverflowDraft.mall_id == mall.id, OverflowDraft.state == "published")
    found = session.scalars(rows.order_by(OverflowDraft.published_at.desc(), OverflowDraft.id.desc()).limit(most))
    return [(row, drafting.said_outcome(row.outcome)[0] if row.outcome else "") for row in found]
