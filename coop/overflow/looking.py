"""What a walk looks for on a day: what has floor then, and what was to be gone before and is not known to be."""

from __future__ import annotations

from collections.abc import Collection
from datetime import date, datetime, time, timedelta
from zoneinfo import ZoneInfo

from sqlalchemy import ColumnElement, and_, func, or_, select
from sqlalchemy.orm import Session

from coop.floor.models import Mall
from coop.overflow.models import BayRow, Stay, Walk, WalkMark
from coop.overflow.reading import Standing, is_past, standings

LATELY = timedelta(days=14)
"""What ended so long ago at most, or since the walk before, is looked for until somebody says that it is gone."""


def looked_for(
    session: Session, mall_id: int, day: date, at: datetime | None = None, *which: ColumnElement[bool]
) -> list[Standing]:
    """What a walk of a day looks for, or those of it, as it was known at a moment; unless said, as it is known now."""
    unsaid: ColumnElement[bool] = Stay.gone_said_at.is_(None)
    if at is not None:
        unsaid = or_(unsaid, Stay.gone_said_at > at)
    stands = and_(Stay.ends_on >= day, or_(unsaid, Stay.ends_on > day))
    lately = or_(Stay.kind == "sold", Stay.ends_on >= _since(session, mall_id, day), _seen_late(day))
    there = or_(stands, and_(is_past(day, at), unsaid, lately))
    known = [] if at is None else [Stay.created_at <= at]
    here = BayRow.mall_id == mall_id, Stay.state == "stands", Stay.starts_on <= day
    return _rows(session, day, *here, there, *known, *which)


def listed(session: Session, mall: Mall, walk: Walk, marked: Collection[int]) -> list[Standing]:
    """The list of a walk: what it looks for, and what is marked on it, by the ids of stays.

    Of one that is over it is what it was: as it was known when dealers were told, or at the end of its day.
    """
    ends = datetime.combine(walk.on_date + timedelta(days=1), time(), ZoneInfo(mall.timezone))
    found = looked_for(session, mall.id, walk.on_date, walk.told_at or ends)
    missing = set(marked) - {one.stay.id for one in found}
    return [*found, *_rows(session, walk.on_date, Stay.id.in_(missing))] if missing else found


def should_be_gone(one: Standing, day: date) -> bool:
    """A dealer was to take it away before a day; one that is sold waits for its buyer."""
    return one.stay.kind == "asked" and one.is_late_on(day)


def _since(session: Session, mall_id: int, day: date) -> date:
    told = select(func.max(Walk.on_date)).where(Walk.mall_id == mall_id, Walk.on_date < day, Walk.told_at.is_not(None))
    return min(session.scalar(told) or day, day - LATELY)


def _seen_late(day: date) -> ColumnElement[bool]:
    """Of a stay: a walk after its last day found that it still stands."""
    marks = select(WalkMark.id).join(Walk, Walk.id == WalkMark.walk_id)
    seen = marks.where(WalkMark.stay_id == Stay.id, WalkMark.mark != "not there")
    return seen.where(Walk.on_date > Stay.ends_on, Walk.on_date < day).exists()


def _rows(session: Session, day: date, *which: ColumnElement[bool]) -> list[Standing]:
    rows = session.execute(standings().add_columns(is_past(day)).where(*which).order_by(BayRow.code, Stay.from_in16, Stay.id))
    return [Standing(stay, piece, bay, dealer, bool(late)) for stay, piece, bay, dealer, late in rows]
