"""The day a month is paid, moved to a day on which banks settle."""

from __future__ import annotations

from datetime import date

import pytest

from coop.core.periods import Month
from coop.payouts.domain.days import pay_day, settling_day


@pytest.mark.parametrize(
    ("payout_day", "today", "paid_on"),
    [
        (10, date(2026, 11, 3), date(2026, 11, 10)),
        (10, date(2026, 11, 10), date(2026, 11, 10)),
        (10, date(2026, 11, 11), date(2026, 12, 10)),
        (31, date(2026, 11, 3), date(2026, 11, 30)),
    ],
)
def test_the_payout_day_that_is_not_past(payout_day: int, today: date, paid_on: date) -> None:
    assert pay_day(Month(2026, 10), payout_day, today) == paid_on


@pytest.mark.parametrize(
    ("planned", "approved", "by_bank", "paid_on"),
    [
        (date(2026, 11, 10), date(2026, 11, 4), True, date(2026, 11, 10)),
        # Veterans Day, a Wednesday, and a Saturday (5 U.S.C. 6103).
        (date(2026, 11, 11), date(2026, 11, 4), True, date(2026, 11, 12)),
        (date(2026, 10, 10), date(2026, 10, 5), True, date(2026, 10, 13)),
        # Approved on the day itself: a bank wants the file a day before, a check is dated today.
        (date(2026, 11, 10), date(2026, 11, 10), True, date(2026, 11, 12)),
        (date(2026, 11, 10), date(2026, 11, 10), False, date(2026, 11, 10)),
        (date(2026, 11, 10), date(2026, 11, 13), False, date(2026, 11, 13)),
    ],
)
def test_it_is_a_day_on_which_banks_settle(planned: date, approved: date, by_bank: bool, paid_on: date) -> None:
    assert settling_day(planned, approved, by_bank=by_bank) == paid_on
