"""Settings of the web server that `coop serve` starts (gunicorn reads this module's names)."""

from __future__ import annotations

import os
import signal
import threading
import time
from typing import Any

from coop.core.runner import Stop, watcher_of

worker_class = "sync"
timeout = 60
graceful_timeout = 20
# Children are renewed, not all at once.
max_requests = 5000
max_requests_jitter = 500
# Nothing outside this machine's own processes has any business with the master.
control_socket_disable = True
limit_request_line = 4094
errorlog = "-"
loglevel = "warning"


def when_ready(server: Any) -> None:
    """The master ends with the `coop serve` that started it, even if that was killed and could not say so."""
    _, watcher_pid = watcher_of(os.environ)
    if watcher_pid is not None:
        _end_with(watcher_pid)


def post_worker_init(worker: Any) -> None:
    """A web process ends with its master: it would go on answering for half a minute beside the new one's."""
    _end_with(worker.ppid)


def _end_with(parent_pid: int) -> None:
    threading.Thread(target=_wait_for_end_of, args=(Stop(parent_pid),), name="watcher", daemon=True).start()


def _wait_for_end_of(parent: Stop) -> None:
    while not parent.asked:
        time.sleep(0.5)
    os.kill(os.getpid(), signal.SIGTERM)
