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
    """End with the `coop serve` that started us, even if it was killed and could not say so."""
    _, watcher_pid = watcher_of(os.environ)
    if watcher_pid is not None:
        threading.Thread(target=_end_with, args=(Stop(watcher_pid),), name="watcher", daemon=True).start()


def _end_with(stop: Stop) -> None:
    while not stop.asked:
        time.sleep(0.5)
    os.kill(os.getpid(), signal.SIGTERM)
