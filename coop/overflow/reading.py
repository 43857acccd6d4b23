"""Rows of overflow as values: bays, pieces, who stands where over which days."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import date, datetime, timedelta

from sqlalchemy import ColumnElement, Select, and_, or_, select
from sqlalchemy.orm import InstrumentedAttribute, Session, aliased

from coop.core.geometry import format_length
from coop.core.periods import shown_day
from coop.dealers.models import Dealer
from coop.floor.domain.plan import Outline
from coop.leases.models import Lease, LeaseShare, LeaseSpace
from coop.overflow.domain.bay import Bay, as_corners
from coop.overflow.domain.piece import AskedPiece
from coop.overflow.models import BayRow, OverflowPiece, OverflowRequest, Stay

BESIDE = "beside the bay as it is now"
"""Of what does not stand wholly in it any more."""


def bay_of(row: BayRow) -> Bay:
    return Bay(row.code, row.aisle, as_corners(row.corners_in16), row.backing, row.before)


def piece_of(row: OverflowPiece) -> AskedPiece:
    """Its key is its id as text."""
    return AskedPiece(
        str(row.id),
        row.name,
        row.width_in16,
        row.depth_in16,
        row.height_in16,
        weight_oz=row.weight_oz,
        colour=row.colour,
        grouping=row.grouping,
        price_cents=row.price_cents,
        glass=row.glass,
        may_turn=row.may_turn,
    )


def bays_on(session: Session, mall_id: int, day: date) -> Sequence[BayRow]:
    """The bays there are on a day, lent or kept free."""
    rows = select(BayRow).where(BayRow.mall_id == mall_id, BayRow.starts_on <= day)
    rows = rows.where(BayRow.ended_on.is_(None) | (BayRow.ended_on > day))
    return session.scalars(rows.order_by(BayRow.id)).all()


@dataclass(frozen=True)
class Standing:
    """A stay with its piece, its bay and whose it is."""

    stay: Stay
    piece: OverflowPiece
    bay: BayRow
    dealer: Dealer
    is_unfetched: bool = False
    """Its last day is past, and nobody has said that it is gone: as far as anybody knows it stands there still."""

    def is_late_on(self, day: date) -> bool:
        """It stands there on a day though it was to be gone before."""
        return self.is_unfetched and self.stay.ends_on < day

    def stands_on(self, day: date) -> bool:
        return self.stay.starts_on <= day and (self.stay.ends_on >= day or self.is_unfetched)

    @property
    def was_until(self) -> date | None:
        """The last day on which its bay was as it was when its place was given; None where it was so for all its days.

        What stands wholly in a bay that is cut anew goes over to that: this is of what does not.
        """
        ended = self.bay.ended_on
        if ended is None or (self.stay.ends_on < ended and not self.is_unfetched):
            return None
        return max(ended - timedelta(days=1), self.bay.starts_on)

    @property
    def along(self) -> str:
        """`2' 0" to 5' 0"`, along its bay."""
        return along_words(self.stay.from_in16, self.stay.to_in16, self.was_until)

    @property
    def along_it(self) -> str:
        """The same after its bay is named: `2' 0" to 5' 0" along it`."""
        return self.along if self.was_until else f"{self.along} along it"

    @property
    def outline(self) -> Outline:
        """What it covers on the mall's plan."""
        return bay_of(self.bay).stretch(self.stay.from_in16, self.stay.to_in16, self.stay.depth_in16)


def along_words(from_in16: int, to_in16: int, was_until: date | None) -> str:
    """A place along a bay; that of a piece the bay was cut away from is told as it was, never as one in the bay there is now."""
    place = f"{format_length(from_in16)} to {format_length(to_in16)}"
    return place if was_until is None else f"{BESIDE} ({place} along it as it was until {shown_day(was_until)})"


def standing_in(bay: Bay, one: Standing) -> tuple[int, int] | None:
    """From where to where it stands along a bay as it is now, as far as it stands in it; None where it stands beside it."""
    return place_in(bay, bay_of(one.bay), one.outline, (one.stay.from_in16, one.stay.to_in16))


def place_in(bay: Bay, own: Bay, outline: Outline, place: tuple[int, int]) -> tuple[int, int] | None:
    """The same of an outline; `place` is along its own bay, in which no sixteenth is lost by rounding."""
    if bay.corners == own.corners:
        return place
    found = bay.along(outline)
    return None if found is None else (found.from_in16, found.to_in16)


_BY_PLACE = BayRow.code, BayRow.id, Stay.from_in16, Stay.starts_on, Stay.id


def standings() -> Select[Stay, OverflowPiece, BayRow, Dealer]:
    """Every stay with what a `Standing` is made of; whoever asks says which, and in what order."""
    return (
        select(Stay, OverflowPiece, BayRow, Dealer)
        .join(OverflowPiece, OverflowPiece.id == Stay.piece_id)
        .join(BayRow, BayRow.id == Stay.bay_id)
        .join(Dealer, Dealer.id == OverflowPiece.dealer_id)
    )


def standing_between(session: Session, mall_id: int, first: date, last: date) -> list[Standing]:
    """Who has floor on any of these days, both included, by bay and place; what was cancelled is left out."""
    rows = session.execute(
        standings()
        .where(BayRow.mall_id == mall_id, Stay.state == "stands", Stay.starts_on <= last, Stay.ends_on >= first)
        .order_by(*_BY_PLACE)
    )
    return [Standing(*row) for row in rows]


def there_between(session: Session, mall_id: int, first: date, last: date, today: date) -> list[Standing]:
    """Who stands on any of these days: as `standing_between`, and sold pieces that were to be fetched before today and were not.

    Such a piece has no floor any more, and costs nothing; it stands there all the same until somebody says that it was fetched.
    """
    rows = session.execute(
        standings()
        .add_columns(is_overdue(today))
        .where(
            BayRow.mall_id == mall_id,
            Stay.state == "stands",
            Stay.starts_on <= last,
            or_(Stay.ends_on >= first, is_overdue(today)),
        )
        .order_by(*_BY_PLACE)
    )
    return [Standing(stay, piece, bay, dealer, bool(late)) for stay, piece, bay, dealer, late in rows]


def is_overdue(today: date) -> ColumnElement[bool]:
    """Of a stay: its piece is sold, its last day past, nobody has said that it is gone, and it was not moved or let stay on."""
    return and_(Stay.kind == "sold", is_past(today), Stay.gone_said_at.is_(None))


def is_past(day: date | InstrumentedAttribute[date], at: datetime | None = None) -> ColumnElement[bool]:
    """Of a stay: its last day was before a day, and its piece was not moved or let stay on; with a moment, not by then."""
    later = aliased(Stay)
    went_on = select(later.id).where(later.piece_id == Stay.piece_id, later.state == "stands", later.starts_on > Stay.ends_on)
    went_on = went_on if at is None else went_on.where(later.created_at <= at)
    return and_(Stay.state == "stands", Stay.ends_on < day, ~went_on.exists())


def pieces_of(session: Session, requests: Iterable[OverflowRequest]) -> dict[int, list[OverflowPiece]]:
    """The pieces of requests, by the request's id."""
    found: dict[int, list[OverflowPiece]] = {request.id: [] for request in requests}
    rows = select(OverflowPiece).where(OverflowPiece.request_id.in_(found)).order_by(OverflowPiece.id)
    for piece in session.scalars(rows):
        found[piece.request_id or 0].append(piece)
    return found


def spaces_held(session: Session, mall_id: int, day: date) -> dict[int, set[int]]:
    """The ids of the spaces that each dealer, by id, holds or shares at a mall on a day."""
    over = LeaseSpace.starts_on <= day, LeaseSpace.ends_on.is_(None) | (LeaseSpace.ends_on >= day)
    own = select(Lease.dealer_id, LeaseSpace.space_id).join(Lease, Lease.id == LeaseSpace.lease_id)
    shared = (
        select(Lease.dealer_id, LeaseSpace.space_id)
        .join(LeaseShare, LeaseShare.lease_space_id == LeaseSpace.id)
        .join(Lease, Lease.id == LeaseShare.lease_id)
    )
    found: dict[int, set[int]] = {}
    for query in (own, shared):
        for dealer_id, space_id in session.execute(query.where(Lease.mall_id == mall_id, *over)):
            found.setdefault(dealer_id, set()).add(space_id)
    return found
