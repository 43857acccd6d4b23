"""What the first page of a dealer's resets reads: the booths, what stands in them, drafts, the next reset."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime

from sqlalchemy import func, select
from sqlalchemy.orm import Session

from coop.core.web import Visitor
from coop.portal.queries import own_dealers_query
from coop.resets.holding import HeldBooth, held_booths
from coop.resets.models import BoothMeasure, BoothSet, PieceRow
from coop.resets.planning import OPEN
from coop.resets.reset_models import Reset


@dataclass(frozen=True)
class BoothRow:
    """A booth with what stands in it and what is planned for it."""

    booth: HeldBooth
    measure: BoothMeasure | None
    """The newest measuring."""
    stands: BoothSet | None
    drafts: Sequence[BoothSet]
    next: Reset | None


def own_booths(session: Session, user: Visitor, now: datetime, *, space_id: int | None = None) -> list[HeldBooth]:
    """The booths this user's dealers hold or share, today or from a coming day."""
    dealers = session.scalars(own_dealers_query(user)).all()
    return held_booths(session, now, dealers, space_id=space_id)


def newest_measures(session: Session, space_ids: Sequence[int]) -> dict[int, BoothMeasure]:
    """The newest measuring of each space that was measured."""
    rows = session.scalars(select(BoothMeasure).where(BoothMeasure.space_id.in_(space_ids)).order_by(BoothMeasure.number))
    return {row.space_id: row for row in rows}


def booth_rows(session: Session, booths: Sequence[HeldBooth]) -> list[BoothRow]:
    """Three queries, however many booths there are."""
    spaces = [booth.space.id for booth in booths]
    dealers = {booth.dealer.id for booth in booths}
    measures = newest_measures(session, spaces)
    sets = session.scalars(
        select(BoothSet)
        .where(BoothSet.space_id.in_(spaces), BoothSet.dealer_id.in_(dealers), BoothSet.state != "stood")
        .order_by(BoothSet.starts_on, BoothSet.id)
    ).all()
    coming = session.scalars(
        select(Reset)
        .where(Reset.space_id.in_(spaces), Reset.dealer_id.in_(dealers), Reset.state.in_(OPEN))
        .order_by(Reset.on_date, Reset.begins_minute, Reset.id)
    ).all()
    made = []
    for booth in booths:
        own = (booth.space.id, booth.dealer.id)
        theirs = [one for one in sets if (one.space_id, one.dealer_id) == own]
        made.append(
            BoothRow(
                booth,
                measures.get(booth.space.id),
                next((one for one in theirs if one.state == "stands"), None),
                [one for one in theirs if one.state == "draft"],
                next((one for one in coming if (one.space_id, one.dealer_id) == own), None),
            )
        )
    return made


def count_pieces(session: Session, user: Visitor) -> int:
    """How many pieces this user's dealers have."""
    query = select(func.count()).where(PieceRow.dealer_id.in_(own_dealers_query(user)), PieceRow.gone_on.is_(None))
    return session.scalar(query.select_from(PieceRow)) or 0
