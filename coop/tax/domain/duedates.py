"""When a return is due: a day of the month after its period, moved off weekends and public holidays.

Source: a due date on a Saturday, Sunday or legal holiday moves to the next day that is none (Texas Tax Code 111.053; other states
say the same, and a few move it back). Public holidays of the states: the library `holidays`.
"""

from __future__ import annotations

import calendar
from dataclasses import dataclass
from datetime import date, timedelta
from functools import lru_cache
from typing import Literal

import holidays

from coop.core.periods import Month

Roll = Literal["next", "previous", "none"]


STATES = frozenset(holidays.list_supported_countries(include_aliases=False)["US"])
"""Postal codes of the states and territories whose public holidays are known."""


@dataclass(frozen=True)
class DueRule:
    """Due on `day` of the month `months_after` the period's last (31 means the last day of a shorter month), then rolled.

    `region` is the state whose public holidays count, as its postal code ("TX"); "" means federal ones only. `closed` are further
    days on which the office takes nothing.
    """

    day: int = 20
    months_after: int = 1
    region: str = ""
    roll: Roll = "next"
    closed: frozenset[date] = frozenset()

    def __post_init__(self) -> None:
        if not 1 <= self.day <= 31 or not 0 <= self.months_after <= 12:
            raise ValueError("A due date is a day from 1 to 31, at most twelve months after the period.")
        if self.region and self.region not in STATES:
            raise ValueError(f"{self.region} is not a state's postal code: write it like TX.")


def due_on(last: Month, rule: DueRule) -> date:
    """The due date of a return whose period ends with the month `last`."""
    month = last
    for _ in range(rule.months_after):
        month = month.next
    day = min(rule.day, calendar.monthrange(month.year, month.month)[1])
    return roll(date(month.year, month.month, day), rule)


def roll(day: date, rule: DueRule) -> date:
    """The day itself when the office is open; else the next open one, or the one before, as the rule says."""
    if rule.roll == "none":
        return day
    step = timedelta(days=1 if rule.roll == "next" else -1)
    while day.weekday() >= 5 or day in rule.closed or day in _public_holidays(rule.region, day.year):
        day += step
    return day


@lru_cache(maxsize=256)
def _public_holidays(region: str, year: int) -> frozenset[date]:
    return frozenset(holidays.country_holidays("US", subdiv=region or None, years=year))
