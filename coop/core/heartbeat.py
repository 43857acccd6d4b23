"""A second thread that says "still at it" for a body of work that cannot stop to say so itself."""

from __future__ import annotations

import logging
import threading
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from datetime import timedelta

from sqlalchemy.exc import OperationalError, SQLAlchemyError

log = logging.getLogger("coop.jobs")


@contextmanager
def beating(
    beat: Callable[[], bool], every: timedelta, limit: timedelta, on_overrun: Callable[[], None] | None = None
) -> Iterator[None]:
    """Call `beat` every so often while the body runs, until it answers False or `limit` has passed.

    A body that outlives its limit hangs: its lease is let run out, so that another worker takes the work, and `on_overrun`
    may end the process that hangs. A beat the database does not answer is tried again at the next.
    """
    over = threading.Event()
    thread = threading.Thread(target=_beat_until, args=(over, beat, every, limit, on_overrun), name="heartbeat", daemon=True)
    thread.start()
    try:
        yield
    finally:
        over.set()
        # A beat under way needs the database for an instant; one that gets no answer must not hold up the work.
        thread.join(timeout=5)


def _beat_until(
    over: threading.Event,
    beat: Callable[[], bool],
    every: timedelta,
    limit: timedelta,
    on_overrun: Callable[[], None] | None,
) -> None:
    left = limit
    while not over.wait(min(every, left).total_seconds()):
        left -= every
        if left <= timedelta(0):
            log.error("work has run for %s and is given up here", limit)
            if on_overrun is not None:
                on_overrun()
            return
        try:
            if not beat():
                return
        except OperationalError as error:
            log.warning("the database did not take a heartbeat; trying again in %s: %s", every, error.orig)
        except SQLAlchemyError:
            log.warning("the database did not take a heartbeat; trying again in %s", every, exc_info=True)
