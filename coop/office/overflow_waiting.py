"""What waits of lent floor in the office, for its first page: what must move, what has floor on days on which its dealer leases
nothing, and sold pieces that nobody fetched in time.

The number of queries is the same however many malls there are, and however much stands in them.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping
from datetime import date

from sqlalchemy import and_, func, or_, select
from sqlalchemy.orm import Session

from coop.overflow.models import BayRow, BaySurvey, Stay
from coop.overflow.queries import beyond_leases
from coop.overflow.reading import is_overdue


def must_move_counts(session: Session, days: Mapping[int, date]) -> tuple[dict[int, int], dict[int, list[date]]]:
    """By mall, how many pieces must move and were not asked back yet; and until when those that were may stand there, the first
    first. `days`: the day it is at each.
    """
    named = {int(stay_id) for value in session.scalars(select(BaySurvey.value)) for stay_id in value.get("must_move", {})}
    rows = session.execute(
        select(BayRow.mall_id, Stay).join(Stay, Stay.bay_id == BayRow.id).where(Stay.id.in_(named), Stay.state == "stands")
    ).all()
    there = [(mall_id, stay) for mall_id, stay in rows if stay.ends_on >= days[mall_id]]
    asked_back: dict[int, list[date]] = {}
    for mall_id, stay in there:
        if stay.recalled_at is not None and not stay.is_gone(days[mall_id]):
            asked_back[mall_id] = sorted([*asked_back.get(mall_id, []), stay.ends_on])
    return Counter(mall_id for mall_id, stay in there if stay.recalled_at is None), asked_back


def overdue_counts(session: Session, days: Mapping[int, date]) -> dict[int, tuple[int, date]]:
    """How many sold pieces were to be fetched and were not, by mall, with the first of their last days."""
    if not days:
        return {}
    rows = session.execute(
        select(BayRow.mall_id, func.count(), func.min(Stay.ends_on))
        .join(Stay, Stay.bay_id == BayRow.id)
        .where(or_(*(and_(BayRow.mall_id == mall_id, is_overdue(today)) for mall_id, today in days.items())))
        .group_by(BayRow.mall_id)
    )
    return {mall_id: (count, first) for mall_id, count, first in rows}


def beyond_lease_counts(session: Session, days: Mapping[int, date]) -> dict[int, int]:
    """How many pieces have floor on days to come on which their dealers have no lease, by mall."""
    return {mall_id: len(those) for mall_id, those in beyond_leases(session, days).items()}
