"""Lengths as people write them, and areas of polygons."""

from __future__ import annotations

from dataclasses import dataclass
from fractions import Fraction

import pytest
from hypothesis import given
from hypothesis import strategies as st
from shapely.geometry import Polygon

from coop.core.geometry import (
    area_sqft100,
    format_length,
    format_sides,
    format_size,
    format_sqft,
    parse_length,
    polygon_area,
    rectangle_sqft100,
)

FEET_IN16, INCH_IN16 = 192, 16


@pytest.mark.parametrize(
    ("text", "length_in16"),
    [
        ("7' 6 1/2\"", 1448),
        ("7'6 1/2\"", 1448),
        ("7'-6 1/2\"", 1448),
        ("7 ft 6 1/2 in", 1448),
        ("7 feet 6-1/2 inches", 1448),
        ("7’ 6 1/2”", 1448),
        ("7′ 6 1/2″", 1448),
        ("7' 6 1/2''", 1448),
        ("90.5", 1448),
        ('90.5"', 1448),
        ("90 1/2", 1448),
        ("7.5 ft", 1440),
        ("7.5FT.", 1440),
        ("7'", 1344),
        ("7' 6", 1440),
        ("0", 0),
        (".5", 8),
        # Every fraction a tape has, alone: 13/16 is not one and three sixteenths.
        ('13/16"', 13),
        ("11/16", 11),
        ("15/16 in", 15),
        ('3/4"', 12),
        ("7' 13/16\"", 1357),
        ("1 13/16", 29),
        # A tape's thirty-second is rounded, half-up.
        ("1/32", 1),
        ("3/64", 1),
        # An inch is 25.4 mm exactly (the international yard and pound agreement of 1959).
        ("25.4 mm", 16),
        ("2.54cm", 16),
        ("229 cm", 1443),
        ("2.29 m", 1443),
        ("1 M", 630),
    ],
)
def test_lengths_as_people_write_them(text: str, length_in16: int) -> None:
    assert parse_length(text) == length_in16


@pytest.mark.parametrize(
    ("text", "reason"),
    [
        ("", "is not a length"),
        ('"', "is not a length"),
        ("'", "is not a length"),
        ("-3", "is not a length"),
        ("7'-", "is not a length"),
        ("7 6", "is not a length"),
        ('7" 6', "is not a length"),
        ("6\" 7'", "is not a length"),
        ("5.5 1/2", "is not a length"),
        ("1e3", "is not a length"),
        ("90,5", "is not a length"),
        ("7 yd", "is not a length"),
        ("7 ft 2 m", "is not a length"),
        ("٣", "is not a length"),
        ("1/0", "over zero"),
        ("10001 ft", "longer than two miles"),
        ("4 000 m", "is not a length"),
        ("4000 m", "longer than two miles"),
    ],
)
def test_what_is_no_length(text: str, reason: str) -> None:
    with pytest.raises(ValueError, match=reason):
        parse_length(text)


@pytest.mark.parametrize(
    ("length_in16", "text"),
    [
        (1448, "7' 6 1/2\""),
        (13, '13/16"'),
        (0, '0"'),
        (192, "1' 0\""),
        (193, "1' 1/16\""),
        (-1448, "-7' 6 1/2\""),
        (24, '1 1/2"'),
    ],
)
def test_lengths_as_text(length_in16: int, text: str) -> None:
    assert format_length(length_in16) == text


@given(st.integers(0, 10_000 * FEET_IN16))
def test_a_length_survives_being_written(length_in16: int) -> None:
    assert parse_length(format_length(length_in16)) == length_in16


@dataclass(frozen=True)
class Hutch:
    width_in16: int = 40 * INCH_IN16
    depth_in16: int = 18 * INCH_IN16
    height_in16: int = 6 * FEET_IN16


def test_the_sides_of_a_piece_are_width_depth_and_height() -> None:
    assert format_size(Hutch()) == "3' 4\" × 1' 6\" × 6' 0\""
    assert format_sides(9, 192) == '9/16" × 1\' 0"'


@given(whole=st.integers(0, 999), num=st.integers(1, 63), den=st.sampled_from([2, 4, 8, 16, 32, 64]))
def test_a_fraction_is_what_it_says(whole: int, num: int, den: int) -> None:
    inches = whole + Fraction(num, den)
    assert abs(parse_length(f"{whole} {num}/{den}") - inches * INCH_IN16) <= Fraction(1, 2)
    assert parse_length(f"{num}/{den}") == parse_length(f"0 {num}/{den}")


@pytest.mark.parametrize(
    ("points", "area"),
    [
        # A1: Rosetta Code, "Shoelace formula for polygonal area"; the second run in shapely.
        ([(3, 4), (5, 11), (12, 8), (9, 5), (5, 6)], 30),
        ([(2, 1), (2, 3), (1, 2), (0, 0)], 2.5),
        # S1's L-shaped room (derived).
        ([(0, 0), (10, 0), (10, 6), (4, 6), (4, 12), (0, 12)], 84),
    ],
)
def test_polygon_areas(points: list[tuple[float, float]], area: float) -> None:
    assert polygon_area(points) == area
    assert polygon_area(points[::-1]) == area
    assert Polygon(points).area == area


@pytest.mark.parametrize(
    ("points", "reason"),
    [
        ([(0, 0), (1, 1)], "fewer than three corners"),
        ([(0, 0), (2, 2), (2, 0), (0, 2)], "crosses or touches itself"),
        ([(0, 0), (2, 0), (4, 0)], "has no area|crosses or touches itself"),
    ],
)
def test_polygons_without_a_sensible_area(points: list[tuple[float, float]], reason: str) -> None:
    with pytest.raises(ValueError, match=reason):
        polygon_area(points)


@pytest.mark.parametrize(
    ("width", "depth", "area", "text"),
    [
        ("10 ft", "12 ft", 12000, "120.00"),
        ("8'", "10'", 8000, "80.00"),
        ('1"', '1"', 1, "0.01"),  # 1/144 sq ft is 0.00694
        ("7' 6 1/2\"", "4'", 3017, "30.17"),  # 30.1666...
        ("40 ft", "30 ft", 120000, "1,200.00"),
    ],
)
def test_areas_of_rectangles(width: str, depth: str, area: int, text: str) -> None:
    w, d = parse_length(width), parse_length(depth)
    assert rectangle_sqft100(w, d) == area_sqft100([(0, 0), (w, 0), (w, d), (0, d)]) == area
    assert format_sqft(area) == text
