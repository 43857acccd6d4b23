"""How codes stand in a list."""

from __future__ import annotations

from coop.core.words import natural


def test_codes_stand_by_their_numbers_and_figures_before_letters() -> None:
    codes = ["A10-1", "A2-10", "B1", "A2-2", "10", "A", "9", "A2"]
    assert sorted(codes, key=natural) == ["9", "10", "A", "A2", "A2-2", "A2-10", "A10-1", "B1"]
