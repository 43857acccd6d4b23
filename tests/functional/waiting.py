"""Waiting for what other processes do."""

from __future__ import annotations

import time
from collections.abc import Callable

WITHIN_S = 60


def until(condition: Callable[[], object]) -> None:
    """Wait for something that must come; how fast is not asked."""
    end = time.monotonic() + WITHIN_S
    while not condition():
        assert time.monotonic() < end, "it did not come"
        time.sleep(0.05)
