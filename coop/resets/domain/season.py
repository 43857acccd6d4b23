"""The season's calendar: back from the day a set must stand to the day its buying must be over, and on to the next season.

The lead times are common practice, no source; each is a setting.
"""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import dataclass
from datetime import date, timedelta
from typing import Literal, get_args

from coop.core.errors import Refusal
from coop.core.periods import add_months, shown_day, shown_days

StepKind = Literal["buy", "book", "ask", "van", "mend", "price", "pack", "reset", "stands", "next buy", "next"]
STEP_KINDS: tuple[StepKind, ...] = get_args(StepKind)
_DAY = timedelta(days=1)
_LONGEST_DAYS = 60
"""A reset of more days than this, or a mall closed for longer, is a mistake in typing."""


@dataclass(frozen=True)
class Leads:
    """How many days before the first day of the reset each must be done."""

    buy_days: int = 28
    book_days: int = 21
    """Dock, staging and aisle floor, with the mall."""
    ask_days: int = 14
    """Helpers."""
    van_days: int = 14
    mend_days: int = 10
    """Mended, painted and dry."""
    price_days: int = 4
    pack_days: int = 1
    season_months: int = 3
    """From the day one set stands to the day the next one does."""


@dataclass(frozen=True)
class LeaseSpan:
    """When the booth is the dealer's. `ends_on` None: no end is set; otherwise its last day."""

    starts_on: date
    ends_on: date | None = None


@dataclass(frozen=True)
class Step:
    """What must be done by, or happens on, a day. Of several days in a row `on` is the first."""

    kind: StepKind
    on: date
    words: str
    late: bool
    """The day has passed."""
    days: int = 1

    @property
    def ends_before(self) -> date:
        """The day after its last: DTEND of a whole-day event (RFC 5545, 3.6.1: not in the event)."""
        return self.on + self.days * _DAY


def season_calendar(
    stands_on: date,
    reset_days: int,
    today: date,
    *,
    leads: Leads | None = None,
    closed: Collection[date] = (),
    lease: LeaseSpan | None = None,
    next_stands_on: date | None = None,
) -> tuple[Step, ...]:
    """The steps in order of their days, for a set that must stand when the mall opens on a day.

    The reset takes the last so many days before it on which the mall is open; packing the day before the first of them. What
    needs the mall (booking) falls on a day it is open, or the one before. Refuses a day on which the mall is closed, a reset
    before the lease begins or a set that stands after it ends, with the first or last day that can be had, and a count of days
    that cannot be meant.
    """
    leads = leads or Leads()
    if not 1 <= reset_days <= _LONGEST_DAYS:
        raise Refusal(f"The days of the reset are {reset_days}: write 1 to {_LONGEST_DAYS}.")
    if stands_on in closed:
        other = _open_from(stands_on, closed)
        raise Refusal(f"The mall is closed on {shown_day(stands_on)}: let the set stand on {shown_day(other)}, or another day.")
    worked = _open_before(stands_on, reset_days, closed)
    if lease is not None:
        _require_leased(stands_on, worked[0], reset_days, closed, lease)
    next_on = next_stands_on or add_months(stands_on, leads.season_months)
    if next_on <= stands_on:
        raise Refusal(
            f"The next set is to stand on {shown_day(next_on)}, which is no later than this one on {shown_day(stands_on)}: "
            "write a later day."
        )
    begin = worked[0]

    def by(kind: StepKind, lead_days: int, what: str, *, at_mall: bool = False, of: date = begin) -> Step:
        day = of - lead_days * _DAY
        while at_mall and day in closed:
            day -= _DAY
        return _step(kind, day, what, today)

    steps = [
        by("buy", leads.buy_days, "Buying over: what comes after is for the season after"),
        by("book", leads.book_days, "Dock, staging and aisle floor booked with the mall", at_mall=True),
        by("ask", leads.ask_days, "Helpers asked"),
        by("van", leads.van_days, "Van booked"),
        by("mend", leads.mend_days, "Mended, painted and dry"),
        by("price", leads.price_days, "Priced and tagged"),
        by("pack", leads.pack_days, "Packed: boxes, pads, tools"),
        *_worked_steps(worked, today),
        _step("stands", stands_on, "The set stands when the mall opens", today),
        by("next buy", leads.buy_days, "Buying for the next season over", of=next_on - reset_days * _DAY),
        _step("next", next_on, "The next season's set stands", today),
    ]
    order = {kind: place for place, kind in enumerate(STEP_KINDS)}
    return tuple(sorted(steps, key=lambda step: (step.on, order[step.kind])))


def _step(kind: StepKind, on: date, what: str, today: date, days: int = 1) -> Step:
    last = on + (days - 1) * _DAY
    when = shown_days(on, last) if kind in ("reset", "stands", "next") else f"by {shown_day(on)}"
    if last >= today:
        return Step(kind, on, f"{what}: {when}.", False, days)
    ago = (today - last).days
    passed = f"that was {ago} {'day' if ago == 1 else 'days'} ago"
    mend = _LATE.get(kind, "do it now, or move the day the set must stand")
    return Step(kind, on, f"{what}: {when}; {passed}: {mend}.", True, days)


_LATE: dict[StepKind, str] = {
    "buy": "plan the set with what is there, or move the day it must stand",
    "mend": "leave out what is not done, or move the day the set must stand",
    "reset": "set another day",
    "stands": "set another day",
    "next buy": "set a later day for the next set",
    "next": "set a later day for the next set",
}


def _worked_steps(worked: list[date], today: date) -> list[Step]:
    """The days of the reset, those in a row as one step."""
    runs: list[list[date]] = []
    for day in worked:
        if runs and day == runs[-1][-1] + _DAY:
            runs[-1].append(day)
        else:
            runs.append([day])
    return [_step("reset", run[0], "Reset", today, len(run)) for run in runs]


def _open_before(stands_on: date, count: int, closed: Collection[date]) -> list[date]:
    """The last so many open days before a day, in order."""
    found: list[date] = []
    day = stands_on - _DAY
    while len(found) < count:
        if day not in closed:
            found.append(day)
        if (stands_on - day).days > count + 2 * _LONGEST_DAYS:
            days = "1 day" if count == 1 else f"{count} days"
            raise Refusal(f"The mall is closed too long before {shown_day(stands_on)} for a reset of {days}: set another day.")
        day -= _DAY
    return found[::-1]


def _open_from(day: date, closed: Collection[date]) -> date:
    while day in closed:
        day += _DAY
    return day


def _require_leased(stands_on: date, begin: date, reset_days: int, closed: Collection[date], lease: LeaseSpan) -> None:
    if begin < lease.starts_on:
        worked, day = 0, lease.starts_on
        while worked < reset_days:
            worked += day not in closed
            day += _DAY
        first = _open_from(day, closed)
        raise Refusal(
            f"The reset would begin on {shown_day(begin)}, and the lease of the booth on {shown_day(lease.starts_on)}: "
            f"let the set stand on {shown_day(first)} or later."
        )
    if lease.ends_on is not None and stands_on > lease.ends_on:
        raise Refusal(
            f"The set is to stand on {shown_day(stands_on)}, and the lease of the booth ends on {shown_day(lease.ends_on)}: "
            "write a day before, or have the lease go on."
        )
