"""Work that nobody waits for: taken up when nothing else is ready, in the order it is told, and counted."""

from __future__ import annotations

from datetime import datetime, timedelta

import pytest
from sqlalchemy import select

from coop.core import broker
from coop.core.behind import behind_state, put_behind, waits_behind
from coop.core.db import Sessions, transaction
from coop.core.job_groups import GroupState
from coop.core.jobs import Job, claim_next, name_jobs, run_job

LEASE = timedelta(minutes=2)
HOUR = timedelta(hours=1)


def name_all(sessions: Sessions, now: datetime) -> None:
    """Papers of two months, named long ago, the older first, and a letter of now."""
    with transaction(sessions) as session:
        name_jobs(session, now - 9 * HOUR, "trial.paper", [("old", {}), ("old 2", {})], queue="statements", group_key="old")
        name_jobs(session, now - 8 * HOUR, "trial.paper", [("new", {})], queue="statements", group_key="new")
        name_jobs(session, now - 8 * HOUR, "trial.step", [("step", {})], queue="default", group_key="new")
        name_jobs(session, now, "trial.letter", [("letter", {})], queue="statements")


def keys(sessions: Sessions, now: datetime) -> list[str]:
    """The keys of the jobs in the order they are claimed."""
    found: list[str] = []
    while True:
        with transaction(sessions) as session:
            claimed = claim_next(session, now, LEASE)
            if claimed is None:
                return found
            found.append(session.scalars(select(Job.key).where(Job.id == claimed[0])).one() or "")


def test_what_waits_behind_comes_after_everything_else_and_in_its_own_turn(sessions: Sessions, now: datetime) -> None:
    name_all(sessions, now)
    with transaction(sessions) as session:
        assert put_behind(session, now - 2 * HOUR, kind="trial.paper", group_key="old") == 2
        assert put_behind(session, now - 3 * HOUR, kind="trial.paper", group_key="new") == 1
        assert waits_behind(session, "old")
        assert waits_behind(session, "new")
        assert not waits_behind(session, "nothing")
    assert keys(sessions, now) == ["step", "letter", "new", "old", "old 2"]


def test_a_long_row_of_it_does_not_hide_a_lost_job_from_the_sweep(
    sessions: Sessions, now: datetime, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(broker, "SWEPT_AT_ONCE", 3)
    name_all(sessions, now - HOUR)
    with transaction(sessions) as session:
        assert put_behind(session, now - 9 * HOUR, kind="trial.paper") == 3
        assert [queue for _, queue in broker.sweep(session, now)] == ["default", "statements", "behind"]


def test_it_is_counted_to_its_end(sessions: Sessions, now: datetime) -> None:
    name_all(sessions, now)
    with transaction(sessions) as session:
        assert behind_state(session) == GroupState(0, 0, 0)
        assert put_behind(session, now, kind="trial.paper") == 3
        assert put_behind(session, now, kind="trial.unheard-of") == 0
        assert behind_state(session) == GroupState(3, 0, 0)
        claimed = claim_next(session, now, LEASE, queues=("behind",))
        assert claimed is not None
    run_job(sessions, claimed[0], lease=LEASE, token=claimed[1], clock=lambda: now)
    with transaction(sessions) as session:
        # No such kind of work is known here, so it fails.
        assert behind_state(session) == GroupState(3, 0, 1)
        assert behind_state(session).pending == 2
        # What has ended is not put anywhere.
        assert put_behind(session, now, kind="trial.paper") == 2
