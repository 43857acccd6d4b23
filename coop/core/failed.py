"""What a person does about work that failed: it is taken up again or left undone, and either stands in the log."""

from __future__ import annotations

from datetime import datetime

from sqlalchemy.orm import Session

from coop.core import audit
from coop.core.job_groups import retry_failed
from coop.core.jobs import Job


def take_up_again(
    session: Session, now: datetime, job: Job, *, said: str, user_id: int | None = None, request_id: str = ""
) -> None:
    """Put a failed job back in the queue, with what else failed of the same group. `said` is the work in words."""
    if job.group_key is None:
        job.group_key = f"again:{job.id}"
        session.flush()
    retry_failed(session, now, job.group_key)
    audit.record(session, now, "work taken up again", "job", job.id, user_id=user_id, detail=said, request_id=request_id)


def leave_undone(
    session: Session, now: datetime, job: Job, *, said: str, user_id: int | None = None, request_id: str = ""
) -> None:
    """Take a failed job away without doing it: what it was, and why it failed, stay in the log. `said` is the work in words."""
    detail = f"{said}: {job.error}"[:2000]
    audit.record(session, now, "work left undone", "job", job.id, user_id=user_id, detail=detail, request_id=request_id)
    session.delete(job)
