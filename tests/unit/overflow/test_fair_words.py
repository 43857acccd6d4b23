"""How lent floor was shared out, as bars: as long as what was had, beside a line at what is due."""

from __future__ import annotations

import re
from datetime import date

import pytest

from coop.overflow.fair import Fairness, FairRow
from coop.overflow.fair_words import share_bar


def row(code: str, had: int, due: int) -> FairRow:
    return FairRow(dealer_id=1, code=code, name="Vera Quill", rent_cents=0, had=had, due=due, waiting=0)


def drawn(one: FairRow, *others: FairRow) -> tuple[float, float]:
    """How long the bar is, and where the line stands."""
    most = max(each.percent for each in (one, *others))
    fair = Fairness(
        date(2025, 12, 1), date(2026, 11, 30), (one, *others), has_bays=True, index=None, least_percent=0, most_percent=most
    )
    svg = share_bar(one, fair)
    bar, line = re.search(r'<rect y="2" width="([\d.]+)"', svg), re.search(r"H([\d.]+)M", svg)
    assert bar is not None
    assert line is not None
    assert 'aria-hidden="true"' in svg
    return float(bar[1]), float(line[1])


@pytest.mark.parametrize(("had", "share"), [(0, 0), (25, 0.25), (100, 1)])
def test_a_bar_is_as_long_as_the_part_that_was_had(had: int, share: float) -> None:
    bar, line = drawn(row("D01", had, 100))
    assert (bar, line) == (120 * share, 120)


def test_who_had_more_than_is_due_makes_all_bars_shorter() -> None:
    """D02 has had twice what is due: its bar is all there is, and the line stands in the middle of each."""
    half, double = row("D01", 50, 100), row("D02", 200, 100)
    assert drawn(half, double) == (30, 60)
    assert drawn(double, half) == (120, 60)
