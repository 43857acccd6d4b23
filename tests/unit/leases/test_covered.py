"""On which day a month's sales had paid its rent."""

from __future__ import annotations

from datetime import date

import pytest

from coop.leases.domain.covered import Covered, covered


def day(n: int) -> date:
    return date(2026, 11, n)


def kept(*amounts: int) -> list[tuple[date, int]]:
    """What was kept by the end of the first, the second ..."""
    return [(day(n), cents) for n, cents in enumerate(amounts, 1)]


@pytest.mark.parametrize(
    ("amounts", "on", "left_cents"),
    [
        ((), None, 270_00),
        ((100_00, 200_00), None, 70_00),
        ((100_00, 269_99), None, 1),
        ((100_00, 270_00), day(2), 0),
        ((300_00, 400_00, 500_00), day(1), 0),
    ],
)
def test_rent_is_covered_on_the_day_its_last_cent_is_kept(amounts: tuple[int, ...], on: date | None, left_cents: int) -> None:
    found = covered(270_00, kept(*amounts))
    assert (found.on, found.left_cents) == (on, left_cents)


def test_what_comes_back_uncovers_it_again() -> None:
    assert covered(270_00, kept(300_00, 200_00)) == Covered(270_00, 200_00, None)
    assert covered(270_00, kept(300_00, 200_00, 280_00, 290_00)).on == day(3)


def test_more_came_back_than_was_sold() -> None:
    assert covered(270_00, kept(-30_00)).left_cents == 300_00


@pytest.mark.parametrize("due_cents", [0, -5_00])
def test_where_nothing_is_due_no_day_covers_it(due_cents: int) -> None:
    found = covered(due_cents, kept(100_00))
    assert (found.on, found.left_cents) == (None, 0)
