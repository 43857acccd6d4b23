"""Whether a search is over: its seconds have passed, or somebody stopped it. Another thread counts and asks. Needs no solver."""

from __future__ import annotations

import threading
from collections.abc import Callable, Iterator
from contextlib import contextmanager

from coop.shifts.solving.outcome import Cancelled

TICKS = 10
"""A second."""


class Watch:
    def __init__(self, seconds: int | None, cancelled: Cancelled | None) -> None:
        self.milliseconds = 0
        self.over = self.stopped = False
        self.fault: Exception | None = None
        """What asking raised: whoever waits for the search is told, and nobody is asked again."""
        self._seconds, self._cancelled = seconds, cancelled
        self._ends: list[Callable[[], None]] = []

    @contextmanager
    def ending(self, end: Callable[[], None]) -> Iterator[None]:
        """While this runs, `end` is called once the search is over."""
        self._ends.append(end)
        try:
            yield
        finally:
            self._ends.remove(end)

    def ask(self) -> None:
        if self._cancelled is None:
            return
        try:
            self.over = self.stopped = self._cancelled()
        # Whatever it is must not end the count: nothing else ends a search by seconds.
        except Exception as fault:
            self.fault, self.over, self.stopped = fault, True, True

    def tick(self) -> None:
        self.milliseconds += 1000 // TICKS
        if self.milliseconds % 1000 == 0 and not self.over:
            self.ask()
        if self.stopped or (self._seconds is not None and self.milliseconds >= 1000 * self._seconds):
            self.over = True
            # Again at every tick: what is told to end before it has begun does not hear it.
            for end in tuple(self._ends):
                end()


@contextmanager
def watched(seconds: int | None, cancelled: Cancelled | None) -> Iterator[Watch]:
    """Asked before this runs; counted, and asked once a second, while it does. What asking raised ends it, and is raised then."""
    watch, ended = Watch(seconds, cancelled), threading.Event()

    def count() -> None:
        while not ended.wait(timeout=1 / TICKS):
            watch.tick()

    watch.ask()
    counter = threading.Thread(target=count, name="overflow-watch", daemon=True)
    counter.start()
    try:
        yield watch
    finally:
        ended.set()
        counter.join()
    if watch.fault is not None:
        raise watch.fault
