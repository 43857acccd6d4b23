"""Work that nobody waits for: it stands in a queue of its own, and is taken up when nothing else is ready."""

from __future__ import annotations

from datetime import datetime

from sqlalchemy import select, update
from sqlalchemy.orm import Session

from coop.core.job_groups import GroupState, state_of
from coop.core.jobs import BEHIND, Job


def put_behind(session: Session, turn: datetime, *, kind: str, group_key: str | None = None) -> int:
    """Let the waiting jobs of a kind (of one group, where it is named) wait until nothing else is ready; how many.

    `turn`, a moment that is past, says when they come among what waits behind: earlier ones first.
    """
    waiting = (
        update(Job)
        .where(Job.kind == kind, Job.state == "queued")
        .values(queue=BEHIND, run_after=turn)
        .execution_options(synchronize_session=False)
    )
    if group_key is not None:
        waiting = waiting.where(Job.group_key == group_key)
    return int(session.execute(waiting).rowcount)  # type: ignore[attr-defined]


def waits_behind(session: Session, group_key: str) -> bool:
    """Whether jobs of a group wait behind, or are being done from there."""
    waiting = select(Job.id).where(Job.group_key == group_key, Job.queue == BEHIND, Job.state.in_(("queued", "running")))
    return session.scalar(waiting.limit(1)) is not None


def behind_state(session: Session) -> GroupState:
    """How such work stands, with what of it is done and not forgotten yet."""
    return state_of(session, Job.queue == BEHIND)
