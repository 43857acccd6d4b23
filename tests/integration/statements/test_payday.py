"""The day a balance is paid is never before the statement that says so."""

from __future__ import annotations

from datetime import date

import pytest

from coop.core.periods import Month
from coop.statements.building import payout_date
from coop.statements.service import counted


@pytest.mark.parametrize(
    ("payout_day", "made_on", "paid_on"),
    [
        (10, date(2011, 1, 3), date(2011, 1, 10)),
        (10, date(2011, 1, 10), date(2011, 1, 10)),
        (10, date(2011, 1, 11), date(2011, 2, 10)),
        (10, date(2026, 11, 3), date(2026, 11, 10)),
        (10, date(2026, 12, 24), date(2027, 1, 10)),
        (31, date(2027, 2, 28), date(2027, 2, 28)),
        (10, date(2010, 12, 20), date(2011, 1, 10)),
    ],
)
def test_a_balance_is_paid_on_the_next_payout_day_that_is_not_past(payout_day: int, made_on: date, paid_on: date) -> None:
    assert payout_date(Month(2010, 12), payout_day, made_on) == paid_on


def test_one_is_not_many() -> None:
    assert [counted(n, "charge") for n in (0, 1, 2, 1200)] == ["0 charges", "1 charge", "2 charges", "1,200 charges"]
    assert counted(1, "was", "were") == "1 was"
    assert counted(3, "was", "were") == "3 were"
