"""A mall's bays asked to be worked out anew, in the background (`surveying.py`)."""

from __future__ import annotations

from datetime import datetime

from sqlalchemy import func, select
from sqlalchemy.orm import Session

from coop.core.db import insert_ignoring
from coop.core.jobs import Job, name_job
from coop.floor.models import Mall, Space
from coop.floor.service import hold_mall
from coop.overflow.models import BayRow, BaySurvey, BoothOpening, OverflowRule

KIND = "overflow.survey"


def group_of(mall_id: int) -> str:
    return f"bays:{mall_id}"


def ask_survey(session: Session, now: datetime, mall: Mall) -> None:
    """Name the job that works a mall's bays out, unless one waits that will see what is there when this transaction ends."""
    hold_mall(session, mall.id)
    # Held, a waiting job is not taken up before this transaction ends; one that is being taken up waits no more.
    waits = select(Job.id).where(Job.group_key == group_of(mall.id), Job.state == "queued").limit(1).with_for_update()
    if session.scalar(waits) is None:
        name_job(session, now, KIND, {"mall_id": mall.id}, queue="rota", group_key=group_of(mall.id))
    row = survey_row(session, mall.id)
    row.job_id = session.scalar(select(func.max(Job.id)).where(Job.group_key == group_of(mall.id)))
    session.flush()


def survey_row(session: Session, mall_id: int) -> BaySurvey:
    """The mall's one row, made when there is none."""
    wanted = select(BaySurvey).where(BaySurvey.mall_id == mall_id)
    row = session.scalar(wanted)
    if row is None:
        session.execute(insert_ignoring(session, BaySurvey, "mall_id").values(mall_id=mall_id, made_of="", value={}))
        row = session.scalars(wanted).one()
    return row


def lends_floor(session: Session, mall_id: int) -> bool:
    """Whether a mall has anything to do with overflow: house rules, openings or bays."""
    openings = select(BoothOpening.id).join(Space, Space.id == BoothOpening.space_id).where(Space.mall_id == mall_id)
    rows = (select(BayRow.id).where(BayRow.mall_id == mall_id), select(OverflowRule.id).where(OverflowRule.mall_id == mall_id))
    return any(session.scalar(each.limit(1)) is not None for each in (*rows, openings))


def plan_changed(session: Session, now: datetime, mall: Mall) -> None:
    """Whoever changes a mall's plan, a space of it or a width says so: where floor is lent, its bays are worked out anew."""
    if lends_floor(session, mall.id):
        ask_survey(session, now, mall)
