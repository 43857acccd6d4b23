"""The day a balance is paid is never before the statement that says so."""

from __future__ import annotations

from datetime import date

import pytest

from coop.books.domain.ach import is_banking_day
from coop.core.periods import Month
from coop.payouts.domain.days import pay_day, settling_day
from coop.statements.building import payout_date
from coop.statements.service import counted


@pytest.mark.parametrize(
    ("payout_day", "made_on", "paid_on"),
    [
        (10, date(2011, 1, 3), date(2011, 1, 10)),
        (10, date(2011, 1, 10), date(2011, 1, 10)),
        (10, date(2011, 1, 11), date(2011, 2, 10)),
        (10, date(2026, 11, 3), date(2026, 11, 10)),
        (10, date(2026, 12, 24), date(2027, 1, 11)),
        (31, date(2027, 2, 28), date(2027, 3, 1)),
        (10, date(2010, 12, 20), date(2011, 1, 10)),
    ],
)
def test_a_balance_is_paid_on_the_next_payout_day_that_is_not_past(payout_day: int, made_on: date, paid_on: date) -> None:
    assert payout_date(Month(2010, 12), payout_day, made_on) == paid_on


@pytest.mark.parametrize("made_on", [date(2025, 5, 2), date(2025, 5, 9), date(2025, 5, 12), date(2025, 7, 3), date(2025, 12, 31)])
@pytest.mark.parametrize("payout_day", [1, 4, 10, 25, 31])
def test_the_day_promised_is_the_day_a_run_is_paid_on(payout_day: int, made_on: date) -> None:
    """A run prepared and approved on the day the statement is made; Saturdays, Sundays and July 4, 2025 are among the days."""
    month = Month(2025, 4)
    of_run = settling_day(pay_day(month, payout_day, made_on), made_on, by_bank=False)
    assert payout_date(month, payout_day, made_on) == of_run
    assert is_banking_day(of_run)


def test_a_saturday_is_paid_on_monday() -> None:
    assert payout_date(Month(2025, 4), 10, date(2025, 5, 2)) == date(2025, 5, 12)


def test_one_is_not_many() -> None:
    assert [counted(n, "charge") for n in (0, 1, 2, 1200)] == ["0 charges", "1 charge", "2 charges", "1,200 charges"]
    assert counted(1, "was", "were") == "1 was"
    assert counted(3, "was", "were") == "3 were"
