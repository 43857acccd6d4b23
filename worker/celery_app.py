"""The Celery app: `celery -A worker.celery_app worker` and `celery -A worker.celery_app beat`.

Settings are read once, here, from the environment. The jobs table is the truth and may be worked on by any number of these, so
every choice below leans towards delivering an id twice rather than not at all.
"""

from __future__ import annotations

import sys
from functools import cache
from typing import Any

from celery import Celery
from celery.signals import worker_init, worker_process_shutdown
from kombu.entity import Exchange, Queue
from sqlalchemy.exc import OperationalError

from coop.config import Settings, SettingsError, load_settings
from coop.core import broker, logs, migrate
from coop.core.db import Sessions, make_engine, make_sessions
from coop.core.jobs import MAX_RUN, QUEUES
from worker.schedule import beat_schedule


def _settings() -> Settings:
    try:
        settings = load_settings()
    except SettingsError as error:
        sys.exit(f"coop: {error}")
    if settings.jobs != "celery":
        sys.exit("coop: COOP_JOBS is 'embedded', so the work is done by `coop serve`. Set COOP_JOBS=celery to use these workers.")
    return settings


SETTINGS = _settings()
logs.configure_logs(SETTINGS.log_format)

app = Celery("coop", broker=SETTINGS.redis_url, include=["worker.tasks"])
app.conf.update(
    broker_transport_options=broker.transport_options(SETTINGS),
    broker_connection_retry_on_startup=True,
    # A broker that is away for an hour is waited for.
    broker_connection_max_retries=None,
    task_ignore_result=True,
    task_serializer="json",
    accept_content=["json"],
    enable_utc=True,
    # Acknowledged when the job has run, and delivered again when the child that ran it died.
    task_acks_late=True,
    task_reject_on_worker_lost=True,
    worker_prefetch_multiplier=1,
    # Losing the broker is no reason to break off work that the table knows of.
    worker_cancel_long_running_tasks_on_connection_loss=False,
    task_soft_time_limit=MAX_RUN.total_seconds(),
    task_time_limit=MAX_RUN.total_seconds() + 60,
    # Children are renewed: a renderer or a solver may have left memory behind.
    worker_max_tasks_per_child=200,
    worker_max_memory_per_child=500_000,
    task_default_queue="default",
    task_queues=[Queue(name, Exchange(name), routing_key=name) for name in QUEUES],  # type: ignore[no-untyped-call]
    task_create_missing_queues=False,
    # Which slots of time are taken is in the database: beat keeps no file of them.
    beat_scheduler="worker.schedule:Beat",
    beat_schedule=beat_schedule(SETTINGS),
)

SENDER = broker.connect(SETTINGS)
"""Jobs that jobs name are sent too."""


@cache
def sessions() -> Sessions:
    """This child's sessions: its engine is made after the fork, at its first task."""
    return make_sessions(make_engine(SETTINGS.url))


def _check_database(**_: Any) -> None:
    engine = make_engine(SETTINGS.url)
    try:
        here, newest = migrate.revision_of(engine), migrate.newest_revision()
    except OperationalError as error:
        sys.exit(f"coop: the database does not answer: {str(error.orig).strip()}")
    finally:
        engine.dispose()
    if here != newest:
        sys.exit(f"coop: the database is at version {here or 'none'}, this program at {newest}. Run: coop upgrade")


def _close_database(**_: Any) -> None:
    if sessions.cache_info().currsize:
        sessions().kw["bind"].dispose()


worker_init.connect(_check_database)
worker_process_shutdown.connect(_close_database)
