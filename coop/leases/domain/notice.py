"""The dates of a lease: notice and its last day, offers and terms, and when an increase may begin.

A day's notice counts from the day after it is given: 30 days from April 1 end on May 1. Source: common practice, no source; the
lease and local law decide.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date, timedelta

from coop.core.periods import Month, add_months, shown_day
from coop.leases.domain.figures import TermsError

_DAY = timedelta(days=1)


@dataclass(frozen=True)
class NoticeRule:
    """So many days of notice; `at_month_end` lets a lease end only on the last day of a month."""

    days: int = 30
    at_month_end: bool = False

    def __post_init__(self) -> None:
        if self.days < 0:
            raise TermsError(f"The days of notice are {self.days}: write 0 or more, such as 30.")


def earliest_last_day(rule: NoticeRule, given_on: date, term_ends_on: date | None = None) -> date:
    """The earliest last day for notice given on a day; not before a fixed term's last day."""
    day = given_on + rule.days * _DAY
    if rule.at_month_end:
        day = Month.of(day).last_day
    return day if term_ends_on is None else max(day, term_ends_on)


def notice_refusal(rule: NoticeRule, given_on: date, last_day: date, term_ends_on: date | None = None) -> str | None:
    """Why a last day does not do, as a sentence with the earliest that does; None when it does."""
    earliest = earliest_last_day(rule, given_on, term_ends_on)
    if last_day < earliest:
        if earliest == term_ends_on:
            return f"The lease's term runs through {shown_day(term_ends_on)}: the last day can be no earlier."
        month_end = ", on the last day of a month" if rule.at_month_end else ""
        return (
            f"Notice given on {shown_day(given_on)} with {rule.days} days to run{month_end} "
            f"ends on {shown_day(earliest)} at the earliest, not on {shown_day(last_day)}."
        )
    if rule.at_month_end and last_day != term_ends_on and last_day != Month.of(last_day).last_day:
        return f"{shown_day(last_day)} is not the last day of a month: choose {shown_day(Month.of(last_day).last_day)}."
    return None


def offer_deadline(offered_on: date, days: int) -> date:
    """The last day on which an offer can be taken."""
    if days < 1:
        raise TermsError(f"The offer stands {days} days: write 1 or more.")
    return offered_on + days * _DAY


def term_ends_on(starts_on: date, months: int) -> date:
    """A fixed term's last day: six months from 2026-03-01 run through 2026-08-31, from 2025-08-31 through 2026-02-27."""
    if months < 1:
        raise TermsError(f"The term is {months} months: write 1 or more, such as 3 or 6.")
    return add_months(starts_on, months) - _DAY


def renewal_notice_by(ends_on: date, rule: NoticeRule) -> date:
    """The last day on which notice still ends a fixed term on its last day."""
    return ends_on - rule.days * _DAY


def increase_from(told_on: date, days: int, *, on_the_first: bool = True, term_ends_on: date | None = None) -> date:
    """The first day an increase may hold, after the days of notice the lease demands and any fixed term.

    With `on_the_first` it begins on the first of a month, since rent is by the month: told on March 15 with 30 days, May 1.
    """
    if days < 0:
        raise TermsError(f"The days of notice of an increase are {days}: write 0 or more, such as 30.")
    day = told_on + days * _DAY
    if term_ends_on is not None:
        day = max(day, term_ends_on + _DAY)
    return Month.of(day).next.first_day if on_the_first and day.day > 1 else day


def increase_told_by(begins_on: date, days: int) -> date:
    """The last day to tell of an increase that is to begin on a day."""
    if days < 0:
        raise TermsError(f"The days of notice of an increase are {days}: write 0 or more, such as 30.")
    return begins_on - days * _DAY
