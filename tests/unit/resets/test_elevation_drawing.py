"""Walls drawn: each piece where a tape would find it, at the plan's scale, and said in words. Worked by hand, in inches."""

from __future__ import annotations

import xml.etree.ElementTree as ET
from dataclasses import replace

from coop.resets.domain.booth import rectangle_booth
from coop.resets.domain.elevation import elevation
from coop.resets.domain.piece import Arrangement, Piece, Placed
from coop.resets.elevation_drawing import elevation_svg

INCH = 16
SVG = "{http://www.w3.org/2000/svg}"


def piece(key: str, name: str, width: int, depth: int, height: int, **more: object) -> Piece:
    return Piece(key, name, width * INCH, depth * INCH, height * INCH, **more)  # type: ignore[arg-type]


BOOTH = rectangle_booth(120 * INCH, 144 * INCH)
BOOTH = replace(BOOTH, height_limit_in16=84 * INCH, sides=tuple(replace(side, height_in16=96 * INCH) for side in BOOTH.sides))
SET = Arrangement(
    (
        Placed(piece("1", "Chest <low>", 40, 20, 30), 30 * INCH, 10 * INCH),
        Placed(piece("2", "Lamp", 10, 10, 20), 30 * INCH, 10 * INCH, on="1"),
        Placed(piece("3", "Mirror", 24, 2, 36, stands="wall"), 90 * INCH, INCH, up_in16=48 * INCH),
    )
)
NUMBERS = {"1": 1, "2": 2, "3": 3}


def drawn(**more: object) -> ET.Element:
    return ET.fromstring(elevation_svg(elevation(BOOTH, SET, 0), name="back", numbers=NUMBERS, **more))  # type: ignore[arg-type]


def boxes(root: ET.Element) -> dict[str, tuple[float, float, float, float]]:
    """Left, bottom, width and height of each piece in inches, up from the floor."""
    found = {}
    for group in root.iter(f"{SVG}g"):
        rect = group.find(f"{SVG}rect")
        assert rect is not None
        x, y, width, height = (int(rect.attrib[name]) / INCH for name in ("x", "y", "width", "height"))
        found[group.attrib["data-key"]] = (x, -y - height, width, height)
    return found


def test_each_piece_stands_where_it_is_put() -> None:
    assert boxes(drawn()) == {"1": (10, 0, 40, 30), "2": (25, 30, 10, 20), "3": (78, 48, 24, 36)}


def test_it_is_to_scale() -> None:
    """A unit is a sixteenth of an inch; at 1:24 the sheet is its view over 24 and over 16."""
    for scale in (24, 48):
        root = drawn(scale=scale)
        _, _, width, height = (float(value) for value in root.attrib["viewBox"].split())
        assert abs(float(root.attrib["width"].removesuffix("in")) - width / INCH / scale) <= 0.001
        assert abs(float(root.attrib["height"].removesuffix("in")) - height / INCH / scale) <= 0.001


def test_all_of_it_is_in_the_picture() -> None:
    root = drawn()
    left, top, width, height = (float(value) for value in root.attrib["viewBox"].split())
    for rect in root.iter(f"{SVG}rect"):
        x, y = float(rect.attrib["x"]), float(rect.attrib["y"])
        assert left <= x
        assert x + float(rect.attrib["width"]) <= left + width
        assert top <= y
        assert y + float(rect.attrib["height"]) <= top + height
    limit = next(line for line in root.iter(f"{SVG}line") if line.attrib.get("class") == "elevation-limit")
    assert int(limit.attrib["y1"]) == -84 * INCH


def test_it_is_said_in_words_and_escaped() -> None:
    root = drawn()
    said = root.find(f"{SVG}desc")
    assert said is not None
    assert said.text == (
        "It is 10' 0\" wide and 8' 0\" high. From the left: 1 Chest <low> to 2' 6\" high, "
        "2 Lamp from 2' 6\" to 4' 2\" high and 3 Mirror from 4' 0\" to 7' 0\" high."
    )
    empty = elevation_svg(elevation(BOOTH, Arrangement(), 1), name="right", numbers={})
    assert "Nothing stands before it." in empty
    assert root.attrib["aria-labelledby"] == "back-title back-desc"


def test_what_is_marked_is_drawn_heavy_and_colours_are_the_pieces() -> None:
    root = drawn(marked={"2"}, colours={"1": "#8a5a2b"})
    by_key = {group.attrib["data-key"]: group for group in root.iter(f"{SVG}g")}
    assert "marked" in by_key["2"].attrib["class"]
    assert "marked" not in by_key["1"].attrib["class"]
    chest = by_key["1"].find(f"{SVG}rect")
    assert chest is not None
    assert chest.attrib["fill"] == "#8a5a2b"


def test_a_wall_is_drawn_as_high_as_it_was_measured() -> None:
    """A wall of four feet under a limit of seven: what hangs above it hangs on nothing, and the drawing shows that."""
    low = replace(BOOTH, sides=tuple(replace(side, height_in16=48 * INCH) for side in BOOTH.sides))
    root = ET.fromstring(elevation_svg(elevation(low, SET, 0), name="back", numbers=NUMBERS))
    side = next(one for one in root.iter(f"{SVG}rect") if one.attrib["class"] == "elevation-side")
    assert (int(side.attrib["y"]) / INCH, int(side.attrib["height"]) / INCH) == (-48, 48)
    _, top, _, _ = (float(value) for value in root.attrib["viewBox"].split())
    assert top <= -84 * INCH, "the limit and the mirror are still on the drawing"
