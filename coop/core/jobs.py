"""Background work: a durable table of jobs, claimed by conditional update with a lease.

The table is the truth. The embedded runner polls it; with Celery a broker carries ids to workers, and a sweep sends again
what the broker lost. Both call `run_job`, so a job runs the same either way, and running one twice does nothing twice:
its effect and its being done are one transaction.
"""

from __future__ import annotations

import logging
import random
import secrets
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager, nullcontext
from dataclasses import dataclass, field
from datetime import datetime, timedelta
from typing import Any, Protocol

from sqlalchemy import JSON, ColumnElement, Index, Integer, String, Text, case, event, or_, select, update
from sqlalchemy.exc import OperationalError
from sqlalchemy.orm import Mapped, Session, mapped_column

from coop.core import faults
from coop.core.clock import utc_now
from coop.core.db import Base, Key, Sessions, UtcDateTime, dialect_name, insert_ignoring, transaction
from coop.core.errors import Refusal
from coop.core.heartbeat import beating
from coop.core.logs import REQUEST_ID

log = logging.getLogger("coop.jobs")

BEHIND = "behind"
"""The queue of work that nobody waits for: it is taken up when nothing else is ready (by Celery's workers in turn with all)."""
QUEUES = ("default", "statements", "mail", "rota", "imports", BEHIND)
MAX_ATTEMPTS = 5
MAX_RUN = timedelta(hours=1)
"""Work that takes longer hangs: its lease is no longer renewed."""
_ROWS_AT_ONCE = 500
"""Below SQLite's limit of 32766 bound values a statement."""


class Job(Base):
    """One piece of work. `queued` -> `running` -> `done`, or `failed` with its reason."""

    __tablename__ = "job"
    __table_args__ = (Index("ix_job_state_run_after", "state", "run_after"),)

    id: Mapped[int] = mapped_column(Key, primary_key=True)
    kind: Mapped[str] = mapped_column(String(60))
    queue: Mapped[str] = mapped_column(String(20))
    key: Mapped[str | None] = mapped_column(String(200), unique=True)
    """Naming a job twice under one key makes one job."""
    group_key: Mapped[str | None] = mapped_column(String(80), index=True)
    args: Mapped[dict[str, Any]] = mapped_column(JSON, default=dict)
    state: Mapped[str] = mapped_column(String(12), default="queued")
    attempts: Mapped[int] = mapped_column(Integer, default=0)
    lease_token: Mapped[str | None] = mapped_column(String(40))
    lease_until: Mapped[datetime | None] = mapped_column(UtcDateTime)
    run_after: Mapped[datetime] = mapped_column(UtcDateTime)
    progress_done: Mapped[int] = mapped_column(Integer, default=0)
    progress_total: Mapped[int] = mapped_column(Integer, default=0)
    error: Mapped[str] = mapped_column(Text, default="")
    request_id: Mapped[str] = mapped_column(String(40), default="")
    created_at: Mapped[datetime] = mapped_column(UtcDateTime)
    finished_at: Mapped[datetime | None] = mapped_column(UtcDateTime)


BEHIND_LAST = case((Job.queue == BEHIND, 1), else_=0)
"""1 of what waits behind, 0 of all other work."""


class Later(Exception):
    """Raised by a job that is not ready: it goes back to the queue for `after`, without counting as a failure."""

    def __init__(self, after: timedelta, why: str = "") -> None:
        super().__init__(why)
        self.after = after


class LeaseLost(Exception):
    """Another worker has taken this job since: what this one did is rolled back."""


@dataclass(frozen=True)
class JobRun:
    """What a long job has in hand: its own transactions, its progress, and its end.

    A long job must call `finish` in the transaction of its last effect, so that both happen or neither.
    """

    job_id: int
    token: str
    sessions: Sessions
    lease: timedelta
    settings: Any = None
    clock: Callable[[], datetime] = utc_now

    @contextmanager
    def transaction(self) -> Iterator[Session]:
        with transaction(self.sessions) as session:
            yield session

    def progress(self, done: int, total: int, session: Session | None = None) -> None:
        """Say how far it is, and keep the lease: at once, or with the caller's transaction. Raises LeaseLost."""
        with nullcontext(session) if session else self.transaction() as own:
            self._own(own, progress_done=done, progress_total=total, lease_until=self.clock() + self.lease)

    def finish(self, session: Session) -> None:
        """Mark the job done in the caller's transaction. Raises LeaseLost."""
        self._own(session, state="done", finished_at=self.clock(), lease_token=None, lease_until=None, error="")
        faults.point("job:before-commit")

    def renew(self) -> bool:
        """Keep the lease; False if the job is no longer this worker's."""
        try:
            with self.transaction() as session:
                self._own(session, lease_until=self.clock() + self.lease)
        except LeaseLost:
            return False
        return True

    def _own(self, session: Session, **values: Any) -> None:
        mine = (
            update(Job)
            .where(Job.id == self.job_id, Job.lease_token == self.token, Job.state == "running")
            .values(**values)
            .execution_options(synchronize_session=False)
        )
        if session.execute(mine).rowcount != 1:  # type: ignore[attr-defined]
            raise LeaseLost(f"job {self.job_id}")


class ShortBody(Protocol):
    """Body of a job that is one transaction."""

    def __call__(self, session: Session, now: datetime, args: dict[str, Any]) -> None: ...


class LongBody(Protocol):
    """Body of a job that opens its own transactions: rendering, sending."""

    def __call__(self, run: JobRun, args: dict[str, Any]) -> None: ...


Failed = Callable[[Session, datetime, dict[str, Any], str], None]
"""Called when a job of a kind ends failed, in that transaction, with its args and its error."""


@dataclass(frozen=True)
class Kind:
    name: str
    queue: str
    short: ShortBody | None = None
    long: LongBody | None = None
    failed: Failed | None = None
    retried: ShortBody | None = None
    """Called when a failed job is put back in the queue, in that transaction."""


KINDS: dict[str, Kind] = {}


def short_job(name: str, queue: str = "default") -> Callable[[ShortBody], ShortBody]:
    """Register the body of a job that is one transaction."""

    def register(body: ShortBody) -> ShortBody:
        KINDS[name] = Kind(name, queue, short=body)
        return body

    return register


def long_job(
    name: str, queue: str = "default", *, failed: Failed | None = None, retried: ShortBody | None = None
) -> Callable[[LongBody], LongBody]:
    """Register the body of a job that opens its own transactions, and what goes with its failing and being retried."""

    def register(body: LongBody) -> LongBody:
        KINDS[name] = Kind(name, queue, None, body, failed, retried)
        return body

    return register


# --- naming -------------------------------------------------------------------------------------------------------------


def name_job(
    session: Session,
    now: datetime,
    kind: str,
    args: dict[str, Any],
    *,
    queue: str,
    key: str | None = None,
    group_key: str | None = None,
    after: timedelta = timedelta(0),
    request_id: str = "",
) -> None:
    """Write a job down in the caller's transaction; it is sent when that commits. The same key twice is one job."""
    name_jobs(session, now, kind, [(key, args)], queue=queue, group_key=group_key, after=after, request_id=request_id)


def name_jobs(
    session: Session,
    now: datetime,
    kind: str,
    jobs: Sequence[tuple[str | None, dict[str, Any]]],
    *,
    queue: str,
    group_key: str | None = None,
    after: timedelta = timedelta(0),
    request_id: str = "",
) -> None:
    """Write many jobs of one kind down at once: pairs of (key, args). They carry on the id of the request they come from."""
    if queue not in QUEUES:
        raise ValueError(f"no queue {queue}")
    rows = [
        {
            "kind": kind,
            "queue": queue,
            "key": key,
            "group_key": group_key,
            "args": args,
            "state": "queued",
            "attempts": 0,
            "run_after": now + after,
            "progress_done": 0,
            "progress_total": 0,
            "error": "",
            "request_id": request_id or REQUEST_ID.get(),
            "created_at": now,
        }
        for key, args in jobs
    ]
    for start in range(0, len(rows), _ROWS_AT_ONCE):
        some = insert_ignoring(session, Job, "key").values(rows[start : start + _ROWS_AT_ONCE])
        made = session.scalars(some.returning(Job.id))
        session.info.setdefault("named_jobs", []).extend((job_id, queue, after) for job_id in made)


Dispatch = Callable[[int, str, timedelta], None]


@dataclass
class Dispatcher:
    """Who is told of a job after its commit. Embedded: nobody, the runner polls. Celery: the broker."""

    send: Dispatch | None = None
    failures: int = field(default=0)

    def __call__(self, job_id: int, queue: str, after: timedelta) -> bool:
        """Whether it was taken. A failure never reaches the caller: the row is there, and the sweep sends it again."""
        if self.send is None:
            return True
        try:
            self.send(job_id, queue, after)
        except Exception as error:
            self.failures += 1
            log.warning("job %s was not sent to the broker; the sweep will: %s", job_id, error)
            return False
        return True


DISPATCH = Dispatcher()


@event.listens_for(Session, "after_commit")
def _send_named(session: Session) -> None:
    if session.in_nested_transaction():
        return  # a savepoint was released: nobody else can see these rows yet
    for job_id, queue, after in session.info.pop("named_jobs", []):
        if not DISPATCH(job_id, queue, after):
            return  # a request must not wait for a broker once for each of sixty jobs


@event.listens_for(Session, "after_rollback")
def _forget_named(session: Session) -> None:
    if not session.in_nested_transaction():  # else some may still commit, and an id without a row is passed over
        session.info.pop("named_jobs", None)


# --- running ------------------------------------------------------------------------------------------------------------


def claim_job(session: Session, now: datetime, job_id: int, lease: timedelta, owner: str = "") -> str | None:
    """Take a job that is queued, or whose worker has gone silent; the lease's token, or None if it is not to be had.

    `owner` (up to 8 characters) begins the token: whoever saw that worker end may release its leases at once.
    """
    token = owner + secrets.token_hex(16)
    taken = session.execute(
        update(Job)
        .where(Job.id == job_id, _ready(now))
        .values(state="running", lease_token=token, lease_until=now + lease, attempts=Job.attempts + 1)
        .execution_options(synchronize_session=False)
    )
    return token if taken.rowcount == 1 else None  # type: ignore[attr-defined]


def claim_next(
    session: Session,
    now: datetime,
    lease: timedelta,
    queues: Sequence[str] = QUEUES,
    group_key: str | None = None,
    owner: str = "",
) -> tuple[int, str] | None:
    """Take the oldest job that is ready in these queues, those that wait behind last: (id, token), or None."""
    ready = (
        select(Job.id)
        .where(_ready(now), Job.queue.in_(queues))
        .order_by(BEHIND_LAST, Job.run_after, Job.id)
        .limit(1)
        .with_for_update(skip_locked=True)
    )
    if group_key is not None:
        ready = ready.where(Job.group_key == group_key)
    job_id = session.scalar(ready)
    if job_id is None:
        return None
    token = claim_job(session, now, job_id, lease, owner)
    return (job_id, token) if token else None


def _ready(now: datetime) -> ColumnElement[bool]:
    return or_(Job.state == "queued", (Job.state == "running") & (Job.lease_until < now)) & (Job.run_after <= now)


def release_leases(session: Session, now: datetime, owner: str) -> int:
    """End the leases of a worker that is known to be dead, so that its work need not wait for them; how many."""
    released = session.execute(
        update(Job)
        .where(Job.state == "running", Job.lease_token.startswith(owner, autoescape=True))
        .values(lease_until=now - timedelta(seconds=1))
        .execution_options(synchronize_session=False)
    )
    return int(released.rowcount)  # type: ignore[attr-defined]


def run_job(
    sessions: Sessions,
    job_id: int,
    *,
    lease: timedelta,
    settings: Any = None,
    token: str | None = None,
    clock: Callable[[], datetime] = utc_now,
    on_overrun: Callable[[], None] | None = None,
) -> bool:
    """Claim (unless `token` says it is claimed), run, and record a job; whether it ran here. Never raises for what the job did.

    A worker killed every time is given up after MAX_ATTEMPTS; a database that does not answer is raised to the caller, and the
    job's lease runs out. `on_overrun` is called (in another thread) when the body has run for MAX_RUN.
    """
    with transaction(sessions) as session:
        token = token or claim_job(session, clock(), job_id, lease)
        if token is None:
            return False
        job = session.get_one(Job, job_id)
        name, args, attempts, request_id = job.kind, dict(job.args), job.attempts, job.request_id
    faults.point("job:claimed")
    run = JobRun(job_id, token, sessions, lease, settings, clock)
    logged_under = REQUEST_ID.set(request_id)
    try:
        _run_body(run, name, args, attempts, on_overrun)
    finally:
        REQUEST_ID.reset(logged_under)
    faults.point("job:done")
    return True


def _run_body(run: JobRun, name: str, args: dict[str, Any], attempts: int, on_overrun: Callable[[], None] | None) -> None:
    kind, clock = KINDS.get(name), run.clock
    try:
        if kind is None:
            raise Refusal(f"this version knows no work called {name}")
        if attempts > MAX_ATTEMPTS:
            raise Refusal(f"given up after {MAX_ATTEMPTS} attempts that ended without a word")
        if kind.short is not None:
            with _lease_kept(run, on_overrun, short=True), run.transaction() as session:
                kind.short(session, clock(), args)
                run.finish(session)
        elif kind.long is not None:
            with _lease_kept(run, on_overrun, short=False):
                kind.long(run, args)
            if run.renew():
                raise Refusal(f"the work called {name} ended without saying that it is done")
    except LeaseLost:
        log.warning("job %s was taken over by another worker", run.job_id)
    except Later as later:
        _record(run, state="queued", run_after=clock() + later.after, attempts=attempts - 1, error=str(later))
    except Refusal as refusal:
        _record(run, state="failed", finished_at=clock(), error=str(refusal))
    except Exception as error:
        if isinstance(error, OperationalError):  # a full disk, a deadlock, a server that is gone: no fault of the program
            log.warning("job %s (%s), attempt %s: the database did not take it: %s", run.job_id, name, attempts, error.orig)
        else:
            log.exception("job %s (%s) failed, attempt %s", run.job_id, name, attempts)
        message = f"{type(error).__name__}: {error}"[:2000]
        if attempts >= MAX_ATTEMPTS:
            _record(run, state="failed", finished_at=clock(), error=message)
        else:
            delay = timedelta(seconds=2**attempts * (1 + random.random() / 4))
            _record(run, state="queued", run_after=clock() + delay, error=message)


@contextmanager
def _lease_kept(run: JobRun, on_overrun: Callable[[], None] | None, *, short: bool) -> Iterator[None]:
    """Renew the lease in the background while the body runs, thrice in its length, by an update of one row.

    A short job on SQLite holds the only write lock from beginning to end: nobody can take it over, and a renewal could only
    wait for it. So there the beat only watches for a body that hangs.
    """
    with run.sessions() as session:
        needless = short and dialect_name(session) == "sqlite"
    with beating((lambda: True) if needless else run.renew, run.lease / 3, MAX_RUN, on_overrun):
        yield


def _record(run: JobRun, **values: Any) -> None:
    try:
        with run.transaction() as session:
            run._own(session, lease_token=None, lease_until=None, **values)
            job = session.get_one(Job, run.job_id)
            if values["state"] == "failed" and (kind := KINDS.get(job.kind)) and kind.failed:
                kind.failed(session, run.clock(), dict(job.args), str(values["error"]))
            if values["state"] == "queued":
                after = max(timedelta(0), values["run_after"] - run.clock())
                session.info.setdefault("named_jobs", []).append((job.id, job.queue, after))
    except LeaseLost:
        log.warning("job %s was taken over by another worker", run.job_id)
