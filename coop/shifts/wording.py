"""Turns in words, for pages, mails and sentences: the hours, the day, the post."""

from __future__ import annotations

from datetime import date, datetime
from decimal import Decimal
from zoneinfo import ZoneInfo

from coop.core.money import format_decimal
from coop.core.templating import MINUS, short_day
from coop.shifts.domain.hours import clock as clock
from coop.shifts.domain.hours import clock_span as clock_span


def minute_of(at: datetime, timezone: str) -> int:
    """Minutes after midnight of a moment, by the clock at a place."""
    there = at.astimezone(ZoneInfo(timezone))
    return there.hour * 60 + there.minute


def hours_of(starts_at: datetime, ends_at: datetime, timezone: str) -> str:
    """A turn's hours by the mall's clock: `10 am to 2:30 pm`."""
    return clock_span(minute_of(starts_at, timezone), minute_of(ends_at, timezone))


def weekday_of(on: date) -> str:
    """A day with its weekday, where the year is plain: `Sat, Dec 5`."""
    return f"{on:%a}, {short_day(on)}"


def turn_said(post: str, on: date, starts_at: datetime, ends_at: datetime, timezone: str) -> str:
    """A turn for a sentence: `Desk on Sat, Dec 5, 10 am to 2:30 pm`."""
    return f"{post} on {weekday_of(on)}, {hours_of(starts_at, ends_at, timezone)}"


def turns_shown(turns: Decimal | int) -> str:
    """A number of turns for a column: `2`, `2.5`, `−0.93` (a true minus)."""
    return format_decimal(Decimal(turns)).replace("-", MINUS)


def balance_shown(turns: Decimal) -> str:
    """A balance of turns for a column: `+2`, `0`, `−1.5`."""
    return f"+{turns_shown(turns)}" if turns > 0 else turns_shown(turns)


def moment_said(at: datetime, timezone: str) -> str:
    """A moment for a sentence, where the year is plain: `Fri, Dec 4 at 10 am`."""
    return f"{weekday_of(at.astimezone(ZoneInfo(timezone)).date())} at {clock(minute_of(at, timezone))}"
