"""How pieces in the aisles are marked on drawings, by patterns and never by colour, and letters set where nothing else is.

Lengths are sixteenths of an inch, or whatever a drawing's user unit is.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from fractions import Fraction
from math import atan2, degrees, hypot

import shapely
from markupsafe import Markup, escape
from shapely import affinity

from coop.floor.domain.plan import Outline
from coop.floor.domain.scale import Bounds, Sheet
from coop.floor.svg import points_text

SOON_DAYS = 7
STATES: Mapping[str, str] = {
    "stays": "stays on",
    "comes": f"moves in within {SOON_DAYS} days",
    "leaves": f"has its last day within {SOON_DAYS} days",
    "sold": "sold, waits to be fetched",
    "must move": "must move",
}
"""How a piece stands on a day, in the words of the legend."""
LETTER = 0.55
"""Width of a letter, of its height."""


@dataclass(frozen=True)
class Pen:
    """Height of letters and width of a thin line, in user units."""

    text: float
    hair: float


def pattern(outline: Outline, state: str, pen: Pen) -> str:
    """A piece as its state is told: grey, dashed, hatched, hatched both ways, crossed out."""
    text = pen.text
    width, more, over = 2, "", ""
    if state == "stays":
        more = ' fill-opacity="0.2"'
    elif state == "comes":
        more = f' fill="none" stroke-dasharray="{text // 4} {text // 6}"'
    else:
        more = ' class="blank" fill="#fff"'
        if state == "must move":
            width, over = 5, _crossed(outline, pen)
        else:
            slopes = (-1,) if state == "leaves" else (-1, 1)
            over = "".join(hatch(outline, text * 0.4, slope, pen) for slope in slopes)
    stroke = f'stroke="currentColor" stroke-width="{n(width * pen.hair)}"'
    return f'<polygon points="{points_text(outline)}"{more} {stroke}/>{over}'


def hatch(outline: Outline, step: float, slope: int, pen: Pen, opacity: float = 0.8) -> str:
    """Lines at 45 degrees within an outline, to the right (1) or the left (-1) as they go down, `step` apart."""
    shape = shapely.Polygon(outline)
    left, top, right, bottom = shape.bounds
    tall = bottom - top
    starts = [left + n * step - (tall if slope > 0 else 0) for n in range(1, int((right - left + tall) / step) + 1)]
    lines = [shapely.LineString([(x, top), (x + slope * tall, bottom)]).intersection(shape) for x in starts]
    ends = [line.coords for line in lines if line.geom_type == "LineString" and not line.is_empty]
    path = "".join(f"M{n(a[0])} {n(a[1])}L{n(b[0])} {n(b[1])}" for a, b in ends)
    stroke = f'stroke="currentColor" stroke-opacity="{opacity}" stroke-width="{n(pen.hair)}"'
    return f'<path d="{path}" fill="none" {stroke}/>'


def _crossed(outline: Outline, pen: Pen) -> str:
    a, b, c, d = outline
    path = f"M{a[0]} {a[1]}L{c[0]} {c[1]}M{b[0]} {b[1]}L{d[0]} {d[1]}"
    return f'<path d="{path}" fill="none" stroke="currentColor" stroke-width="{n(2 * pen.hair)}"/>'


def swatch(shape: str) -> Markup:
    return Markup(
        '<svg xmlns="http://www.w3.org/2000/svg" class="overflow-swatch" viewBox="0 0 400 240" width="30" height="18" '
        f'fill="currentColor" aria-hidden="true">{shape}</svg>'
    )


# --- letters ----------------------------------------------------------------------------------------------------------------


class Labels:
    """Sets letters where nothing is yet, on the colour of the paper. `kept` are outlines on which none are to be set.

    `view`: beyond it nothing is seen.
    """

    def __init__(self, kept: Iterable[Outline], view: Bounds | Sheet | None = None) -> None:
        self._taken = [shapely.Polygon(outline).bounds for outline in kept]
        self._view = None if view is None else (view.x, view.y, view.x + view.width, view.y + view.height)

    def set_at(self, at: tuple[float, float], words: str, size: float, turn: int = 0, *, filled: bool = False) -> str:
        """Letters about a place, whatever else is there; `filled`: in the colour of the paper, on a mark of ink."""
        half, tall = len(words) * LETTER * size / 2 + size * 0.1, size * 0.5
        x, y = at
        turned = f' transform="rotate({turn} {n(x)} {n(y)})"' if turn else ""
        box = f'x="{n(x - half)}" y="{n(y - tall)}" width="{n(2 * half)}" height="{n(2 * tall)}"'
        text = f'x="{n(x)}" y="{n(y + size * 0.35)}" font-size="{n(size)}" text-anchor="middle"'
        if filled:
            wide = max(half + size * 0.15, tall * 1.2)
            mark = (
                f'x="{n(x - wide)}" y="{n(y - tall * 1.2)}" width="{n(2 * wide)}" height="{n(2.4 * tall)}" rx="{n(tall * 1.2)}"'
            )
            bold = f'{text} font-weight="700"'
            return f'<g{turned}><rect {mark}/><text class="blank" fill="#fff" {bold}>{escape(words)}</text></g>'
        return f'<g{turned}><rect class="blank" fill="#fff" {box}/><text {text}>{escape(words)}</text></g>'

    def set_first(
        self, spots: Sequence[tuple[float, float]], words: str, size: float, turn: int = 0, *, filled: bool = False
    ) -> str:
        """Letters at the first of several places that is free; at that which is covered least where none is."""
        half, tall = len(words) * LETTER * size / 2 + size * 0.25, size / 2
        left, top, right, bottom = affinity.rotate(shapely.box(-half, -tall, half, tall), turn, origin=(0, 0)).bounds
        boxes = [(x + left, y + top, x + right, y + bottom) for x, y in spots]
        covered: list[float] = []
        for box in boxes:
            covered.append(self._unseen(box) + sum(_shared(box, other) for other in self._taken))
            if not covered[-1]:
                break
        best = covered.index(min(covered))
        self._taken.append(boxes[best])
        return self.set_at(spots[best], words, size, turn, filled=filled)

    def _unseen(self, box: tuple[float, ...]) -> float:
        return 0 if self._view is None else max(_shared(box, box) - _shared(box, self._view), 0)

    def set_beside(self, corners: Outline, words: str, size: float, filled: bool = False) -> str:
        """Letters along the front of a rectangle (corners as a bay has them), on the aisle before it, or else at its ends."""
        (ax, ay), (bx, by), (cx, cy), (dx, dy) = corners
        # Never upside down, and upwards along what runs up or down.
        turn = (round(degrees(atan2(by - ay, bx - ax))) + 90) % 180 - 90
        far = hypot(cx - bx, cy - by)
        out = ((cx - bx) / far, (cy - by) / far)
        spots = [
            (dx + (cx - dx) * share + out[0] * away * size, dy + (cy - dy) * share + out[1] * away * size)
            for away in (0.7, 1.7)
            for share in (0.5, 0.25, 0.75, 0.05, 0.95)
        ]
        return self.set_first(spots, words, size, turn, filled=filled)


def _shared(a: tuple[float, ...], b: tuple[float, ...]) -> float:
    """Area that two boxes share. Most share none: a page asks for a hundred thousand."""
    if a[0] >= b[2] or b[0] >= a[2] or a[1] >= b[3] or b[1] >= a[3]:
        return 0
    return (min(a[2], b[2]) - max(a[0], b[0])) * (min(a[3], b[3]) - max(a[1], b[1]))


def n(value: float | Fraction) -> str:
    """A number with no more places than a picture needs."""
    return f"{float(value):.2f}".rstrip("0").rstrip(".")
