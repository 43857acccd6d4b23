"""Weights as they are typed."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from coop.resets.domain.weight import format_weight, parse_weight


@pytest.mark.parametrize(
    ("typed", "ounces"),
    [
        ("45", 720),
        ("45 lb", 720),
        ("45lbs.", 720),
        ("12 lb 8 oz", 200),
        ("12.5 pounds", 200),
        ("8 oz", 8),
        ("8 OUNCES", 8),
        (".5 lb", 8),
        # 20 kg are 44.0925 lb (0.45359237 kg a pound, NIST Handbook 44, appendix C): 705.48 oz.
        ("20 kg", 705),
        ("500 g", 18),
        ("0", 0),
    ],
)
def test_a_weight_is_read_as_people_write_it(typed: str, ounces: int) -> None:
    assert parse_weight(typed) == ounces


@pytest.mark.parametrize("typed", ["", "heavy", "-4 lb", "4 lb 8", "4 oz 3 lb", "lb", "4 stone", "1/2 lb", "٤ lb", "4,5 lb"])
def test_what_is_no_weight_is_told(typed: str) -> None:
    with pytest.raises(ValueError, match="is not a weight; write it like 45 lb"):
        parse_weight(typed)


def test_a_slip_of_the_finger_is_told() -> None:
    assert parse_weight("10000 lb") == 160_000
    with pytest.raises(ValueError, match="heavier than five tons"):
        parse_weight("10001 lb")


@given(st.integers(0, 160_000))
def test_what_is_written_reads_back(ounces: int) -> None:
    assert parse_weight(format_weight(ounces)) == ounces
