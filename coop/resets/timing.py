"""Times of resets as a dealer logged them: what the next estimate is corrected by."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import date, datetime

from sqlalchemy import select
from sqlalchemy.orm import Session

from coop.core.errors import Refusal
from coop.core.templating import day
from coop.dealers.models import Dealer
from coop.resets.reset_models import Reset, ResetTime

MOST_MINUTES = 24 * 60


def log_time(
    session: Session,
    now: datetime,
    dealer: Dealer,
    *,
    task: str,
    minutes: int,
    count: int,
    people: int,
    on: date,
    today: date,
    reset: Reset | None = None,
) -> ResetTime:
    """So many minutes for so many of a kind of task, by so many people. Refuses nothing done, and days to come."""
    if not 0 < minutes <= MOST_MINUTES:
        raise Refusal(f"The minutes are {minutes}: write 1 to {MOST_MINUTES}, those of one stretch of work.")
    if count < 1:
        raise Refusal("The count is how many were done in that time: write 1 or more.")
    if people < 1:
        raise Refusal("At least one person did it: write how many.")
    if on > today:
        raise Refusal(f"The day {day(on)} is to come: log what was done.")
    row = ResetTime(
        dealer_id=dealer.id,
        reset_id=None if reset is None else reset.id,
        task=task,
        minutes=minutes,
        people=people,
        count=count,
        on_date=on,
        created_at=now,
    )
    session.add(row)
    session.flush()
    return row


def take_back(session: Session, row: ResetTime) -> None:
    session.delete(row)
    session.flush()


def times_of(session: Session, dealer_id: int) -> Sequence[ResetTime]:
    """All that a dealer logged, the latest first."""
    rows = select(ResetTime).where(ResetTime.dealer_id == dealer_id)
    return session.scalars(rows.order_by(ResetTime.on_date.desc(), ResetTime.id.desc())).all()
