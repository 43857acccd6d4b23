"""The day a month is paid on."""

from __future__ import annotations

from datetime import date, timedelta

from coop.books.domain.ach import banking_day
from coop.core.periods import Month


def pay_day(month: Month, payout_day: int, today: date) -> date:
    """The payout day of the month after, or the next one that is not past."""

    def in_month(paid_in: Month) -> date:
        return date(paid_in.year, paid_in.month, min(payout_day, paid_in.days))

    paid_in = max(month.next, Month.of(today))
    return in_month(paid_in) if in_month(paid_in) >= today else in_month(paid_in.next)


def settling_day(planned: date, approved: date, *, by_bank: bool) -> date:
    """The day an approved run is paid: the planned one, moved to a day on which banks settle.

    A bank takes a file a day before the money arrives (common practice, no source).
    """
    first = approved + timedelta(days=1) if by_bank else approved
    return banking_day(max(planned, first))
