"""Scales as people write them, and plans over several sheets."""

from __future__ import annotations

from fractions import Fraction

import pytest

from coop.floor.domain.scale import Bounds, lay_sheets, parse_scale, scale_words


@pytest.mark.parametrize(
    ("text", "scale"),
    [
        ("1:48", 48),
        ("1/4 in. = 1 ft", 48),
        ("1/4\" = 1'", 48),
        (" 1 : 24 ", 24),
        ("1/2 in = 1 ft", 24),
        ("1/8 in. = 1 ft", 96),
        ("1 in. = 10 ft", 120),
        ("3/4 in. = 1 ft", 16),
        ("50", 50),
        ("1:1", 1),
    ],
)
def test_a_scale_is_read_either_way(text: str, scale: int) -> None:
    assert parse_scale(text) == scale


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("large", "is no scale"),
        ("1:0", "must be from 1:1"),
        ("1:4800", "must be from 1:1"),
        ("5/8 in. = 1 ft", "is no scale of one to a whole number"),
        ("a = 1 ft", "has the length 'a', which is not a length"),
        ("0 = 1 ft", "has a length of nothing"),
        ("1 ft = 1 in.", "is no scale of one to a whole number"),
    ],
)
def test_what_is_no_scale_is_refused(text: str, said: str) -> None:
    with pytest.raises(ValueError, match=said):
        parse_scale(text)


@pytest.mark.parametrize(
    ("scale", "words"),
    [
        (48, "1:48, 1/4 in. = 1 ft"),
        (24, "1:24, 1/2 in. = 1 ft"),
        (192, "1:192, 1/16 in. = 1 ft"),
        (50, "1:50"),
        (12, "1:12, 1 in. = 1 ft"),
    ],
)
def test_a_scale_is_said_as_a_ruler_has_it(scale: int, words: str) -> None:
    assert scale_words(scale) == words
    assert parse_scale(words.rpartition(", ")[2]) == scale


def test_what_fits_is_one_sheet_no_larger_than_the_plan() -> None:
    (sheet,) = lay_sheets(Bounds(-192, -192, 7680, 5760), 48, (Fraction(10), Fraction(8)), Fraction(1, 2))
    assert (sheet.x, sheet.y, sheet.width, sheet.height, sheet.joins) == (-192, -192, 7680, 5760, {})


def test_sheets_overlap_and_cover_the_plan() -> None:
    """At 1:48 ten inches are 7680 sixteenths of floor and half an inch is 384: windows begin 7296 apart across, 5760 down."""
    sheets = lay_sheets(Bounds(0, 0, 14_977, 6145), 48, (Fraction(10), Fraction(8)), Fraction(1, 2))
    assert [(s.number, s.x, s.y) for s in sheets] == [
        (1, 0, 0),
        (2, 7296, 0),
        (3, 14_592, 0),
        (4, 0, 5760),
        (5, 7296, 5760),
        (6, 14_592, 5760),
    ]
    assert {(s.width, s.height) for s in sheets} == {(7680, 6144)}
    assert sheets[1].joins == {"left": 1, "right": 3, "below": 5}
    assert sheets[5].joins == {"left": 5, "above": 3}
    # A sixteenth less, and two sheets across and one down are enough.
    assert len(lay_sheets(Bounds(0, 0, 14_976, 6144), 48, (Fraction(10), Fraction(8)), Fraction(1, 2))) == 2


def test_more_sheets_than_anybody_joins_are_refused() -> None:
    """At 1:2 windows are 320 by 256 sixteenths of floor and begin 304 and 240 apart: 11 across, 12 down."""
    with pytest.raises(ValueError, match=r"would need 132 sheets; choose a larger paper or a smaller scale, such as 1:4"):
        lay_sheets(Bounds(0, 0, 3360, 2720), 2, (Fraction(10), Fraction(8)), Fraction(1, 2))
