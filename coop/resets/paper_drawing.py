"""Drawings of a booth brought onto paper: their letters, their words, and the part of each that lies on a sheet."""

from __future__ import annotations

import math
import re
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from fractions import Fraction
from xml.etree import ElementTree

from coop.core.errors import Refusal
from coop.core.geometry import IN16_PER_INCH
from coop.core.pdf import printable
from coop.floor.domain.scale import Bounds, Sheet, lay_sheets, scale_words
from coop.floor.svg import OVERLAP_IN16_PAPER, Look, drawing_css, join_marks
from coop.resets.domain.booth import Booth, outward

_NAMESPACE = ' xmlns="http://www.w3.org/2000/svg"'


@dataclass(frozen=True)
class Drawing:
    """A drawing, in user units of a sixteenth of an inch.

    `least` is the part of it that must be on paper, None: all; `floor` the floor it shows, which is noted where it is cut off.
    """

    svg: str
    least: Bounds | None = None
    floor: Bounds | None = None

    @property
    def bounds(self) -> Bounds:
        said = re.search(r'viewBox="([^"]*)"', self.svg)
        assert said is not None, "every drawing says how large it is"
        left, top, width, height = (float(part) for part in said[1].split())
        x, y = math.floor(left), math.floor(top)
        return Bounds(x, y, math.ceil(left + width) - x, math.ceil(top + height) - y)


def lay_drawing(drawing: Drawing, scale: int, room_in: tuple[Fraction, Fraction], paper: str) -> list[Sheet]:
    """Its sheets: one where all of it fits, or all that must be on it; else several that join, of what must be.

    Refuses what would be more sheets than anybody joins.
    """
    whole = drawing.bounds
    room = [int(side * IN16_PER_INCH * scale) for side in room_in]
    bounds = whole if drawing.least is None else _shortened(whole, drawing.least, room)
    try:
        return lay_sheets(bounds, scale, room_in, Fraction(OVERLAP_IN16_PAPER, IN16_PER_INCH))
    except ValueError as error:
        raise Refusal(f"The booth at {scale_words(scale)} on {paper} paper {error}.") from None


def _shortened(whole: Bounds, least: Bounds, room: Sequence[int]) -> Bounds:
    """As much of the whole as there is room for on one sheet; the least of it where there is not room for that."""
    x, width = _shorten(whole.x, whole.width, least.x, least.width, room[0])
    y, height = _shorten(whole.y, whole.height, least.y, least.height, room[1])
    return Bounds(x, y, width, height)


def _shorten(begin: int, length: int, least_begin: int, least_length: int, room: int) -> tuple[int, int]:
    if length <= room:
        return begin, length
    if least_length >= room:
        return least_begin, least_length
    # What is too much is left off at the end first, where most booths have their aisle.
    after = begin + length - least_begin - least_length
    off_begin = length - room - min(after, length - room)
    return begin + off_begin, room


def is_cut(drawing: Drawing, sheets: Sequence[Sheet]) -> bool:
    """Whether some of its floor is on no sheet."""
    if drawing.floor is None:
        return False
    first, last, floor = sheets[0], sheets[-1], drawing.floor
    is_there = first.x <= floor.x and first.y <= floor.y
    return not (is_there and last.x + last.width >= floor.x + floor.width and last.y + last.height >= floor.y + floor.height)


def booth_drawing(svg: str, booth: Booth, text_in16: int) -> Drawing:
    """A booth's plan: its letters must be on paper, and of the aisle the strip in which stands how deep it is."""
    return Drawing(svg, _floor(booth, 3 * text_in16, 2.6 * text_in16), _floor(booth, booth.aisle_in16, 0))


def _floor(booth: Booth, aisle_in16: float, beside: float) -> Bounds:
    """The booth with so much of its aisle, at most, and so much beside it."""
    corners: list[tuple[float, float]] = list(booth.outline)
    for n in booth.sides_of("open") if booth.aisle_in16 else ():
        across, down = (step * min(booth.aisle_in16, aisle_in16) for step in outward(booth.outline, n))
        for x, y in (booth.outline[n], booth.outline[(n + 1) % len(booth.outline)]):
            corners.append((x + across, y + down))
    xs, ys = zip(*corners, strict=True)
    left, top = math.floor(min(xs) - beside), math.floor(min(ys) - beside)
    return Bounds(left, top, math.ceil(max(xs) + beside) - left, math.ceil(max(ys) + beside) - top)


def on_sheet(svg: str, sheet: Sheet, look: Look) -> str:
    """The part of a drawing that lies on a sheet, with the marks by which it joins its neighbours."""
    view = Bounds(sheet.x, sheet.y, sheet.width, sheet.height)
    return on_paper(svg, view=view, look=look, more=join_marks(sheet, look))


def on_paper(svg: str, *, view: Bounds | None = None, look: Look | None = None, more: Iterable[str] = ()) -> str:
    """A drawing in the paper's letters. All its words are its title: a PDF has no other place for them."""
    root = _root(svg)
    title, desc = root.find("title"), root.find("desc")
    assert title is not None
    assert desc is not None
    title.text = f"{title.text}. {desc.text}".replace("..", ".")
    root.remove(desc)
    # One drawing may lie on several sheets: nothing of it has an id.
    title.attrib.pop("id", None)
    root.attrib.pop("aria-labelledby", None)
    root.set("color", "#111")
    style = ElementTree.Element("style")
    style.text = drawing_css()
    root.insert(1, style)
    root.extend(ElementTree.fromstring(one) for one in more)
    if view is not None and look is not None:
        root.set("viewBox", f"{view.x} {view.y} {view.width} {view.height}")
        root.set("width", look.inches(view.width))
        root.set("height", look.inches(view.height))
    return ElementTree.tostring(root, encoding="unicode")


def _root(svg: str) -> ElementTree.Element:
    # Without its namespace, which a page of HTML needs not and which would be written before every name; and without what no
    # XML may hold, such as a bell in a name.
    return ElementTree.fromstring(printable(svg.replace(_NAMESPACE, "", 1)))
