"""Jobs by their group: how many are done, whether any has yet to end, and failed ones put back."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta

from sqlalchemy import ColumnElement, case, func, or_, select
from sqlalchemy.orm import Session

from coop.core.jobs import KINDS, QUEUES, Job


def retry_failed(session: Session, now: datetime, group_key: str) -> int:
    """Put a group's failed jobs back in the queue with fresh attempts; how many."""
    failed = session.scalars(select(Job).where(Job.group_key == group_key, Job.state == "failed")).all()
    for job in failed:
        job.state, job.attempts, job.run_after, job.error, job.finished_at = "queued", 0, now, "", None
        session.info.setdefault("named_jobs", []).append((job.id, job.queue, timedelta(0)))
        if (kind := KINDS.get(job.kind)) and kind.retried:
            kind.retried(session, now, dict(job.args))
    return len(failed)


@dataclass(frozen=True)
class GroupState:
    """How a group of jobs stands."""

    total: int
    done: int
    failed: int

    @property
    def pending(self) -> int:
        return self.total - self.done - self.failed


def group_state(session: Session, group_key: str) -> GroupState:
    return state_of(session, Job.group_key == group_key)


def state_of(session: Session, which: ColumnElement[bool]) -> GroupState:
    """How the jobs of a condition stand."""
    total, done, failed = session.execute(
        select(
            func.count(Job.id),
            func.coalesce(func.sum(case((Job.state == "done", 1), else_=0)), 0),
            func.coalesce(func.sum(case((Job.state == "failed", 1), else_=0)), 0),
        ).where(which)
    ).one()
    return GroupState(total, done, failed)


def nothing_soon(
    session: Session,
    now: datetime,
    patience: timedelta,
    queues: Sequence[str] = QUEUES,
    group_key: str | None = None,
) -> bool:
    """Whether no job is running, nor is or will be ready within `patience`: what is left, if any, is put off for longer."""
    soon = select(Job.id).where(
        or_(Job.state == "running", (Job.state == "queued") & (Job.run_after <= now + patience)), Job.queue.in_(queues)
    )
    if group_key is not None:
        soon = soon.where(Job.group_key == group_key)
    return session.scalar(soon.limit(1)) is None


def pending_in(session: Session, group_key: str) -> bool:
    """Whether any job of the group has yet to end."""
    return bool(session.scalar(select(Job.id).where(Job.group_key == group_key, Job.state.in_(("queued", "running"))).limit(1)))
