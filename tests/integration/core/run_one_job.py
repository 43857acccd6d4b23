"""Run one job at a given moment, in a process that may be killed: its words are DATA JOB_ID MOMENT LEASE_S."""

from __future__ import annotations

import sys
from datetime import datetime, timedelta

import coop.rooms
from coop.config import load_settings
from coop.core.db import make_engine, make_sessions
from coop.core.jobs import run_job


def main() -> None:
    assert coop.rooms.METADATA.tables
    data, job_id, moment, lease_s = sys.argv[1:]
    settings = load_settings(data)
    engine = make_engine(settings.url)
    run_job(
        make_sessions(engine),
        int(job_id),
        lease=timedelta(seconds=int(lease_s)),
        settings=settings,
        clock=lambda: datetime.fromisoformat(moment),
    )
    engine.dispose()
