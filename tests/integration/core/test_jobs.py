"""The jobs table on both databases: claims, leases, retries and what one transaction keeps together, with explicit clocks."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from datetime import datetime, timedelta
from typing import Any

import pytest
from sqlalchemy import func, select, update
from sqlalchemy.orm import Session

from coop.core import broker, job_groups, jobs
from coop.core.audit import AuditLog, record
from coop.core.clock import utc_now
from coop.core.db import Sessions, server_version, transaction
from coop.core.errors import Refusal
from coop.core.jobs import Job, JobRun, Later, LeaseLost
from coop.core.logs import REQUEST_ID

LEASE = timedelta(minutes=2)
SECOND = timedelta(seconds=1)


class Clock:
    """A clock that moves when it is told to."""

    def __init__(self, at: datetime) -> None:
        self.at = at

    def __call__(self) -> datetime:
        return self.at


@pytest.fixture
def clock(now: datetime) -> Clock:
    return Clock(now)


@pytest.fixture
def kinds() -> Iterator[dict[str, jobs.Kind]]:
    """The registry, put back afterwards."""
    before = dict(jobs.KINDS)
    yield jobs.KINDS
    jobs.KINDS.clear()
    jobs.KINDS.update(before)


@pytest.fixture
def sent() -> Iterator[list[int]]:
    """The ids a broker would have been told of."""
    told: list[int] = []
    jobs.DISPATCH.send = lambda job_id, queue, after: told.append(job_id)
    yield told
    jobs.DISPATCH.send = None


def name(sessions: Sessions, now: datetime, kind: str = "trial", **more: Any) -> int:
    """Name one job; its id."""
    with transaction(sessions) as session:
        jobs.name_job(session, now, kind, {"n": 1}, queue=more.pop("queue", "default"), **more)
        return session.scalars(select(Job.id).order_by(Job.id.desc())).first() or 0


def job(sessions: Sessions, job_id: int) -> Job:
    with transaction(sessions) as session:
        return session.get_one(Job, job_id)


def effects(sessions: Sessions) -> int:
    with transaction(sessions) as session:
        return session.scalar(select(func.count(AuditLog.id))) or 0


def leave_a_trace(session: Session, now: datetime, args: dict[str, Any]) -> None:
    record(session, now, "trial", "trial", args["n"])


# --- naming -------------------------------------------------------------------------------------------------------------


def test_naming_twice_under_one_key_is_one_job(sessions: Sessions, now: datetime) -> None:
    with transaction(sessions) as session:
        for _ in range(2):
            jobs.name_jobs(session, now, "trial", [("a", {}), ("b", {}), ("a", {})], queue="mail")
        jobs.name_jobs(session, now, "trial", [(None, {}), (None, {})], queue="mail")
        jobs.name_jobs(session, now, "trial", [], queue="mail")
    with transaction(sessions) as session:
        keys = session.scalars(select(Job.key).order_by(Job.id)).all()
    assert keys == ["a", "b", None, None]


def test_many_are_named_at_once(sessions: Sessions, now: datetime, sent: list[int]) -> None:
    with transaction(sessions) as session:
        jobs.name_jobs(session, now, "trial", [(f"k{n}", {"n": n}) for n in range(1001)], queue="imports")
    with transaction(sessions) as session:
        assert session.scalar(select(func.count(Job.id))) == 1001
    assert len(sent) == 1001


def test_a_queue_nobody_serves_is_refused(sessions: Sessions, now: datetime) -> None:
    with pytest.raises(ValueError, match="no queue post"), transaction(sessions) as session:
        jobs.name_job(session, now, "trial", {}, queue="post")


def test_a_job_is_sent_after_its_commit_and_not_before(sessions: Sessions, now: datetime, sent: list[int]) -> None:
    with transaction(sessions) as session:
        with session.begin_nested():
            jobs.name_job(session, now, "trial", {}, queue="mail", key="in a savepoint")
        assert sent == []
        jobs.name_job(session, now, "trial", {}, queue="mail", key="outside")
        undone = session.begin_nested()
        jobs.name_job(session, now, "trial", {}, queue="mail", key="undone")
        undone.rollback()
        session.flush()
        assert sent == []
    with transaction(sessions) as session:
        there = session.scalars(select(Job.id).order_by(Job.id)).all()
    assert len(there) == 2
    assert set(there) <= set(sent)


def test_a_job_of_a_transaction_that_fails_is_not_sent(sessions: Sessions, now: datetime, sent: list[int]) -> None:
    with sessions() as session:
        session.begin()
        jobs.name_job(session, now, "trial", {}, queue="mail")
        session.rollback()
        with session.begin():
            assert session.scalar(select(func.count(Job.id))) == 0
    assert sent == []


def test_a_broker_that_fails_is_tried_once_for_a_commit_and_harms_nothing(sessions: Sessions, now: datetime) -> None:
    tries = []

    def send(job_id: int, queue: str, after: timedelta) -> None:
        tries.append(job_id)
        raise ConnectionError("refused")

    jobs.DISPATCH.send = send
    try:
        with transaction(sessions) as session:
            jobs.name_jobs(session, now, "trial", [(None, {}), (None, {}), (None, {})], queue="mail")
    finally:
        jobs.DISPATCH.send = None
    assert len(tries) == 1
    with transaction(sessions) as session:
        assert session.scalar(select(func.count(Job.id))) == 3


def test_a_request_id_goes_through_to_the_job_and_the_jobs_it_names(
    sessions: Sessions, now: datetime, clock: Clock, kinds: dict[str, jobs.Kind]
) -> None:
    seen = []

    @jobs.short_job("trial")
    def _(session: Session, now: datetime, args: dict[str, Any]) -> None:
        seen.append(REQUEST_ID.get())
        jobs.name_job(session, now, "child", {}, queue="default")

    under = REQUEST_ID.set("req-1")
    job_id = name(sessions, now)
    REQUEST_ID.reset(under)
    assert jobs.run_job(sessions, job_id, lease=LEASE, clock=clock)
    assert seen == ["req-1"]
    assert job(sessions, job_id + 1).request_id == "req-1"
    assert REQUEST_ID.get() == ""


# --- claiming -----------------------------------------------------------------------------------------------------------


def test_the_oldest_that_is_ready_is_taken_in_its_queue_and_group(sessions: Sessions, now: datetime) -> None:
    later = name(sessions, now, after=60 * SECOND)
    mail = name(sessions, now, queue="mail")
    first = name(sessions, now - SECOND, group_key="g")
    second = name(sessions, now)

    def take(**which: Any) -> int | None:
        with transaction(sessions) as session:
            taken = jobs.claim_next(session, which.pop("at", now), LEASE, **which)
        return taken[0] if taken else None

    assert take(group_key="other") is None
    assert take(queues=("mail",)) == mail
    assert take(group_key="g") == first
    assert take() == second
    assert take() is None
    assert take(at=now + 60 * SECOND) == later


def test_a_lease_keeps_a_job_until_it_has_run_out(sessions: Sessions, now: datetime) -> None:
    job_id = name(sessions, now)
    with transaction(sessions) as session:
        first = jobs.claim_job(session, now, job_id, LEASE)
    with transaction(sessions) as session:
        assert jobs.claim_job(session, now + LEASE, job_id, LEASE) is None
        second = jobs.claim_job(session, now + LEASE + SECOND, job_id, LEASE)
    assert first
    assert second
    assert first != second
    assert job(sessions, job_id).attempts == 2


def test_the_leases_of_a_dead_worker_are_released_and_no_others(sessions: Sessions, now: datetime) -> None:
    mine, other = name(sessions, now), name(sessions, now)
    with transaction(sessions) as session:
        assert jobs.claim_job(session, now, mine, LEASE, owner="aaaaaaaa")
        assert jobs.claim_job(session, now, other, LEASE, owner="bbbbbbbb")
    with transaction(sessions) as session:
        assert jobs.release_leases(session, now, "aaaaaaaa") == 1
        assert jobs.claim_next(session, now, LEASE) is not None
        assert jobs.claim_next(session, now, LEASE) is None
    assert job(sessions, mine).attempts == 2


# --- running ------------------------------------------------------------------------------------------------------------


def test_an_effect_and_its_being_done_are_one(
    sessions: Sessions, now: datetime, clock: Clock, kinds: dict[str, jobs.Kind]
) -> None:
    jobs.short_job("trial")(leave_a_trace)
    job_id = name(sessions, now)
    assert jobs.run_job(sessions, job_id, lease=LEASE, clock=clock)
    assert not jobs.run_job(sessions, job_id, lease=LEASE, clock=clock)
    done = job(sessions, job_id)
    assert (done.state, done.finished_at, done.lease_token, done.lease_until) == ("done", now, None, None)
    assert effects(sessions) == 1


def test_a_failure_is_rolled_back_and_tried_again_five_times_in_all(
    sessions: Sessions, now: datetime, clock: Clock, kinds: dict[str, jobs.Kind]
) -> None:
    @jobs.short_job("trial")
    def _(session: Session, now: datetime, args: dict[str, Any]) -> None:
        leave_a_trace(session, now, args)
        session.flush()
        raise RuntimeError("the renderer tore a page")

    job_id = name(sessions, now)
    waits = []
    for attempt in range(1, jobs.MAX_ATTEMPTS + 1):
        assert jobs.run_job(sessions, job_id, lease=LEASE, clock=clock)
        after = job(sessions, job_id)
        assert after.attempts == attempt
        assert after.error == "RuntimeError: the renderer tore a page"
        assert after.lease_token is None
        if attempt < jobs.MAX_ATTEMPTS:
            assert after.state == "queued"
            waits.append((after.run_after - clock.at).total_seconds())
            assert not jobs.run_job(sessions, job_id, lease=LEASE, clock=clock)
            clock.at = after.run_after
    assert after.state == "failed"
    assert after.finished_at == clock.at
    for wait, at_least in zip(waits, (2, 4, 8, 16), strict=True):
        assert at_least <= wait <= at_least * 1.25
    assert effects(sessions) == 0


def test_a_refusal_fails_at_once_with_its_sentence(
    sessions: Sessions, now: datetime, clock: Clock, kinds: dict[str, jobs.Kind]
) -> None:
    @jobs.short_job("trial")
    def _(session: Session, now: datetime, args: dict[str, Any]) -> None:
        raise Refusal("The month is open. Close it first.")

    job_id = name(sessions, now)
    jobs.run_job(sessions, job_id, lease=LEASE, clock=clock)
    failed = job(sessions, job_id)
    assert (failed.state, failed.attempts, failed.error) == ("failed", 1, "The month is open. Close it first.")


def test_work_that_is_not_ready_waits_without_counting_as_failed(
    sessions: Sessions, now: datetime, clock: Clock, kinds: dict[str, jobs.Kind]
) -> None:
    @jobs.short_job("trial")
    def _(session: Session, now: datetime, args: dict[str, Any]) -> None:
        leave_a_trace(session, now, args)
        raise Later(timedelta(minutes=10), "451 come back later")

    job_id = name(sessions, now)
    for _ in range(jobs.MAX_ATTEMPTS + 3):
        assert jobs.run_job(sessions, job_id, lease=LEASE, clock=clock)
        put_off = job(sessions, job_id)
        assert (put_off.state, put_off.attempts, put_off.error) == ("queued", 0, "451 come back later")
        assert put_off.run_after == clock.at + timedelta(minutes=10)
        clock.at = put_off.run_after
    assert effects(sessions) == 0


def test_work_whose_worker_is_killed_every_time_is_given_up(
    sessions: Sessions, now: datetime, clock: Clock, kinds: dict[str, jobs.Kind]
) -> None:
    jobs.short_job("trial")(leave_a_trace)
    job_id = name(sessions, now)
    for _ in range(jobs.MAX_ATTEMPTS):
        with transaction(sessions) as session:
            assert jobs.claim_job(session, clock(), job_id, LEASE)
        clock.at += LEASE + SECOND
    assert jobs.run_job(sessions, job_id, lease=LEASE, clock=clock)
    failed = job(sessions, job_id)
    assert failed.state == "failed"
    assert failed.error == "given up after 5 attempts that ended without a word"
    assert effects(sessions) == 0


def test_being_put_off_does_not_forget_the_kills(
    sessions: Sessions, now: datetime, clock: Clock, kinds: dict[str, jobs.Kind]
) -> None:
    @jobs.short_job("trial")
    def _(session: Session, now: datetime, args: dict[str, Any]) -> None:
        raise Later(SECOND)

    job_id = name(sessions, now)
    with transaction(sessions) as session:
        assert jobs.claim_job(session, clock(), job_id, LEASE)
    clock.at += LEASE + SECOND
    jobs.run_job(sessions, job_id, lease=LEASE, clock=clock)
    assert job(sessions, job_id).attempts == 1


def test_a_worker_that_lost_its_lease_leaves_nothing(
    sessions: Sessions, now: datetime, clock: Clock, kinds: dict[str, jobs.Kind]
) -> None:
    jobs.short_job("trial")(leave_a_trace)
    job_id = name(sessions, now)
    with transaction(sessions) as session:
        slow = jobs.claim_job(session, now, job_id, LEASE)
        quick = jobs.claim_job(session, now + LEASE + SECOND, job_id, LEASE)
    jobs.run_job(sessions, job_id, lease=LEASE, clock=clock, token=slow)
    assert effects(sessions) == 0
    assert job(sessions, job_id).state == "running"
    jobs.run_job(sessions, job_id, lease=LEASE, clock=clock, token=quick)
    assert effects(sessions) == 1
    assert job(sessions, job_id).state == "done"
    jobs.run_job(sessions, job_id, lease=LEASE, clock=clock, token=slow)
    assert effects(sessions) == 1


def test_a_long_job_taken_over_in_its_midst_cannot_finish(
    sessions: Sessions, now: datetime, clock: Clock, kinds: dict[str, jobs.Kind]
) -> None:
    lost = []

    @jobs.long_job("trial")
    def _(run: JobRun, args: dict[str, Any]) -> None:
        run.progress(1, 2)
        clock.at += LEASE + SECOND
        with run.transaction() as session:
            assert jobs.claim_job(session, clock(), run.job_id, LEASE)
        with pytest.raises(LeaseLost):
            run.progress(2, 2)
        lost.append(True)
        with run.transaction() as session:
            leave_a_trace(session, run.clock(), args)
            run.finish(session)

    job_id = name(sessions, now)
    assert jobs.run_job(sessions, job_id, lease=LEASE, clock=clock)
    assert lost
    assert effects(sessions) == 0
    after = job(sessions, job_id)
    assert (after.state, after.attempts, after.progress_done, after.progress_total) == ("running", 2, 1, 2)


def test_a_long_job_that_forgets_to_finish_is_told_so(
    sessions: Sessions, now: datetime, clock: Clock, kinds: dict[str, jobs.Kind]
) -> None:
    @jobs.long_job("trial")
    def _(run: JobRun, args: dict[str, Any]) -> None:
        run.progress(1, 1)

    job_id = name(sessions, now)
    jobs.run_job(sessions, job_id, lease=LEASE, clock=clock)
    failed = job(sessions, job_id)
    assert failed.state == "failed"
    assert failed.error == "the work called trial ended without saying that it is done"


def test_work_of_another_version_fails_with_its_name(sessions: Sessions, now: datetime, clock: Clock) -> None:
    job_id = name(sessions, now, kind="solve.tomorrow")
    jobs.run_job(sessions, job_id, lease=LEASE, clock=clock)
    assert job(sessions, job_id).error == "this version knows no work called solve.tomorrow"


@pytest.mark.parametrize("register", [jobs.long_job, jobs.short_job])
def test_a_lease_is_kept_while_a_body_says_nothing(
    sessions: Sessions, kinds: dict[str, jobs.Kind], register: Callable[..., Any], database_url: str
) -> None:
    lease = timedelta(milliseconds=300)
    others: list[bool] = []

    def outlive_the_lease() -> None:
        end = utc_now() + 4 * lease
        while utc_now() < end:
            with transaction(sessions) as session:
                others.append(jobs.claim_next(session, utc_now(), lease) is None)

    @jobs.long_job("long")
    def _(run: JobRun, args: dict[str, Any]) -> None:
        outlive_the_lease()
        with run.transaction() as session:
            leave_a_trace(session, run.clock(), args)
            run.finish(session)

    @jobs.short_job("short")
    def _(session: Session, now: datetime, args: dict[str, Any]) -> None:
        leave_a_trace(session, now, args)
        session.flush()
        if database_url.startswith("sqlite"):  # nobody else can even ask: the writer is alone
            others.append(True)
        else:
            outlive_the_lease()

    job_id = name(sessions, utc_now(), kind="long" if register is jobs.long_job else "short")
    assert jobs.run_job(sessions, job_id, lease=lease)
    assert others
    assert all(others)
    done = job(sessions, job_id)
    assert (done.state, done.attempts) == ("done", 1)
    assert effects(sessions) == 1


# --- groups, sweep ------------------------------------------------------------------------------------------------------


def test_how_a_group_stands_and_its_failed_jobs_tried_again(sessions: Sessions, now: datetime, clock: Clock) -> None:
    ids = [name(sessions, now, kind="unknown", group_key="close/MAIN") for _ in range(3)]
    name(sessions, now, kind="unknown", group_key="other")
    jobs.run_job(sessions, ids[0], lease=LEASE, clock=clock)
    with transaction(sessions) as session:
        session.execute(update(Job).where(Job.id == ids[1]).values(state="done"))
    with transaction(sessions) as session:
        state = job_groups.group_state(session, "close/MAIN")
        assert (state.total, state.done, state.failed, state.pending) == (3, 1, 1, 1)
        assert job_groups.retry_failed(session, now + SECOND, "close/MAIN") == 1
        again = session.get_one(Job, ids[0])
        assert (again.state, again.attempts, again.error, again.run_after) == ("queued", 0, "", now + SECOND)
        assert job_groups.group_state(session, "close/MAIN").pending == 2
        assert job_groups.pending_in(session, "close/MAIN")
        assert not job_groups.pending_in(session, "nothing")
        assert job_groups.group_state(session, "nothing") == job_groups.GroupState(0, 0, 0)


def test_what_is_put_off_is_not_waited_for(sessions: Sessions, now: datetime) -> None:
    patience = timedelta(seconds=20)

    def idle(at: datetime, **which: Any) -> bool:
        with transaction(sessions) as session:
            return job_groups.nothing_soon(session, at, patience, **which)

    assert idle(now)
    job_id = name(sessions, now, after=timedelta(seconds=21), group_key="g", queue="mail")
    assert idle(now)
    assert not idle(now + SECOND)
    assert idle(now + SECOND, queues=("rota",))
    assert idle(now + SECOND, group_key="other")
    with transaction(sessions) as session:
        assert jobs.claim_job(session, now + 21 * SECOND, job_id, LEASE)
    assert not idle(now + timedelta(hours=1), group_key="g")


def test_the_sweep_finds_what_a_broker_lost(sessions: Sessions, now: datetime) -> None:
    fresh = name(sessions, now)
    unsent = name(sessions, now - 11 * SECOND, queue="mail")
    silent = name(sessions, now - LEASE - 2 * SECOND, queue="rota")
    at_work = name(sessions, now - LEASE)
    put_off = name(sessions, now, after=timedelta(hours=1))
    with transaction(sessions) as session:
        assert jobs.claim_job(session, now - LEASE - SECOND, silent, LEASE)
        assert jobs.claim_job(session, now, at_work, LEASE)
    with transaction(sessions) as session:
        assert broker.sweep(session, now) == [(unsent, "mail"), (silent, "rota")]
    assert job(sessions, fresh).state == job(sessions, put_off).state == "queued"


def test_the_databases_own_version_is_known(sessions: Sessions, database_url: str) -> None:
    with transaction(sessions) as session:
        version = server_version(session)
    assert version.split()[0] == ("SQLite" if database_url.startswith("sqlite") else "PostgreSQL")
    assert version.split()[1][0].isdigit()
