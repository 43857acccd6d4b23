"""Spaces measured: each measuring is kept, and the newest is the space's own figure."""

from __future__ import annotations

from datetime import date, datetime

from sqlalchemy import select
from sqlalchemy.orm import Session

from coop.core import audit
from coop.core.clock import local_date
from coop.core.errors import Refusal
from coop.floor.domain.areas import drawn_area_sqft100
from coop.floor.domain.draft import PlanDraft, SpaceDraft, draft_faults
from coop.floor.domain.plan import Outline
from coop.floor.models import Mall, Space, SpaceMeasure
from coop.floor.queries import measures_of


def record_measure(
    session: Session,
    now: datetime,
    space: Space,
    *,
    measured_on: date,
    measured_by: str,
    area_sqft100: int | None = None,
    outline: Outline = (),
    length_in16: int | None = None,
    note: str = "",
    user_id: int | None = None,
) -> SpaceMeasure:
    """Keep a measuring: an area, or the corners measured, from anywhere, as an outline. What a lease says does not change.

    Refuses no name, a day to come, neither or both of area and outline, an outline that crosses itself, nothing or less.
    """
    named = f"Space {space.code}"
    mall = session.get_one(Mall, space.mall_id)
    if not measured_by.strip():
        raise Refusal(f"{named}: who measured it is empty; give a name.")
    if measured_on > local_date(now, mall.timezone):
        raise Refusal(f"{named}: the day it was measured, {measured_on}, is to come; give the day it was done.")
    if (area_sqft100 is None) == (not outline):
        raise Refusal(f"{named}: give either the area measured or the corners measured.")
    if outline:
        faults = draft_faults(PlanDraft(outline, spaces=(SpaceDraft(space.code, space.kind, space.zone, outline),)))
        if faults:
            raise Refusal(str(faults[-1]))
        area_sqft100 = drawn_area_sqft100(outline)
    assert area_sqft100 is not None
    if area_sqft100 <= 0:
        raise Refusal(f"{named}: its area must be above zero.")
    if length_in16 is not None and length_in16 <= 0:
        raise Refusal(f"{named}: its length must be above zero; leave it empty where it was not measured.")
    measure = SpaceMeasure(
        space_id=space.id,
        measured_on=measured_on,
        measured_by=measured_by.strip()[:120],
        area_sqft100=area_sqft100,
        length_in16=length_in16,
        note=note.strip()[:200],
        created_at=now,
    )
    session.add(measure)
    session.flush()
    newest = measures_of(session, space.id)[0]
    # A figure that nobody put a name to gives way to any that has one.
    if space.measured_on is None or not space.measured_by or newest.measured_on >= space.measured_on:
        space.measured_area_sqft100 = newest.area_sqft100
        space.measured_on, space.measured_by = newest.measured_on, newest.measured_by
        lengths = select(SpaceMeasure.length_in16).where(SpaceMeasure.space_id == space.id, SpaceMeasure.length_in16.is_not(None))
        newest_first = (SpaceMeasure.measured_on.desc(), SpaceMeasure.id.desc())
        space.length_in16 = session.scalar(lengths.order_by(*newest_first).limit(1)) or space.length_in16
    session.flush()
    detail = f"{space.code} on {measured_on}: {area_sqft100} sqft100"
    audit.record(session, now, "space measured", "space", space.id, user_id=user_id, detail=detail)
    return measure
