"""Queued work done in the test's own process to its end, without waiting: its clock goes on by what it would have slept."""

from __future__ import annotations

import time
from datetime import datetime, timedelta
from types import SimpleNamespace
from unittest import mock

from coop.config import Settings
from coop.core import runner
from coop.core.clock import utc_now
from coop.core.db import Sessions


def work_off(sessions: Sessions, settings: Settings) -> None:
    """As one runner that ends when nothing is left. Only where nobody else works on this database at the same time."""
    waited = timedelta()

    def wait(seconds: float) -> None:
        nonlocal waited
        waited += timedelta(seconds=seconds)

    def clock() -> datetime:
        return utc_now() + waited

    with mock.patch.object(runner, "time", SimpleNamespace(sleep=wait, monotonic=time.monotonic)):
        assert runner.run_loop(sessions, settings, runner.Stop(), until_idle=True, clock=clock) == 0
