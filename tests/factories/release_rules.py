"""A state's rule that lets money go sooner than any may: for tests whose money cannot grow old."""

from __future__ import annotations

from datetime import date, datetime

from sqlalchemy.orm import Session

from coop.books.models import ReleaseRule
from coop.books.rules import LEAST_RELEASE_DAYS, set_release_rule


def add_early_rule(
    session: Session,
    now: datetime,
    *,
    what: str,
    starts_on: date,
    after_days: int,
    goes_to: str = "state",
    said_by: str = "an invented law",
) -> ReleaseRule:
    """Written down as any other, then made to let go after so few days."""
    rule = set_release_rule(
        session, now, what=what, starts_on=starts_on, after_days=LEAST_RELEASE_DAYS, goes_to=goes_to, said_by=said_by
    )
    rule.after_days = after_days
    session.flush()
    return rule
