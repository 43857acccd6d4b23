"""Turns in words, for pages, mails and sentences: the hours, the day, the post."""

from __future__ import annotations

from datetime import date, datetime
from decimal import Decimal
from zoneinfo import ZoneInfo

from coop.core.templating import MINUS, short_day

HALF_DAY_MIN = 12 * 60


def clock(minutes: int) -> str:
    """Minutes after midnight as people write them: 600 -> `10 am`, 1050 -> `5:30 pm`, 720 -> `noon`, 1440 -> `midnight`."""
    of_day = minutes % (2 * HALF_DAY_MIN)
    if of_day in (0, HALF_DAY_MIN):
        return "noon" if of_day else "midnight"
    hour, minute = divmod(of_day, 60)
    return f"{(hour - 1) % 12 + 1}{f':{minute:02d}' if minute else ''} {'am' if of_day < HALF_DAY_MIN else 'pm'}"


def clock_span(from_min: int, to_min: int) -> str:
    """`10 am to 2:30 pm`; what both share is said once: `2 to 6 pm`."""
    begins, ends = clock(from_min), clock(to_min)
    half = begins[-3:]
    return f"{begins.removesuffix(half) if half in (' am', ' pm') and ends.endswith(half) else begins} to {ends}"


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
    text = f"{Decimal(turns):f}"
    text = text.rstrip("0").rstrip(".") if "." in text else text
    return "0" if text == "-0" else text.replace("-", MINUS)


def balance_shown(turns: Decimal) -> str:
    """A balance of turns for a column: `+2`, `0`, `−1.5`."""
    return f"+{turns_shown(turns)}" if turns > 0 else turns_shown(turns)


def moment_said(at: datetime, timezone: str) -> str:
    """A moment for a sentence, where the year is plain: `Fri, Dec 4 at 10 am`."""
    return f"{weekday_of(at.astimezone(ZoneInfo(timezone)).date())} at {clock(minute_of(at, timezone))}"
