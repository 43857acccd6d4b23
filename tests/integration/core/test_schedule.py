"""The schedule: each slot once, however many ask, on both databases."""

from __future__ import annotations

from collections import Counter
from concurrent.futures import ThreadPoolExecutor
from datetime import datetime, timedelta

from sqlalchemy import select

import coop.rooms
from coop.core import jobs, schedule
from coop.core.db import Sessions, transaction

DAY = timedelta(days=1)


def _named(sessions: Sessions) -> Counter[str]:
    with transaction(sessions) as session:
        return Counter(session.scalars(select(jobs.Job.kind)))


def test_every_scheduled_kind_is_known() -> None:
    assert coop.rooms.METADATA.tables
    assert {each.kind for each in schedule.SCHEDULE} <= set(jobs.KINDS)
    assert {each.queue for each in schedule.SCHEDULE} <= set(jobs.QUEUES)


def test_a_slot_is_taken_once_and_the_next_one_again(sessions: Sessions, now: datetime) -> None:
    def ask(at: datetime, **more: timedelta) -> bool:
        with transaction(sessions) as session:
            return schedule.take_slot(session, at, "seal", DAY, **more)

    assert [ask(now), ask(now), ask(now + timedelta(hours=8, minutes=59))] == [True, False, False]
    assert ask(now + timedelta(hours=9))  # 15:00 and nine hours: the next day in UTC
    nine = timedelta(hours=9)
    with transaction(sessions) as session:
        assert schedule.take_slot(session, now, "at nine", DAY, nine)
        assert not schedule.take_slot(session, now + timedelta(hours=17, minutes=59), "at nine", DAY, nine)
        assert schedule.take_slot(session, now + timedelta(hours=18), "at nine", DAY, nine)


def test_a_slot_that_is_not_committed_is_not_taken(sessions: Sessions, now: datetime) -> None:
    with sessions() as session:
        session.begin()
        assert schedule.name_due(session, now)
        session.rollback()
    assert not _named(sessions)
    with transaction(sessions) as session:
        assert schedule.name_due(session, now) == [each.kind for each in schedule.SCHEDULE]
    assert _named(sessions) == {each.kind: 1 for each in schedule.SCHEDULE}


def test_eight_beats_at_once_name_each_job_once(sessions: Sessions, now: datetime) -> None:
    def beat(_: int) -> int:
        with transaction(sessions) as session:
            return len(schedule.name_due(session, now))

    with ThreadPoolExecutor(8) as pool:
        named = list(pool.map(beat, range(8)))
    assert sum(named) == len(schedule.SCHEDULE)
    assert _named(sessions) == {each.kind: 1 for each in schedule.SCHEDULE}


def test_old_slots_are_forgotten(sessions: Sessions, now: datetime) -> None:
    with transaction(sessions) as session:
        schedule.take_slot(session, now - 15 * DAY, "sweep", DAY)
        schedule.take_slot(session, now - 13 * DAY, "sweep", DAY)
        jobs.name_job(session, now, "core.forget_slots", {}, queue="default")
    assert jobs.run_job(sessions, 1, lease=DAY, clock=lambda: now)
    with transaction(sessions) as session:
        assert session.scalars(select(schedule.ScheduleSlot.at)).all() == [now - 13 * DAY]
