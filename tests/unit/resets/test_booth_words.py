"""A booth in words and as a picture: names of sides, what is drawn, what who cannot see it is told."""

from __future__ import annotations

from xml.etree import ElementTree as ET

import pytest

from coop.resets.domain.booth import Booth, Side, rectangle_booth
from coop.resets.domain.piece import Arrangement, Piece, Placed
from coop.resets.drawing import booth_svg, numbered
from coop.resets.wording import booth_said, side_names, size_said

FT = 192
SVG = "{http://www.w3.org/2000/svg}"
SQUARE = ((0, 0), (10 * FT, 0), (10 * FT, 12 * FT), (0, 12 * FT))
L_SHAPED = ((0, 0), (10 * FT, 0), (10 * FT, 6 * FT), (4 * FT, 6 * FT), (4 * FT, 12 * FT), (0, 12 * FT))


@pytest.mark.parametrize(
    ("outline", "names"),
    [
        (SQUARE, ["back", "right", "front", "left"]),
        # Gone round the other way: side 0 runs down the left.
        (SQUARE[:1] + SQUARE[:0:-1], ["left", "front", "right", "back"]),
        (L_SHAPED, ["back", "right 1", "front 1", "right 2", "front 2", "left"]),
    ],
)
def test_sides_are_called_by_where_they_lie_as_one_looks_in(outline: tuple[tuple[int, int], ...], names: list[str]) -> None:
    assert side_names(outline) == names


def test_a_booth_is_told_in_words() -> None:
    booth = Booth(
        SQUARE,
        (Side("wall", hooks=True, height_in16=8 * FT), Side("window"), Side("open"), Side("neighbour")),
        posts=(((0, 0), (96, 0), (96, 96), (0, 96)),),
        outlets=((10, 10), (20, 20)),
        aisle_in16=5 * FT,
    )
    assert size_said(SQUARE) == "10' 0\" wide, 12' 0\" deep, 120.00 sq ft"
    assert booth_said(booth) == (
        "10' 0\" wide, 12' 0\" deep, 120.00 sq ft. Sides: back wall with hooks, 8' 0\" high, right window, "
        "front open to the aisle and left neighbor’s, no wall between. "
        "With 1 post, 2 outlets and an aisle 5' 0\" deep before it."
    )


def drawn(booth: Booth, arrangement: Arrangement | None = None) -> ET.Element:
    return ET.fromstring(booth_svg(booth, arrangement, title="Booth 12", scale=24))


def test_the_picture_is_to_scale_and_has_an_alternative() -> None:
    """At 1:24 a drawing's inch is two feet: the width in inches times 24 times 16 is the view's width in sixteenths."""
    booth = rectangle_booth(10 * FT, 12 * FT, aisle_in16=5 * FT)
    picture = drawn(booth)
    left, top, width, height = (float(part) for part in picture.attrib["viewBox"].split())
    assert float(picture.attrib["width"].removesuffix("in")) * 24 * 16 == pytest.approx(width, abs=1)
    assert float(picture.attrib["height"].removesuffix("in")) * 24 * 16 == pytest.approx(height, abs=1)
    assert left < 0
    assert top < 0
    assert top + height > 17 * FT, "the aisle is on it"
    assert picture.attrib["role"] == "img"
    assert [child.text for child in picture[:2]] == ["Booth 12", booth_said(booth)]
    sides = picture.findall(f"{SVG}line")
    assert [side.attrib["class"] for side in sides] == [
        f"booth-side booth-side-{kind}" for kind in ("wall", "wall", "open", "wall")
    ]
    assert not picture.findall(".//*[@style]")


def test_pieces_are_drawn_where_they_stand_from_the_floor_up() -> None:
    table = Piece("1", "Table", 30 * 16, 20 * 16, 30 * 16)
    lamp = Piece("2", "Lamp & shade", 10 * 16, 10 * 16, 20 * 16, stands="table", colours=("#804020",))
    arrangement = Arrangement((Placed(lamp, 800, 800, on="1"), Placed(table, 800, 800, 90)))
    picture = drawn(rectangle_booth(10 * FT, 12 * FT), arrangement)
    groups = picture.findall(f"{SVG}g")
    assert [group.attrib["data-key"] for group in groups] == ["1", "2"]
    assert [group.find(f"{SVG}text").text for group in groups] == ["2", "1"]  # type: ignore[union-attr]
    assert numbered(arrangement) == {"2": 1, "1": 2}
    corners = {tuple(map(float, pair.split(","))) for pair in groups[0].find(f"{SVG}polygon").attrib["points"].split()}  # type: ignore[union-attr]
    assert corners == {(640, 560), (640, 1040), (960, 560), (960, 1040)}
    assert (picture[1].text or "").endswith("In it: 1 Lamp & shade and 2 Table.")
