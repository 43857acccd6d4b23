"""The one place that reads the clock. Services take `now`; only edges call this."""

from __future__ import annotations

from datetime import UTC, date, datetime
from zoneinfo import ZoneInfo, available_timezones


def utc_now() -> datetime:
    """This moment, in UTC."""
    return datetime.now(UTC)


def local_date(at: datetime, timezone: str) -> date:
    """The calendar date at a place, of a moment in UTC."""
    return at.astimezone(ZoneInfo(timezone)).date()


def is_timezone(name: str) -> bool:
    return name in available_timezones()
