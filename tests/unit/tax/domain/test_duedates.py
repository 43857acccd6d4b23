"""Due dates, moved off weekends and public holidays."""

from __future__ import annotations

from datetime import date

import pytest

from coop.core.periods import Month
from coop.tax.domain.duedates import DueRule, due_on

TEXAS = DueRule(day=20, region="TX")


@pytest.mark.parametrize(
    ("last", "due"),
    [
        # D1: Texas Tax Code 111.053, with the library `holidays`: all three are weekends.
        (Month(2026, 5), date(2026, 6, 22)),
        (Month(2026, 8), date(2026, 9, 21)),
        (Month(2026, 11), date(2026, 12, 21)),
        # A Tuesday stays.
        (Month(2026, 9), date(2026, 10, 20)),
        # Monday 20 January 2025 was Martin Luther King Day.
        (Month(2024, 12), date(2025, 1, 21)),
    ],
)
def test_d1_due_dates_in_texas(last: Month, due: date) -> None:
    assert due_on(last, TEXAS) == due


def test_the_last_day_of_a_shorter_month() -> None:
    assert due_on(Month(2026, 8), DueRule(day=31)) == date(2026, 9, 30)
    assert due_on(Month(2026, 12), DueRule(day=31, months_after=2)) == date(2027, 3, 1)


def test_before_or_not_at_all() -> None:
    assert due_on(Month(2026, 5), DueRule(day=20, roll="previous")) == date(2026, 6, 18)  # the 19th is Juneteenth
    assert due_on(Month(2026, 5), DueRule(day=20, roll="none")) == date(2026, 6, 20)


def test_days_on_which_the_office_is_closed() -> None:
    assert due_on(Month(2026, 5), DueRule(day=20, closed=frozenset({date(2026, 6, 22)}))) == date(2026, 6, 23)


def test_over_the_end_of_a_year() -> None:
    """New Year's Day of 2028 is a Saturday, kept on Friday 31 December; the next day of work is 3 January."""
    assert due_on(Month(2027, 11), DueRule(day=31)) == date(2028, 1, 3)


@pytest.mark.parametrize("rule", [{"day": 0}, {"day": 32}, {"months_after": -1}, {"region": "XX"}])
def test_a_rule_that_cannot_be(rule: dict[str, object]) -> None:
    with pytest.raises(ValueError, match=r"twelve months after|not a state's postal code"):
        DueRule(**rule)  # type: ignore[arg-type]
