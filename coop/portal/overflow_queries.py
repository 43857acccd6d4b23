"""What a dealer's pages of lent floor read: where pieces stand, what that costs, which floor is taken."""

from __future__ import annotations

from collections.abc import Collection, Iterable, Iterator, Sequence
from dataclasses import dataclass
from datetime import date, datetime, timedelta

from sqlalchemy import or_, select
from sqlalchemy.orm import Session

from coop.core.clock import local_date
from coop.core.geometry import format_length
from coop.core.money import format_dollars
from coop.core.periods import shown_day, shown_days
from coop.dealers.models import Dealer
from coop.floor.models import Mall
from coop.floor.queries import draft_of
from coop.overflow.bay_drawing import StripDrawing, bay_strip
from coop.overflow.charging import charged_so_far, expected
from coop.overflow.domain.fees import FeeRule
from coop.overflow.domain.fitting import cautions
from coop.overflow.drawing import MapDrawing, map_of
from coop.overflow.marks import SOON_DAYS
from coop.overflow.models import BayRow, OverflowDraft, OverflowPiece, Stay
from coop.overflow.queries import (
    Found,
    RequestRow,
    last_found,
    must_move,
    overdue_sold,
    own_stays,
)
from coop.overflow.reading import Standing, bay_of, bays_on, is_overdue, piece_of, standings, there_between
from coop.overflow.rules import OverflowRules, rules_on
from coop.overflow.staying import last_day_after_all
from coop.portal.overflow_quotes import limit_words as limit_words

# --- where pieces stand ---------------------------------------------------------------------------------------------------


@dataclass(frozen=True)
class StayShown:
    """A piece that has floor, with what its dealer is told of it. `number` is the one on the map, 0 where it is not drawn."""

    standing: Standing
    today: date
    number: int
    charged_cents: int
    costs_cents: int
    must_move: str
    """Why it may not stand there any more, as the bays were worked out last."""
    found: Found | None
    """How it was found last, where that was not in its place."""
    cautions: tuple[str, ...]
    """What is to be said before it is moved in."""

    @property
    def stay(self) -> Stay:
        return self.standing.stay

    @property
    def comes(self) -> bool:
        return self.stay.starts_on > self.today

    @property
    def is_gone(self) -> bool:
        """Somebody said that it is taken away today or before."""
        return self.stay.is_gone(self.today)

    def may_undo(self, user_id: int) -> bool:
        """Whether this user said so, and may take it back."""
        return self.stay.gone_said_by == user_id

    @property
    def days_left(self) -> int:
        return (self.stay.ends_on - max(self.today, self.stay.starts_on)).days


@dataclass(frozen=True)
class Had:
    """How much floor a dealer has today, the gaps beside pieces counted, as limits count them."""

    dealer: Dealer
    length_in16: int
    pieces: int


@dataclass(frozen=True)
class FloorAt:
    """A dealer's floor at one mall."""

    mall: Mall
    today: date
    rules: OverflowRules
    stays: Sequence[StayShown]
    unfetched: Sequence[tuple[Standing, int]]
    """Sold pieces whose last day is past, and of which nobody said that they were fetched; each with its number on the map."""
    given_back: Sequence[Standing]
    """Floor to come that the user gave back."""
    had: Sequence[Had]
    given_out: OverflowDraft | None
    """The draft that was published last."""
    map: MapDrawing | None
    """None while no plan is drawn."""
    bays: int


def malls_of_stays(session: Session, now: datetime, dealer_ids: Collection[int]) -> Sequence[Mall]:
    """The malls where anything of dealers has floor, or is sold and not fetched yet."""
    # By UTC: at a mall it may be the day before or after.
    day = now.date()
    malls = (
        select(BayRow.mall_id)
        .join(Stay, Stay.bay_id == BayRow.id)
        .join(OverflowPiece, OverflowPiece.id == Stay.piece_id)
        .where(OverflowPiece.dealer_id.in_(dealer_ids), Stay.state == "stands")
        .where(or_(Stay.ends_on >= day - timedelta(days=1), is_overdue(day + timedelta(days=1))))
    )
    return session.scalars(select(Mall).where(Mall.id.in_(malls)).order_by(Mall.code)).all()


def floor_at(session: Session, now: datetime, mall: Mall, dealers: Sequence[Dealer], user_id: int) -> FloorAt:
    """All of a dealer's floor at a mall, in a fixed number of queries."""
    today = local_date(now, mall.timezone)
    rules = rules_on(session, mall.id, today)
    ids = {dealer.id for dealer in dealers}
    own = [one for one in own_stays(session, ids, today) if one.bay.mall_id == mall.id]
    back = [one for one in _given_back(session, ids, today) if one.bay.mall_id == mall.id]
    bays = bays_on(session, mall.id, today)
    drawn = _map(session, mall, bays, today, ids)
    numbers = {one.stay_id: one.number for one in drawn.pieces} if drawn else {}
    return FloorAt(
        mall=mall,
        today=today,
        rules=rules,
        stays=sorted(_shown(session, mall, own, rules, today, numbers), key=lambda one: (not one.number, one.number)),
        unfetched=[(one, numbers.get(one.stay.id, 0)) for one in overdue_sold(session, mall.id, today) if one.dealer.id in ids],
        given_back=[one for one in back if one.stay.cancelled_by == user_id],
        had=[_had(dealer, own, today, rules) for dealer in dealers],
        given_out=last_given_out(session, mall.id),
        map=drawn,
        bays=sum(bay.is_lent for bay in bays),
    )


def _shown(
    session: Session,
    mall: Mall,
    own: Sequence[Standing],
    rules: OverflowRules,
    today: date,
    numbers: dict[int, int],
) -> Iterator[StayShown]:
    stays = [one.stay for one in own]
    charged, costs = charged_so_far(session, stays), expected(session, mall, stays)
    moving = {one.stay.id: why for one, why in must_move(session, mall.id, today)} if own else {}
    looked = last_found(session, own, today) if own else {}
    for one in own:
        found = looked.get(one.stay.id)
        yield StayShown(
            standing=one,
            today=today,
            number=numbers.get(one.stay.id, 0),
            charged_cents=charged[one.stay.id],
            costs_cents=costs[one.stay.id],
            must_move=moving.get(one.stay.id, ""),
            found=found if found is not None and found.mark.mark != "in place" else None,
            cautions=() if one.stay.moved_in_on else cautions(piece_of(one.piece), rules.pieces),
        )


def _had(dealer: Dealer, own: Iterable[Standing], today: date, rules: OverflowRules) -> Had:
    here = [one.stay for one in own if one.dealer.id == dealer.id and one.stay.starts_on <= today]
    return Had(dealer, sum(stay.to_in16 - stay.from_in16 + rules.gap_in16 for stay in here), len(here))


def _given_back(session: Session, dealer_ids: Collection[int], today: date) -> list[Standing]:
    """Floor to come that was taken back, of pieces that have no other."""
    stands = select(Stay.piece_id).where(Stay.state == "stands")
    rows = session.execute(
        standings()
        .where(Dealer.id.in_(dealer_ids), Stay.state == "cancelled", Stay.starts_on >= today, Stay.piece_id.not_in(stands))
        .order_by(Stay.starts_on, Stay.id)
    )
    return [Standing(*row) for row in rows]


def last_given_out(session: Session, mall_id: int) -> OverflowDraft | None:
    """The draft of a mall that was published last."""
    rows = select(OverflowDraft).where(OverflowDraft.mall_id == mall_id, OverflowDraft.state == "published")
    return session.scalar(rows.order_by(OverflowDraft.published_at.desc(), OverflowDraft.id.desc()).limit(1))


# --- pictures -------------------------------------------------------------------------------------------------------------


def _map(session: Session, mall: Mall, bays: Sequence[BayRow], today: date, own: Collection[int]) -> MapDrawing | None:
    plan = draft_of(session, mall, today)
    if plan is None or not bays:
        return None
    standing = there_between(session, mall.id, today, today + timedelta(days=SOON_DAYS), today)
    return map_of(plan, bays, standing, day=today, own=own, title=f"Bays of {mall.name}", name=f"map-{mall.id}")


@dataclass(frozen=True)
class BayShown:
    """A bay as it will stand on the day that pieces of a request are in it."""

    bay: BayRow
    on: date
    strip: StripDrawing


def bays_shown(session: Session, row: RequestRow, today: date) -> list[BayShown]:
    """The bays in which pieces of a request have floor, or will have it, each as of its first such day or today."""
    days: dict[int, tuple[BayRow, date]] = {}
    for one in row.stays.values():
        if one.stay.ends_on >= today:
            on = max(today, one.stay.starts_on)
            days[one.bay.id] = one.bay, min(on, days.get(one.bay.id, (one.bay, on))[1])
    shown = []
    for bay, on in sorted(days.values(), key=lambda each: (each[1], each[0].code)):
        standing = there_between(session, row.mall.id, on, on, today)
        shown.append(BayShown(bay, on, bay_strip(bay_of(bay), standing, on, own={row.dealer.id}, today=today)))
    return shown


# --- in words --------------------------------------------------------------------------------------------------------------


def fee_words(fee: FeeRule) -> str:
    """`$1.50 a week for each foot along the bay`"""
    if fee.kind == "free":
        return "nothing"
    return f"{format_dollars(fee.cents)} a week for each {'foot along the bay' if fee.kind == 'foot-week' else 'piece'}"


def rule_words(rules: OverflowRules) -> Iterator[str]:
    """What the house asks of pieces in the aisles and of whose they are, a sentence each."""
    if limit := limit_words(rules):
        yield f"A dealer has at most {limit} at a time, the gap of {format_length(rules.gap_in16)} beside each piece counted."
    yield (
        f"Floor is asked for up to {rules.longest_weeks} weeks, and nobody is in one bay for more than {rules.rotation_weeks} "
        "of any 52 weeks, so that everybody has a turn in it."
    )
    yield (
        f"Nothing higher than {format_length(rules.highest_in16)} stands in an aisle; higher than "
        f"{format_length(rules.wall_above_in16)} it stands at a wall only, fastened to it; before another dealer’s booth nothing "
        f"is higher than {format_length(rules.before_in16)}."
    )
    yield (
        f"A piece whose height is {rules.tips_from.normalize():f} times the short side of its base, or more, tips easily: at a "
        "wall only, fastened to it."
    )
    glass = {"nowhere": "No glass stands in an aisle.", "at a wall": "Glass and mirrors stand at a wall only."}
    if rules.glass in glass:
        yield glass[rules.glass]
    yield f"Floor may be asked back with {rules.recall_days} days of notice; for safety, sooner."


def not_gone_words(one: Standing, had: Stay, today: date) -> str:
    """What is so now of a piece that is not gone after all."""
    name, last, bay = one.piece.name, shown_day(had.ends_on), one.bay
    if had.ends_on < today:
        return f"{name} is not gone: it was to be {'fetched' if had.kind == 'sold' else 'gone'} by {last}."
    said = f"{name} is not gone: it has its floor until {last}."
    if had.ends_on < last_day_after_all(had) and bay.ended_on is not None:
        mend = "tell the manager, who finds it another place"
        return f"{said} Bay {bay.code} is no bay any more from {shown_day(bay.ended_on)} on: {mend}."
    return said


def pieces_words(pieces: Sequence[OverflowPiece]) -> str:
    """`Oak hutch, Pine bench and 2 more`"""
    named = ", ".join(piece.name for piece in pieces[:2])
    return f"{named} and {len(pieces) - 2} more" if len(pieces) > 2 else named


def day_at(at: datetime, mall: Mall) -> str:
    """The day it was at a mall at some moment: `Nov 3, 2026`."""
    return shown_day(local_date(at, mall.timezone))


def weeks_words(draft: OverflowDraft) -> str:
    """The weeks a draft gave floor for: `Nov 9 to Dec 6, 2026`."""
    return shown_days(draft.first_day, draft.first_day + timedelta(days=7 * draft.weeks - 1))
