"""What beat sends: one tick, whose task finds out in the database what is due. The schedule itself is coop.core.schedule."""

from __future__ import annotations

from typing import Any

from coop.config import Settings
from coop.core import broker


def beat_schedule(settings: Settings) -> dict[str, dict[str, Any]]:
    """Celery's form of it. Ticks that nobody took while the workers were away are worth nothing, so they expire."""
    every_s = broker.sweep_every(settings).total_seconds()
    return {"tick": {"task": broker.TICK, "schedule": every_s, "options": {"queue": "default", "expires": max(60, every_s)}}}
