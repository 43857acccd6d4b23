"""How turns were shared out, in words and as a chart."""

from __future__ import annotations

from datetime import date
from decimal import Decimal

import pytest

from coop.core.periods import Month
from coop.shifts.fair import Fairness, FairRow
from coop.shifts.fair_words import fair_chart, holidays_said, since_said, weekends_said, year_said


def row(code: str, owed: str, turns: int, *, joined_on: date = date(2020, 1, 1)) -> FairRow:
    return FairRow(
        member_id=int(code[1:]),
        name=f"Dealer {code}",
        code=code,
        joined_on=joined_on,
        owed=Decimal(owed),
        turns=turns,
        weekend=0,
        holiday=0,
        opening=0,
        closing=0,
        owed_since=Decimal(owed),
        turns_since=turns,
        balance=Decimal(0),
    )


def sharing(*rows: FairRow, jain: str | None = None, spread: int | None = None) -> Fairness:
    return Fairness(Month(2026, 11), rows, Decimal(jain) if jain else None, spread)


@pytest.mark.parametrize(
    ("jain", "words"),
    [
        ("0.9712", "Weekend turns are shared evenly: Jain’s index is 0.97."),
        ("0.9000", "shared evenly: Jain’s index is 0.90."),
        ("0.8949", "not shared evenly yet: Jain’s index is 0.89."),
    ],
)
def test_weekends_are_said_with_jains_index(jain: str, words: str) -> None:
    assert words in weekends_said(sharing(jain=jain))


@pytest.mark.parametrize(
    ("spread", "words"),
    [
        (0, "Everybody has had as many holidays."),
        (1, "Nobody has had two holidays more than another"),
        (3, "Whoever had most holidays had 3 more than who had fewest"),
    ],
)
def test_holidays_are_said_by_how_far_they_lie_apart(spread: int, words: str) -> None:
    assert words in holidays_said(sharing(spread=spread))


def test_where_there_is_nothing_to_share_nothing_is_said() -> None:
    assert weekends_said(sharing()) == holidays_said(sharing()) == ""
    assert not fair_chart(sharing())


def test_a_chart_has_a_bar_for_each_who_owes_most_first() -> None:
    """D01: 3 turns for 2 owed; D02: 4 for 4; D03 owes none."""
    chart = fair_chart(sharing(row("D02", "4", 4), row("D01", "2", 3), row("D03", "0", 5)))
    assert [(point.label, point.cents) for point in chart.points] == [("D01", 150), ("D02", 100)]
    assert chart.said == "Dealer D01 (D01) 1.5 turns; Dealer D02 (D02) 1 turn."
    assert "$" not in chart.svg


def test_who_joined_within_the_months_told_is_told_since_when() -> None:
    fair = sharing(row("D01", "2", 3), row("D02", "1", 1, joined_on=date(2026, 7, 15)))
    assert year_said(fair) == "December 2025 to November 2026"
    assert since_said(fair, 1) == ""
    assert since_said(fair, 2) == "since Jul 15, 2026"
    assert since_said(fair, 99) == ""
