"""Kinds of work for the tests of runners and workers, whose effects can be counted.

`python -m tests.functional.trial_work ARGS` is the `coop` command with them; `celery -A tests.functional.trial_work` the workers.
"""

from __future__ import annotations

import os
import time
from datetime import datetime
from typing import Any

from sqlalchemy import select
from sqlalchemy.orm import Session

from coop.cli import main
from coop.core import audit, jobs
from coop.core.db import Sessions, transaction
from coop.core.jobs import JobRun, long_job, short_job

if os.environ.get("COOP_JOBS") == "celery" and __name__ != "__main__":
    from worker.celery_app import app  # noqa: F401


@short_job("trial.count")
def _count(session: Session, now: datetime, args: dict[str, Any]) -> None:
    audit.record(session, now, "trial", "trial", args["n"], detail=str(os.getpid()))


@long_job("trial.slow")
def _slow(run: JobRun, args: dict[str, Any]) -> None:
    """Begins (one row), lasts so many seconds without a word, and ends (another row)."""
    with run.transaction() as session:
        audit.record(session, run.clock(), "begun", "trial", args["n"], detail=str(os.getpid()))
    time.sleep(args["seconds"])
    with run.transaction() as session:
        audit.record(session, run.clock(), "trial", "trial", args["n"], detail=str(os.getpid()))
        run.finish(session)


def effects(sessions: Sessions, action: str = "trial") -> list[str]:
    """What was done, one entry for each time it was done, sorted."""
    with transaction(sessions) as session:
        rows = session.scalars(select(audit.AuditLog.subject_id).where(audit.AuditLog.action == action))
        return sorted(rows)


def states(sessions: Sessions, kinds: str = "") -> dict[str, int]:
    """How many jobs, of kinds that begin so, are in each state."""
    with transaction(sessions) as session:
        found = session.scalars(select(jobs.Job.state).where(jobs.Job.kind.startswith(kinds))).all()
    return {state: found.count(state) for state in set(found)}


if __name__ == "__main__":
    main()
