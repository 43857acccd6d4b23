"""Colours as CIELAB and dE00 against published figures."""

from __future__ import annotations

from math import hypot

import pytest
from hypothesis import given
from hypothesis import strategies as st

from coop.overflow.domain.colour import Lab, difference, lab_of, tone_between

lightness, opponent = st.floats(0, 100), st.floats(-128, 128)
labs = st.tuples(lightness, opponent, opponent)
colours = st.from_regex(r"#[0-9a-f]{6}", fullmatch=True)

# Sharma, Wu, Dalal, "The CIEDE2000 color-difference formula", Color Research and Application 30, 2005, table 1. 2.0425, 27.1492
# and 1.2644 are compared with the paper, the others are from memory. Pair 14 is left out: its hues are half a turn apart to the
# last digit, and either way round is right.
BLUE, GREY, AXIS = (50.0, 0.0, -82.7485), (50.0, 2.49, -0.001), (50.0, 2.5, 0.0)
PAIRS: list[tuple[Lab, Lab, str]] = [
    ((50, 2.6772, -79.7751), BLUE, "2.0425"),
    ((50, 3.1571, -77.2803), BLUE, "2.8615"),
    ((50, 2.8361, -74.0200), BLUE, "3.4412"),
    ((50, -1.3802, -84.2814), BLUE, "1.0000"),
    ((50, -1.1848, -84.8006), BLUE, "1.0000"),
    ((50, -0.9009, -85.5211), BLUE, "1.0000"),
    ((50, 0, 0), (50, -1, 2), "2.3669"),
    (GREY, (50, -2.49, 0.0009), "7.1792"),
    (GREY, (50, -2.49, 0.0010), "7.1792"),
    (GREY, (50, -2.49, 0.0011), "7.2195"),
    (GREY, (50, -2.49, 0.0012), "7.2195"),
    ((50, -0.001, 2.49), (50, 0.0009, -2.49), "4.8045"),
    ((50, -0.001, 2.49), (50, 0.0011, -2.49), "4.7461"),
    (AXIS, (50, 0, -2.5), "4.3065"),
    (AXIS, (73, 25, -18), "27.1492"),
    (AXIS, (61, -5, 29), "22.8977"),
    (AXIS, (56, -27, -3), "31.9030"),
    (AXIS, (58, 24, 15), "19.4535"),
    (AXIS, (50, 3.1736, 0.5854), "1.0000"),
    (AXIS, (50, 3.2972, 0), "1.0000"),
    (AXIS, (50, 1.8634, 0.5757), "1.0000"),
    (AXIS, (50, 3.2592, 0.3350), "1.0000"),
    ((60.2574, -34.0099, 36.2677), (60.4626, -34.1751, 39.4387), "1.2644"),
    ((63.0109, -31.0961, -5.8663), (62.8187, -29.7946, -4.0864), "1.2630"),
    ((61.2901, 3.7196, -5.3901), (61.4292, 2.2480, -4.9620), "1.8731"),
    ((35.0831, -44.1164, 3.7933), (35.0232, -40.0716, 1.5901), "1.8645"),
    ((22.7233, 20.0904, -46.6940), (23.0331, 14.9730, -42.5619), "2.0373"),
    ((36.4612, 47.8580, 18.3852), (36.2715, 50.5065, 21.2231), "1.4146"),
    ((90.8027, -2.0831, 1.4410), (91.1528, -1.6435, 0.0447), "1.4441"),
    ((90.9257, -0.5406, -0.9208), (88.6381, -0.8985, -0.7239), "1.5381"),
    ((6.7747, -0.2908, -2.4247), (5.8714, -0.0985, -2.2286), "0.6377"),
    ((2.0776, 0.0795, -1.1350), (0.9033, -0.0636, -0.5514), "0.9082"),
]


@pytest.mark.parametrize(("one", "other", "expected"), PAIRS)
def test_differences_of_the_paper_to_four_places_both_ways(one: Lab, other: Lab, expected: str) -> None:
    assert f"{difference(one, other):.4f}" == expected
    assert f"{difference(other, one):.4f}" == expected


@given(labs, labs)
def test_a_difference_is_none_or_more_and_the_same_both_ways(one: Lab, other: Lab) -> None:
    # Not where the hues are half a turn apart to the last digits: there it jumps.
    assert difference(one, other) >= 0
    across = one[1] * other[2] - one[2] * other[1]
    if abs(across) > 1e-6 * hypot(*one[1:]) * hypot(*other[1:]):
        assert difference(one, other) == pytest.approx(difference(other, one), abs=1e-9)


@given(labs)
def test_nothing_differs_from_itself(lab: Lab) -> None:
    assert difference(lab, lab) == 0


@pytest.mark.parametrize("hue", [(30.0, 0.0), (0.0, 30.0), (-30.0, 0.0), (0.0, -30.0), (20.0, -20.0)])
def test_grey_has_no_hue_so_the_turn_to_it_counts_nothing(hue: tuple[float, float]) -> None:
    # By the formula: with no chroma on one side only the chroma counts, by 1 + 0.045 of its mean.
    grey, coloured = (50.0, 0.0, 0.0), (50.0, *hue)
    a, b = hue
    chroma = hypot(a, b)
    redder = 1.5 - ((chroma / 2) ** 7 / ((chroma / 2) ** 7 + 25**7)) ** 0.5 / 2
    seen = hypot(a * redder, b)
    assert difference(grey, coloured) == pytest.approx(seen / (1 + 0.045 * seen / 2))


@pytest.mark.parametrize(
    ("colour", "lab"),
    [
        # sRGB's corners under D65 as colour tables print them, from memory: to a tenth, for whites differ in the last digits.
        ("#ffffff", (100, 0, 0)),
        ("#000000", (0, 0, 0)),
        ("#ff0000", (53.24, 80.09, 67.20)),
        ("#00ff00", (87.73, -86.18, 83.18)),
        ("#0000ff", (32.30, 79.19, -107.86)),
        ("#ffff00", (97.14, -21.55, 94.48)),
        ("#00FFFF", (91.11, -48.09, -14.13)),
        ("#ff00ff", (60.32, 98.23, -60.82)),
        ("#808080", (53.59, 0, 0)),
    ],
)
def test_known_colours_in_lab(colour: str, lab: Lab) -> None:
    assert lab_of(colour) == pytest.approx(lab, abs=0.05)


def test_dark_greys_by_the_formulas() -> None:
    # Below a linear 0.008856 L* is 903.3 times that (116 · 29²/(3·6²)), by CIE 15. 1/255 is linear by 12.92 and 20/255 by the
    # power, by IEC 61966-2-1.
    steep = 116 * 29**2 / (3 * 6**2)
    assert lab_of("#010101")[0] == pytest.approx(steep / 255 / 12.92)
    assert lab_of("#141414")[0] == pytest.approx(steep * ((20 / 255 + 0.055) / 1.055) ** 2.4)


@given(st.integers(0, 254))
def test_a_lighter_grey_is_lighter(value: int) -> None:
    dark, light = (lab_of(f"#{v:02x}{v:02x}{v:02x}") for v in (value, value + 1))
    assert dark[0] < light[0]
    assert dark[1:] == pytest.approx((0, 0), abs=1e-9)


@pytest.mark.parametrize("text", ["", "brown", "#fff", "8b5a2b", "#8b5a2g", "#8b5a2b0", "#8b5a2b\n"])
def test_what_is_no_colour_is_refused(text: str) -> None:
    with pytest.raises(ValueError, match="is not a color; write it like #8b5a2b"):
        lab_of(text)


def test_the_tone_is_the_nearest_of_the_palette_in_hundredths() -> None:
    oak, walnut, teal = "#b8864b", "#5c4033", "#008080"
    near = round(100 * difference(lab_of(oak), lab_of(walnut)))
    assert near < round(100 * difference(lab_of(oak), lab_of(teal)))
    assert tone_between(oak, [teal, walnut]) == tone_between(oak, [walnut, teal]) == near > 0
    assert tone_between("#ffffff", ["#000000"]) == 10_000
    assert tone_between(oak, [teal, oak]) == 0


def test_without_a_colour_or_a_palette_there_is_no_tone() -> None:
    assert tone_between("", ["#008080"]) == tone_between("#008080", []) == 0


@given(colours, st.lists(colours, min_size=1, max_size=4), colours)
def test_a_further_colour_never_makes_the_tone_worse(colour: str, palette: list[str], further: str) -> None:
    assert tone_between(colour, [*palette, further]) <= tone_between(colour, palette)
