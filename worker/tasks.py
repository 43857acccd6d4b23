"""The tasks: thin, named in coop.core.broker, safe to deliver twice."""

from __future__ import annotations

import logging
from datetime import timedelta

import coop.rooms  # noqa: F401  every kind of work
from coop.core import broker, jobs
from coop.core.clock import utc_now
from coop.core.db import transaction
from coop.core.schedule import name_due, take_slot
from worker.celery_app import SENDER, SETTINGS, app, sessions

log = logging.getLogger("coop.jobs")


@app.task(name=broker.RUN_JOB)  # type: ignore[untyped-decorator]
def run_job(job_id: int) -> None:
    """Run a job unless another worker has it, or had it."""
    jobs.run_job(sessions(), job_id, lease=timedelta(seconds=SETTINGS.job_lease_s), settings=SETTINGS)


@app.task(name=broker.TICK)  # type: ignore[untyped-decorator]
def tick() -> None:
    """Name what is due by the clock, and send again what the broker lost: once in each slot, however many beats there are."""
    now, every = utc_now(), broker.sweep_every(SETTINGS)
    with transaction(sessions()) as session:
        name_due(session, now)
        mine = take_slot(session, now, "sweep", every)
        lost = broker.sweep(session, now, unsent_for=min(timedelta(seconds=10), every)) if mine else []
    if lost and SENDER is not None:
        sent = SENDER.resend(lost)
        if sent:
            log.warning("sent %s jobs again that the broker had lost", sent)
