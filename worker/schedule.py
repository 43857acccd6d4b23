"""What beat sends: one tick, whose task finds out in the database what is due. The schedule itself is coop.core.schedule."""

from __future__ import annotations

from pathlib import Path
from typing import Any

from celery.beat import Scheduler

from coop.config import Settings, load_settings
from coop.core import broker


def beat_schedule(settings: Settings) -> dict[str, dict[str, Any]]:
    """Celery's form of it. Ticks that nobody took while the workers were away are worth nothing, so they expire."""
    every_s = broker.sweep_every(settings).total_seconds()
    return {"tick": {"task": broker.TICK, "schedule": every_s, "options": {"queue": "default", "expires": max(60, every_s)}}}


def sign_of_life(settings: Settings) -> Path:
    """The file whose age says when a beat last got a tick through to the broker."""
    return settings.data / "beat"


class Beat(Scheduler):  # type: ignore[misc]
    """Celery's scheduler that keeps no file of its own, and leaves a sign of life for whoever watches the process."""

    def apply_async(self, *args: Any, **options: Any) -> Any:
        """Send one entry. Raises what the broker's client raises; then the sign grows old."""
        sent = super().apply_async(*args, **options)
        path = sign_of_life(load_settings())
        path.parent.mkdir(parents=True, exist_ok=True)
        path.touch()
        return sent
