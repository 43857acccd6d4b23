"""How long what only explains the past is kept: jobs that ended, attempts to send mail. Swept daily by the schedule.

Never swept: mails, documents, statements, the log and the books.
"""

from __future__ import annotations

from datetime import datetime, timedelta
from typing import Any

from sqlalchemy import delete, func, select
from sqlalchemy.orm import Session

from coop.core.jobs import Job, short_job
from coop.core.mail import MailAttempt

KEEP_DONE_JOBS = timedelta(days=30)
KEEP_FAILED_JOBS = timedelta(days=400)
"""A month-end that was given up is still explained, and may be taken up again, a year later."""
KEEP_MAIL_ATTEMPTS = timedelta(days=400)


@short_job("core.forget_jobs")
def _forget_jobs(session: Session, now: datetime, args: dict[str, Any]) -> None:
    """Naming such a job again under its old key makes it anew: a job run twice does nothing twice."""
    for state, kept in (("done", KEEP_DONE_JOBS), ("failed", KEEP_FAILED_JOBS)):
        session.execute(delete(Job).where(Job.state == state, Job.finished_at < now - kept))


@short_job("core.forget_mail_attempts")
def _forget_mail_attempts(session: Session, now: datetime, args: dict[str, Any]) -> None:
    """The last attempt of each mail stays: the office shows what the server said."""
    last = select(func.max(MailAttempt.id)).group_by(MailAttempt.outbox_id)
    session.execute(
        delete(MailAttempt)
        .where(MailAttempt.started_at < now - KEEP_MAIL_ATTEMPTS, MailAttempt.id.not_in(last))
        .execution_options(synchronize_session=False)
    )
