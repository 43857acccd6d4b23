"""Telling a broker of named jobs: Celery on Redis carries their ids to workers. The jobs table stays the truth.

`coop` knows the worker's tasks by name only. A broker that is down or slow harms nobody: the job's row is there, this process is
quiet for a while, and the sweep sends what was not sent.
"""

from __future__ import annotations

import logging
import time
from collections import Counter
from collections.abc import Iterable
from datetime import datetime, timedelta
from typing import Any

import redis
from celery import Celery
from sqlalchemy import or_, select
from sqlalchemy.orm import Session

from coop.config import Settings
from coop.core import jobs

log = logging.getLogger("coop.jobs")

RUN_JOB = "worker.run_job"
TICK = "worker.tick"
ANSWER_WITHIN_S = 2
"""How long a request may wait for the broker, once."""
SWEPT_AT_ONCE = 1000
QUIET_FOR_S = 10
"""After a failure the broker is not asked again for so long."""


class BrokerDown(Exception):
    """The broker did not answer a moment ago; it is not asked again yet."""


def visibility_timeout(settings: Settings) -> timedelta:
    """After how long Redis gives a message that was not acknowledged to another worker: a little after the lease has run out.

    A job that runs longer is delivered again, finds its lease renewed, and is left alone.
    """
    return timedelta(seconds=settings.job_lease_s + 5)


def sweep_every(settings: Settings) -> timedelta:
    """How often lost ids are looked for: every 15 seconds, more often with a short lease."""
    return timedelta(seconds=min(15, max(1, settings.job_lease_s // 2)))


def transport_options(settings: Settings) -> dict[str, Any]:
    """Options of the Redis transport that workers and senders must share.

    kombu looks for abandoned messages every `interval * throttle` seconds, 100 unless it is told otherwise.
    """
    return {
        "global_keyprefix": f"{settings.redis_prefix}:",
        "visibility_timeout": visibility_timeout(settings).total_seconds(),
        "unacked_restore_interval": 5,
        "unacked_restore_throttle": 1,
    }


class Broker:
    """A sender of job ids."""

    def __init__(self, settings: Settings) -> None:
        self._settings = settings
        self._quiet_until = 0.0
        self._app = Celery("coop", broker=settings.redis_url, set_as_current=False)
        self._app.conf.update(
            broker_transport_options={
                **transport_options(settings),
                # Without these a broker that is down is tried for ever, and one that hangs is waited for, for ever.
                "max_retries": 0,
                "socket_connect_timeout": ANSWER_WITHIN_S,
                "socket_timeout": ANSWER_WITHIN_S,
            },
            broker_connection_timeout=ANSWER_WITHIN_S,
            task_ignore_result=True,
            task_create_missing_queues=True,
        )

    def send(self, job_id: int, queue: str, after: timedelta = timedelta(0)) -> None:
        """Send one id. Raises BrokerDown, or what the broker's client raises.

        A job put off for longer than a message may go unacknowledged is left to the sweep: Redis would deliver it twice.
        """
        if after >= visibility_timeout(self._settings) / 2:
            return
        if time.monotonic() < self._quiet_until:
            raise BrokerDown("the broker did not answer a moment ago")
        try:
            self._app.send_task(RUN_JOB, (job_id,), queue=queue, countdown=after.total_seconds() or None, retry=False)
        except Exception:
            self._quiet_until = time.monotonic() + QUIET_FOR_S
            raise

    def resend(self, lost: Iterable[tuple[int, str]]) -> int:
        """Send again the ids (with their queues, oldest first) that the broker cannot be holding; how many.

        A queue that is merely long is not lost: of n ready jobs and m messages waiting, the oldest n - m are sent. Without this,
        every sweep of a backlog would double it.
        """
        waiting = self.waiting()
        by_queue: dict[str, list[int]] = {}
        for job_id, queue in lost:
            by_queue.setdefault(queue, []).append(job_id)
        sent = 0
        for queue, ids in by_queue.items():
            for job_id in ids[: max(0, len(ids) - waiting[queue])]:
                self.send(job_id, queue)
                sent += 1
        return sent

    def waiting(self) -> Counter[str]:
        """How many messages wait in each queue."""
        with redis.Redis.from_url(
            self._settings.redis_url, socket_connect_timeout=ANSWER_WITHIN_S, socket_timeout=ANSWER_WITHIN_S
        ) as client:
            return Counter({queue: client.llen(f"{self._settings.redis_prefix}:{queue}") for queue in jobs.QUEUES})


def connect(settings: Settings) -> Broker | None:
    """Have this process tell the broker of the jobs it names, if the settings say so. Opens no connection yet."""
    if settings.jobs != "celery":
        jobs.DISPATCH.send = None
        return None
    broker = Broker(settings)
    jobs.DISPATCH.send = broker.send
    return broker


def sweep(session: Session, now: datetime, unsent_for: timedelta = timedelta(seconds=10)) -> list[tuple[int, str]]:
    """Jobs a broker may have lost: ready for a while and still queued, or silent past their lease. (id, queue), oldest first.

    What waits behind comes after all others: a long row of it must not fill the answer and keep a lost job from being sent.
    """
    late = now - unsent_for
    rows = session.execute(
        select(jobs.Job.id, jobs.Job.queue)
        .where(
            or_(
                (jobs.Job.state == "queued") & (jobs.Job.run_after < late),
                (jobs.Job.state == "running") & (jobs.Job.lease_until < now),
            )
        )
        .order_by(jobs.BEHIND_LAST, jobs.Job.id)
        .limit(SWEPT_AT_ONCE)
    )
    return [(row[0], row[1]) for row in rows]
